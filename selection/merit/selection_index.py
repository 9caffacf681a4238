"""What a breeding value is worth in points.

A trait's worth is points for each unit of it: 1 for each point of a section unless the plan says otherwise. A
measured section with a band is worth the points that a bird's chicks can expect, twice (a chick has half of
its parent), averaged over both sexes and over the spread that chicks show around their parents' mean: a bird
over the band gains nothing by being heavier still. With a straight line for a band this is worth × breeding
value, the classic index (Hazel 1943, Genetics 28:476-490).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from selection.merit import published
from selection.merit.posterior import Known
from selection.merit.variances.trait_variances import usual_variance
from selection.records.flock import Flock
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Section, Standard
from selection.standard.bands import expected_points
from selection.standard.growth import Growth

SEXES = ("male", "female")
MENDELIAN_SHARE = 0.75
"""Share of the genetic variance among one bird's chicks, its mates unrelated: all but its own quarter."""


@dataclass(frozen=True)
class Worth:
    """Points by trait: `straight` (T,) for each unit (0 for a banded one), `banded` the section that is not."""

    straight: np.ndarray
    banded: Section | None
    banded_at: int
    factor: float

    @property
    def weights(self) -> np.ndarray:
        """Functionals (T × k) to draw: the straight index, and the banded trait's own breeding value."""
        if self.banded is None:
            return self.straight[:, None]
        own = np.zeros(len(self.straight))
        own[self.banded_at] = 1.0
        return np.column_stack([self.straight, own])


@dataclass(frozen=True)
class Band:
    """Expected points of a bird's chicks by its breeding value for log weight, on a grid; twice (see module)."""

    grid: np.ndarray
    points: np.ndarray

    def __call__(self, breeding_values: np.ndarray) -> np.ndarray:
        """Points at `breeding_values`, any shape; beyond the grid the end's value."""
        return np.interp(breeding_values, self.grid, self.points)


def worth_of(standard: Standard, plan: Plan, traits: tuple[str, ...]) -> Worth:
    """Worth of every trait of the model: 1 for each point of a section, 0 beside them, or as the plan says."""
    sections = {s.name: s for s in standard.sections}
    given = [plan.worth.get(t, 1.0 if t in sections else 0.0) for t in traits]
    straight = np.array(given, dtype=float)
    for i, name in enumerate(traits):
        section = sections.get(name)
        if section is not None and section.measured:
            straight[i] = 0.0
            return Worth(straight, section, i, given[i])
    return Worth(straight, None, -1, 0.0)


def usual_merit_variance(standard: Standard, plan: Plan) -> float:
    """Variance of merit among unrelated birds before anything is seen, in squared points; of no account later."""
    sections = [s for s in standard.sections if s.measured is None] or standard.sections
    worth = np.array([plan.worth.get(s.name, 1.0) for s in sections])
    genetic = np.array([published.heritability(s).mean * usual_variance(s) for s in sections])
    return float(worth**2 @ genetic)


def band_of(worth: Worth, known: Known, growth: Growth, flock: Flock) -> Band | None:
    """The banded section's expected points by breeding value; None where every worth is straight.

    The mate is the mean of the living birds, the season the mean of the seasons weighed.
    """
    section = worth.banded
    if section is None or section.at_weeks is None:
        return None
    sd = _chick_sd(known, worth.banded_at)
    mate = _mean_of_living(known, flock, worth.banded_at)
    grid = np.linspace(-1.5, 1.5, 601)
    points = np.zeros(len(grid))
    for sex in SEXES:
        base = np.log(growth.expected(sex, section.at_weeks)) + _usual_season(known, section.name, sex)
        points += expected_points(section, sex, base + (grid + mate) / 2, sd)
    return Band(grid, worth.factor * points)


def merit_of(draws: np.ndarray, band: Band | None) -> np.ndarray:
    """Merit (N × L), in points about the model's zero, from draws of the functionals (N × L × k)."""
    return draws[..., 0] if band is None else draws[..., 0] + band(draws[..., 1])


def _chick_sd(known: Known, trait: int) -> float:
    """Spread of one bird's chicks in log weight around the mean of their parents."""
    parts = known.variances
    own = parts.of("permanent") + parts.of("clutch") + parts.of("brooder")
    return float(np.sqrt(MENDELIAN_SHARE * parts.of("genetic")[trait] + own[trait]))


def _mean_of_living(known: Known, flock: Flock, trait: int) -> float:
    """Mean breeding value of the living birds for one trait."""
    living = flock.birds.loc[flock.birds["alive"], "bird"]
    at = known.model.kinship.birds.get_indexer(living)
    values = known.solution.at("genetic").reshape(-1, len(known.model.traits))[at[at >= 0], trait]
    return float(values.mean()) if len(values) else 0.0


def _usual_season(known: Known, series: str, sex: str) -> float:
    """Mean over the seasons of a sex's level in log weight, beside the growth curve; 0 where not weighed."""
    names = known.model.fixed_names
    at = np.flatnonzero((names["series"] == series) & names["effect"].str.endswith(" " + sex))
    return float(known.solution.at("fixed")[at].mean()) if len(at) else 0.0
