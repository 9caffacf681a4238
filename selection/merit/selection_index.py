"""What a breeding value is worth in points.

A trait's worth is points for each unit of it: 1 for each point of a section unless the plan says otherwise. A
measured section with a band is worth the points that a bird's chicks can expect, twice (a chick has half of
its parent), averaged over both sexes and over the spread that chicks show around their parents' mean: a bird
over the band gains nothing by being heavier still. With a straight line for a band this is worth × breeding
value, the classic index (Hazel 1943, Genetics 28:476-490).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from selection.merit import published
from selection.merit.observations import worths
from selection.merit.posterior import Known
from selection.merit.season_model import MIDDLE_AGE
from selection.records.flock import Flock
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Section, Standard
from selection.standard.bands import SEXED, expected_points, middle_of_band, young_class
from selection.standard.growth import Growth
from selection.standard.traits import Measure, measure_of, trait_of

MENDELIAN_SHARE = 0.75
"""Share of the genetic variance among one bird's chicks, its mates unrelated: all but its own quarter."""
_GRID = np.linspace(-1.0, 1.0, 601)
"""Breeding values at which a band is worked out, in units of its trait's reach."""


@dataclass(frozen=True)
class Band:
    """Expected points of a bird's chicks in one measured section by its breeding value, on a grid; twice (see module).

    `section` awards them (`called`: how its band is called), from the trait at position `trait`; `column`: where the
    draws of its breeding values are (see :attr:`SelectionIndex.weights`).
    """

    section: str
    called: str
    trait: int
    column: int
    grid: np.ndarray
    points: np.ndarray

    def __call__(self, breeding_values: np.ndarray) -> np.ndarray:
        """Points at `breeding_values`, any shape; beyond the grid the end's value."""
        return np.interp(breeding_values, self.grid, self.points)

    def slope(self, breeding_values: np.ndarray) -> np.ndarray:
        """Points for each unit at `breeding_values`, any shape."""
        step = 2 * float(self.grid[1] - self.grid[0])
        return (self(breeding_values + step) - self(breeding_values - step)) / (2 * step)


@dataclass(frozen=True)
class SelectionIndex:
    """Points by trait: `straight` (T,) for each unit, and the measured sections' bands beside it.

    `middle` (T,): the mean breeding values of the living birds, where a band's slope is taken for the whole flock.
    """

    straight: np.ndarray
    bands: tuple[Band, ...] = ()
    middle: np.ndarray = field(default_factory=lambda: np.zeros(0))

    @property
    def weights(self) -> np.ndarray:
        """Functionals (T × k) to draw: the straight index, and each banded trait's own breeding value."""
        banded = sorted({band.column: band.trait for band in self.bands}.items())
        return np.column_stack([self.straight, *(np.eye(len(self.straight))[at] for _, at in banded)])

    def merit(self, draws: np.ndarray) -> np.ndarray:
        """Merit (N × L), in points about the model's zero, from draws of the functionals (N × L × k)."""
        return sum((band(draws[..., band.column]) for band in self.bands), start=draws[..., 0])

    def parts(self, values: np.ndarray) -> np.ndarray:
        """Points (L × T) that breeding values (L × T) are worth, trait by trait."""
        points = values * self.straight
        for band in self.bands:
            points[:, band.trait] += band(values[:, band.trait])
        return points

    def slopes(self, values: np.ndarray) -> np.ndarray:
        """Points (L × T) for each unit more where birds stand (L × T)."""
        slopes = np.tile(self.straight, (len(values), 1))
        for band in self.bands:
            slopes[:, band.trait] += band.slope(values[:, band.trait])
        return slopes

    def line(self) -> np.ndarray:
        """Points (T,) for each unit more at the mean of the living birds."""
        return self.slopes(self.middle[None])[0]


