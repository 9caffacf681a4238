"""Unmixing without a model: one free rate for each group of hens, from counts of mixed pens.

The plainest answer to "who laid what", kept to stand beside the laying model. It knows nothing of season, age or
hens' own differences, so that its standard errors flatter; where the pens held the groups in nearly the same
proportions even they are wide.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from selection.compare.laying.rows import share_out
from selection.errors import ModelError

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Unmixed:
    """Rates of the groups (g,), their standard errors (NaN where a rate is at zero), and the misfit.

    The misfit is the deviance of Poisson counts, or the residual sum of squares of an even spread.
    """

    rates: Array
    se: Array
    misfit: float


def unmix(
    hen_days: npt.ArrayLike, eggs: npt.ArrayLike, spread: Literal["poisson", "even"] = "poisson"
) -> Unmixed:
    """Expected eggs (r,) = hen_days (r, g) · rates, with rates not below zero.

    `poisson`: counts with identity link, fitted by sharing the eggs out and taking eggs ÷ hen-days by turns
    (Marschner 2010, J. Comput. Graph. Stat. 19:666, from memory), standard errors from the expected information.
    `even`: non-negative least squares (Lawson and Hanson 1974, from memory). Raises ModelError where a group has
    no hen-days, or the groups' hen-days follow from one another.
    """
    x, y = np.asarray(hen_days, dtype=float), np.asarray(eggs, dtype=float)
    if not len(x) or (x.sum(axis=0) <= 0).any() or np.linalg.matrix_rank(x) < x.shape[1]:
        raise ModelError("the groups cannot be unmixed: their hen-days are zero or follow from one another")
    rates = _poisson(x, y) if spread == "poisson" else _even(x, y)
    expected = x @ rates
    if spread == "poisson":
        variance, misfit = np.maximum(expected, 1e-9), _deviance(y, expected)
    else:
        misfit = float(np.sum((y - expected) ** 2))
        variance = np.full(len(y), misfit / max(len(y) - x.shape[1], 1))
    free = rates > 1e-9
    se = np.full(len(rates), np.nan)
    part = x[:, free]
    se[free] = np.sqrt(np.diag(np.linalg.inv(part.T @ (part / np.maximum(variance, 1e-12)[:, None]))))
    return Unmixed(rates, se, misfit)


def _poisson(x: Array, y: Array) -> Array:
    rates = np.full(x.shape[1], y.sum() / x.sum())
    for _ in range(20_000):
        following = share_out(y, x * rates).sum(axis=0) / x.sum(axis=0)
        if np.abs(following - rates).max() < 1e-12:
            return following
        rates = following
    return rates


def _even(x: Array, y: Array) -> Array:
    from scipy.optimize import nnls

    return np.asarray(nnls(x, y)[0])


def _deviance(y: Array, expected: Array) -> float:
    """Poisson deviance; a count of 0 adds twice what was expected."""
    log = np.log(np.where(y > 0, y / np.maximum(expected, 1e-300), 1.0))
    return float(2 * np.sum(y * log - (y - expected)))
