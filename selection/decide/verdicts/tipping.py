"""What would tip a choice: how much better one bird's section would have to be, or how differently it weighed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.decide.wording import some_points
from selection.merit.explain import Detail
from selection.merit.ranking import Merit
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Section, Standard

LEAST_PULL = 0.02
"""Points of merit for a point in a section under which a section is said to tip nothing."""


NEXT_TO_NOTHING = 0.05
"""Points in a section that no judge would argue over."""

MOST_POINTS = 100.0
"""Points beyond which no section is tried: what a whole standard adds up to."""


@dataclass(frozen=True)
class Tip:
    """One pair at the edge: `behind` would overtake `ahead` if its `section` had been `points` better."""

    ahead: str
    behind: str
    gap: float
    section: str | None
    points: float

    def sentence(self) -> str:
        """The tip in words."""
        if self.section is None:
            return f"no one section would bring {self.behind} past {self.ahead}, {self.gap:.1f} points of merit away"
        if self.points < NEXT_TO_NOTHING:
            return f"{self.behind} stands level with {self.ahead}"
        return f"{self.behind} overtakes {self.ahead} if its {self.section} were {some_points(self.points)} better"


def tip(merit: Merit, known: Detail, standard: Standard, ahead: str, behind: str) -> Tip:
    """The section in which the least improvement, as a share of its points, lets `behind` overtake `ahead`.

    The improvement is on all of the bird's looks; its pull on merit is what the mixed model gives those
    looks. A bird that nobody has scored has nothing to improve: section None.
    """
    i, j = known.birds.get_loc(ahead), known.birds.get_loc(behind)
    gap = float(known.merit[i] - known.merit[j])
    pulls = _pulls(merit, known, i, j)
    best: tuple[float, str | None, float] = (np.inf, None, np.nan)
    for name, pull in pulls.items():
        most = standard.section(str(name)).points
        needed = max(gap, 0.0) / pull if pull > LEAST_PULL else np.inf
        if needed / most < best[0] and needed <= most:
            best = (needed / most, str(name), needed)
    return Tip(ahead, behind, gap, best[1], best[2])


def _pulls(merit: Merit, known: Detail, i: int, j: int) -> pd.Series:
    """Change of the merit of bird j less bird i for a point more in each section of all looks at j."""
    fitted = merit.known
    assert fitted is not None
    model = fitted.model
    contrast = known.functionals[:, j] - known.functionals[:, i]
    weights = fitted.solution.factor.solve(contrast)
    design = np.zeros(len(model.y))
    for name, place in fitted.solution.slices.items():
        term = model.fixed if name == "fixed" else model.designs[name]
        design += term @ weights[place]
    rows = model.observations.rows
    own = rows["bird"].to_numpy() == known.birds[j]
    pull = pd.Series(fitted.residual_precision @ design)[own].groupby(rows.loc[own, "series"]).sum()
    return pull[pull.index.isin(model.observations.by_eye)]


def planned_counts(standard: Standard, plan: Plan) -> dict[str, float]:
    """The points each section counts for in merit as planned: its points times its worth."""
    return {s.name: s.points * plan.worth.get(s.name, 1.0) for s in standard.sections}


def room_to_reweigh(known: Detail, kept: np.ndarray, standard: Standard, plan: Plan) -> pd.DataFrame:
    """How far the points that each section counts for could be changed before the kept birds change.

    One row a section that was seen: section, points (it counts for now: its own times its worth), lowest and
    highest points (0 to MOST_POINTS) at which the same birds are kept, merit linear in the section's weight;
    `first`: the bird that would come in above. Missing: never in that range.
    """
    rows = []
    for section in standard.sections:
        if section.name not in known.traits and section.name not in known.banded:
            continue
        now = section.points * plan.worth.get(section.name, 1.0)
        low, high, who = _range(known.merit, _per_point(known, section, now), kept)
        rows.append(
            {
                "section": section.name,
                "points": now,
                "lowest": max(now + low, 0.0),
                "highest": min(now + high, MOST_POINTS),
                "first": None if who is None or now + high > MOST_POINTS else known.birds[who],
            }
        )
    return pd.DataFrame(rows)


def _per_point(known: Detail, section: Section, now: float) -> np.ndarray:
    """Merit (L,) that each bird gains where a section counts for a point more; nought for a band worth nothing."""
    if section.measured is not None:
        return known.banded[section.name] / now if now else np.zeros(len(known.birds))
    return known.values[:, known.traits.index(section.name)] / section.points


def _range(merit: np.ndarray, slope: np.ndarray, kept: np.ndarray) -> tuple[float, float, int | None]:
    """Steps down (≤ 0) and up (≥ 0) of one section's points between which every kept bird stays ahead of the others."""
    inside, outside = np.flatnonzero(kept), np.flatnonzero(~kept)
    gap = merit[inside][:, None] - merit[outside]
    lean = slope[inside][:, None] - slope[outside]
    with np.errstate(divide="ignore", invalid="ignore"):
        step = -gap / lean
    down = np.where((lean > 0) & (step <= 0), step, -np.inf).max(initial=-np.inf)
    up = np.where((lean < 0) & (step >= 0), step, np.inf)
    who = int(outside[np.unravel_index(np.argmin(up), up.shape)[1]]) if np.isfinite(up).any() else None
    return float(down), float(up.min(initial=np.inf)), who
