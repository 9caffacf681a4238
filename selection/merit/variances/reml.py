"""Henderson's equations of one trait, with the REML log-likelihood and its derivatives.

y = Xβ + Σ_k Z_k u_k + e, u_k ~ N(0, σ_k² K_k), e ~ N(0, σ_e² R), R diagonal and known up to σ_e². The effects
are written u_k = θ_k v_k with θ_k = σ_k / σ_e, so that the one sparse matrix to factor,

    M(θ) = | X'R⁻¹X      X'R⁻¹Zθ          |
           | θZ'R⁻¹X     θZ'R⁻¹Zθ + K⁻¹   |

keeps its pattern and stays regular when a variance is exactly nought (Bates, Mächler, Bolker and Walker 2015,
Journal of Statistical Software 67(1), section 3, use the same device). Once the cross-products are formed the
number of records no longer matters: every later step costs what factoring M costs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, pairwise
from typing import Protocol

import numpy as np
import qdldl
from numpy.typing import NDArray
from scipy.linalg.lapack import dpotrf, dpotri, dpotrs
from scipy.sparse import block_diag, csc_array, csr_array, eye_array, hstack, triu

from selection.answer import Floats
from selection.errors import ModelError


class _Factor(Protocol):
    """M factored: M⁻¹ @ right for (m,) or (m, r), and log|M|."""

    @property
    def log_det(self) -> float: ...
    def solve(self, right: Floats) -> Floats: ...


class DenseFactor:
    """Cholesky factor of a small M; raises LinAlgError where rounding leaves it not positive definite."""

    def __init__(self, matrix: Floats) -> None:
        self._root, failed = dpotrf(matrix, lower=1)
        if failed:
            raise np.linalg.LinAlgError("not positive definite")

    @cached_property
    def log_det(self) -> float:
        return float(2 * np.log(np.diag(self._root)).sum())

    @cached_property
    def inverse(self) -> Floats:
        """M⁻¹ (m, m)."""
        lower = np.tril(dpotri(self._root, lower=1)[0])
        return lower + np.tril(lower, -1).T

    def solve(self, right: Floats) -> Floats:
        solved: Floats = dpotrs(self._root, right, lower=1)[0]
        return solved


class SparseFactor:
    """LDLᵀ of a large M as it was factored last: valid until its solver is given other values."""

    def __init__(self, solver: qdldl.Solver) -> None:
        self._solver = solver

    @cached_property
    def log_det(self) -> float:
        return float(np.log(np.maximum(self._solver.factors()[1], np.finfo(float).tiny)).sum())

    def solve(self, right: Floats) -> Floats:
        if right.ndim == 1:
            return np.asarray(self._solver.solve(right))
        return np.column_stack([self._solver.solve(np.ascontiguousarray(column)) for column in right.T])


ALIASED = 1e-8
"""A column of X is aliased when the columns before it leave less than this share of its length."""
EXACT = 1e-24
"""Share of y'R⁻¹y under which what the fixed effects leave is rounding alone."""
DENSE = 250
"""Unknowns up to which M is kept dense: its inverse then costs less than the factors of finite differences, and the
derivatives of log|M| are exact."""
_STEP = 1e-3
"""Step in log variance for the derivatives of log|M|, which is smooth: error about step² of its curvature."""


@dataclass(frozen=True)
class Effect:
    """One random effect: `design` (n, q), the level of each record; `precision` (q, q): K⁻¹, None for I."""

    name: str
    design: csr_array
    precision: csc_array | None = None


@dataclass(frozen=True)
class RemlSolution:
    """Estimates β and predictions u at given variances.

    `fixed` (p,) has 0 for an aliased column, so that X @ fixed is the fitted part; `effects` holds one (q,)
    array an effect, in the order of the model.
    """

    equations: Equations
    variances: Floats
    fixed: Floats
    effects: tuple[Floats, ...]

    def combinations(self, fixed: Floats | None, effects: Sequence[Floats | None]) -> tuple[Floats, Floats]:
        """Values (r,) of r linear combinations and the covariance (r, r) of their errors of prediction.

        `fixed` is (p, r), `effects` one (q, r) array an effect; None stands for noughts.
        """
        weights = self.equations.stacked(fixed, effects)
        values = weights.T @ np.concatenate([self.fixed[self.equations.kept], *self.effects])
        return values, self.equations.error_covariance(self.variances, weights)

    @property
    def fixed_cov(self) -> Floats:
        """Covariance (p, p) of `fixed`, noughts for aliased columns."""
        return self.combinations(np.eye(len(self.fixed)), [None] * len(self.effects))[1]

    def effect_cov(self, k: int) -> Floats:
        """Covariance (q, q) of the errors of prediction of effect `k`."""
        wanted: list[Floats | None] = [None] * len(self.effects)
        wanted[k] = np.eye(len(self.effects[k]))
        return self.combinations(None, wanted)[1]


