"""The page to read first, and the season in one paragraph."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from textwrap import shorten
from typing import Any

import pandas as pd
from markupsafe import Markup

from selection.answer import Kind, Note
from selection.decide.fates import DECIDED, EARLIER, NO_LINE, NO_SEX, NOT_ASKED, fates
from selection.decide.meeting import Meeting
from selection.decide.prices.money import Currency
from selection.decide.verdicts.another_look import Look
from selection.decide.verdicts.verdicts import Group
from selection.decide.wording import each, listed
from selection.merit.candidates import called
from selection.records.after_meeting import season_decisions
from selection.records.rings import Called
from selection.show.page.figures import hundredths, missing
from selection.show.page.fragments import Fragment, bullets, heading, join, paragraph
from selection.show.page.style import ring_mark
from selection.show.sections.candidates import bird_notes, left_out_lines, nothing_seen

_PLACES = (
    ("keep", "Stays"),
    ("reserve", "In reserve"),
    ("look", "Look again tonight; “else”: what stands unless that look says otherwise"),
    ("sell", "Goes"),
    ("open", "Open, to be decided by you"),
)
"""Where each living bird stands on the page, in the order of the page."""
ON_OPEN = {
    NOT_ASKED: "older, and no line of [keep] is for it",
    NO_SEX: "its sex is not recorded",
    NO_LINE: "no place in the plan",
    EARLIER: "decided in an earlier season",
}
"""What a fate rests on, where it is no verdict, in the few words that stand under a mark."""
_MEANT = (
    "<b>Merit</b> is what a bird passes on, in points above or below the mean of its group; its chicks take half.",
    "<b>46 in 100</b>: by what was seen, so many times in a hundred the bird is truly among the best that stay.",
    "<b>Cannot be told apart</b>: which of the two passes on more is open; the order is right under 95 times in 100.",
)
"""What the page's words mean, in a sentence each."""
_UNSEEN = (Kind.UNSCORED, Kind.UNWEIGHED)
_MOST_NAMED = 3
"""Birds named that cannot be told apart; the others are counted."""
MOST_LETTERS = 80
"""Letters of a reason under a bird's mark; its card has the whole of it."""


def first_page(meeting: Meeting) -> Fragment:
    """What becomes of every living bird, whom to look at again tonight, and what could not be settled."""
    pieces = [_place(lead, rows) for lead, rows in _placed(meeting)]
    pieces += [_group(meeting, group) for group in meeting.verdicts.groups.values() if len(group.table)]
    for lead, lines in (("Not settled", meeting.verdicts.cannot), ("Not counted", left_out_lines(meeting))):
        if lines:
            pieces += [heading(lead), bullets(list(lines), "small")]
    meant = Markup(" ").join(Markup(line) for line in _MEANT)
    return Fragment('<div class="first" id="first-page">{}{}</div>').format(
        join(pieces), paragraph(meant, "small")
    )


def _placed(meeting: Meeting) -> list[tuple[str, list[Markup]]]:
    """Every living bird, drawn and told of, under the heading of what becomes of it."""
    found = fates(meeting.flock, meeting.verdicts)
    again = {bird for group in meeting.verdicts.groups.values() if group.again for bird in group.again.birds}
    place = found["stands"].mask(found["bird"].isin(again), "look")
    tell = _Told(meeting)
    return [_under(lead, name, found[place == name], tell) for name, lead in _PLACES if (place == name).any()]


def _under(lead: str, place: str, rows: pd.DataFrame, tell: _Told) -> tuple[str, list[Markup]]:
    """One heading and its birds; a reason that all of several open birds share stands in the heading."""
    reasons = [tell.reasons(row) for row in each(rows)]
    if place == "open" and len(reasons) > 1 and len(set(reasons)) == 1:
        lead, reasons = f"{lead}: {reasons[0]}", [""] * len(reasons)
    return lead, [tell.bird(row, place, why) for row, why in zip(each(rows), reasons, strict=True)]