def index_of(flock: Flock, known: Known, growth: Growth) -> SelectionIndex:
    """What every trait of the model is worth by the flock's plan, and what its bands make of it.

    A band's mate is the mean of the living birds, its season the mean of the seasons seen.
    """
    standard, plan, traits = flock.standard, flock.plan, known.model.traits
    worth = worths(standard, plan)
    straight = np.array([worth[key] for key in traits], dtype=float)
    middle = _means_of_living(known, flock)
    bands: list[Band] = []
    columns: dict[int, int] = {}
    for section in standard.by_measure:
        measure = measure_of(standard, section)
        if measure.key not in traits:
            continue
        trait = traits.index(measure.key)
        column = columns.setdefault(trait, 1 + len(columns))
        factor = plan.worth.get(section.name, 1.0)
        grid = measure.reach * _GRID
        points = factor * _chicks_points(section, measure, known, growth, grid + middle[trait])
        bands.append(Band(section.name, measure.band_called, trait, column, grid, points))
    return SelectionIndex(straight, tuple(bands), middle)


def usual_merit_variance(standard: Standard, plan: Plan) -> float:
    """Variance of merit among unrelated birds before anything is seen, in squared points; of no account later."""
    sections = standard.by_eye or standard.sections
    worth = np.array([plan.worth.get(s.name, 1.0) for s in sections])
    traits = [trait_of(standard, s) for s in sections]
    genetic = np.array([published.heritability(t.prior).mean * t.usual_variance for t in traits])
    return float(worth**2 @ genetic)


def _chicks_points(
    section: Section, measure: Measure, known: Known, growth: Growth, parents: np.ndarray
) -> np.ndarray:
    """Expected points of chicks, both sexes added up, whose parents' breeding values add up to `parents`."""
    sd = _chick_sd(known, known.model.traits.index(measure.key))
    points = np.zeros(len(parents))
    for sex, base in _bases(section, measure, known, growth).items():
        points += expected_points(section, young_class(section, sex), base + parents / 2, sd, measure.logs)
    return points


def _bases(section: Section, measure: Measure, known: Known, growth: Growth) -> dict[str, float]:
    """What a chick of each sex shows at the section's age, its parents at the model's zero.

    A sex that nobody saw stands as far from the middle of its band as the other.
    """
    usual = {sex: _usual(known, measure.key, sex, section.at_weeks) for sex in SEXED}
    levels = {
        sex: measure.offset(section, growth, sex) + (0.0 if value is None else value)
        for sex, value in usual.items()
    }
    if measure.logs:
        return levels
    middles = {sex: middle_of_band(section, sex) or 0.0 for sex in SEXED}
    off = [levels[sex] - middles[sex] for sex in SEXED if usual[sex] is not None]
    other = float(np.mean(off)) if off else 0.0
    return {sex: levels[sex] if usual[sex] is not None else middles[sex] + other for sex in SEXED}


def _chick_sd(known: Known, trait: int) -> float:
    """Spread of one bird's chicks in a trait around the mean of their parents."""
    parts = known.variances
    own = parts.of("permanent") + parts.of("clutch") + parts.of("brooder")
    return float(np.sqrt(MENDELIAN_SHARE * parts.of("genetic")[trait] + own[trait]))


def _means_of_living(known: Known, flock: Flock) -> np.ndarray:
    """Mean breeding values (T,) of the living birds."""
    living = flock.birds.loc[flock.birds["alive"], "bird"]
    at = known.model.kinship.birds.get_indexer(living)
    values = known.solution.at("genetic").reshape(-1, len(known.model.traits))[at[at >= 0]]
    return values.mean(axis=0) if len(values) else np.zeros(len(known.model.traits))


def _usual(known: Known, series: str, sex: str, weeks: float | None) -> float | None:
    """A sex's mean level over the seasons at an age, those who measured alike; None where it was not seen."""
    names, fixed = known.model.fixed_names, known.solution.at("fixed")
    of = (names["series"] == series).to_numpy()
    cell = np.flatnonzero(
        of & (names["effect"].str.endswith(" " + sex) & (names["kind"] == "cell")).to_numpy()
    )
    if not len(cell):
        return None
    age, judge = (np.flatnonzero(of & (names["kind"] == kind).to_numpy()) for kind in ("age", "judge"))
    rows = known.model.observations.rows
    own = (rows["series"] == series).to_numpy()
    level = float(fixed[cell].mean())
    if len(judge):
        level += float((known.model.fixed[np.flatnonzero(own)][:, judge] @ fixed[judge]).mean())
    if len(age):
        usual = float(rows.loc[own & (rows["sex"] == sex).to_numpy(), "age_weeks"].mean())
        level += float(fixed[age[0]]) * ((usual if weeks is None else weeks) - MIDDLE_AGE)
    return level
