"""Judges' levels in one section, and how far looks at one bird agree: a mixed model on plain arrays.

points = cell (season×sex, fixed) + judge×season (fixed) + judge×day (random) + bird (random) + residual.

Judges' levels sum to 0 over the looks of those tied by birds that both have seen: taking them off leaves the mean of
the points given, so that a judge who saw one bird moves the points of another's ten little.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from selection.answer import TAILS, Floats

Codes = npt.NDArray[np.intp]

T_NODES = 24
R_NODES = 6
_LOST = 12.0
"""A node this far under the highest in log likelihood counts for nothing."""


@dataclass(frozen=True, slots=True)
class _Solution:
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
        low, high = np.interp(TAILS, np.cumsum(weight) - weight / 2, distinct)
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
        likely = coarse[best > best.max() - _LOST]
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

    def solve(self, t: float, r: float) -> _Solution:
        """Best linear unbiased estimates and predictions at `t` and `r`."""
        equations = self._equations(t)
        left, right = equations[:-1, :-1].copy(), equations[:-1, -1]
        days = np.arange(self.fixed, len(left))
        left[days, days] += (1 - t) / r
        inverse = np.asarray(np.linalg.inv(left), dtype=np.float64)
        effects = inverse @ right
        variance = float(equations[-1, -1] - right @ effects) / self.freedom
        return _Solution(effects[: self.fixed], effects[self.fixed :], inverse * variance, variance)

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


DAY_SHARE = 0.03
"""Prior mean of r, judge×day beside bird and residual: moods are small (common practice, no source)."""

Triple = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Levels:
    """What one section's looks say of its judges.

    `level` (one a look): judge and judge×day, to be taken off. `judge`, `judge_se` (one a judge×season, in
    sorted order of the labels) and `tied`: the set of tied judges each belongs to. Standard deviations in
    points, missing where the looks show none. The repeatability and the judges' agreement (two judges' looks
    at one bird, levels left on) are (estimate, low, high) with a 90 % interval, or None where the looks cannot
    tell and `why` says so.
    """

    level: Floats
    judge: Floats
    judge_se: Floats
    tied: Codes
    between_sd: float = np.nan
    residual_sd: float = np.nan
    repeatability: Triple | None = None
    agreement: Triple | None = None
    why: str = ""


def fit_levels(
    values: npt.ArrayLike,
    birds: npt.ArrayLike,
    cells: npt.ArrayLike,
    judges: npt.ArrayLike,
    days: npt.ArrayLike,
    usual: float = 0.5,
) -> Levels:
    """Levels and agreement from `values` of looks (1-D, none missing) and four labels a look.

    `birds`, `cells` (season×sex), `judges` (judge×season) and `days` (judge×day) hold any labels that sort.
    `usual` is the repeatability to go by where no bird was looked at twice. Never raises for want of looks:
    levels are then 0, and `why` says what is missing.
    """
    y = np.asarray(values, dtype=float)
    bird, cell, judge, day = (_codes(labels) for labels in (birds, cells, judges, days))
    tied = _tied(judge, bird, cell)
    untouched = Levels(np.zeros(len(y)), np.zeros(len(tied)), np.zeros(len(tied)), tied)
    if len(y) == 0 or np.ptp(y) == 0:
        return replace(untouched, why="every look gave the same points" if len(y) else "nobody has scored it")
    contrasts = _contrasts(tied)
    X = np.hstack([np.eye(int(cell.max()) + 1)[cell], contrasts[judge]])
    model = Absorbed.of(y, X, day, bird, DAY_SHARE)
    if model.freedom < 1 or _exact(X, y):
        return replace(untouched, why="within a season and a sex every look gave the same points")
    grid = model.posterior() if len(np.unique(bird)) < len(bird) else None
    t, r = (grid.mean(grid.t), grid.mean(grid.r)) if grid else (usual, DAY_SHARE)
    solved = model.solve(t, r)
    judge_level, judge_se = _of_judges(solved, _about_looks(tied, judge) @ contrasts, X.shape[1])
    fitted = replace(
        untouched,
        level=judge_level[judge] + _within(solved.days[day], tied[judge]),
        judge=judge_level,
        judge_se=judge_se,
        between_sd=float(np.sqrt(solved.residual_variance * t / (1 - t))),
        residual_sd=float(np.sqrt(solved.residual_variance)),
    )
    if grid is None:
        return replace(fitted, why="no bird was looked at twice")
    return _agreeing(fitted, model, grid, _apart(tied, *_of_judges(solved, contrasts, X.shape[1])))


def _codes(labels: npt.ArrayLike) -> Codes:
    return np.unique(np.asarray(labels), return_inverse=True)[1]


def _exact(X: Floats, y: Floats) -> bool:
    """Whether the fixed effects alone leave nothing of `y`."""
    centred = y - y.mean()
    left = centred - X @ np.linalg.lstsq(X, centred, rcond=None)[0]
    return float(left @ left) <= 1e-9 * float(centred @ centred)


def _tied(judge: Codes, bird: Codes, cell: Codes) -> Codes:
    """The set each judge×season belongs to: judges are tied who looked at one bird in one season."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    if len(judge) == 0:
        return np.zeros(0, dtype=np.intp)
    seen = _codes(bird * (cell.max() + 1) + cell)
    judges = int(judge.max()) + 1
    size = judges + int(seen.max()) + 1
    graph = coo_array((np.ones(len(judge)), (judge, judges + seen)), shape=(size, size))
    return _codes(connected_components(graph, directed=False)[1][:judges])