def _place(lead: str, birds: list[Markup]) -> Markup:
    return Markup(
        '<section class="group"><p class="lead">{} <span class="small">({})</span></p>{}</section>'
    ).format(lead, len(birds), Markup('<ul class="marks everyone">{}</ul>').format(Markup("").join(birds)))


class _Told:
    """One bird as the page tells of it: its mark, number, name and colours; its chance or price, and why."""

    def __init__(self, meeting: Meeting) -> None:
        self.called = called(meeting.flock)
        self.groups = {b: g for g in meeting.verdicts.groups.values() for b in g.table.get("bird", ())}
        self.known = {b: n for g in self.groups_of(meeting) for b, n in bird_notes(meeting, g).items()}
        self.asked = meeting.prices.table.dropna(subset="bird").set_index("bird")
        self.currency = Currency(meeting.flock.plan.currency)
        self.why = meeting.everyone.set_index("bird")["why"]
        self.settled = (season_decisions(meeting.flock)["settled"] == "yes").any()

    @staticmethod
    def groups_of(meeting: Meeting) -> Iterable[Group]:
        return [group for group in meeting.verdicts.groups.values() if len(group.table)]

    def bird(self, row: Any, place: str, why: str) -> Markup:
        """The bird of one row of the fates, at its place on the page."""
        who = self.called(row.bird)
        lines = [who.colours, self._figures(row, place), why]
        small = Markup("").join(Markup("<br>{}").format(line) for line in lines if line)
        return Markup('<li>{}<span><b>{}</b>{}<span class="small">{}</span></span></li>').format(
            ring_mark(who.left, who.right, row.bird, named=False), row.bird, _named(who), small
        )

    def _figures(self, row: Any, place: str) -> str:
        """Its chance of a place, and what it goes as and for how much."""
        group = self.groups.get(row.bird)
        chance = hundredths(group.chances.get(row.bird)) if group is not None and len(group.open) > 1 else ""
        unless = {"keep": "stays", "reserve": "in reserve", "sell": "goes", "open": ""}[row.stands]
        said = [chance] if chance and place != "sell" else []
        offer = self._price(row.bird) if row.stands == "sell" else ""
        said += [f"else {unless}{f' ({offer})' if offer else ''}"] if place == "look" else [offer]
        return ", ".join(part for part in said if part)

    def _price(self, bird: str) -> str:
        """What a bird goes as, and the price asked for it."""
        if bird not in self.asked.index:
            return ""
        offer = self.asked.loc[bird]
        if missing(offer["sold_as"]):
            return "no market to go by"
        price = (
            "" if missing(offer["price"]) else f", {self.currency.words(offer['price']).replace('.00', '')}"
        )
        return f"{offer['sold_as']}{price}"

    def reasons(self, row: Any) -> str:
        """What bars it or was decided, what was never seen of it; or on what its fate rests."""
        told = [note.text for note in self.known.get(row.bird, ())]
        if not told:
            told = [self.why[row.bird]] if row.by == DECIDED else [ON_OPEN.get(row.by, "")]
        if self.settled and row.stands != "open" and row.by != DECIDED:
            told = ["not decided yet", *told]
        return shorten(", ".join(filter(None, told)), MOST_LETTERS, placeholder=" …")


def _named(who: Called) -> str:
    return f" {who.name}" if who.name else ""


def _group(meeting: Meeting, group: Group) -> Fragment:
    """What there is to know of one group: whether anything was seen, whom to look at again, who is level."""
    known = bird_notes(meeting, group)
    said = [_warning(meeting, group)]
    if group.again is not None:
        said.append(_look(meeting, group, group.again))
    said += [*_unseen(meeting, group, known), *_level(meeting, group)]
    if group.places and len(group.open) > 1:
        place = "the best" if group.places == 1 else f"one of the best {group.places}"
        decided = " of those not decided" if group.table["decided"].notna().any() else ""
        said.append(
            _line("So many in 100", f"its chance of being {place}{decided} on merit.{_out_of_order(group)}")
        )
    pieces = [piece for piece in said if piece]
    if not pieces:
        return Fragment("")
    return Fragment('<section class="group told"><h3>{}</h3>{}</section>').format(
        group.name.capitalize(), join(pieces)
    )


