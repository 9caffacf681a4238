"""Weight as a trait: log deviations from the growth curve in the model, grams at an age for points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd

from selection.records.flock import Flock
from selection.records.settings.reading import Section
from selection.standard.bands import Floats, points_of, young_class
from selection.standard.growth import Growth

LEAST_AGE = 0.5
"""A bird last weighed before this share of the section's age has no points for it: they would be a guess."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """Weight, for every section that is awarded from it; `name` is how tables call it, `prior` the first section.

    The other attributes are those of :class:`selection.standard.traits.Trait`.
    """

    name: str
    title: str
    prior: Section

    # no standard can give this name, since names are trimmed: a section may itself be called weight
    key: ClassVar[str] = " weight"
    unit: ClassVar[str] = "g"
    by_eye: ClassVar[bool] = False
    hangs: ClassVar[bool] = True
    logs: ClassVar[bool] = True
    reach: ClassVar[float] = 1.5
    usual_variance: ClassVar[float] = 0.01
    band_called: ClassVar[str] = "weight band"
    record: ClassVar[str] = "weighings of "

    def rows(self, flock: Flock, growth: Growth) -> pd.DataFrame:
        """One row a weighing: its raw log deviation from the curve, with its residual's relative spread."""
        seen = growth.deviations.reset_index(drop=True)
        form = flock.weights.loc[seen["row"], ["bird", "clutch", "sex", "n", "on"]].reset_index(drop=True)
        usual = float(np.median(seen["residual_sd"])) if len(seen) else 1.0
        return form.assign(value=seen["log_deviation"], sd=seen["residual_sd"] / usual)

    def seen(self, section: Section, flock: Flock, growth: Growth) -> pd.DataFrame:
        """Every bird's weight at the section's age (index: bird): value, se, points, points_se, why.

        Points are missing for a bird never weighed, weighed only as a young chick, or of unknown sex.
        """
        assert section.at_weeks is not None
        birds = growth.birds
        at = growth.at_age(birds["bird"], section.at_weeks)
        told = (birds["last_weeks"] >= LEAST_AGE * section.at_weeks).to_numpy()
        group = np.array([young_class(section, sex) for sex in birds["sex"]], dtype=object)
        points = np.where(told, points_of(section, group, at["grams"]), np.nan)
        young = [f"last weighed at {x:.0f} weeks: too young to tell" for x in birds["last_weeks"]]
        why = at["why"].mask(~told & (birds["weighings"] > 0), young)
        spread = _spread(section, group, at, points)
        table = at.rename(columns={"grams": "value"}).assign(points=points, points_se=spread, why=why)
        return table.set_index("bird")[["value", "se", "points", "points_se", "why"]]

    def offset(self, section: Section, growth: Growth, sex: str) -> float:
        """What the model's number for `sex` is counted from: the log weight of the curve at the section's age."""
        assert section.at_weeks is not None
        return float(np.log(growth.expected(sex, section.at_weeks)))

    def slope(self, section: Section) -> float:
        """Points for each unit of log weight on the rising side of the band, mean of the classes."""
        return float(np.mean([_rise(section, group) for group in section.band]))


def _rise(section: Section, group: str) -> float:
    full, none = section.band[group][0], section.none[group][0]
    return section.points / np.log(full / none) if none > 0 else section.points


def _spread(section: Section, group: np.ndarray, at: pd.DataFrame, points: Floats) -> Floats:
    """Root mean square of points about `points`, over what is not known of the weight (Gauss–Hermite)."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    possible = at["grams"].to_numpy()[:, None] * np.exp(np.outer(at["se"] / at["grams"], nodes))
    off = points_of(section, group[:, None], possible) - points[:, None]
    return np.sqrt(off**2 @ (weights / weights.sum()))
