"""A card for every candidate: what was seen of it, how it grew, who its relatives are, and why it stands there."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Any

from markupsafe import Markup

from selection.decide.meeting import Meeting
from selection.decide.rows import counted, each
from selection.decide.verdicts.verdicts import Group
from selection.merit.explain import Why, contributions_of
from selection.records.settings.reading import Standard
from selection.show.page.figures import missing, signed, spread
from selection.show.page.fragments import Fragment, bullets, heading, join, paragraph, sentence
from selection.show.page.ring_marks import ring_mark
from selection.show.sections.candidates import points_told, verdict_of
from selection.show.sections.card_pictures import growth_of, growth_picture, section_bars, section_points
from selection.show.sheets.sheet_facts import Facts, facts_of
from selection.show.sheets.sheet_sources import Sources

MOST_REASONS = 4
LEAST = 0.05
"""Points of merit under which a reason is not worth a line."""


def cards(meeting: Meeting) -> Fragment:
    """Every candidate's card, group by group in the order of merit."""
    pieces: list[Markup] = []
    looked_up = _Box(meeting)
    for name, group in meeting.verdicts.groups.items():
        if len(group.table):
            inside = join(_card(looked_up, row) for row in each(group.table))
            pieces += [heading(name.capitalize()), Fragment('<div class="cards">{}</div>').format(inside)]
    return join(pieces) if pieces else paragraph("No candidates, so no cards.", "quiet")


def card(meeting: Meeting, bird: str) -> Fragment:
    """One candidate's card. Raises KeyError where the bird is no candidate."""
    rows = meeting.verdicts.table
    found = rows[rows["bird"] == bird]
    if found.empty:
        raise KeyError(f"{bird} is no candidate of this meeting")
    return _card(_Box(meeting), next(each(found)))


class _Box:
    """What the cards look up, gathered once for all of them: each a mapping by bird."""

    def __init__(self, meeting: Meeting) -> None:
        self.meeting = meeting

    @cached_property
    def sources(self) -> Sources:
        merit = self.meeting.merit
        return Sources(self.meeting.flock, merit.points, merit.growth, merit.pedigree)

    @cached_property
    def ranking(self) -> dict[str, Any]:
        return {row.bird: row for row in each(self.meeting.merit.ranking)}

    @cached_property
    def flock(self) -> dict[str, Any]:
        return {row.bird: row for row in each(self.meeting.merit.flock)}

    @cached_property
    def mates(self) -> dict[str, list[str]]:
        return clutch_mates(self.meeting)

    @cached_property
    def scored(self) -> set[str]:
        return set(self.meeting.flock.scores["bird"].dropna())

    @cached_property
    def rivals(self) -> dict[str, str]:
        groups = self.meeting.verdicts.groups.values()
        return {bird: rival for group in groups for bird, rival in rivals(self.meeting, group).items()}

    @cached_property
    def whys(self) -> dict[str, Why]:
        pairs = list(self.rivals.items())
        told = contributions_of(self.meeting.merit, self.meeting.flock, pairs) if pairs else []
        return {bird: why for (bird, _), why in zip(pairs, told, strict=True)}

    @cached_property
    def titles(self) -> dict[str, str]:
        return titles(self.meeting.flock.standard)

    @cached_property
    def sections(self) -> dict[str, Any]:
        return section_points(self.meeting)

    @cached_property
    def growth(self) -> dict[str, Any]:
        return growth_of(self.meeting)


def _card(box: _Box, row: Any) -> Fragment:
    """One candidate's card from its row of the verdicts."""
    merit, flock = box.meeting.merit, box.meeting.flock
    facts = facts_of(row.bird, box.sources)
    parts = (
        section_bars(box.sections[row.bird]),
        growth_picture(box.growth.get(row.bird), merit.growth, flock.standard),
        _against(box, row.bird),
    )
    columns = Markup("").join(Markup("<div>{}</div>").format(part) for part in parts)
    more = paragraph(" ".join([_relatives(box, row.bird, facts), *_remarks(facts)]), "small")
    return Fragment(
        '<article class="card" id="bird-{}">{}<details class="wide"><summary>Points, growth, and why</summary>'
        '<div class="three">{}</div>{}</details></article>'
    ).format(row.bird, _head(box, row, facts), columns, more)


