"""A mixed model with birds absorbed: y = Xβ + day effects + bird effects + residual, on plain arrays.

Absorbing the birds leaves equations in β and the days alone, so that the work grows with judges and days and
hardly with birds (Searle, Casella & McCulloch 1992, Variance Components, ch. 7; from memory). Two shares tell
the variances apart: t = bird / (bird + residual) and r = day / (bird + residual).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.intp]

T_NODES = 24
R_NODES = 6
LOST = 12.0
"""A node this far under the highest in log likelihood counts for nothing."""


@dataclass(frozen=True, slots=True)
class Solution:
    """Effects at one t and r: fixed, days, their covariance (all of them), and the residual variance."""

    fixed: Floats
    days: Floats
    covariance: Floats
    residual_variance: float


@dataclass(frozen=True, slots=True)
class Grid:
    """Nodes of the restricted posterior: t, r, residual variance, and weights that sum to 1; one length."""

    t: Floats
    r: Floats
    residual_variance: Floats
    weight: Floats

    def mean(self, values: Floats) -> float:
        """Posterior mean of `values`, one a node."""
        return float(self.weight @ values)

    def interval(self, values: Floats) -> tuple[float, float]:
        """90 % interval of `values`, one a node."""
        distinct, place = np.unique(values, return_inverse=True)
        weight = np.bincount(place, self.weight)
        low, high = np.interp([0.05, 0.95], np.cumsum(weight) - weight / 2, distinct)
        return float(low), float(high)


@dataclass(frozen=True, slots=True)
class Absorbed:
    """Cross-products of [X, days, y], whole and by how often a bird was looked at."""

    products: Floats
    by_looks: tuple[
        tuple[int, int, Floats], ...
    ]  # looks a bird has, birds that have them, Σ of their outer sums
    freedom: int
    fixed: int
    day_share: float

    @classmethod
    def of(cls, y: Floats, X: Floats, days: Codes, birds: Codes, day_share: float) -> Absorbed:
        """From a look's value, its row of X (full column rank), its day and its bird, coded 0…; none missing.

        `day_share` is the mean of the exponential prior of r.
        """
        # taking the mean off first keeps digits that the cross-products would lose
        columns = np.column_stack([X, _indicators(days), y - y.mean()])
        looks = np.bincount(birds)
        sums = np.zeros((len(looks), columns.shape[1]))
        np.add.at(sums, birds, columns)
        alike = [(int(k), sums[looks == k]) for k in np.unique(looks)]
        folded = tuple((k, len(s), s.T @ s) for k, s in alike)
        return cls(columns.T @ columns, folded, len(y) - X.shape[1], X.shape[1], day_share)

    def posterior(self) -> Grid:
        """Restricted posterior of t (uniform prior) and r: a coarse grid, then a fine one inside it."""
        r: Floats = -self.day_share * np.log1p(-(np.arange(R_NODES) + 0.5) / R_NODES)
        coarse: Floats = (np.arange(T_NODES) + 0.5) / T_NODES
        best = self._heights(coarse, r)[0].max(axis=1)
        likely = coarse[best > best.max() - LOST]
        low, high = likely[0] - 1 / T_NODES, likely[-1] + 1 / T_NODES
        t: Floats = np.linspace(max(low, 0.0), min(high, 1.0), 2 * T_NODES + 1)[1::2]
        heights, variances = self._heights(t, r)
        weight = np.exp(heights - heights.max()).ravel()
        return Grid(np.repeat(t, R_NODES), np.tile(r, T_NODES), variances.ravel(), weight / weight.sum())

    def most_likely(self, start: float) -> float:
        """The t of highest restricted likelihood, r going along with its prior; 0 at the boundary."""
        from scipy.optimize import minimize

        def lack(x: Floats) -> float:
            height, _ = self._heights(np.array([x[0]]), np.array([x[1]]))
            return -float(height[0, 0]) + x[1] / self.day_share

        bounds = [(1e-6, 1 - 1e-6), (1e-6, 3.0)]
        found = minimize(
            lack, [start, self.day_share], method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-12}
        )
        return 0.0 if found.x[0] < 1e-5 else float(found.x[0])

    def solve(self, t: float, r: float) -> Solution:
        """Best linear unbiased estimates and predictions at `t` and `r`."""
        equations = self._equations(t)
        left, right = equations[:-1, :-1].copy(), equations[:-1, -1]
        days = np.arange(self.fixed, len(left))
        left[days, days] += (1 - t) / r
        inverse = np.asarray(np.linalg.inv(left), dtype=np.float64)
        effects = inverse @ right
        variance = float(equations[-1, -1] - right @ effects) / self.freedom
        return Solution(effects[: self.fixed], effects[self.fixed :], inverse * variance, variance)

    def _equations(self, t: float) -> Floats:
        """[X, days, y]′M[X, days, y] with birds absorbed at t."""
        ratio = (1 - t) / t
        return self.products - sum(folded / (looks + ratio) for looks, _, folded in self.by_looks)

    def _heights(self, t: Floats, r: Floats) -> tuple[Floats, Floats]:
        """Log restricted likelihood, and the residual variance that it is highest at: each (t, r)."""
        days = np.arange(self.fixed, len(self.products) - 1)
        heights, variances = np.empty((len(t), len(r))), np.empty((len(t), len(r)))
        for i, share in enumerate(t):
            ratio = (1 - share) / r
            equations = np.repeat(self._equations(share)[None], len(r), axis=0)
            equations[:, days, days] += ratio[:, None]
            root = np.diagonal(np.linalg.cholesky(equations), axis1=1, axis2=2)
            variances[i] = root[:, -1] ** 2 / self.freedom
            log_det = 2 * np.log(root[:, :-1]).sum(axis=1) - len(days) * np.log(ratio)
            log_det += sum(birds * np.log1p(looks * share / (1 - share)) for looks, birds, _ in self.by_looks)
            heights[i] = -0.5 * (self.freedom * np.log(variances[i]) + log_det)
        return heights, variances


def _indicators(codes: Codes) -> Floats:
    """One column a code, 1 where the row has it."""
    return np.eye(int(codes.max()) + 1)[codes]
