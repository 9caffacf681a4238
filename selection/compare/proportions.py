"""Shares of counts with their intervals: Wilson's for one count, beta-binomial across many that differ.

Eggs of one clutch share their cock, their hens and their incubator, so that clutches differ by more than chance.
Across clutches the share of each is taken as Beta-distributed with mean μ and correlation ρ between two eggs of a
clutch; both are integrated over a grid, weighted by the beta-binomial likelihood (Skellam 1948, Journal of the
Royal Statistical Society B 10:257, from memory), every μ and every ρ up to 0.6 being as likely beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betainc, betaln, ndtri

Floats = npt.NDArray[np.float64]

LEVEL = 0.90
ENOUGH = 6
"""Counts under which nothing is said of how they differ among themselves."""
MEANS = (np.arange(100) + 0.5) / 100
CORRELATIONS = np.concatenate([[1e-4], np.linspace(0.02, 0.6, 30)])
NEGLIGIBLE = 1e-3
"""Points of the grid with less than this share of the highest weight are left out."""


def wilson(counts: npt.ArrayLike, numbers: npt.ArrayLike, level: float = LEVEL) -> tuple[Floats, Floats]:
    """Low and high of `counts` out of `numbers` (any one shape, not necessarily whole; 0 of 0: 0 to 1).

    Wilson (1927), Journal of the American Statistical Association 22:209.
    """
    k, n = np.broadcast_arrays(np.asarray(counts, dtype=float), np.asarray(numbers, dtype=float))
    z = ndtri((1 + level) / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = k / n
        middle = (share + z**2 / (2 * n)) / (1 + z**2 / n)
        half = z / (1 + z**2 / n) * np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    known = n > 0
    low = np.where(known, np.clip(middle - half, 0, 1), 0.0)
    high = np.where(known, np.clip(middle + half, 0, 1), 1.0)
    return np.where(k == 0, 0.0, low), np.where((k == n) & known, 1.0, high)


@dataclass(frozen=True)
class BetaBinomial:
    """What counts of several clutches say together: weights over a grid of μ and ρ.

    `mean`, `correlation`: posterior means of μ and ρ. `weights` (points,) over `shapes` (points, 2), the a and b
    of the Beta distribution at each point of the grid.
    """

    mean: float
    correlation: float
    weights: Floats
    shapes: Floats

    def shares(self, counts: npt.ArrayLike, numbers: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Each clutch's own share, drawn towards the others: mean, low, high (90 %)."""
        pairs = np.column_stack([np.asarray(counts, dtype=float), np.asarray(numbers, dtype=float)])
        different, which = np.unique(pairs, axis=0, return_inverse=True)
        k, n = different.T
        a, b = self.shapes[:, :1] + k, self.shapes[:, 1:] + n - k
        mean = self.weights @ (a / (a + b))
        low, high = (_quantile(self.weights, a, b, p) for p in ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
        return mean[which], low[which], high[which]

    def effective(self, number: npt.ArrayLike, clutches: npt.ArrayLike) -> Floats:
        """How many independent eggs `number` eggs of so many clutches are worth: n / (1 + (n̄ − 1) ρ)."""
        n, m = np.asarray(number, dtype=float), np.maximum(np.asarray(clutches, dtype=float), 1)
        return n / (1 + np.maximum(n / m - 1, 0) * self.correlation)


def beta_binomial(counts: npt.ArrayLike, numbers: npt.ArrayLike) -> BetaBinomial | None:
    """The distribution of shares among clutches; None with fewer than `ENOUGH` clutches of at least one egg."""
    k, n = np.asarray(counts, dtype=float), np.asarray(numbers, dtype=float)
    k, n = k[n > 0], n[n > 0]
    if len(n) < ENOUGH:
        return None
    mu, rho = (grid.ravel() for grid in np.meshgrid(MEANS, CORRELATIONS))
    shapes = np.column_stack([mu, 1 - mu]) * (1 / rho - 1)[:, None]
    log_weights = _log_likelihood(shapes, k, n).sum(axis=1)
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    kept = weights > NEGLIGIBLE * weights.max()
    weights = weights[kept] / weights[kept].sum()
    return BetaBinomial(float(weights @ mu[kept]), float(weights @ rho[kept]), weights, shapes[kept])


def _log_likelihood(shapes: Floats, k: Floats, n: Floats) -> Floats:
    """Beta-binomial log-likelihood (points, clutches), without the binomial coefficient."""
    a, b = shapes[:, :1], shapes[:, 1:]
    return betaln(a + k, b + n - k) - betaln(a, b)


def _quantile(weights: Floats, a: Floats, b: Floats, p: float) -> Floats:
    """Quantile of mixtures of Beta distributions (points, clutches), by halving."""
    low, high = np.zeros(a.shape[1]), np.ones(a.shape[1])
    for _ in range(25):
        middle = (low + high) / 2
        below = weights @ betainc(a, b, middle) < p
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2
