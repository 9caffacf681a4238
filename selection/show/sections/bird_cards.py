"""A card for every candidate: what was seen of it, how it grew, who its relatives are, and why it stands there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup

from selection.answer import REACH
from selection.decide.meeting import Meeting
from selection.decide.verdicts.verdicts import Group
from selection.decide.wording import counted, each
from selection.merit.explain import Why, contributions_of
from selection.records.settings.reading import Standard
from selection.show.page.figures import kilograms, missing, signed, spread
from selection.show.page.fragments import Fragment, bullets, heading, join, paragraph, sentence
from selection.show.page.ring_marks import ring_mark
from selection.show.page.small_plots import SectionPoints, section_bars, ticks
from selection.show.page.style import BAND, INK, KEEP, QUIET, RULE
from selection.show.sections.candidates import points_told, verdict_of
from selection.show.sheets.sheet_facts import Facts, Sources, facts_of
from selection.standard.bands import GROWN, weighed_section, young_class

if TYPE_CHECKING:
    from selection.records.settings.reading import Standard
    from selection.standard.growth import Growth

WIDE, HIGH = 230, 128
LEFT, RIGHT, TOP, FOOT = 24, 10, 8, 32
SIZE = 11
"""Size of letters and figures, in the picture's own units: some 8 points where a card is printed."""
TEXT = Markup(
    '<text x="{:.1f}" y="{:.1f}" font-size="{}" font-family="sans-serif" text-anchor="{}" fill="{}">{}</text>'
)


@dataclass(frozen=True)
class Grown:
    """How one bird grew: weeks and grams of its usable weighings in order of age; grams and se at the standard's age.

    `grams` and `se` are missing where the standard measures no weight at an age.
    """

    bird: str
    sex: str
    weeks: np.ndarray
    weighed: np.ndarray
    grams: float
    se: float


def section_points(meeting: Meeting) -> dict[str, list[SectionPoints]]:
    """Points by section of every candidate, beside the mean of the scored of its group."""
    sections = meeting.flock.standard.sections
    seen = meeting.merit.points.sections.pivot(index="bird", columns="section", values="points")
    own = seen.reindex(columns=[s.name for s in sections]).astype(float)
    candidates = meeting.merit.ranking[["bird", "group"]]
    rows = own.reindex(candidates["bird"]).set_index(candidates["group"].to_numpy())
    means = rows.groupby(level=0).mean()
    return {
        bird: [
            SectionPoints(s.title, s.points, points, others)
            for s, points, others in zip(sections, row, means.loc[group], strict=True)
        ]
        for bird, group, row in zip(candidates["bird"], candidates["group"], rows.to_numpy(), strict=True)
    }


def growth_of(meeting: Meeting) -> dict[str, Grown]:
    """How every candidate grew that was ever weighed."""
    growth, flock = meeting.merit.growth, meeting.flock
    birds = meeting.merit.ranking["bird"]
    own = growth.deviations[growth.deviations["bird"].isin(birds)].sort_values("age_weeks", kind="stable")
    own = own.assign(grams=flock.weights["grams"].reindex(own["row"]).to_numpy(float))
    section = weighed_section(flock.standard)
    seen = meeting.merit.points.in_section(section.name if section else "")
    young = seen[~seen["group"].isin(GROWN.values())].reset_index()
    at = {row.bird: (row.value, row.se) for row in each(young)}
    return {
        str(bird): Grown(
            str(bird), str(rows["sex"].iloc[0]), rows["age_weeks"].to_numpy(float), rows["grams"].to_numpy(float),
            *at.get(bird, (np.nan, np.nan)),
        )
        for bird, rows in own.groupby("bird", sort=False)
    }  # fmt: skip


def growth_picture(grown: Grown | None, growth: Growth, standard: Standard) -> Fragment:
    """Its weighings on its sex's growth curve, with the standard's band at its age and the estimate there."""
    if grown is None:
        return Fragment('<p class="small">Never weighed: no picture of its growth.</p>')
    return _Plot(grown, growth, standard).drawn()


