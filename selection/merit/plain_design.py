"""Records on plain frames as the numbers of a mixed model: fixed effects, levels, the residual's precision."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from selection.errors import ModelError
from selection.merit import mixed_equations
from selection.merit.relationship.pedigree import Pedigree

Covariance = npt.ArrayLike
"""T × T between traits, or a number for one trait."""

ByClass = Mapping[Any, Covariance]
"""A covariance for each class of records."""


@dataclass
class Design:
    """Records as numbers: one row a value that was taken, record-major."""

    records: pd.DataFrame
    traits: tuple[str, ...]
    fixed_columns: Sequence[str] | Mapping[str, Sequence[str]]
    random_columns: tuple[str, ...]
    bird_columns: tuple[str, ...]
    pedigree: Pedigree | None
    groups: pd.DataFrame | None
    residual_columns: tuple[str | None, str | None]  # weights, and the classes of the residual
    kinds: tuple[tuple[str, ...], tuple[str, ...]]  # whole numbers that are factors, and that are covariates

    def __post_init__(self) -> None:
        missing = [c for c in self._needed() if c not in self.records]
        if missing:
            raise ModelError(
                f"records have no column {', '.join(missing)}; they have {', '.join(self.records)}"
            )
        values = self.records[list(self.traits)].to_numpy(dtype=float)
        self.seen = ~np.isnan(values)
        if not self.seen.any():
            raise ModelError(f"no value of {', '.join(self.traits)} in the records")
        self.row, self.trait = np.nonzero(self.seen)
        self.y = values[self.row, self.trait]
        self.loading = sparse.csr_array(
            (np.ones(len(self.y)), (np.arange(len(self.y)), self.trait)),
            shape=(len(self.y), len(self.traits)),
        )
        self.weights = self._weights()
        self.fixed, self.names, self.dropped = self._fixed()

    def _weights(self) -> np.ndarray:
        """Weight of each record, 1 where none is given."""
        name = self.residual_columns[0]
        if name is None:
            return np.ones(len(self.records))
        weights = self.records[name].to_numpy(dtype=float)
        wrong = ~(np.isfinite(weights) & (weights > 0)) & self.seen.any(axis=1)
        if wrong.any():
            raise ModelError(
                f"weights {name}: found {weights[wrong][0]:g} in {int(wrong.sum())} records; expected numbers above 0"
            )
        return weights

    def _needed(self) -> list[str]:
        by_trait = self._fixed_of()
        return [
            *self.traits,
            *self.random_columns,
            *self.bird_columns,
            *(c for c in self.residual_columns if c is not None),
            *(c for v in by_trait.values() for c in v),
        ]

    def _fixed_of(self) -> dict[str, Sequence[str]]:
        if isinstance(self.fixed_columns, Mapping):
            return {t: self.fixed_columns.get(t, ()) for t in self.traits}
        return dict.fromkeys(self.traits, self.fixed_columns)

    def _fixed(self) -> tuple[sparse.csr_array, pd.DataFrame, tuple[str, ...]]:
        blocks, names = [], []
        for k, (trait, columns) in enumerate(self._fixed_of().items()):
            at = np.flatnonzero(self.trait == k)
            cells, labels = _columns(self.records.iloc[self.row[at]], columns, *self.kinds)
            if self.groups is not None:
                cells, labels = self._with_groups(at, cells, labels)
            blocks.append(_placed(cells, at, len(self.y)))
            names += [(trait, *label) for label in labels]
        table = pd.DataFrame(names, columns=["trait", "effect", "level"])
        design = sparse.hstack(blocks, format="csr")
        kept = mixed_equations.independent_columns(design)
        gone = table.drop(index=kept)
        dropped = tuple(f"{r.effect} {r.level} on {r.trait}" for r in gone.itertuples())
        return design[:, kept].tocsr(), table.iloc[kept].reset_index(drop=True), dropped

    def _with_groups(
        self, at: np.ndarray, cells: sparse.csr_array, labels: list[tuple[str, str]]
    ) -> tuple[sparse.csr_array, list[tuple[str, str]]]:
        assert self.groups is not None
        shares = self.groups.set_index("bird")
        own = shares.loc[self.records.iloc[self.row[at]][self.bird_columns[0]]].to_numpy(float)
        return sparse.hstack([cells, sparse.csr_array(own)], format="csr"), [
            *labels,
            *(("group", g) for g in shares),
        ]

    def codes(self, column: str) -> tuple[np.ndarray, pd.Index]:
        """Level of each value in a random column (−1 where missing), and the labels."""
        codes, labels = pd.factorize(self.records[column], sort=True)
        return codes[self.row], pd.Index(labels)

    def bird_codes(self, column: str) -> np.ndarray:
        """Position in the pedigree of each value's bird (−1 where missing)."""
        assert self.pedigree is not None
        named = self.records[column]
        at = self.pedigree.index.get_indexer(named)
        strange = named[(at < 0) & named.notna().to_numpy()]
        if len(strange):
            raise ModelError(f"{column}: not in the pedigree: {', '.join(map(str, strange.unique()[:8]))}")
        return at[self.row]


