"""Points of the measured section: each bird's weight at the standard's age, by the band of its sex."""

from __future__ import annotations

import numpy as np
import pandas as pd

from selection.records.settings import Standard
from selection.standard.growth import Growth
from selection.standard.sections import points_of, weighed_section

LEAST_AGE = 0.5
"""A bird last weighed before this share of the section's age has no points for it: they would be a guess."""


def size_points(standard: Standard, growth: Growth) -> pd.DataFrame:
    """Per bird of the flock (index: bird): grams and their se at the section's age, points, points_se, why.

    Points are missing for a bird never weighed, weighed only as a young chick, or of unknown sex; the whole
    frame is empty where the standard measures nothing.
    """
    section = weighed_section(standard)
    if section is None or section.at_weeks is None:
        return pd.DataFrame(
            columns=["grams", "se", "points", "points_se", "why"], index=pd.Index([], name="bird")
        )
    at = growth.at_age(growth.birds["bird"], section.at_weeks)
    last, sex = growth.birds["last_weeks"], growth.birds["sex"]
    told = (last >= LEAST_AGE * section.at_weeks).to_numpy()
    points = np.where(told, points_of(section, sex, at["grams"]), np.nan)
    # the spread of points over what is not known of the weight, by Gauss–Hermite quadrature
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    log_se = (at["se"] / at["grams"]).to_numpy()
    possible = points_of(
        section, sex.to_numpy()[:, None], at["grams"].to_numpy()[:, None] * np.exp(np.outer(log_se, nodes))
    )
    spread = np.sqrt(((possible - points[:, None]) ** 2) @ (weights / weights.sum()))
    too_young = ~told & (growth.birds["weighings"] > 0)
    why = at["why"].mask(too_young, [f"last weighed at {x:.0f} weeks: too young to tell" for x in last])
    return at.assign(points=points, points_se=spread, why=why).set_index("bird")[
        ["grams", "se", "points", "points_se", "why"]
    ]