def _contrasts(tied: Codes) -> Floats:
    """Columns that hold every set of tied judges to a sum of 0: one fewer than the judges of the set."""
    columns = []
    for one in np.unique(tied):
        *free, last = np.flatnonzero(tied == one)
        for judge in free:
            column = np.zeros(len(tied))
            column[judge], column[last] = 1.0, -1.0
            columns.append(column)
    return np.stack(columns, axis=1) if columns else np.zeros((len(tied), 0))


def _about_looks(tied: Codes, judge: Codes) -> Floats:
    """What takes the mean over the looks of each set of tied judges off their levels (judges × judges)."""
    looks = np.bincount(judge, minlength=len(tied)).astype(float)
    same = tied[:, None] == tied
    return np.eye(len(tied)) - same * looks / (same @ looks)[:, None]


def _apart(tied: Codes, level: Floats, se: Floats) -> float | None:
    """Variance of judges' levels, from levels about the plain mean of each set; None where no judges are tied."""
    freedom = len(tied) - len(np.unique(tied))
    return max(float(np.sum(level**2 - se**2)) / freedom, 0.0) if freedom else None


def _of_judges(solved: _Solution, contrasts: Floats, fixed: int) -> tuple[Floats, Floats]:
    """Level of each judge×season and its standard error; the contrasts are the last of the fixed effects."""
    rows = slice(fixed - contrasts.shape[1], fixed)
    level = contrasts @ solved.fixed[rows]
    variance = np.einsum("ij,jk,ik->i", contrasts, solved.covariance[rows, rows], contrasts)
    return level, np.sqrt(np.maximum(variance, 0.0))


def _within(effects: Floats, sets: Codes) -> Floats:
    """`effects` (one a look) less their mean over each set: nothing moves sets that nothing ties."""
    return effects - (np.bincount(sets, effects) / np.bincount(sets))[sets]


def _agreeing(levels: Levels, model: Absorbed, grid: Grid, apart: float | None) -> Levels:
    """`levels` with the repeatability and, where judges are tied, their agreement; `apart`: their levels' variance.

    The agreement is that of single looks with levels left on: ICC(2,1), Shrout & Fleiss (1979, from memory).
    """
    t = model.most_likely(grid.mean(grid.t))
    repeatability = _around(t, grid.interval(grid.t))
    if apart is None:
        return replace(levels, repeatability=repeatability, why="no two judges looked at one bird")
    size = grid.residual_variance / (1 - grid.t)
    agreement = grid.t / (1 + grid.r + apart / size)
    middle = t / (1 + grid.mean(grid.r) + apart / grid.mean(size))
    return replace(levels, repeatability=repeatability, agreement=_around(middle, grid.interval(agreement)))


def _around(middle: float, interval: tuple[float, float]) -> Triple:
    """The estimate with its interval, which reaches to it where it lies at the boundary."""
    return middle, min(middle, interval[0]), max(middle, interval[1])
