"""Who a bird is, in words for a terminal and as one page: its whole life as far as it is on record.

The facts are `decide.life`'s; here they are worded and laid out. What people typed is escaped.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd
from markupsafe import Markup

from selection.decide.life import Life
from selection.decide.prices.money import Currency
from selection.decide.wording import counted, each, listed
from selection.merit.candidates import called
from selection.records.ledger import durable
from selection.records.photos import Album, album
from selection.show.page.family_tree import chick_groups, family_tree, places_in_words, whose
from selection.show.page.figures import halves, kilograms, missing
from selection.show.page.fragments import (
    Fragment,
    bullets,
    fold,
    heading,
    join,
    paragraph,
    photo_img,
    sentence,
    stylesheet,
)
from selection.show.page.small_plots import (
    Panel,
    SectionPoints,
    axes,
    drawn,
    marks,
    reach,
    section_bars,
    ticks,
)
from selection.show.page.style import KEEP, QUIET, ring_mark
from selection.show.sheets.sheet_facts import day, hatched_in_words, kind_of, readable

_MOST = 12
"""Birds that a line names before it counts the rest."""
CAUTION = (
    "Rings: look at growing birds' rings weekly at least; an outgrown ring injures (common practice, no source). "
    "Culling, medicines, registration, moving and selling birds: local law, club rules and a veterinary surgeon "
    "decide, not this page."
)
Told = list[tuple[str, list[str]]]


def life_in_words(life: Life) -> str:
    """The bird's life as lines of text, heading by heading."""
    parts = [_title(life), _standing(life)]
    for name, lines in told(life):
        parts += ["", name, *(f"  {line}" for line in lines)]
    return "\n".join(parts)


def _title(life: Life) -> str:
    """Number, name, what it is and when it hatched."""
    bird, season = life.bird, life.flock.plan.season
    name = f", {readable(bird.name)}" if isinstance(bird.name, str) else ""
    return f"{readable(bird.bird)}{name}: {kind_of(bird, season)}, hatched {hatched_in_words(bird)}"


def _standing(life: Life) -> str:
    """Whether it lives, what it wears, and where it stands."""
    bird, on = life.bird, day(pd.Timestamp(life.flock.plan.on))
    if pd.notna(bird.gone_on):
        why = f": {bird.gone_why}" if isinstance(bird.gone_why, str) else ""
        return f"Gone on {day(bird.gone_on)}{why}."
    worn = life.rings[life.rings["until"].isna()].sort_values("leg", kind="stable")
    colours = ", ".join(f"{r.leg} {readable(r.colour)}" for r in each(worn))
    rings = f"wears {colours}" if colours else "no ring on record"
    here = life.pens[life.pens["until"].isna()]
    pen = f", in {listed(dict.fromkeys(map(readable, here['pen'])))}" if len(here) else ""
    return f"Alive on {on}{pen}; {rings}."


def told(life: Life) -> Told:
    """Everything on record, as a heading and its lines; what nobody wrote down says so."""
    sections = {
        "Rings": [_ring(r) for r in each(life.rings)] or ["none on record"],
        "Where it comes from": _origin(life),
        "Brothers and sisters": kin_in_lines(life) or ["none on record"],
        "Chicks": chicks_in_lines(life) or ["none on record"],
        "Looks": _looks(life) or ["no judge has seen it"],
        "Weights": [_weight(life, w) for w in each(life.weights)] or ["never weighed"],
        "Measurements": [_measure(m) for m in each(life.measures)],
        "Eggs": [_eggs(e) for e in each(life.eggs)],
        "Pens": [_stay(life, p) for p in each(life.pens)] or ["in no pen on record"],
        "At the meetings": [_at_meeting(life, m) for m in each(life.meetings)],
        "Decisions": [_decision(d) for d in each(life.decisions)] or ["none"],
        "Sale": [_sale(life, s) for s in each(life.sales)],
        "Note": [readable(life.bird.note)] if isinstance(life.bird.note, str) else [],
        "Cannot be said": list(life.cannot),
    }
    return [(name, lines) for name, lines in sections.items() if lines]


def _span(since: pd.Timestamp, until: pd.Timestamp) -> str:
    return f"from {day(since)}" + (f" to {day(until)}" if pd.notna(until) else " on")


def _ring(ring: Any) -> str:
    size = "" if missing(ring.size_mm) else f"{ring.size_mm:g} mm"
    mark = f"marked {readable(ring.mark)}" if isinstance(ring.mark, str) else ""
    kind = " ".join(part for part in (readable(ring.kind), size) if part)
    return ", ".join(
        part for part in (f"{ring.leg} {readable(ring.colour)}", kind, mark, _span(ring.since, ring.until)) if part
    )  # fmt: skip