def _warning(meeting: Meeting, group: Group) -> Markup:
    """Said before anything else where the order rests on nothing seen of these birds."""
    if not nothing_seen(meeting, group):
        return Markup("")
    order = "their order is chance" if meeting.merit.known is None else "they stand by their relatives alone"
    return paragraph(f"None of these has been scored, weighed or measured: {order}.", "warn")


def _unseen(meeting: Meeting, group: Group, known: Mapping[str, list[Note]]) -> list[Markup]:
    """Who was never scored or weighed, unless that is so of all."""
    unseen = [bird for bird in group.table["bird"] if any(note.kind in _UNSEEN for note in known[bird])]
    if not unseen or nothing_seen(meeting, group):
        return []
    return [_line("Never scored or weighed, or both:", f"{_titles(meeting, unseen)}.")]


def _look(meeting: Meeting, group: Group, again: Look) -> Fragment:
    """The look that is proposed, and what it is worth."""
    birds = "all of them" if len(again.birds) == len(group.open) > 2 else _titles(meeting, again.birds)
    worth = f"worth {again.value:.1f} points of merit on average"
    if meeting.merit.known is None:
        return _line("Look first", f"at {birds} side by side, before anyone is sold: {worth}.")
    others = (
        "; no other choice of two to four birds would tell much more"
        if len(group.open) > len(again.birds)
        else ""
    )
    return _line("Look again tonight", f"at {birds} side by side, before anyone is sold: {worth}{others}.")


def _out_of_order(group: Group) -> str:
    """Said where a bird that does not stay has the greater chance of a place than one that does."""
    kept = group.table.loc[group.table["stands"] == "keep", "bird"]
    chances = group.chances.round(2)
    inside = chances.index.isin(kept)
    if not (inside.any() and chances[~inside].max() > chances[inside].min()):
        return ""
    return (
        " Who stays goes by merit: a bird of which less is known may have less merit and the greater chance."
    )


def _titles(meeting: Meeting, birds: Iterable[str]) -> str:
    """Birds as they are called."""
    return listed(called(meeting.flock)(bird) for bird in birds)


def _level(meeting: Meeting, group: Group) -> list[Markup]:
    """Who cannot be told apart from the last that stays."""
    if group.certainty is None:
        return []
    kept = group.table.loc[(group.table["stands"] == "keep") & group.table["bird"].isin(group.open), "bird"]
    if kept.empty or len(kept) == len(group.open):
        return []
    last = [bird for bird in group.chances.index if bird in set(kept)][-1]
    pairs = group.certainty.pairs
    if len(pairs) > 1 and not pairs["told_apart"].any():
        return [
            _line(
                "Cannot be told apart", f"on merit: any two of these {group.name}. The order is a best guess."
            )
        ]
    pairs = pairs[~pairs["told_apart"] & ((pairs["first"] == last) | (pairs["second"] == last))]
    level = [b for b in group.open if b not in set(kept) and b in {*pairs["first"], *pairs["second"]}]
    if not level:
        return []
    more = [f"{len(level) - _MOST_NAMED} more"] if len(level) > _MOST_NAMED + 1 else level[_MOST_NAMED:]
    return [
        _line(
            "Cannot be told apart",
            f"from {_titles(meeting, [last])} on merit: {_titles(meeting, [*level[:_MOST_NAMED], *more])}.",
        )
    ]


def _line(lead: str, words: str) -> Fragment:
    return paragraph(Markup("<b>{}</b> {}").format(lead, words))


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