def _head(box: _Box, row: Any, facts: Facts) -> Fragment:
    """Rings, number, verdict and its reason, then what the bird itself is worth."""
    name = f", {facts.name}" if facts.name else ""
    return Fragment("<header>{}<div><h4>{}{} {}</h4>{}{}</div></header>").format(
        ring_mark(row.left, row.right, row.bird),
        row.bird,
        name,
        verdict_of(row, box.ranking[row.bird].bar),
        paragraph(sentence(row.reason)),
        paragraph(_own(box, row.bird), "small"),
    )


def _own(box: _Box, bird: str) -> str:
    """Points and what they rest on, and own value beside merit: what it is, not what it passes on."""
    flock, points = box.flock[bird], points_told(box.ranking[bird])
    said = f"Points {points}" if points[0].isdigit() else points.capitalize()
    if missing(flock.own_value):
        return f"{said}."
    own = spread(flock.own_value, flock.own_value_se)
    return f"{said}. Own value, for show and sale, not what it passes on: {own} points against all living of its sex."


def _relatives(box: _Box, bird: str, facts: Facts) -> str:
    """Where it comes from, and how its clutch mates stand beside it."""
    mates = box.mates.get(bird, [])
    said = f"{facts.kind.capitalize()}, hatched {facts.hatched}; {'; '.join(facts.descent)}."
    if not mates:
        return f"{said} No clutch mates on record."
    seen = len(box.scored.intersection(mates)) or "none"
    better = sum(box.flock[mate].merit > box.flock[bird].merit for mate in mates)
    on_record = counted(len(mates), "clutch mate")
    return f"{said} {on_record} on record, {seen} of them scored; {better} with more merit."


def clutch_mates(meeting: Meeting) -> dict[str, list[str]]:
    """The other birds of each bird's clutch, gone ones included, by bird of a known clutch."""
    birds = meeting.flock.birds.dropna(subset="clutch")
    together = birds.groupby("clutch")["bird"].agg(list)
    return {
        bird: [mate for mate in together[clutch] if mate != bird]
        for bird, clutch in zip(birds["bird"], birds["clutch"], strict=True)
    }


def _against(box: _Box, bird: str) -> Fragment:
    """Why it stands above or below the bird it is measured against: the largest contributions."""
    why = box.whys.get(bird)
    lines = reasons(why, box.titles) if why else []
    if why is None or not lines:
        return Fragment("")
    word = "above" if why.difference >= 0 else "below"
    lead = f"Why {abs(why.difference):.1f} points of merit {word} {why.second}"
    return join([paragraph(lead, "lead"), bullets(lines, "small")])


def rivals(meeting: Meeting, group: Group) -> dict[str, str]:
    """The bird at the edge that each open bird is measured against: the first not kept, or the last kept."""
    ranked = meeting.merit.ranking.set_index("bird")["rank"]
    table = group.table[group.table["bird"].isin(group.open)]
    kept = table.loc[table["stands"] == "keep", "bird"]
    others = table.loc[table["stands"] != "keep", "bird"]
    if kept.empty or others.empty:
        return {}
    last, first = max(kept, key=ranked.get), min(others, key=ranked.get)
    return dict.fromkeys(kept, first) | dict.fromkeys(others, last)


def titles(standard: Standard) -> dict[str, str]:
    """What each section and trait is called in a sentence, by its name on the forms."""
    named = {s.name: s.title for s in standard.sections} | {m.name: m.title for m in standard.measured}
    return {name: title[:1].lower() + title[1:] for name, title in named.items() if title}


def reasons(why: Why, named: Mapping[str, str], most: int = MOST_REASONS) -> list[str]:
    """The largest contributions to a difference, by whose they are, and what is left of it; `named`: traits' titles."""
    rows = why.table[why.table["points"].abs() >= LEAST].head(most)
    said = [
        f"{whose}: {', '.join(f'{named.get(r.trait, r.trait)} {signed(r.points)}' for r in each(part))}"
        for whose, part in rows.groupby("whose", sort=False)
    ]
    rest = why.difference - float(rows["points"].sum())
    return [*said, f"everything else together: {signed(rest)}"] if said else []


def _remarks(facts: Facts) -> list[str]:
    """Faults seen, and what is not known of it."""
    faults = [f"{f.name}{' (serious)' if f.serious else ''}, {f.seen}" for f in facts.faults]
    said = [f"Faults seen: {'; '.join(faults)}."] if faults else []
    return [*said, f"Not known: {'; '.join(facts.unknown)}."] if facts.unknown else said
