"""Henderson's mixed-model equations: y = Σ Z_k u_k + e, solved sparse.

Every term is a design matrix and a prior precision (none for a fixed effect); the coefficient matrix is

    C = Zᵀ R⁻¹ Z + diag(precisions),    C [β; u] = Zᵀ R⁻¹ y,

its inverse the joint posterior covariance of all effects (Henderson 1975, Biometrics 31:423-447, from memory).
One sparse LDLᵀ factor gives the solutions, any posterior covariance, and the REML likelihood. This module
knows nothing of birds, traits or days.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import qdldl
from scipy import sparse

from selection.errors import ModelError

ITERATE_FROM = 300_000
"""From so many unknowns on, conjugate gradients need less time and far less memory than a factor."""

AT_ONCE = 256
"""Right-hand sides that are solved for at once: more would only take more memory."""

NOT_POSITIVE = (
    "the mixed-model equations are not positive definite: two fixed effects say the same, "
    "or a (co)variance is not one"
)


@dataclass(frozen=True)
class Term:
    """One set of effects: `design` (n × q), prior `precision` (q × q, None: fixed) and its log determinant."""

    name: str
    design: sparse.csr_array
    precision: sparse.csc_array | None = None
    log_det: float = 0.0


@dataclass(frozen=True)
class Factor:
    """LDLᵀ of a positive definite sparse matrix, kept for any number of right-hand sides."""

    solver: qdldl.Solver
    log_det: float

    def solve(self, right: np.ndarray) -> np.ndarray:
        """C⁻¹ @ right, for one (m,) or several (m × k) right-hand sides."""
        if right.ndim == 1:
            return np.asarray(self.solver.solve(right))
        solved = np.empty(right.shape)
        for k, column in enumerate(right.T):
            solved[:, k] = self.solver.solve(np.ascontiguousarray(column))
        return solved


@dataclass(frozen=True)
class Solution:
    """Solved equations.

    effects: all solutions (m,), by term through `at`; log_likelihood: REML, the constant
    −½(n − p)·log 2π included; factor: of C, for posterior covariances.
    """

    effects: np.ndarray
    slices: dict[str, slice]
    factor: Factor
    log_likelihood: float

    def at(self, term: str) -> np.ndarray:
        """Solutions of one term (q,)."""
        return self.effects[self.slices[term]]

    def spread(self, functionals: np.ndarray) -> np.ndarray:
        """Posterior covariance (k × k) of linear functionals (m × k) of the effects."""
        parts = range(0, max(functionals.shape[1], 1), AT_ONCE)
        solved = (self.factor.solve(functionals[:, at : at + AT_ONCE]) for at in parts)
        return np.concatenate([functionals.T @ part for part in solved], axis=1)


def factorise(matrix: sparse.csc_array) -> Factor:
    """LDLᵀ of a symmetric positive definite matrix; raises ModelError where it is not positive definite."""
    upper = sparse.csc_matrix(sparse.triu(matrix, format="csc"))
    try:
        solver = qdldl.Solver(upper, upper=True)
    except Exception as error:
        raise ModelError(f"the mixed-model equations could not be factorised: {error}") from error
    diagonal = solver.factors()[1]
    if not (diagonal > 0).all():
        raise ModelError(NOT_POSITIVE)
    return Factor(solver, float(np.log(diagonal).sum()))


@dataclass(frozen=True)
class Order:
    """An order of elimination (m,) that ends with the `last` unknowns whose joint posterior is wanted."""

    places: np.ndarray
    last: int


def ending_with(wanted: np.ndarray, factor: Factor) -> Order:
    """The order in which `factor` eliminated, but for the `wanted` places (k,): these come last, as they are given."""
    places = np.asarray(factor.solver.factors()[2])
    return Order(np.concatenate([places[~np.isin(places, wanted)], wanted]), len(wanted))


def posterior_corner(
    coefficients: sparse.csc_array, right: np.ndarray, order: Order
) -> tuple[np.ndarray, np.ndarray]:
    """Effects (m,) and the joint posterior covariance (k × k) of the unknowns that `order` ends with.

    The equations come arranged in that order; the effects are given in that of the terms. What is eliminated
    last leaves its covariance in the factor's corner, C⁻¹'s corner being (L₂₂D₂L₂₂ᵀ)⁻¹: no right-hand side is
    solved for it. Raises ModelError where the equations are not positive definite.
    """
    from scipy.linalg import solve_triangular
    from scipy.sparse.linalg import splu

    factor = splu(coefficients, permc_spec="NATURAL", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
    diagonal = factor.U.diagonal()
    if not (diagonal > 0).all():
        raise ModelError(NOT_POSITIVE)
    effects = np.empty(len(right))
    effects[order.places] = factor.solve(right)
    corner = factor.L[-order.last :, -order.last :].toarray()
    del factor  # of a large flock it fills more memory than all that follows
    root = solve_triangular(corner, np.eye(order.last), lower=True, unit_diagonal=True, overwrite_b=True)
    return effects, root.T @ (root / diagonal[-order.last :, None])


def equations(
    y: np.ndarray,
    terms: Sequence[Term],
    residual_precision: sparse.csr_array,
    places: np.ndarray | None = None,
) -> tuple[sparse.csc_array, np.ndarray]:
    """Coefficient matrix C (m × m) and right-hand side (m,) for records y (n,); in the order of `places` if given."""
    design, prior = sparse.hstack([t.design for t in terms], format="csr"), priors(terms)
    if places is not None:
        design, prior = design[:, places], prior[places][:, places]
    weighted = (residual_precision @ design).tocsr()
    return (design.T @ weighted).tocsc() + prior, weighted.T @ y


def solve(
    y: np.ndarray, terms: Sequence[Term], residual_precision: sparse.csr_array, residual_log_det: float
) -> Solution:
    """Solve the equations for records y (n,).

    `residual_precision` is R⁻¹ (n × n, sparse) and `residual_log_det` log|R⁻¹|. Fixed terms must have full
    column rank (see `independent_columns`). Raises ModelError where the equations cannot be solved.
    """
    coefficients, right = equations(y, terms, residual_precision)
    factor = factorise(coefficients)
    effects = factor.solve(right)
    fixed = sum(t.design.shape[1] for t in terms if t.precision is None)
    quadratic = float(y @ (residual_precision @ y) - right @ effects)
    log_det = residual_log_det + sum(t.log_det for t in terms) - factor.log_det
    likelihood = 0.5 * (log_det - quadratic - (len(y) - fixed) * np.log(2 * np.pi))
    ends = np.cumsum([t.design.shape[1] for t in terms])
    slices = {t.name: slice(end - t.design.shape[1], end) for t, end in zip(terms, ends, strict=True)}
    return Solution(effects, slices, factor, likelihood)


def solve_by_iteration(
    y: np.ndarray, terms: Sequence[Term], residual_precision: sparse.csr_array
) -> np.ndarray:
    """Solutions (m,) alone, for systems too large to factorise; raises ModelError if they do not settle."""
    coefficients, right = equations(y, terms, residual_precision)
    return iterate(coefficients.tocsr(), right)


def priors(terms: Sequence[Term]) -> sparse.csc_array:
    """Block-diagonal prior precision of all terms, zero for the fixed ones.

    Laid end to end column by column: scipy's own way round by coordinates costs as much as the rest of the equations.
    """
    sizes = [t.design.shape[1] for t in terms]
    blocks = [
        sparse.csc_array((q, q)) if t.precision is None else t.precision
        for t, q in zip(terms, sizes, strict=True)
    ]
    starts = np.cumsum([0, *sizes])
    rows = np.concatenate([b.indices + start for b, start in zip(blocks, starts, strict=False)])
    counts = np.concatenate([np.diff(b.indptr) for b in blocks])
    values = np.concatenate([b.data for b in blocks])
    return sparse.csc_array((values, rows, np.append(0, np.cumsum(counts))), shape=(starts[-1],) * 2)


def independent_columns(design: sparse.csr_array, tolerance: float = 1e-9) -> np.ndarray:
    """Positions of columns that no earlier ones explain, in order: what is left when aliased ones are dropped.

    Gram–Schmidt on XᵀX scaled to unit diagonal; a column whose remainder falls under `tolerance` is aliased.
    """
    gram = (design.T @ design).toarray()
    scale = np.sqrt(np.where(np.diag(gram) > 0, np.diag(gram), 1))
    left = gram / np.outer(scale, scale)
    kept = []
    for j in range(len(left)):
        if left[j, j] > tolerance:
            kept.append(j)
            left -= np.outer(left[:, j], left[j]) / left[j, j]
    return np.array(kept, dtype=int)


def iterate(
    coefficients: sparse.csr_array, right: np.ndarray, tolerance: float = 1e-8, most: int = 5_000
) -> np.ndarray:
    """Solve C x = right by conjugate gradients with the diagonal as preconditioner.

    For systems too large to factorise; raises ModelError if it has not settled after `most` rounds.
    """
    from scipy.sparse.linalg import LinearOperator, cg

    inverse_diagonal = 1 / coefficients.diagonal()
    scale = LinearOperator(coefficients.shape, lambda v: inverse_diagonal * v)
    solution, unsettled = cg(coefficients, right, rtol=tolerance, maxiter=most, M=scale)
    if unsettled:
        raise ModelError(f"conjugate gradients had not settled after {most} rounds")
    return solution


def kronecker(structure: sparse.csc_array, inverse_covariance: np.ndarray) -> sparse.csc_array:
    """Precision of effects in blocks of traits: structure⁻¹ ⊗ covariance⁻¹ (level-major, trait within level).

    Both are symmetric, so that rows may be read for columns.
    """
    blocks = structure.data[:, None, None] * inverse_covariance
    size = structure.shape[0] * len(inverse_covariance)
    by_row = sparse.bsr_array((blocks, structure.indices, structure.indptr), shape=(size, size)).tocsr()
    return sparse.csc_array((by_row.data, by_row.indices, by_row.indptr), shape=(size, size))