def _origin(life: Life) -> list[str]:
    """Its clutch or supplier, its parents and theirs, its inbreeding."""
    bird = life.bird
    lines = [_clutch(c) for c in each(life.clutch)]
    if isinstance(bird.clutch, str) and ";" in bird.clutch:
        lines.append("of a mixed brood: which of these clutches is not known")
    if not lines and isinstance(bird.source_of, str):
        came = f", came on {day(bird.came_on)}" if pd.notna(bird.came_on) else ""
        lines.append(f"bought grown of {readable(bird.source_of)}{came}")
    lines += ancestors_in_lines(life)
    if life.inbreeding is not None and life.ancestors and life.ancestors[0].possible:
        lines.append(f"inbreeding F {life.inbreeding:.3f}")
    return lines or ["nothing on record"]


def _clutch(clutch: Any) -> str:
    bought = clutch.origin == "bought-in"
    place = readable(clutch.source if bought else clutch.pen)
    where = f", eggs of {place}" if bought and place else f", pen {place}" if place else ""
    counts = [
        f"{value:.0f} {word}"
        for word, value in (
            ("set", clutch.eggs_set),
            ("fertile", clutch.fertile),
            ("hatched", clutch.hatched),
        )
        if not missing(value)
    ]
    told = f" ({', '.join(counts)})" if counts else ""
    brooder = f", reared in {readable(clutch.brooder)}" if isinstance(clutch.brooder, str) else ""
    return f"clutch {readable(clutch.clutch)}, {clutch.origin}{where}, set on {day(clutch.set_on)}{told}{brooder}"


def ancestors_in_lines(life: Life) -> list[str]:
    """Each place of its pedigree in a line; above a place that is not on record nothing is said."""
    birds = {row.bird: row for row in each(life.flock.birds)}
    return [f"{whose(path)}: {said}" for path, said in places_in_words(life.ancestors, birds)]


def kin_in_lines(life: Life, most: int = _MOST) -> list[str]:
    """Brothers and sisters, one line for each thing they are to it; those alive are marked with a star."""
    alive, of = _alive(life), _names(life)
    lines = []
    for words, rows in life.kin.groupby("words", sort=False):
        names = [f"{of(other)}*" if other in alive else of(other) for other in rows["other"]]
        lines.append(f"{words}: {_some(names, most)}")
    return [*lines, *(["* alive"] if any("*" in line for line in lines) else [])]


def _alive(life: Life) -> set[str]:
    return set(life.flock.birds.loc[life.flock.birds["alive"], "bird"])


def _names(life: Life) -> Callable[[str], str]:
    """How other birds are called on this page: those alive with what they wear now, those gone without."""
    alive, of = _alive(life), called(life.flock)
    return lambda bird: readable(str(of(bird)) if bird in alive else of(bird).title)


def _some(names: Sequence[str], most: int = _MOST) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return f"{', '.join(names[:most])}{more}"


def chicks_in_lines(life: Life) -> list[str]:
    """Its chicks by year, clutch and other parent, and how many there are."""
    if life.chicks.empty:
        return []
    maybe = int((life.chicks["chance"] < 0.995).sum())
    doubt = f", {maybe} of them perhaps" if maybe else ""
    gone = int(life.chicks["gone"].sum())
    lines = [f"{len(life.chicks)} on record{doubt}; {len(life.chicks) - gone} alive"]
    return lines + [
        f"{name}: {', '.join(chicks)}" if chicks else name
        for name, chicks in chick_groups(life, of=_names(life))
    ]


def _looks(life: Life) -> list[str]:
    """A line a look: each section beside its group's mean; then faults and the judge's note."""
    lines = []
    for look in each(life.seen):
        rows = life.looks[(life.looks["on"] == look.on) & (life.looks["judge"] == look.judge)]
        points = [
            f"{readable(r.title)} {r.points:g} of {r.most:g}{f' (mean {r.mean:.1f})' if r.birds > 1 else ''}"
            for r in each(rows)
        ]
        points += [] if missing(look.total) else [f"in all {halves(look.total)}"]
        lines.append(f"{day(look.on)}, {readable(look.judge)}: {', '.join([*points, *_remarks(look)])}")
    if len(life.looks) and (life.looks["birds"] > 1).any():
        lines.append("mean: of the birds of its sex and hatch year that the judge saw that day")
    return lines


