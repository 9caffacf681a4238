"""Means, slopes, correlations and shares of a few birds, each with its 90 % interval or the words that it has none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from selection.answer import LEVEL

FEWEST = 5
"""Birds under which no interval is given: it would only say that nothing is known."""


@dataclass(frozen=True)
class Estimate:
    """A value with its 90 % interval and n; all three missing with `why` where too few were seen."""

    value: float
    low: float
    high: float
    n: int
    why: str = ""


def too_few(n: int, fewest: int = FEWEST) -> Estimate:
    """No estimate, and the words for it."""
    return Estimate(np.nan, np.nan, np.nan, n, f"too few to say: {n} of at least {fewest} birds")


def mean_of(values: np.ndarray) -> Estimate:
    """Mean with Student's t interval."""
    n = len(values)
    if n < FEWEST:
        return too_few(n)
    reach = stdtrit(n - 1, 0.5 + LEVEL / 2) * values.std(ddof=1) / np.sqrt(n)
    return Estimate(float(values.mean()), float(values.mean() - reach), float(values.mean() + reach), n)


def slope_of(
    x: np.ndarray, y: np.ndarray, groups: np.ndarray, covariance: np.ndarray | None = None
) -> Estimate:
    """Least-squares slope of y on x within groups, with Student's t interval on n − groups − 1 degrees.

    Where the `covariance` (n × n) of y about its expectation is known, the interval is no narrower than that says:
    outcomes that hang together tell less than as many that do not.
    """
    x, y, free, many = _within(x, y, groups)
    if free < FEWEST - 2:
        return too_few(len(x))
    if not x @ x > 1e-12:
        return Estimate(
            np.nan,
            np.nan,
            np.nan,
            len(x),
            "nothing to compare: within each season and sex all were expected alike",
        )
    slope = float(x @ y / (x @ x))
    rest = y - slope * x
    reach = stdtrit(free, 0.5 + LEVEL / 2) * np.sqrt(rest @ rest / free / (x @ x))
    if covariance is not None:
        by_model = max(float(x @ covariance[np.ix_(many, many)] @ x), 0.0)
        reach = max(reach, ndtri(0.5 + LEVEL / 2) * np.sqrt(by_model) / (x @ x))
    return Estimate(slope, float(slope - reach), float(slope + reach), len(x))


def expected_of(
    right: np.ndarray, shown: np.ndarray, groups: np.ndarray, covariance: np.ndarray | None
) -> tuple[float, float]:
    """Slope and correlation that right predictions would have within groups; missing where not to be told.

    right (n,): what the model would have predicted; shown (n,): what it expected of the outcomes; covariance (n × n)
    of the outcomes about that.
    """
    x, y, _, many = _within(right, shown, groups)
    if not x @ x > 1e-12:
        return np.nan, np.nan
    slope = float(x @ y / (x @ x))
    if covariance is None:
        return slope, np.nan
    codes = np.unique(groups[many], return_inverse=True)[1]
    same = (codes[:, None] == codes[None, :]) / np.bincount(codes)[codes]
    about = np.trace((np.eye(len(x)) - same) @ covariance[np.ix_(many, many)])
    return slope, float(x @ y / np.sqrt(x @ x * (y @ y + max(about, 0.0)))) if y @ y + about > 0 else np.nan


def correlation_of(x: np.ndarray, y: np.ndarray, groups: np.ndarray) -> Estimate:
    """Correlation within groups, with Fisher's z interval on n − groups + 1 birds (Fisher 1921, from memory)."""
    x, y, free, _ = _within(x, y, groups)
    if free < FEWEST - 2:
        return too_few(len(x))
    if not (x @ x > 1e-12 and y @ y > 1e-12):
        return Estimate(np.nan, np.nan, np.nan, len(x), "nothing to compare: all were alike")
    r = float(np.clip(x @ y / np.sqrt((x @ x) * (y @ y)), -1, 1))
    reach = ndtri(0.5 + LEVEL / 2) / np.sqrt(free - 1)
    z = np.arctanh(np.clip(r, -0.999999, 0.999999))
    return Estimate(r, float(np.tanh(z - reach)), float(np.tanh(z + reach)), len(x))


def _within(
    x: np.ndarray, y: np.ndarray, groups: np.ndarray
) -> tuple[np.ndarray, np.ndarray, int, np.ndarray]:
    """Both about their group's mean, groups of one left out; degrees of freedom of a slope; which were not left out."""
    codes, counts = np.unique(groups, return_inverse=True, return_counts=True)[1:]
    many = counts[codes] > 1
    x, y, codes = x[many], y[many], codes[many]
    means = np.maximum(np.bincount(codes, minlength=len(counts)), 1)
    x = x - (np.bincount(codes, x, len(counts)) / means)[codes]
    y = y - (np.bincount(codes, y, len(counts)) / means)[codes]
    return x, y, len(x) - int((counts > 1).sum()) - 1, many