def _columns(
    records: pd.DataFrame, columns: Sequence[str], factors: Sequence[str], covariates: Sequence[str]
) -> tuple[sparse.csr_array, list[tuple[str, str]]]:
    """Fixed-effect columns: factors one column a level, numbers one column; an intercept without a factor."""
    parts, labels, factor = [], [], False
    for column in columns:
        cells = records[column]
        if cells.isna().any():
            raise ModelError(f"the fixed effect {column} is missing in {int(cells.isna().sum())} records")
        if column not in factors and _is_amount(cells, column, covariates):
            parts.append(sparse.csr_array(cells.to_numpy(float)[:, None]))
            labels.append((column, ""))
        else:
            codes, levels = pd.factorize(cells, sort=True)
            ones = (np.ones(len(codes)), (np.arange(len(codes)), codes))
            parts.append(sparse.csr_array(ones, shape=(len(codes), len(levels))))
            labels += [(column, str(level)) for level in levels]
            factor = True
    if not factor:
        parts.insert(0, sparse.csr_array(np.ones((len(records), 1))))
        labels.insert(0, ("intercept", ""))
    return sparse.hstack(parts, format="csr"), labels


def _is_amount(cells: pd.Series, column: str, covariates: Sequence[str]) -> bool:
    """Whether a fixed effect is a covariate; raises ModelError where whole numbers may be codes as well."""
    if not pd.api.types.is_numeric_dtype(cells) or pd.api.types.is_bool_dtype(cells):
        if column in covariates:
            raise ModelError(f"the covariate {column} holds {cells.iloc[0]!r}: expected numbers")
        return False
    if column not in covariates and (cells == cells.round()).all():
        some = ", ".join(f"{value:g}" for value in sorted(cells.unique())[:5])
        raise ModelError(
            f"the fixed effect {column} holds whole numbers ({some}): are they codes or amounts? "
            f"Say factors=[{column!r}] where each is a class of its own, covariates=[{column!r}] where they measure"
        )
    return True


def _placed(cells: sparse.csr_array, at: np.ndarray, n: int) -> sparse.csr_array:
    part = cells.tocoo()
    return sparse.csr_array((part.data, (at[part.row], part.col)), shape=(n, cells.shape[1]))


def residual_precision(design: Design, given: Covariance | ByClass | None) -> tuple[sparse.csr_array, float]:
    """R⁻¹ of the values and its log determinant; records of one class with the same traits taken share one inverse."""
    position = np.full(design.seen.shape, -1)
    position[design.row, design.trait] = np.arange(len(design.y))
    rows, cols, cells, log_det = [], [], [], 0.0
    for of_class, covariance in _classes(design, given):
        for pattern in np.unique(design.seen[of_class], axis=0):
            if not pattern.any():
                continue
            alike = of_class & (design.seen == pattern).all(axis=1)
            at, weights = position[alike][:, pattern], design.weights[alike]
            inverse = np.linalg.inv(covariance[np.ix_(pattern, pattern)])
            for i, j in product(range(at.shape[1]), repeat=2):
                rows.append(at[:, i])
                cols.append(at[:, j])
                cells.append(weights * inverse[i, j])
            log_det += len(at) * float(np.linalg.slogdet(inverse)[1])
            log_det += at.shape[1] * float(np.log(weights).sum())
    entries = (np.concatenate(cells), (np.concatenate(rows), np.concatenate(cols)))
    return sparse.csr_array(entries, shape=(len(design.y),) * 2), log_det


def _classes(design: Design, given: Covariance | ByClass | None) -> list[tuple[np.ndarray, np.ndarray]]:
    """The records of each class of the residual (n,) and its covariance; all records where there are no classes."""
    count, column = len(design.traits), design.residual_columns[1]
    if not isinstance(given, Mapping):
        return [(np.ones(len(design.records), dtype=bool), covariance_of(given, count, "residual"))]
    if column is None:
        raise ModelError(
            "residual: found one covariance a class; say in residual_by which column holds the classes"
        )
    classes, taken = design.records[column], design.seen.any(axis=1)
    unknown = classes[taken & ~classes.isin(list(given)).to_numpy()]
    if len(unknown):
        named = ", ".join(map(str, unknown.unique()))
        raise ModelError(
            f"residual: no covariance for {column} {named}; there are {', '.join(map(str, given))}"
        )
    return [
        ((classes == one).to_numpy() & taken, covariance_of(covariance, count, f"residual of {column} {one}"))
        for one, covariance in given.items()
    ]


def covariance_of(given: Covariance | ByClass | None, size: int, name: str) -> np.ndarray:
    """The covariance as a size × size matrix; raises ModelError where it is none."""
    if isinstance(given, Mapping):
        raise ModelError(f"the covariance of {name} is a mapping; expected a number or a matrix")
    matrix = np.atleast_2d(np.asarray(given, dtype=float))
    if matrix.shape != (size, size):
        raise ModelError(
            f"the covariance of {name} is {matrix.shape[0]} × {matrix.shape[1]}; needed {size} × {size}"
        )
    if not np.allclose(matrix, matrix.T) or np.linalg.eigvalsh(matrix)[0] <= 0:
        raise ModelError(
            f"the covariance of {name} is not a symmetric positive definite matrix: {matrix.tolist()}"
        )
    return matrix
