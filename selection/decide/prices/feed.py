"""What each bird ate, as far as a feed bill has to be shared out by it: its age, its sex, its own growth.

The published intake by age (:data:`selection.merit.published.FEED_INTAKE`) is that of one strain. A heavier
bird eats more in proportion to its metabolic weight, grams to the power 0.75 (Kleiber 1947, Physiological
Reviews 27:511-541, from memory): a sex by its growth curve beside the mean of both, a bird by its own
deviation from its sex's curve.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.merit.published import FEED_INTAKE, feed_grams_a_day

if TYPE_CHECKING:
    from selection.standard.growth import Growth

METABOLIC = 0.75
GROWN_DAYS = 364
"""From this age on a bird's intake is taken as constant."""
RESTS_ON = (
    "feed shared by intake at each age (" + "; ".join(dict.fromkeys(r.cited for r in FEED_INTAKE)) + ")"
)
"""Where the intake comes from, in words."""


def feed_eaten(birds: pd.DataFrame, growth: Growth) -> npt.NDArray[np.float64]:
    """Grams of feed each bird ate between two ages.

    `birds` (n rows): `bird`, `sex`, `from_day`, `to_day`, the ages in days between which it ate, the second
    included. A bird whose age is missing ate as a grown one for `days` days. A bird never weighed grew as
    its sex; a bird of unknown sex as the mean of both.
    """
    eaten = np.zeros(len(birds))
    sexes = birds["sex"].to_numpy()
    for sex in ("male", "female", "unknown"):
        at = np.flatnonzero(sexes == sex)
        so_far = _eaten_by_day(sex, growth)
        first, last = (birds[c].to_numpy(dtype=float)[at] for c in ("from_day", "to_day"))
        eaten[at] = np.where(
            np.isnan(last),
            birds["days"].to_numpy(dtype=float)[at] * (so_far[-1] - so_far[-2]),
            _by(so_far, last + 1) - _by(so_far, first),
        )
    deviation = growth.birds.set_index("bird")["deviation"].reindex(birds["bird"]).fillna(0.0)
    return eaten * np.exp(METABOLIC * deviation.to_numpy())


def _eaten_by_day(sex: str, growth: Growth) -> npt.NDArray[np.float64]:
    """Grams eaten by a bird of that sex before each day of age, 0 … GROWN_DAYS + 1 (cumulative)."""
    weeks = np.arange(GROWN_DAYS + 1) / 7
    size = growth.expected(sex, weeks) / growth.expected("unknown", weeks)
    return np.concatenate([[0.0], np.cumsum(feed_grams_a_day(weeks) * size**METABOLIC)])


def _by(so_far: npt.NDArray[np.float64], day: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Grams eaten before `day` of age, going on at the grown bird's pace beyond the table."""
    beyond = np.clip(day - (len(so_far) - 1), 0, None) * (so_far[-1] - so_far[-2])
    return np.interp(day, np.arange(len(so_far)), so_far) + beyond