class Equations:
    """The cross-products of one data set: everything that does not depend on the variances.

    `y` (n,) and `X` (n, p) hold no missing values; `residual_scale` (n,) is the diagonal of R, 1 where None
    (a mean of m equal records has 1/m). `aliased` lists the columns of X dropped because earlier ones already
    span them. Raises ModelError where shapes disagree, a value is missing or a precision is not positive
    definite.
    """

    def __init__(
        self, y: Floats, X: Floats, effects: Sequence[Effect], residual_scale: Floats | None = None
    ) -> None:
        y, X = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
        scale = np.ones(len(y)) if residual_scale is None else np.asarray(residual_scale, dtype=float)
        _check(y, X, effects, scale)
        self.names = tuple(effect.name for effect in effects)
        self.columns = X.shape[1]
        self.kept = np.array(_independent(X / np.sqrt(scale)[:, None]), dtype=np.intp)
        self.aliased = tuple(sorted(set(range(self.columns)) - set(self.kept.tolist())))
        self.sizes = (len(self.kept), *(effect.design.shape[1] for effect in effects))
        self.freedom = len(y) - len(self.kept)
        self._constant = self.freedom * np.log(2 * np.pi) + float(np.log(scale).sum())
        self._form_products(y, X[:, self.kept], effects, scale)
        self._form_pattern(effects)

    @property
    def total_variance(self) -> float:
        """Residual variance about the fixed effects alone: the scale of everything."""
        return self._yy / max(self.freedom, 1)

    def log_likelihood(self, variances: Floats) -> float:
        """REML log-likelihood at `variances` (K+1,), the residual's last and above 0.

        The constant is that of lme4 and statsmodels: (n − p) log 2π, and log|X'V⁻¹X| without log|X'X|.
        """
        solver, scales = self._factor(variances)
        return self._value(solver, scales * self._b, solver.solve(scales * self._b), variances[-1])

    def score(self, variances: Floats) -> tuple[float, Floats, Floats]:
        """Log-likelihood, its gradient in the log variances, and minus an average-information Hessian.

        Johnson and Thompson (1995) Journal of Dairy Science 78:449 (from memory) give the average
        information; in log variances the gradient comes off its diagonal. Components at 0 have 0 in both.
        """
        value, quadratics, information = self._quadratics(variances)
        dof = self._log_det_gradient(variances)
        gradient = 0.5 * (quadratics - np.append(dof, self.freedom - dof.sum()))
        return value, gradient, 0.5 * information - np.diag(gradient)

    def curvature(self, variances: Floats) -> Floats:
        """Minus the Hessian (K+1, K+1) of the log-likelihood in the log variances; 0 for components at 0."""
        _, quadratics, information = self._quadratics(variances)
        return information + 0.5 * (self._log_det_hessian(variances) - np.diag(quadratics))

    def solve(self, variances: Floats) -> RemlSolution:
        """Fixed effects and predictions at `variances` (K+1,)."""
        solver, scales = self._factor(variances)
        coefficients = scales * solver.solve(scales * self._b)
        fixed = np.zeros(self.columns)
        fixed[self.kept] = coefficients[: self.sizes[0]] + self._offset
        effects = tuple(coefficients[inside] for inside in self._inside)
        return RemlSolution(self, np.asarray(variances, dtype=float), fixed, effects)

    def known(self, variances: Floats, weights: Floats) -> tuple[float, Floats, Floats]:
        """Log-likelihood, values (r,) of `weights`' (m, r) combinations of all unknowns, and their errors' covariance.

        What `log_likelihood`, `solve` and `error_covariance` give, from one solution.
        """
        solver, scales = self._factor(variances)
        right = np.column_stack([scales * self._b, scales[:, None] * weights])
        solved = solver.solve(right)
        unknowns = scales * solved[:, 0]
        unknowns[: self.sizes[0]] += self._offset
        covariance: Floats = variances[-1] * (right[:, 1:].T @ solved[:, 1:])
        return self._value(solver, right[:, 0], solved[:, 0], variances[-1]), weights.T @ unknowns, covariance

    def stacked(self, fixed: Floats | None, effects: Sequence[Floats | None]) -> Floats:
        """Weights (m, r) on all unknowns from weights on the columns of X and on each effect's levels."""
        width = next(w.shape[1] for w in (fixed, *effects) if w is not None)
        parts = [np.zeros((self.sizes[0], width)) if fixed is None else fixed[self.kept]]
        parts += [
            np.zeros((q, width)) if w is None else w for w, q in zip(effects, self.sizes[1:], strict=True)
        ]
        return np.vstack(parts)

    def error_covariance(self, variances: Floats, weights: Floats) -> Floats:
        """Covariance (r, r) of the errors of `weights`' (m, r) combinations of all unknowns."""
        solver, scales = self._factor(variances)
        scaled = scales[:, None] * weights
        covariance: Floats = variances[-1] * (scaled.T @ solver.solve(scaled))
        return covariance

    def _form_products(self, y: Floats, X: Floats, effects: Sequence[Effect], scale: Floats) -> None:
        """B = W'R⁻¹W, b = W'R⁻¹y and y'R⁻¹y (W = [X Z]), y less its fit on X: no digits lost."""
        root = np.sqrt(scale)
        self._offset = np.linalg.lstsq(X / root[:, None], y / root, rcond=None)[0]
        residual = y - X @ self._offset
        W = csr_array(hstack([csr_array(X), *(e.design for e in effects)], format="csr"))
        weighted = csr_array(W.multiply((1 / scale)[:, None]))
        self._B, self._b = csc_array(W.T @ weighted), weighted.T @ residual
        yy = float(residual @ (residual / scale))
        self._yy = yy if yy > EXACT * float(y @ (y / scale)) else 0.0

    def _form_pattern(self, effects: Sequence[Effect]) -> None:
        """M, of which only the values will change, where cross-products and precisions fall in it, and log|K|."""
        p = self.sizes[0]
        precisions = [
            eye_array(e.design.shape[1], format="csc") if e.precision is None else e.precision
            for e in effects
        ]
        self._P = csc_array(block_diag([csc_array((p, p)), *precisions], format="csc"))
        upper, prior = (csc_array(triu(matrix, format="csc")) for matrix in (self._B, self._P))
        self._pattern = csc_array(_ones(upper) + _ones(prior) + eye_array(sum(self.sizes), format="csc"))
        self._pattern.sort_indices()
        place = _keys(self._pattern)
        self._at_cross, self._at_prior = (np.searchsorted(place, _keys(matrix)) for matrix in (upper, prior))
        self._cross, self._prior = upper.data, prior.data
        self._rows, self._cols = upper.indices, np.repeat(np.arange(upper.shape[1]), np.diff(upper.indptr))
        self._block = np.repeat(np.arange(len(self.sizes)), self.sizes)
        ends = np.cumsum(self.sizes)
        self._inside = [slice(a, b) for a, b in pairwise(ends.tolist())]
        self._constant -= sum(_log_det_of(e.name, e.precision) for e in effects if e.precision is not None)
        small = sum(self.sizes) <= DENSE
        self._dense = (self._B.toarray(), self._P.toarray()) if small else None
        self._solver: qdldl.Solver | None = None
        self._factored: _Factor | None = None
        self._at: Floats = np.full(len(effects), np.nan)  # where the factor stands, and its scales
        self._scales: Floats = np.ones(sum(self.sizes))

    def _factor(self, variances: Floats) -> tuple[_Factor, Floats]:
        """M at these variances, factored, and the scale of each unknown (1 for fixed, θ_k for effect k)."""
        return self._factor_at(_theta(variances))

    def _factor_at(self, theta: Floats) -> tuple[_Factor, Floats]:
        if self._factored is None or not np.array_equal(theta, self._at):
            scales = np.concatenate([[1.0], theta])[self._block]
            self._factored = self._dense_factor(scales) or self._sparse_factor(scales)
            self._at, self._scales = theta.copy(), scales
        return self._factored, self._scales

    def _dense_factor(self, scales: Floats) -> DenseFactor | None:
        """M factored; None where it is large, or so nearly singular that only LDLᵀ serves."""
        if self._dense is None:
            return None
        cross, prior = self._dense
        try:
            return DenseFactor(cross * scales[:, None] * scales + prior)
        except np.linalg.LinAlgError:
            return None

    def _sparse_factor(self, scales: Floats) -> SparseFactor:
        data = self._pattern.data
        data.fill(0.0)
        data[self._at_cross] = self._cross * scales[self._rows] * scales[self._cols]
        data[self._at_prior] += self._prior
        if self._solver is None:
            self._solver = qdldl.Solver(self._pattern, upper=True)
        else:
            self._solver.update(self._pattern, upper=True)
        return SparseFactor(self._solver)

    def _value(self, solver: _Factor, right: Floats, solved: Floats, residual: float) -> float:
        """The log-likelihood from M factored, the right-hand side and its solution."""
        quadratic = (self._yy - solved @ right) / residual
        return -0.5 * float(self._constant + self.freedom * np.log(residual) + solver.log_det + quadratic)

    def _quadratics(self, variances: Floats) -> tuple[float, Floats, Floats]:
        """Log-likelihood; y'P V̇_i P y; and y'P V̇_i P V̇_j P y, V̇_i the derivative of V in log variance i."""
        solver, scales = self._factor(variances)
        residual = variances[-1]
        t = solver.solve(scales * self._b)
        value = self._value(solver, scales * self._b, t, residual)
        coefficients = scales * t
        parts = np.zeros((len(t), len(self._inside)))
        for k, inside in enumerate(self._inside):
            parts[inside, k] = coefficients[inside]
        fitted = self._B @ coefficients
        rest = self._yy - 2 * (coefficients @ self._b) + coefficients @ fitted
        images = np.column_stack([self._B @ parts, self._b - fitted])
        inner = np.zeros((images.shape[1],) * 2)
        inner[:-1] = parts.T @ images
        inner[-1] = np.append(inner[:-1, -1], rest)
        scaled = scales[:, None] * images
        information = (inner - scaled.T @ solver.solve(scaled)) / residual
        prior = t * (self._P @ t)
        return value, np.array([*(prior[i].sum() for i in self._inside), rest]) / residual, information

    def _log_det_moved(self, theta: Floats, moves: dict[int, float]) -> float:
        """log|M| with the log variances of some effects moved."""
        moved = theta.copy()
        for k, move in moves.items():
            moved[k] *= np.exp(move / 2)
        return self._factor_at(moved)[0].log_det

    def _log_det_gradient(self, variances: Floats) -> Floats:
        """∂log|M| / ∂log σ_k² (K,): the degrees of freedom that effect k uses, between 0 and its levels.

        With the inverse at hand q_k − tr(P_k M⁻¹_kk), P_k the prior precision; else by differences.
        """
        theta = _theta(variances)
        factor, _ = self._factor_at(theta)
        if isinstance(factor, DenseFactor) and self._dense is not None:
            used = 1 - (self._dense[1] * factor.inverse).sum(axis=1)
            return np.array([used[inside].sum() for inside in self._inside])
        gradient = np.zeros(len(theta))
        for k in np.flatnonzero(theta).tolist():
            up, down = (self._log_det_moved(theta, {k: way}) for way in (_STEP, -_STEP))
            gradient[k] = (up - down) / (2 * _STEP)
        return gradient

    def _log_det_hessian(self, variances: Floats) -> Floats:
        """Second derivatives of log|V| + log|X'V⁻¹X| in the log variances (K+1, K+1)."""
        theta = _theta(variances)
        factor, _ = self._factor_at(theta)
        if isinstance(factor, DenseFactor) and self._dense is not None:
            H = self._exact_hessian(factor.inverse @ self._dense[1])
        else:
            H = self._differenced_hessian(theta)
        # log|M| depends on log σ_k² − log σ_e² alone, so the residual's row is minus the sum of the others
        residual = H.sum(axis=1)
        return np.block([[H, -residual[:, None]], [-residual[None], np.array([[H.sum()]])]])

    def _exact_hessian(self, W: Floats) -> Floats:
        """Second derivatives (K, K) of log|M| from W = M⁻¹P: δ_ij tr W_ii − tr(W_ij W_ji)."""
        products, own = W * W.T, np.diag(W)
        H = np.array([[-products[i, j].sum() for j in self._inside] for i in self._inside])
        return H.reshape((len(self._inside),) * 2) + np.diag([own[inside].sum() for inside in self._inside])

    def _differenced_hessian(self, theta: Floats) -> Floats:
        """Second derivatives (K, K) of log|M| by differences; 0 for components at 0."""
        free, h = np.flatnonzero(theta).tolist(), 20 * _STEP
        middle, H = self._log_det_moved(theta, {}), np.zeros((len(theta),) * 2)

        def bent(*effects: int) -> float:
            """What the effects' moving up and down together adds to twice the middle."""
            up, down = (self._log_det_moved(theta, dict.fromkeys(effects, way)) for way in (h, -h))
            return up + down - 2 * middle

        own = {k: bent(k) for k in free}
        for k in free:
            H[k, k] = own[k] / h**2
        for i, j in combinations(free, 2):
            H[i, j] = H[j, i] = (bent(i, j) - own[i] - own[j]) / (2 * h**2)
        return H


