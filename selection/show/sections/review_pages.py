"""Whether earlier meetings were right: predictions against what came later."""

from __future__ import annotations

from typing import Any

import pandas as pd
from markupsafe import Markup

from selection.answer import Kind
from selection.decide.meeting import Meeting
from selection.decide.prices.money import Currency
from selection.decide.review.checks import ENOUGH, learned
from selection.decide.review.review import Review
from selection.decide.wording import counted, each
from selection.merit.candidates import called
from selection.records.flock import Flock
from selection.show.page import small_plots as plot
from selection.show.page.figures import halves, hundredths, missing, per_cent, signed
from selection.show.page.fragments import Fragment, bullets, fold, join, paragraph, sentence, table
from selection.show.page.style import AGAIN, KEEP, QUIET

_KINDS = {"p_best": "being the best", "p_kept": "a place"}
_SURE = 0.005
"""Chicks within which a bird's share in them is certain."""
MOST_YEARS = 8
"""Hatch years that are all written below a picture."""


def looking_back(meeting: Meeting) -> Fragment:
    """Whether the meetings kept with the flock were right, for the pack; what can be said where none was kept."""
    found = meeting.review
    pieces: list[Markup] = [bird_by_bird(found, meeting.flock), review_sentences(found)]
    if len(found.birds):
        pieces += [checks_table(found), chances_table(found)]
    gained = fold("What choosing gained, season by season", differentials_table(found), on_paper=False)
    pieces += [years_picture(found), gained]
    if found.cannot:
        pieces.append(
            fold("What cannot be said of earlier meetings", bullets(list(found.cannot), "small"), False)
        )
    return join(pieces)


_CHANCES = "Chance of the best, of a place"
"""Heading of what a meeting gave a bird."""


def bird_by_bird(review: Review, flock: Flock) -> Fragment:
    """What the last season's meeting gave each bird, what was decided and by whom, and what came of it."""
    came, of, money = review.came, called(flock), Currency(flock.plan.currency)
    if came.empty:
        return paragraph(
            "No decision of an earlier season is on record, so there is no bird to look back on.", "quiet"
        )
    rows = [
        {
            "bird": f"{of(r.bird)}",
            "chances": "" if missing(r.p_kept) else f"{hundredths(r.p_best)}, {hundredths(r.p_kept)}",
            "decided": _decided(r),
            "came": sentence("; ".join(_came(r, money)) or "nothing on record since"),
        }
        for r in each(came)
    ]
    columns = {"bird": "Bird", "chances": _CHANCES, "decided": "Decided", "came": "What came of it"}
    if all(not row["chances"] for row in rows):
        del columns["chances"]
    last = came["decided"].where(came["decided"].notna(), came["stood"])
    goes = (last == "sell").tolist()
    stay, gone = (
        [row for row, going in zip(rows, goes, strict=True) if going is sold] for sold in (False, True)
    )
    on = f"{came['on'].max():%-d %B %Y}"
    kept = table(
        stay, columns, f"Kept or in reserve at the meeting of {on}", empty="Nobody was kept.", kind="stack"
    )
    sold = table(gone, columns, f"Sold after the meeting of {on}", empty="Nobody was to go.", kind="stack")
    return join([kept, fold("What became of those that were to go", sold, on_paper=False)])


def _decided(r: Any) -> str:
    """The decision in words with who made it and why; what stood where none was made."""
    if missing(r.decided):
        return f"{r.stood}: as proposed, never settled"
    who = f" by {r.who}" if isinstance(r.who, str) else ""
    if r.settled == "yes":
        return f"{r.decided}, settled as proposed{who}"
    return f"{r.decided}{who}" + (f": {r.why}" if isinstance(r.why, str) else "")


