"""What tells most before anyone has gone to look: at which ages to weigh, and how many judges on how many days."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from selection.decide.verdicts.another_look import usual_variances
from selection.merit.season_model import Variances
from selection.records.flock import Flock
from selection.records.settings.reading import Standard
from selection.standard.bands import weighed_section
from selection.standard.deviations import shrunken
from selection.standard.growth import Growth

WEIGHINGS = 3
"""Weighings proposed of a season: a fourth narrows little."""
FIRST_WEEKS, STEP = 6, 2
"""Ages tried for a weighing, in weeks: from the first, so many apart."""
USUAL_WEEKS = 24.0
"""The age aimed at where the standard awards no points for weight."""


def weighing_ages(standard: Standard, growth: Growth) -> tuple[float, list[tuple[float, float]]]:
    """The standard's age (weeks), and the ages whose weighings narrow the weight at it most, in order.

    Each with what is then left unknown of a bird's own weight: one standard error as a share of it. Every choice of
    `WEIGHINGS` ages on a grid is tried; the growth model says how a weighing strays at each age and how long a bird's
    good or bad day lasts (:class:`selection.standard.deviations.Spread`), so that two in one week tell little more
    than one.
    """
    section = weighed_section(standard)
    aim = float(section.at_weeks) if section is not None and section.at_weeks else USUAL_WEEKS
    grid = [aim, *(float(weeks) for weeks in np.arange(FIRST_WEEKS, aim, STEP))]
    best = min(
        combinations(sorted(grid), min(WEIGHINGS, len(grid))), key=lambda ages: left_unknown(growth, ages)
    )
    return aim, [(weeks, left_unknown(growth, best[: i + 1])) for i, weeks in enumerate(best)]


def left_unknown(growth: Growth, ages: tuple[float, ...]) -> float:
    """Standard error of a bird's own log deviation once it was weighed at these ages (weeks)."""
    count = len(ages)
    own = shrunken(growth.spread, ["bird"] * count, ages, np.zeros(count), np.zeros((count, 3)))
    return float(own.se[0])


@dataclass(frozen=True)
class LookGain:
    """How far own looks alone tell merit (accuracy), with so many looks, in words."""

    words: str
    accuracy: float


def look_gains(flock: Flock) -> list[LookGain]:
    """Accuracy of own looks with one, two and four of them, all birds seen by the same judges on the same days.

    Own looks' mean total as an index of the merit of the sections judged by eye, by the published variances:
    r = cov(g, P)/√(var g · var P), with the looks' own errors over their number. Empty where nothing is judged by eye.
    """
    sections = flock.standard.by_eye
    if not sections:
        return []
    variances = usual_variances(sections)
    worth = np.array([flock.plan.worth.get(s.name, 1.0) for s in sections])
    cases = (("one look", 1), ("two judges on one day or one on two", 2), ("two judges on two days", 4))
    return [LookGain(words, _accuracy(variances, worth, looks)) for words, looks in cases]


def _accuracy(variances: Variances, worth: np.ndarray, looks: int) -> float:
    genetic = variances.covariance("genetic")
    bird = genetic + variances.covariance("permanent") + variances.covariance("clutch")
    seen = bird + variances.covariance("residual") / looks
    variance = float(worth @ genetic @ worth)
    return float(np.sqrt(variance / (worth @ seen @ worth))) if variance else 0.0