def _remarks(look: Any) -> list[str]:
    faults = [f"faults: {readable(look.faults)}"] if isinstance(look.faults, str) else []
    return [*faults, *([f"“{readable(look.note)}”"] if isinstance(look.note, str) else [])]


def _weight(life: Life, row: Any) -> str:
    age = "" if missing(row.weeks) else f", at {row.weeks:.0f} weeks"
    others = f" (mean of {row.birds:.0f} like it: {row.mean:,.0f} g)" if row.birds > 1 else ""
    note = f", “{readable(row.note)}”" if isinstance(row.note, str) else ""
    return f"{day(row.on)}{age}: {row.grams:,.0f} g{others}{note}"


def _measure(row: Any) -> str:
    judge = f", by {readable(row.judge)}" if isinstance(row.judge, str) else ""
    return f"{day(row.on)}: {readable(row.title)} {row.value:g} {row.unit}{judge}".rstrip()


def _eggs(row: Any) -> str:
    pen = f" in {readable(row.pen)}" if isinstance(row.pen, str) else ""
    of = "her own" if row.whose == "own" else "all the pen's"
    return (
        f"{row.year}{pen}: {counted(int(row.eggs), 'egg')} of {counted(int(row.days), 'day')} counted, {of}"
    )


def _stay(life: Life, row: Any) -> str:
    there = (("males", row.males), ("females", row.females))
    mates = [f"{word} {_some(list(map(_names(life), birds)))}" for word, birds in there if birds]
    return f"{readable(row.pen)}, {_span(row.since, row.until)}" + (
        f", with {' and '.join(mates)}" if mates else ""
    )


def _decision(row: Any) -> str:
    who = f" by {readable(row.who)}" if isinstance(getattr(row, "who", None), str) else ""
    why = f": {readable(row.why)}" if isinstance(row.why, str) else ""
    return f"{day(row.on)}: {row.decided}{who}{why}"


def _at_meeting(life: Life, row: Any) -> str:
    """What one meeting said of it: where it stood, what was proposed beside that, what was asked for it, and why."""
    said = [row.stands]
    said += [f"as {row.sold_as}"] if isinstance(row.sold_as, str) else []
    said += [] if missing(row.price) else [f"asked {Currency(life.flock.plan.currency).words(row.price)}"]
    if isinstance(row.proposed, str) and row.proposed != row.stands:
        said.append(f"{row.proposed} proposed")
    return f"{day(row.on)}: {', '.join(said)}" + (
        f": {readable(row.why)}" if isinstance(row.why, str) else ""
    )


def _sale(life: Life, row: Any) -> str:
    lot = f", for the lot with {listed(map(_names(life), row.others))}" if row.others else ""
    price = "" if missing(row.price) else f", {row.price:,.2f} {life.flock.plan.currency}".rstrip()
    note = f", “{readable(row.note)}”" if isinstance(row.note, str) else ""
    return f"{day(row.on)}: as {row.sold_as}{price}{lot}{note}"


# -- the page ----------------------------------------------------------------------------------------------------

DRAWN = ("Looks", "Chicks")
"""Headings of which the page has pictures in the place of lines."""


def bird_page(life: Life, photos: Album | None = None) -> Fragment:
    """One page of a bird: face, rings through its life, family, looks, growth, and the rest in words."""
    words = dict(told(life))
    parts = [
        heading(_title(life), 1),
        paragraph(_standing(life), "lead"),
        photographs(life, photos),
        heading("Rings through its life", 2),
        _marks(life, words.pop("Rings")),
        heading("Family", 2),
        family_tree(life) if life.ancestors else Fragment(""),
        fold("The same in words", bullets(words.pop("Where it comes from"))),
        *_lines("Brothers and sisters", words.pop("Brothers and sisters")),
        heading("What was seen of it", 2),
        look_cards(life),
        fold("The looks in words", bullets(words["Looks"])) if len(life.seen) else bullets(words["Looks"]),
        growth_plot(life),
    ]
    for name, lines in words.items():
        parts += _lines(name, lines) if name not in DRAWN else []
    if photos is not None and photos.left_out:
        parts += _lines("Photos left out", photos.left_out)
    return join([*parts, paragraph(CAUTION, "small")])


