"""What the totals of the looks say of the correlations between sections: the likelihood of the totals alone.

A total over the sections seen, Σ_k y_k, has between two looks the covariance

    Σ over effects of  K_ij · (Σ_{k in both} v_k + ρ Σ_{k≠l} √(v_k v_l)),    k seen in look i, l in look j,

K how alike the looks are in the effect (one bird, one clutch, relatives). It is straight in the correlations, so
that the matrices are laid out once; sections missing from a look are accounted for exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse

from selection.merit import henderson
from selection.merit.season_model import EFFECTS, SeasonModel

Named = dict[tuple[int, int], float]

CORRELATED = ("genetic", "permanent", "residual")
"""Effects whose sections hang together, in the order of their correlations."""

MOST_LOOKS = 1_500
"""Of more looks, as many of the last are judged by: they tell all that is to be told, and the matrices are dense."""


@dataclass(frozen=True)
class Totals:
    """Totals of n looks: y (n,) deviations from the sections' fixed effects; fixed (n × p), of full rank.

    apart (n × n): covariance with every correlation at 0; together (3 × n × n): what each of CORRELATED adds
    for a correlation of 1.
    """

    y: np.ndarray
    fixed: np.ndarray
    apart: np.ndarray
    together: np.ndarray

    def covariance(self, correlations: np.ndarray) -> np.ndarray:
        """Covariance (n × n) of the totals under (genetic, permanent, residual) correlations."""
        return self.apart + np.tensordot(correlations, self.together, axes=1)

    def log_likelihood(self, correlations: np.ndarray) -> float:
        """REML log-likelihood of the totals, but for a constant; −∞ where the correlations cannot be."""
        from scipy.linalg import solve_triangular

        try:
            root = np.linalg.cholesky(self.covariance(correlations))
            white = solve_triangular(root, np.column_stack([self.fixed, self.y]), lower=True)
            fixed, y = white[:, :-1], white[:, -1]
            small = np.linalg.cholesky(fixed.T @ fixed)
        except np.linalg.LinAlgError:
            return -np.inf
        fitted = solve_triangular(small, fixed.T @ y, lower=True)
        log_det = np.log(np.diag(root)).sum() + np.log(np.diag(small)).sum()
        return float(-log_det - 0.5 * (y @ y - fitted @ fitted))


def totals_of(model: SeasonModel, parts: np.ndarray, named: Named) -> Totals | None:
    """The totals of looks in which two sections or more were seen; None where there are too few of them.

    `parts`: T × 6 variances; `named`: known genetic correlations, by the traits' positions.
    """
    looks = model.looks[(model.looks >= 0).sum(axis=1) > 1] if len(model.looks) else model.looks
    if len(looks) < 3:
        return None
    looks = looks[-MOST_LOOKS:]
    seen = (looks >= 0).astype(float)
    values = np.where(looks >= 0, _off_fixed(model)[looks], 0.0).sum(axis=1)
    first = looks[np.arange(len(looks)), (looks >= 0).argmax(axis=1)]
    fixed = _fixed_columns(model.observations.rows.iloc[first])
    fixed = fixed[:, henderson.independent_columns(sparse.csr_array(fixed))]
    if len(looks) <= fixed.shape[1]:
        return None
    return Totals(values, fixed, *_covariances(model, parts, named, seen, first))


def _covariances(
    model: SeasonModel, parts: np.ndarray, named: Named, seen: np.ndarray, rows: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The covariance with no correlation but the named ones, and what each of CORRELATED adds (3 × n × n)."""
    eye = [model.traits.index(t) for t in model.observations.by_eye]
    known = np.zeros((len(model.traits),) * 2)
    for (i, j), value in named.items():
        known[i, j] = known[j, i] = value
    known = known[np.ix_(eye, eye)]
    free = (known == 0) & ~np.eye(len(eye), dtype=bool)
    apart, together = np.zeros((len(seen),) * 2), {}
    for at, effect in enumerate(EFFECTS):
        sd = seen * np.sqrt(parts[eye, at])
        alike = _alike(model, effect, rows)
        apart += alike * (sd @ sd.T)
        if effect == "genetic":
            apart += alike * (sd @ known @ sd.T)
        if effect in CORRELATED:
            pairs = free if effect == "genetic" else ~np.eye(len(eye), dtype=bool)
            together[effect] = alike * (sd @ pairs @ sd.T)
    return apart, np.stack([together[effect] for effect in CORRELATED])


def _alike(model: SeasonModel, effect: str, rows: np.ndarray) -> np.ndarray:
    """How far looks (by one of their rows, n) share an effect: the covariance (n × n) for a variance of 1."""
    number = model.observations.rows["n"].to_numpy()[rows]
    if effect == "residual":
        return np.diag(1 / number)
    codes = model.levels[effect].codes[rows]
    if effect == "genetic":
        nodes, place = np.unique(codes, return_inverse=True)
        return model.kinship.block(nodes)[np.ix_(place, place)]
    same = (codes[:, None] == codes[None, :]) & (codes >= 0)[:, None]
    return same / number if effect == "permanent" else same.astype(float)


def _off_fixed(model: SeasonModel) -> np.ndarray:
    """Every value less its series' fixed effects by least squares (n,): totals then do not hang on what is missing."""
    from scipy.sparse.linalg import lsqr

    return model.y - model.fixed @ lsqr(model.fixed, model.y, atol=1e-10, btol=1e-10)[0]


def _fixed_columns(rows: pd.DataFrame) -> np.ndarray:
    """Season×sex, judge×season and age: the fixed effects that every section has."""
    season = rows["season"].astype(str)
    labels = [pd.get_dummies(season + " " + rows["sex"]), pd.get_dummies(rows["judge"] + season)]
    return np.column_stack([*(x.to_numpy(float) for x in labels), rows["age_weeks"].to_numpy() - 24.0])
