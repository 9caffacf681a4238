"""The one matrix M that REML factors over and over: dense where it is small, sparse where it is large."""

from __future__ import annotations

from functools import cached_property
from typing import Protocol

import numpy as np
import qdldl
from numpy.typing import NDArray
from scipy.linalg.lapack import dpotrf, dpotri, dpotrs

Floats = NDArray[np.float64]


class Factor(Protocol):
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