def whole_page(life: Life, photos: Album | None = None) -> str:
    """The page as one HTML file that opens anywhere and prints on A4."""
    return Markup(
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><title>{}</title>'
        "<style>{}@page {{ size: A4; margin: 12mm; }} body {{ margin: 0; }}"
        ".selection.page {{ max-width: 54em; margin: 0 auto; padding: 0 1em; }}</style></head>"
        '<body><main class="selection page">{}</main></body></html>\n'
    ).format(_title(life), Markup(stylesheet()), bird_page(life, photos))


def write_page(life: Life, flock_path: Path, out: Path) -> Album:
    """Write a bird's page to the file `out`, with the photos of the flock's folder; the album they came from."""
    found = album(flock_path, life.flock.birds["bird"], life.flock.plan.on)
    page = whole_page(life, found)
    with durable.disk_faults(out):
        durable.publish(out, page.encode("utf-8", "replace"))
    return found


def _lines(name: str, lines: Sequence[str]) -> list[Markup]:
    return [heading(name), bullets(lines)]


def photographs(life: Life, photos: Album | None) -> Fragment:
    """Its photos side by side, the oldest first, each with its day."""
    if photos is None or not (found := photos.of(life.bird.bird)):
        return Fragment("")
    item = '<figure class="shot">{}<figcaption class="small">{}</figcaption></figure>'
    shots = [
        Markup(item).format(photo_img(data, f"{life.bird.bird}, {_photo_day(on)}"), sentence(_photo_day(on)))
        for on, data in found
    ]
    return Fragment('<div class="shots">{}</div>').format(Markup("").join(shots))


def _photo_day(on: date | None) -> str:
    return "day not told" if on is None else day(pd.Timestamp(on))


def _marks(life: Life, lines: Sequence[str]) -> Fragment:
    """What it wore from which day on, as marks; then every ring in words."""
    changes = sorted({*life.rings["since"], *life.rings["until"].dropna()})
    items = []
    for since, until in pairwise([*changes, pd.NaT]):
        worn = life.rings[(life.rings["since"] <= since) & ~(life.rings["until"] <= since)]
        legs = worn.set_index("leg")["colour"].to_dict()
        if len(worn):
            mark = ring_mark(legs.get("left"), legs.get("right"), life.bird.bird)
            items.append(Markup("<li>{}<span>{}</span></li>").format(mark, sentence(_span(since, until))))
    drawn_marks = Fragment('<ul class="marks">{}</ul>').format(Markup("").join(items))
    return join([drawn_marks if items else Fragment(""), bullets(lines, "small")])


def look_cards(life: Life) -> Fragment:
    """Every look: its sections as bars beside the group's mean, then faults and note; nothing where there is none."""
    cards = []
    for look in each(life.seen):
        rows = life.looks[(life.looks["on"] == look.on) & (life.looks["judge"] == look.judge)]
        bars = [
            SectionPoints(r.title, r.most, r.points, r.mean if r.birds > 1 else float("nan"))
            for r in each(rows)
        ]
        many = int(rows["birds"].max()) if len(rows) else 1
        caption = f"Tick: mean of {many} like it that day" if many > 1 else "Seen alone of its kind that day"
        total = [] if missing(look.total) else [f"in all {halves(look.total)} of 100"]
        cards.append(
            Markup('<div class="look"><h4>{}</h4>{}{}</div>').format(
                f"{day(look.on)}, {readable(look.judge)}",
                section_bars(bars, caption) if bars else "",
                bullets([*total, *_remarks(look)], "small"),
            )
        )
    return Fragment('<div class="looks">{}</div>').format(Markup("").join(cards)) if cards else Fragment("")


def growth_plot(life: Life) -> Fragment:
    """Its weighings over its age, and the mean of those like it that were weighed the same day."""
    rows = life.weights.dropna(subset="weeks")
    if rows.empty:
        return Fragment("")
    others = rows[rows["birds"] > 1]
    weeks, grams = rows["weeks"].to_numpy(float), rows["grams"].to_numpy(float) / 1000
    panel = Panel(reach(weeks, zero=True), reach(grams, others["mean"].to_numpy(float) / 1000, zero=True))
    parts = [
        axes(panel, "weeks of age", ticks(*panel.x)),
        marks(panel, others["weeks"], others["mean"] / 1000, QUIET, "D"),
        marks(panel, weeks, grams, KEEP, "o"),
    ]
    says = f"{life.bird.bird}: {len(rows)} weighings, the last {kilograms(rows['grams'].iloc[-1])} kg"
    return Fragment("<figure><figcaption>{}</figcaption>{}</figure>").format(
        "Growth, kg: ● it, ◆ mean of those like it weighed that day", drawn(panel, parts, says)
    )