def _came(r: Any, money: Currency) -> list[str]:
    """What the records tell since: looks, chicks, eggs, and how it went."""
    said = []
    if not missing(r.looks):
        mean = "" if missing(r.points) else f", {halves(r.points)} points by eye on average"
        said.append(f"{counted(int(r.looks), 'look')}{mean}")
    if not missing(r.chicks) and r.chicks:
        sure = abs(r.chicks - r.chicks_expected) < _SURE
        about = f"{r.chicks_expected:.{0 if r.chicks_expected >= 1 else 1}f}"
        likely = f"about {about} of {counted(int(r.chicks), 'chick')} its own"
        said.append(counted(int(r.chicks), "chick") if sure else likely)
    if not missing(r.eggs):
        said.append(f"{counted(int(r.eggs), 'egg')}, {'her own' if r.laid == 'own' else 'of all her pen'}")
    if not missing(r.sold_as):
        lot = " for its lot" if isinstance(r.lot, str) else ""
        asked = "" if missing(r.price) else f" for {money.words(r.price)}{lot}"
        said.append(
            f"sold as {r.sold_as}{asked} on {r.gone_on:%-d %B %Y}"
            if pd.notna(r.gone_on)
            else f"sold as {r.sold_as}{asked}"
        )
    elif pd.notna(r.gone_on):
        said.append(f"{'gone' if missing(r.gone_why) else r.gone_why} on {r.gone_on:%-d %B %Y}")
    else:
        said.append("here")
    return said


def review_sentences(review: Review) -> Fragment:
    """The answer in words: in short, and folded away figure by figure."""
    if not review.notes:
        return paragraph("Nothing can be said yet.", "quiet")
    whole = fold("Figure by figure, in words", bullets(list(review.sentences), "small"), on_paper=False)
    return join([bullets(list(review.texts(Kind.SHORT))), whole if review.sentences else Markup("")])


def checks_table(review: Review) -> Fragment:
    """Bias, slope and correlation of earlier predictions, with what they should be."""
    rows = [
        {
            "evidence": r.evidence,
            "quantity": r.quantity,
            "value": "none" if missing(r.value) else _with_interval(r.value, r.low, r.high),
            "n": f"{r.n:.0f}",
            "expected": "" if missing(r.expected) else f"{r.expected:.2f}",
            "says": r.says,
        }
        for r in each(review.checks)
    ]
    columns = {
        "evidence": "Held against",
        "quantity": "What",
        "value": "Found (90 %)",
        "n": "Birds",
        "expected": "Should be",
        "says": "In words",
    }
    return table(
        rows, columns, "Predictions against what came later", ["n"], empty="No earlier meeting.", kind="stack"
    )


def _with_interval(value: float, low: float, high: float) -> str:
    return f"{value:.2f} ({low:.2f} to {high:.2f})".replace("-", "−")


def chances_table(review: Review) -> Fragment:
    """Of birds given a chance of being the best or of a place, how many proved so; or are so, by what is known now."""
    proof = learned(review.birds) >= ENOUGH
    rows = [
        {
            "kind": _KINDS.get(r.kind, r.kind),
            "given": f"about {100 * r.given:.0f} in 100",
            "birds": f"{r.birds:.0f}",
            "proved": "too few" if missing(r.low) else per_cent(r.proved, r.low, r.high),
        }
        for r in each(review.chances)
    ]
    columns = {
        "kind": "Chance of",
        "given": "Given",
        "birds": "Birds",
        "proved": "Proved so (90 %)" if proof else "Are so, by what is known now (90 %)",
    }
    caption = "Chances given, and " + (
        "what proved so"
        if proof
        else "what has become of them: no proof yet, most of the doubt is still there"
    )
    return table(rows, columns, caption, ["birds"], empty="No chances to look back on.", kind="stack")


def differentials_table(review: Review) -> Fragment:
    """What choosing gained, season by season: as a meeting told it then, and by what is known now."""
    rows = [
        {
            "season": f"{r.on:%Y}",
            "group": r.group,
            "stayed": f"{r.kept}",
            "then": _of_possible(r.differential, r.possible),
            "now": _of_possible(r.later, r.later_possible) or sentence(r.says),
        }
        for r in each(review.differentials)
    ]
    rows += [
        {
            "season": f"{r.season}",
            "group": r.group,
            "stayed": f"{r.stayed} of {r.birds}",
            "then": "",
            "now": _of_possible(r.differential, r.possible) or sentence(r.says),
        }
        for r in each(review.choosing)
    ]
    columns = {
        "season": "Season",
        "group": "Group",
        "stayed": "Stayed",
        "then": "Gained, as told then",
        "now": "Gained, as known now",
    }
    if review.differentials.empty:
        del columns["then"]
    rows.sort(key=lambda row: row["season"])
    caption = (
        "What choosing gained: those that stayed against the mean of all of their group, points of merit"
    )
    return table(rows, columns, caption, empty="No earlier season to tell of.", kind="stack")