def _check(y: Floats, X: Floats, effects: Sequence[Effect], scale: Floats) -> None:
    """Raise ModelError, naming every term at fault, unless all shapes agree and nothing is missing."""
    n, faults = len(y), []
    if X.ndim != 2 or len(X) != n:
        faults.append(f"the fixed effects have shape {X.shape}, expected {n} rows")
    if len(scale) != n or not (scale > 0).all():
        faults.append(f"the residual scale needs {n} values above 0")
    if not np.isfinite(y).all() or not np.isfinite(X).all():
        faults.append("a record or a fixed effect is missing; leave such rows out")
    for effect in effects:
        q = effect.design.shape[1]
        if effect.design.shape[0] != n:
            faults.append(f"{effect.name}: the design has {effect.design.shape[0]} rows, expected {n}")
        if effect.precision is not None and effect.precision.shape != (q, q):
            faults.append(f"{effect.name}: the precision is {effect.precision.shape}, expected {(q, q)}")
    if faults:
        raise ModelError("; ".join(faults))


def _independent(X: Floats) -> tuple[int, ...]:
    """Columns of X that the columns before them do not already span, in order."""
    basis: list[Floats] = []
    kept = []
    for j, column in enumerate(X.T):
        rest = column.copy()
        for _ in range(2):  # a second pass removes what rounding left of the first
            for direction in basis:
                rest = rest - (direction @ rest) * direction
        left, length = np.linalg.norm(rest), np.linalg.norm(column)
        if left > ALIASED * length:
            basis.append(rest / left)
            kept.append(j)
    return tuple(kept)


def _theta(variances: Floats) -> Floats:
    """σ_k / σ_e (K,) of the effects."""
    variances = np.asarray(variances, dtype=float)
    return np.sqrt(variances[:-1] / variances[-1])


def _ones(matrix: csc_array) -> csc_array:
    """The pattern of a matrix."""
    return csc_array((np.ones_like(matrix.data), matrix.indices, matrix.indptr), shape=matrix.shape)


def _keys(matrix: csc_array) -> NDArray[np.int64]:
    """One sortable number an entry: column by column, rows rising."""
    columns = np.repeat(np.arange(matrix.shape[1], dtype=np.int64), np.diff(matrix.indptr))
    return columns * matrix.shape[0] + matrix.indices


def _log_det_of(name: str, precision: csc_array) -> float:
    """log|K⁻¹|; raises ModelError where the precision is not positive definite."""
    D = qdldl.Solver(csc_array(triu(precision, format="csc")), upper=True).factors()[1]
    if not (D > 0).all():
        raise ModelError(f"{name}: the precision matrix is not positive definite")
    return float(np.log(D).sum())
