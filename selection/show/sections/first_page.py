"""The page to read first, and the season in one paragraph."""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import shorten
from typing import Any

from markupsafe import Markup

from selection.answer import Kind, Note
from selection.decide.meeting import Meeting
from selection.decide.verdicts.another_look import Look
from selection.decide.verdicts.verdicts import Group
from selection.decide.wording import each, listed
from selection.show.page.figures import in_hundred
from selection.show.page.fragments import Fragment, bullets, heading, join, paragraph
from selection.show.page.ring_marks import ring_mark
from selection.show.sections.candidates import left_out, notes, nothing_seen

WORDS = {"keep": "Stays", "reserve": "In reserve"}
UNSEEN = (Kind.UNSCORED, Kind.UNWEIGHED)
MOST_NAMED = 3
"""Birds named that cannot be told apart; the others are counted."""
MOST_LETTERS = 80
"""Letters of a reason under a bird's mark; its card has the whole of it."""


def first_page(meeting: Meeting) -> Fragment:
    """Who stays, who stands by, who goes, whom to look at again tonight, and what could not be settled."""
    pieces = [_group(meeting, group) for group in meeting.verdicts.groups.values() if len(group.table)]
    unsettled = [*meeting.verdicts.cannot, *_unsexed(meeting)]
    for lead, lines in (("Not settled", unsettled), ("Not counted", left_out(meeting))):
        if lines:
            pieces += [heading(lead), bullets(lines, "small")]
    return Fragment('<div class="first">{}</div>').format(join(pieces))


def _group(meeting: Meeting, group: Group) -> Fragment:
    """One group: who stays and stands by as ring marks, then whom to look at again and who goes."""
    known = notes(meeting, group)
    marks = Markup("").join(_marked(group, stands, known) for stands in WORDS)
    return Fragment(
        '<section class="group"><h3>{} <span class="small">{}</span></h3>{}<div class="row">{}</div>{}</section>'
    ).format(
        group.name.capitalize(),
        _under(group),
        _warning(meeting, group),
        marks,
        join(_words(meeting, group, known)),
    )


def _under(group: Group) -> str:
    """What stands under each mark."""
    if len(group.open) < 2 or not group.places:
        return ""
    place = "the best" if group.places == 1 else f"one of the best {group.places}"
    decided = " of those not decided" if group.table["decided"].notna().any() else ""
    return f"under each: its chance of being {place}{decided} on merit"


def _warning(meeting: Meeting, group: Group) -> Markup:
    """Said before anything else where the order rests on nothing seen of these birds."""
    if not nothing_seen(meeting, group):
        return Markup("")
    order = "their order is chance" if meeting.merit.known is None else "they stand by their relatives alone"
    return paragraph(f"None of these has been scored, weighed or measured: {order}.", "warn")


def _marked(group: Group, stands: str, known: Mapping[str, list[Note]]) -> Markup:
    """The birds of one verdict as ring marks, each with its number, its chance of a place and what to know."""
    marks = [
        Markup("<li>{}<span><b>{}</b>{}</span></li>").format(
            ring_mark(row.left, row.right, row.bird), row.bird, _lines(group, row, known[row.bird])
        )
        for row in each(group.table[group.table["stands"] == stands])
    ]
    if not marks:
        return Markup("")
    return Markup('<div><p class="lead">{}</p><ul class="marks">{}</ul></div>').format(
        WORDS[stands], Markup("").join(marks)
    )


def _lines(group: Group, row: Any, known: list[Note]) -> Markup:
    """What stands under a bird's number: its chance, whether it is to be looked at, and what to know."""
    chance = in_hundred(group.chances.get(row.bird)) if len(group.open) > 1 else ""
    first = any(note.kind is Kind.UNSCORED for note in known)
    again = ["look at it" if first else "look again"] if row.proposed == "look again" else []
    told = [shorten(note.text, MOST_LETTERS, placeholder=" …") for note in known]
    lines = [", ".join([*([chance] if chance else []), *again]), ", ".join(told)]
    return Markup("").join(Markup('<br><span class="small">{}</span>').format(line) for line in lines if line)


def _words(meeting: Meeting, group: Group, known: Mapping[str, list[Note]]) -> list[Markup]:
    """Whom to look at again, who goes, and what the order cannot tell, in words."""
    table, again = group.table, group.again
    going = table.loc[table["stands"] == "sell", "bird"].tolist()
    said: list[Markup] = []
    if again is not None:
        said.append(_look(meeting, group, again))
    doubtful = [bird for bird in going if again is not None and bird in again.birds]
    if doubtful:
        said.append(_line("Goes, unless that look says otherwise:", f"{listed(doubtful)}."))
    firm = [_with_why(bird, known[bird]) for bird in going if bird not in doubtful]
    if firm or not going:
        said.append(_line("Goes:", f"{listed(firm) if firm else 'nobody'}."))
    unseen = [bird for bird in table["bird"] if any(note.kind in UNSEEN for note in known[bird])]
    if unseen and not nothing_seen(meeting, group):
        said.append(_line("Never scored or weighed, or both:", f"{listed(unseen)}."))
    return [*said, *_level(group)]


