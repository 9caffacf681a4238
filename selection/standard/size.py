"""Points of the measured section: each bird's weight at the standard's age, by the band of its sex."""

from __future__ import annotations

import numpy as np
import pandas as pd

from selection.records.settings.reading import Section, Standard
from selection.standard.bands import Floats, points_of, weighed_section
from selection.standard.growth import Growth

COLUMNS = ("grams", "se", "points", "points_se", "why")
LEAST_AGE = 0.5
"""A bird last weighed before this share of the section's age has no points for it: they would be a guess."""


def size_points(standard: Standard, growth: Growth) -> pd.DataFrame:
    """Per bird of the flock (index: bird): grams and their se at the section's age, points, points_se, why.

    Points are missing for a bird never weighed, weighed only as a young chick, or of unknown sex; the whole
    frame is empty where the standard measures nothing.
    """
    section = weighed_section(standard)
    if section is None or section.at_weeks is None:
        return pd.DataFrame(columns=list(COLUMNS), index=pd.Index([], name="bird"))
    birds = growth.birds
    at = growth.at_age(birds["bird"], section.at_weeks)
    told = (birds["last_weeks"] >= LEAST_AGE * section.at_weeks).to_numpy()
    points = np.where(told, points_of(section, birds["sex"], at["grams"]), np.nan)
    young = [f"last weighed at {x:.0f} weeks: too young to tell" for x in birds["last_weeks"]]
    why = at["why"].mask(~told & (birds["weighings"] > 0), young)
    table = at.assign(points=points, points_se=_spread(section, birds["sex"], at, points), why=why)
    return table.set_index("bird")[list(COLUMNS)]


def _spread(section: Section, sex: pd.Series, at: pd.DataFrame, points: Floats) -> Floats:
    """Root mean square of points about `points`, over what is not known of the weight (Gauss–Hermite)."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    possible = at["grams"].to_numpy()[:, None] * np.exp(np.outer(at["se"] / at["grams"], nodes))
    off = points_of(section, sex.to_numpy()[:, None], possible) - points[:, None]
    return np.sqrt(off**2 @ (weights / weights.sum()))