class _Plot:
    """One growth picture: scales, and the parts drawn on them."""

    def __init__(self, grown: Grown, growth: Growth, standard: Standard) -> None:
        self.grown, self.growth, self.sex = grown, growth, grown.sex
        section = weighed_section(standard)
        told = section is not None and not missing(grown.grams)
        self.target = section.at_weeks if section and told else None
        band = section.band.get(young_class(section, self.sex)) if section and told else None
        self.band = band if self.target else None
        self.last = max(grown.weeks.max(), self.target or 0) * 1.04 + 1
        curve = self.growth.expected(self.sex, np.array([self.last]))[0]
        self.top = 1.12 * max(grown.weighed.max(), curve, band[1] if band else 0)

    def x(self, weeks: float) -> float:
        return LEFT + (WIDE - LEFT - RIGHT) * weeks / self.last

    def y(self, grams: float) -> float:
        return HIGH - FOOT - (HIGH - FOOT - TOP) * grams / self.top

    def drawn(self) -> Fragment:
        parts = [self._axes(), self._band(), self._curve(), self._weighings(), self._estimate()]
        return Fragment(
            '<figure class="growth"><figcaption>{}</figcaption>'
            '<svg role="img" aria-label="{}" viewBox="0 0 {} {}">{}</svg></figure>'
        ).format(self._title(), self._says(), WIDE, HIGH, Markup("").join(parts))

    def _title(self) -> str:
        band = f"; box: standard at {self.target:g} weeks" if self.band else ""
        return f"Growth, kg{band}"

    def _says(self) -> str:
        grown = self.grown
        latest = f"{kilograms(grown.weighed[-1])} kg at {grown.weeks[-1]:.0f} weeks"
        said = f"{grown.bird}: {counted(len(grown.weeks), 'weighing')}, the last {latest}"
        if missing(grown.grams):
            return said
        low, high = (kilograms(grown.grams + sign * REACH * grown.se) for sign in (-1, 1))
        return f"{said}; at {self.target:g} weeks {kilograms(grown.grams)} kg, 90 % interval {low} to {high}"

    def _axes(self) -> Markup:
        step = 1000 if self.top > 2500 else 500
        lines = [
            Markup('<path d="M{:.1f} {:.1f}H{}" stroke="{}" stroke-width=".8"/>').format(
                LEFT, self.y(g), WIDE - RIGHT, RULE
            )
            + TEXT.format(LEFT - 5, self.y(g) + 3.5, SIZE, "end", QUIET, f"{g / 1000:g}")
            for g in np.arange(0, self.top, step)
        ]
        weeks = [
            TEXT.format(self.x(w), HIGH - FOOT + 14, SIZE, "middle", QUIET, f"{w + 0.0:g}")
            for w in ticks(0, self.last, 6)
        ]
        about = f"weeks of age; line: all {self.sex}s"
        words = TEXT.format((LEFT + WIDE - RIGHT) / 2, HIGH - 4, SIZE, "middle", QUIET, about)
        return Markup("").join([*lines, *weeks, words])

    def _band(self) -> Markup:
        if self.band is None or self.target is None:
            return Markup("")
        wide = self.x(1) - self.x(0)
        return Markup(
            '<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}" fill="{}" stroke="{}" stroke-width="1"/>'
        ).format(
            self.x(self.target) - wide, self.y(self.band[1]), 2 * wide,
            self.y(self.band[0]) - self.y(self.band[1]), BAND, KEEP,
        )  # fmt: skip

    def _curve(self) -> Markup:
        weeks = np.linspace(0, self.last, 40)
        grams = self.growth.expected(self.sex, weeks)
        points = " ".join(f"{self.x(w):.1f},{self.y(g):.1f}" for w, g in zip(weeks, grams, strict=True))
        return Markup('<polyline points="{}" fill="none" stroke="{}" stroke-width="1.4"/>').format(
            points, QUIET
        )

    def _weighings(self) -> Markup:
        dot = Markup('<circle cx="{:.1f}" cy="{:.1f}" r="3.2" fill="{}"/>')
        at = zip(self.grown.weeks, self.grown.weighed, strict=True)
        return Markup("").join(dot.format(self.x(weeks), self.y(grams), KEEP) for weeks, grams in at)

    def _estimate(self) -> Markup:
        if missing(self.grown.grams) or self.target is None:
            return Markup("")
        x, half = self.x(self.target), REACH * self.grown.se
        low, high = self.y(self.grown.grams - half), self.y(self.grown.grams + half)
        return Markup(
            '<path d="M{0:.1f} {1:.1f}V{2:.1f}M{3:.1f} {1:.1f}h8M{3:.1f} {2:.1f}h8" stroke="{4}" stroke-width="1.6"/>'
        ).format(x, low, high, x - 4, INK)


MOST_REASONS = 4
LEAST = 0.05
"""Points of merit under which a reason is not worth a line."""


def cards(meeting: Meeting) -> Fragment:
    """Cards of the birds at stake (kept, in reserve, to be looked at again), and a line for each of the others."""
    pieces: list[Markup] = []
    looked_up = _Box(meeting)
    for name, group in meeting.verdicts.groups.items():
        if not len(group.table):
            continue
        stake = group.table["stands"].isin(["keep", "reserve"]) | (group.table["proposed"] == "look again")
        inside = join(_card(looked_up, row) for row in each(group.table[stake]))
        others = [
            Markup("<b>{}</b> {}").format(r.bird, sentence(r.reason)) for r in each(group.table[~stake])
        ]
        pieces += [
            heading(name.capitalize()),
            Fragment('<div class="cards">{}</div>').format(inside),
            *([paragraph("The others, in a line each", "lead"), bullets(others, "small")] if others else []),
        ]
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
