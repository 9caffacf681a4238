"""Small pictures for a bird's card, drawn as inline SVG: points by section, and growth against the standard."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from selection.decide.meeting import Meeting
from selection.decide.rows import each
from selection.show.figures import halves, kilograms, missing
from selection.show.fragments import Fragment
from selection.show.style import BAND, INK, KEEP, QUIET, REACH, RULE
from selection.standard.sections import weighed_section

BAR = 120
WIDE, HIGH = 300, 170
LEFT, RIGHT, TOP, FOOT = 34, 12, 8, 26
TEXT = Markup(
    '<text x="{:.1f}" y="{:.1f}" font-size="10.5" font-family="sans-serif" text-anchor="{}" fill="{}">{}</text>'
)


def sections_frame(meeting: Meeting, bird: str) -> pd.DataFrame:
    """Points by section: title, most, points (missing: not seen), others (mean of the scored of its group)."""
    birds = meeting.merit.points.birds.set_index("bird")
    ranking = meeting.merit.ranking
    group = ranking.loc[ranking["bird"] == bird, "group"].iloc[0]
    mates = birds.reindex(ranking.loc[ranking["group"] == group, "bird"])
    sections = meeting.flock.standard.sections
    names = [s.name for s in sections]
    own = birds.reindex([bird])[names].iloc[0].to_numpy(float)
    others = mates[names].mean().to_numpy(float)
    return pd.DataFrame(
        {
            "title": [s.title for s in sections],
            "most": [s.points for s in sections],
            "points": own,
            "others": others,
        }
    )


def section_bars(meeting: Meeting, bird: str) -> Fragment:
    """Points by section as bars on the section's full length, with a tick where the group's mean is."""
    rows = [_bar(row) for row in each(sections_frame(meeting, bird))]
    return Fragment(
        '<table class="bars"><caption>Points by section; tick: mean of its group</caption><tbody>{}</tbody></table>'
    ).format(Markup("").join(rows))


def _bar(row: Any) -> Markup:
    told = "not seen" if missing(row.points) else f"{halves(row.points)} of {row.most:g}"
    full = 0.0 if missing(row.points) else BAR * min(max(row.points / row.most, 0), 1)
    tick = Markup("")
    if not missing(row.others):
        at = BAR * min(max(row.others / row.most, 0), 1)
        tick = Markup('<path d="M{0:.1f} 0V12" stroke="{1}" stroke-width="2"/>').format(at, INK)
    dash = Markup(' stroke-dasharray="3 2"') if missing(row.points) else Markup("")
    drawn = Markup(
        '<svg width="{0}" height="12" viewBox="0 0 {0} 12" aria-hidden="true">'
        '<rect x=".5" y="1.5" width="{1}" height="9" fill="#fff" stroke="{2}"{3}/>'
        '<rect x=".5" y="1.5" width="{4:.1f}" height="9" fill="{5}"/>{6}</svg>'
    ).format(BAR, BAR - 1, QUIET, dash, full, KEEP, tick)
    return Markup('<tr><th scope="row">{}</th><td>{}</td><td class="number">{}</td></tr>').format(
        row.title, drawn, told
    )


def growth_frame(meeting: Meeting, bird: str) -> pd.DataFrame:
    """The bird's usable weighings: weeks, grams; empty where it was never weighed."""
    flock, growth = meeting.flock, meeting.merit.growth
    own = growth.deviations[growth.deviations["bird"] == bird]
    grams = flock.weights.loc[own["row"], "grams"].to_numpy(float)
    return pd.DataFrame({"weeks": own["age_weeks"].to_numpy(float), "grams": grams}).sort_values("weeks")


def growth_picture(meeting: Meeting, bird: str) -> Fragment:
    """Its weighings on its sex's growth curve, with the standard's band at its age and the estimate there."""
    weighed = growth_frame(meeting, bird)
    if weighed.empty:
        return Fragment('<p class="small">Never weighed: no picture of its growth.</p>')
    return _Plot(meeting, bird, weighed).drawn()


class _Plot:
    """One growth picture: scales, and the parts drawn on them."""

    def __init__(self, meeting: Meeting, bird: str, weighed: pd.DataFrame) -> None:
        self.bird, self.weighed, self.growth = bird, weighed, meeting.merit.growth
        birds = meeting.flock.birds
        self.sex = str(birds.loc[birds["bird"] == bird, "sex"].iloc[0])
        self.section = weighed_section(meeting.flock.standard)
        self.target = self.section.at_weeks if self.section else None
        band = self.section.band.get(self.sex) if self.section else None
        self.band = band if self.target else None
        at = None if self.target is None else self.growth.at_age([bird], self.target).iloc[0]
        self.estimate = None if at is None else (float(at["grams"]), float(at["se"]))
        self.last = max(weighed["weeks"].max(), self.target or 0) * 1.04 + 1
        curve = self.growth.expected(self.sex, np.array([self.last]))[0]
        self.top = 1.12 * max(weighed["grams"].max(), curve, band[1] if band else 0)

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
        band = f"; box: the standard at {self.target:g} weeks" if self.band else ""
        return f"Growth, kg by weeks of age; line: all {self.sex}s{band}"

    def _says(self) -> str:
        last = self.weighed.iloc[-1]
        latest = f"{kilograms(last['grams'])} kg at {last['weeks']:.0f} weeks"
        said = f"{self.bird}: {len(self.weighed)} weighings, the last {latest}"
        if self.estimate is None:
            return said
        grams, se = self.estimate
        low, high = (kilograms(grams + sign * REACH * se) for sign in (-1, 1))
        return f"{said}; at {self.target:g} weeks {kilograms(grams)} kg, 90 % interval {low} to {high}"

    def _axes(self) -> Markup:
        step = 1000 if self.top > 2500 else 500
        lines = [
            Markup('<path d="M{:.1f} {:.1f}H{}" stroke="{}" stroke-width=".8"/>').format(
                LEFT, self.y(g), WIDE - RIGHT, RULE
            )
            + TEXT.format(LEFT - 5, self.y(g) + 3.5, "end", QUIET, f"{g / 1000:g}")
            for g in np.arange(0, self.top, step)
        ]
        every = 10 if self.last > 45 else 5
        weeks = [
            TEXT.format(self.x(w), HIGH - 10, "middle", QUIET, f"{w:g}")
            for w in np.arange(0, self.last, every)
        ]
        return Markup("").join([*lines, *weeks])

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
        return Markup("").join(dot.format(self.x(r.weeks), self.y(r.grams), KEEP) for r in each(self.weighed))

    def _estimate(self) -> Markup:
        if self.estimate is None or self.target is None:
            return Markup("")
        (grams, se), x = self.estimate, self.x(self.target)
        half = REACH * se
        return Markup(
            '<path d="M{0:.1f} {1:.1f}V{2:.1f}M{3:.1f} {1:.1f}h8M{3:.1f} {2:.1f}h8" stroke="{4}" stroke-width="1.6"/>'
        ).format(x, self.y(grams - half), self.y(grams + half), x - 4, INK)
