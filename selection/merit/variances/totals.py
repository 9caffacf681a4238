"""What the totals of the looks say of the correlations between sections: the likelihood of the totals alone.

Each section is freed of its fixed effects over the looks that saw it, r_k = M_k y_k, and a look's total adds up the
r_k it has. Two totals then have the covariance

    Σ over effects of  Σ_k v_k M_k K M_kᵀ + ρ (W K Wᵀ − Σ_k v_k M_k K M_kᵀ),    W = Σ_k √v_k M_k,

K how alike the looks are in the effect (one bird, one clutch, relatives). It is straight in the correlations, so
that the matrices are laid out once, and sections missing from looks are accounted for exactly. Where none is missing
this is the REML likelihood of the totals.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse

from selection.merit import mixed_equations
from selection.merit.season_model import EFFECTS, SeasonModel

Named = dict[tuple[int, int], float]

CORRELATED = ("genetic", "permanent", "residual")
"""Effects whose sections hang together, in the order of their correlations."""

MOST_LOOKS = 1_500
"""Of more looks, as many of the last are judged by: they tell all that is to be told, and the matrices are dense."""


@dataclass(frozen=True)
class Totals:
    """Totals of n looks: y (n,), freed of the fixed effects, to which they stand upright.

    apart (n × n): covariance with every correlation at 0, and 1 along the fixed effects, where nothing varies;
    together (3 × n × n): what each of CORRELATED adds for a correlation of 1.
    """

    y: np.ndarray
    apart: np.ndarray
    together: np.ndarray

    def covariance(self, correlations: np.ndarray) -> np.ndarray:
        """Covariance (n × n) of the totals under (genetic, permanent, residual) correlations."""
        return self.apart + np.tensordot(correlations, self.together, axes=1)

    def log_likelihood(self, correlations: np.ndarray) -> float:
        """Log-likelihood of the totals, but for a constant; −∞ where the correlations cannot be."""
        from scipy.linalg import solve_triangular

        try:
            root = np.linalg.cholesky(self.covariance(correlations))
        except np.linalg.LinAlgError:
            return -np.inf
        white = solve_triangular(root, self.y, lower=True)
        return float(-np.log(np.diag(root)).sum() - 0.5 * (white @ white))


@dataclass(frozen=True)
class Freed:
    """M = S − S X G, which frees one section of its fixed effects: seen (n,), S's diagonal; X (n × p); G (p × n)."""

    seen: np.ndarray
    X: np.ndarray
    G: np.ndarray

    def of(self, values: np.ndarray) -> np.ndarray:
        """M @ values (n × k); what was not seen counts as nought."""
        shape = (-1,) + (1,) * (values.ndim - 1)
        kept = self.seen.reshape(shape) * values
        return kept - self.seen.reshape(shape) * (self.X @ (self.G @ kept))


def freed(seen: np.ndarray, X: np.ndarray) -> Freed:
    """M of a section that was seen where `seen` (n,) is 1; columns that its looks cannot tell apart count once."""
    return Freed(seen, X, np.linalg.pinv(seen[:, None] * X))


def totals_of(model: SeasonModel, parts: np.ndarray, named: Named) -> Totals | None:
    """The totals of looks in which two sections or more were seen; None where there are too few of them.

    `parts`: T × 6 variances; `named`: known genetic correlations, by the traits' positions.
    """
    looks = model.looks[(model.looks >= 0).sum(axis=1) > 1] if len(model.looks) else model.looks
    if len(looks) < 3:
        return None
    looks = looks[-MOST_LOOKS:]
    first = looks[np.arange(len(looks)), (looks >= 0).argmax(axis=1)]
    X = _fixed_columns(model.observations.rows.iloc[first])
    X = X[:, mixed_equations.independent_columns(sparse.csr_array(X))]
    if len(looks) <= X.shape[1]:
        return None
    sections = [freed((column >= 0).astype(float), X) for column in looks.T]
    values = np.where(looks >= 0, model.y[looks], 0.0)
    y = np.sum([m.of(value) for m, value in zip(sections, values.T, strict=True)], axis=0)
    along = np.linalg.qr(X)[0]
    apart, together = _covariances(model, parts, named, sections, first)
    return Totals(y, apart + along @ along.T, together)


def _covariances(
    model: SeasonModel, parts: np.ndarray, named: Named, sections: list[Freed], rows: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The covariance with no correlation but the named ones, and what each of CORRELATED adds (3 × n × n)."""
    eye = [model.traits.index(t) for t in model.observations.by_eye]
    pairs = {(eye.index(i), eye.index(j)): r for (i, j), r in named.items() if i in eye and j in eye}
    apart, together = np.zeros((len(rows),) * 2), {}
    for at, effect in enumerate(EFFECTS):
        sd = np.sqrt(parts[eye, at])
        if effect not in CORRELATED:
            loads = np.hstack(
                [s * m.of(_shared(model, effect, rows)) for s, m in zip(sd, sections, strict=True)]
            )
            apart += loads @ loads.T
            continue
        alike = _alike(model, effect, rows)
        own = sum(s**2 * _between(m, m, alike) for s, m in zip(sd, sections, strict=True))
        half = sum(s * m.of(alike) for s, m in zip(sd, sections, strict=True))
        apart += own
        together[effect] = sum(s * m.of(half.T) for s, m in zip(sd, sections, strict=True)) - own
        for (i, j), r in pairs.items() if effect == "genetic" else ():
            known = sd[i] * sd[j] * _between(sections[i], sections[j], alike)
            apart += r * (known + known.T)
            together[effect] -= known + known.T
    return apart, np.stack([together[effect] for effect in CORRELATED])


def _between(one: Freed, other: Freed, alike: np.ndarray) -> np.ndarray:
    """M_k K M_lᵀ (n × n)."""
    return other.of(one.of(alike).T).T


def _shared(model: SeasonModel, effect: str, rows: np.ndarray) -> np.ndarray:
    """Which level of an effect each look has, by one of its rows (n × levels); a missing level belongs to none."""
    codes = model.levels[effect].codes[rows]
    levels = np.unique(codes[codes >= 0])
    return (codes[:, None] == levels).astype(float)


def _alike(model: SeasonModel, effect: str, rows: np.ndarray) -> np.ndarray:
    """How far looks share one of CORRELATED, by one of their rows: the covariance (n × n) for a variance of 1."""
    number = model.observations.rows["n"].to_numpy()[rows]
    if effect == "residual":
        return np.diag(1 / number)
    codes = model.levels[effect].codes[rows]
    if effect == "genetic":
        nodes, place = np.unique(codes, return_inverse=True)
        return model.kinship.block(nodes)[np.ix_(place, place)]
    return (codes[:, None] == codes) / number


def _fixed_columns(rows: pd.DataFrame) -> np.ndarray:
    """Season×sex, judge×season and age: the fixed effects that every section has."""
    season = rows["season"].astype(str)
    labels = [pd.get_dummies(season + " " + rows["sex"]), pd.get_dummies(rows["judge"] + season)]
    return np.column_stack([*(x.to_numpy(float) for x in labels), rows["age_weeks"].to_numpy() - 24.0])
