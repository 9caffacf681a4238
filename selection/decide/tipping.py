"""What would tip a choice: how much better one bird's section would have to be, or how differently it weighed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.decide.wording import some_points
from selection.merit.detail import Detail
from selection.merit.ranking import Merit
from selection.records.settings import Standard

LEAST_PULL = 0.02
"""Points of merit for a point in a section under which a section is said to tip nothing."""


NEXT_TO_NOTHING = 0.05
"""Points in a section that no judge would argue over."""


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
    precision, _ = model.residual(fitted.variances)
    rows = model.observations.rows
    own = rows["bird"].to_numpy() == known.birds[j]
    pull = pd.Series(precision @ design)[own].groupby(rows.loc[own, "series"]).sum()
    return pull[pull.index.isin(model.observations.by_eye)]


def room_to_reweigh(known: Detail, kept: np.ndarray, standard: Standard) -> pd.DataFrame:
    """How far each section's points could be re-weighted before the kept birds change.

    One row a section: section, points, lowest and highest points (0 to 100) at which the same birds are kept,
    merit linear in the section's weight; `first`: the bird that would come in. Missing: never in that range.
    """
    rows = []
    for s, name in enumerate(known.traits):
        if name not in {x.name for x in standard.sections}:
            continue
        points = standard.section(name).points
        low, high, who = _range(known.merit, known.parts[:, s], kept)
        rows.append(
            {
                "section": name,
                "points": points,
                "lowest": low * points,
                "highest": min(high * points, 100.0),
                "first": None if who is None else known.birds[who],
            }
        )
    return pd.DataFrame(rows)


def _range(merit: np.ndarray, part: np.ndarray, kept: np.ndarray) -> tuple[float, float, int | None]:
    """Factors (low ≥ 0, high) on one section between which every kept bird stays ahead of all others."""
    others = np.flatnonzero(~kept)
    low, high, who = 0.0, np.inf, None
    for i in np.flatnonzero(kept):
        for j in others:
            gap, slope = merit[i] - merit[j], part[i] - part[j]
            if slope == 0:
                continue
            factor = 1 - gap / slope
            if slope > 0 and low < factor <= 1:
                low = factor
            if slope < 0 and 1 <= factor < high:
                high, who = factor, int(j)
    return low, high, who
