"""Small pictures for a bird's card, drawn as inline SVG: points by section, and growth against the standard."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from selection.decide.meeting import Meeting
from selection.decide.rows import counted, each
from selection.show.page.figures import halves, kilograms, missing
from selection.show.page.fragments import Fragment
from selection.show.page.small_plots import ticks
from selection.show.page.style import BAND, INK, KEEP, QUIET, REACH, RULE
from selection.standard.bands import weighed_section

if TYPE_CHECKING:
    from selection.records.settings.reading import Standard
    from selection.standard.growth import Growth

BAR = 120
WIDE, HIGH = 230, 128
LEFT, RIGHT, TOP, FOOT = 24, 10, 8, 32
SIZE = 11
"""Size of letters and figures, in the picture's own units: some 8 points where a card is printed."""
TEXT = Markup(
    '<text x="{:.1f}" y="{:.1f}" font-size="{}" font-family="sans-serif" text-anchor="{}" fill="{}">{}</text>'
)


@dataclass(frozen=True)
class SectionPoints:
    """One section on a bird's card: its title, points at most, the bird's (missing: not seen), its group's mean."""

    title: str
    most: float
    points: float
    others: float


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
    names = [s.name for s in sections]
    own = meeting.merit.points.birds.set_index("bird")[names].astype(float)
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
    target = None if section is None else section.at_weeks
    at = {} if target is None else {r.bird: (r.grams, r.se) for r in each(growth.at_age(birds, target))}
    return {
        str(bird): Grown(
            str(bird), str(rows["sex"].iloc[0]), rows["age_weeks"].to_numpy(float), rows["grams"].to_numpy(float),
            *at.get(bird, (np.nan, np.nan)),
        )
        for bird, rows in own.groupby("bird", sort=False)
    }  # fmt: skip


def section_bars(rows: list[SectionPoints]) -> Fragment:
    """Points by section as bars on the section's full length, with a tick where the group's mean is."""
    return Fragment(
        '<table class="bars"><caption>Points by section; tick: mean of its group</caption><tbody>{}</tbody></table>'
    ).format(Markup("").join(_bar(row) for row in rows))


def _bar(row: SectionPoints) -> Markup:
    told = "not seen" if missing(row.points) else f"{halves(row.points)} of {row.most:g}"
    full = 0.0 if missing(row.points) else BAR * min(max(row.points / row.most, 0), 1)
    tick = Markup("")
    if not missing(row.others):
        at = BAR * min(max(row.others / row.most, 0), 1)
        tick = Markup('<path d="M{0:.1f} 0V12" stroke="{1}" stroke-width="2"/>').format(at, INK)
    dash = Markup(' stroke-dasharray="3 2"') if missing(row.points) else Markup("")
    drawn = Markup(
        '<svg width="{0}" height="12" viewBox="0 0 {0} 12" preserveAspectRatio="none" aria-hidden="true">'
        '<rect x=".5" y="1.5" width="{1}" height="9" fill="#fff" stroke="{2}"{3}/>'
        '<rect x=".5" y="1.5" width="{4:.1f}" height="9" fill="{5}"/>{6}</svg>'
    ).format(BAR, BAR - 1, QUIET, dash, full, KEEP, tick)
    return Markup('<tr><th scope="row">{}</th><td>{}</td><td class="number">{}</td></tr>').format(
        row.title, drawn, told
    )


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
        self.target = section.at_weeks if section else None
        band = section.band.get(self.sex) if section else None
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