def _look(meeting: Meeting, group: Group, again: Look) -> Fragment:
    """The look that is proposed, and what it is worth."""
    birds = "all of them" if len(again.birds) == len(group.open) > 2 else listed(again.birds)
    worth = f"worth {again.value:.1f} points of merit on average"
    if meeting.merit.known is None:
        return _line("Look first", f"at {birds} side by side, before anyone is sold: {worth}.")
    others = "; no other two to four tell much more" if len(group.open) > len(again.birds) else ""
    return _line("Look again tonight", f"at {birds} side by side, before anyone is sold: {worth}{others}.")


def _with_why(bird: str, known: list[Note]) -> str:
    """A bird that goes, with what the meeting decided or what bars it."""
    why = [note.text for note in known if note.kind in (Kind.DECIDED, Kind.BARRED)]
    return f"{bird} ({'; '.join(why)})" if why else bird


def _level(group: Group) -> list[Markup]:
    """Who cannot be told apart from the last that stays."""
    if group.certainty is None:
        return []
    kept = group.table.loc[(group.table["stands"] == "keep") & group.table["bird"].isin(group.open), "bird"]
    if kept.empty or len(kept) == len(group.open):
        return []
    last = [bird for bird in group.chances.index if bird in set(kept)][-1]
    pairs = group.certainty.pairs
    pairs = pairs[~pairs["told_apart"] & ((pairs["first"] == last) | (pairs["second"] == last))]
    level = [b for b in group.open if b not in set(kept) and b in {*pairs["first"], *pairs["second"]}]
    if not level:
        return []
    more = [f"{len(level) - MOST_NAMED} more"] if len(level) > MOST_NAMED + 1 else level[MOST_NAMED:]
    return [_line("Cannot be told apart", f"from {last} on merit: {listed([*level[:MOST_NAMED], *more])}.")]


def _line(lead: str, words: str) -> Fragment:
    return paragraph(Markup("<b>{}</b> {}").format(lead, words))


def _unsexed(meeting: Meeting) -> list[str]:
    birds = meeting.verdicts.unsexed["bird"]
    return (
        [f"{listed(birds)}: sex not recorded, so in no group; record it and hold the meeting again"]
        if len(birds)
        else []
    )


def about(meeting: Meeting) -> Fragment:
    """What meeting this is: breed, season, and the day whose records it rests on."""
    plan = meeting.flock.plan
    day = f"{plan.on.day} {plan.on:%B} {plan.on.year}"
    breed = meeting.flock.standard.breed
    return paragraph(
        f"{breed[:1].upper()}{breed[1:]}, season {plan.season}, from what was on record on {day}. Every interval "
        "is 90 %: it holds the truth nine times in ten.",
        "small",
    )


def season(meeting: Meeting) -> Fragment:
    """The season in one paragraph: clutches, chicks, who is left, and what was seen of them."""
    flock, year = meeting.flock, meeting.flock.plan.season
    chicks = flock.birds[flock.birds["hatch_year"] == year]
    day = flock.plan.on
    said = [
        _clutches(meeting),
        f"{len(chicks)} chicks of {year} have a number and {int(chicks['alive'].sum())} of them are alive on "
        f"{day.day} {day:%B} {day.year}.",
        _seen(meeting),
    ]
    return paragraph(" ".join(said))


def _clutches(meeting: Meeting) -> str:
    year, clutches = meeting.flock.plan.season, meeting.flock.clutches
    clutches = clutches[clutches["set_on"].dt.year == year]
    bought = clutches[clutches["origin"] == "bought-in"]
    if clutches.empty:
        return f"No clutch of {year} is on record."
    sources = sorted(bought["source"].dropna().unique())
    said = f"In {year} {len(clutches)} clutches were set, {len(bought) or 'none'} of them bought in"
    said += f" ({listed(sources)})" if sources else ""
    counted = clutches[clutches["eggs_set"].notna() & clutches["hatched"].notna()]
    if counted.empty:
        return f"{said}; their eggs were not counted."
    eggs, hatched = counted["eggs_set"].sum(), counted["hatched"].sum()
    without = f", {len(clutches) - len(counted)} clutches not counted" if len(counted) < len(clutches) else ""
    return f"{said}: {eggs:.0f} eggs gave {hatched:.0f} chicks{without}."


def _seen(meeting: Meeting) -> str:
    flock, year = meeting.flock, meeting.flock.plan.season
    looks = flock.scores[flock.scores["on"].dt.year == year]
    weighings = flock.weights[flock.weights["on"].dt.year == year]
    if flock.scores.empty and flock.weights.empty:
        return "Nothing has been scored or weighed yet."
    judges = looks["judge"].nunique()
    by = f"{judges} judge{'' if judges == 1 else 's'}"
    said = f"This year's {len(looks)} looks by {by} and {len(weighings)} weighings"
    earlier = len(flock.scores) - len(looks)
    if earlier:
        return f"{said} tell of the flock, and {earlier:,} looks of earlier years of its relatives."
    return f"{said} are all there is to go by."