def _of_possible(gained: float, possible: float) -> str:
    return "" if missing(gained) else f"{signed(gained)} of {signed(possible)} possible"


def years_picture(review: Review) -> Fragment:
    """Merit by hatch year, and beside it what rearing, season and judges made of the same birds."""
    frame = review.years
    if frame.empty:
        return paragraph("Too few hatch years: no picture of merit by hatch year.", "quiet")
    told = frame[frame["rearing"].notna()]
    pictures = [_years(frame, "merit", "low", "high", "merit: what they were bred to be", KEEP)]
    if len(told):
        pictures.append(
            _years(told, "rearing", "rearing_low", "rearing_high", "rearing, season and judges", AGAIN)
        )
    return Fragment('<figure><figcaption>{}</figcaption><div class="beside">{}</div></figure>').format(
        "Home-bred chicks by hatch year, points about the mean of these years (90 %)",
        Markup("").join(pictures),
    )


def years(review: Review) -> Fragment:
    """Merit by hatch year in figures, the genetic part of the looks and the rest apart."""
    rows = [
        {
            "year": f"{r.hatch_year}",
            "birds": f"{r.birds}",
            "merit": f"{signed(r.merit)} ({signed(r.low)} to {signed(r.high)})",
            "seen": signed(r.seen),
            "genetic": signed(r.genetic),
            "rearing": "too few"
            if missing(r.rearing)
            else f"{signed(r.rearing)} ({signed(r.rearing_low)} to {signed(r.rearing_high)})",
        }
        for r in each(review.years)
    ]
    columns = {
        "year": "Hatched",
        "birds": "Birds",
        "merit": "Merit (90 %)",
        "seen": "Looks of their first season",
        "genetic": "of which bred",
        "rearing": "of which rearing, season and judges (90 %)",
    }
    caption = "Home-bred chicks by hatch year, points about the mean of these years"
    return table(rows, columns, caption, ["birds"], empty="Too few hatch years.", kind="stack")


def predictions_picture(review: Review) -> Fragment:
    """Every bird's merit as it was told then, and as it is known now; the line is where both agree."""
    told = review.birds
    if told.empty:
        return paragraph("No earlier meeting: no predictions to draw.", "quiet")
    scale = plot.reach(told["merit"], told["later"])
    panel = plot.Panel(scale, scale, wide=340, high=320, left=40, foot=34, top=22)
    kept = told["kept"].astype(bool)
    parts = [
        plot.axes(panel, "merit as told then, points about its group", plot.ticks(*scale)),
        plot.title(panel, "merit as known now"),
        plot.line(panel, scale, scale, QUIET, "dashed"),
        *(
            plot.marks(panel, told.loc[of, "merit"], told.loc[of, "later"], colour, mark)
            for of, colour, mark in ((~kept, QUIET, "o"), (kept, KEEP, "D"))
        ),
    ]
    says = f"{int(kept.sum())} kept and {int((~kept).sum())} other birds of earlier meetings"
    return Fragment("<figure><figcaption>{}</figcaption>{}{}</figure>").format(
        "What earlier meetings told of each bird, and what is known of it now",
        plot.drawn(panel, parts, says),
        plot.key(["kept", "not kept"], (KEEP, QUIET), ("D", "o")),
    )


def _years(frame: pd.DataFrame, value: str, low: str, high: str, words: str, colour: str) -> Markup:
    """One value by hatch year with its interval."""
    years = frame["hatch_year"].astype(int)
    first, last = years.iloc[0], years.iloc[-1]
    panel = plot.Panel(
        (first - 0.5, last + 0.5),
        plot.reach(frame[low], frame[high], zero=True),
        wide=290,
        high=170,
        top=22,
        foot=22,
    )
    parts = [
        plot.axes(panel, "", years.tolist() if len(years) <= MOST_YEARS else [int(first), int(last)]),
        plot.title(panel, words),
        plot.uprights(panel, years, frame[low], frame[high], colour),
        plot.marks(panel, years, frame[value], colour),
    ]
    said = "; ".join(f"{year}: {signed(v)}" for year, v in zip(years, frame[value], strict=True))
    return plot.drawn(panel, parts, f"{words}, points: {said}")
