"""How traits hang together: one genetic correlation ρ for all pairs the plan does not name, integrated over.

ρ has the prior N(0.15, 0.15²). It is judged by the totals of the looks, and with it the permanent and the residual
correlation (halo: the sections of one look): what merit adds up is a sum, and the spread of sums is what a mean
correlation says. (The likelihood of all sections apart would ask for the one matrix nearest to every pair at once;
where pairs differ that matrix has too small a ρ, by 0.05 on simulated holdings, and sums then look surer than they
are.) The likelihood of the totals is explored around its mode by second differences, then ρ is laid on a grid
weighted by it. Draws come from there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.special import ndtri

from selection.answer import TAILS
from selection.errors import ModelError
from selection.merit import mixed_equations
from selection.merit.season_model import EFFECTS, SeasonModel, Variances, compound
from selection.records.settings.plan import Plan

ByPair = dict[tuple[int, int], float]

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


def totals_of(model: SeasonModel, parts: np.ndarray, named: ByPair) -> Totals | None:
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
    model: SeasonModel, parts: np.ndarray, named: ByPair, sections: list[Freed], rows: np.ndarray
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


PRIOR_MEAN = np.array([0.15, 0.0, 0.1])
PRIOR_SD = np.array([0.15, 0.15, 0.25])
"""Genetic; permanent: nothing to do with each other unless the records say so; residual: wide. The last two have
no source."""

_STEP = 0.08
"""Step of the second differences: the likelihood of a small holding is smooth over it."""

_GRID = np.linspace(-2.4, 2.4, 13)
"""Grid of ρ in standard deviations about its mode."""

ROUNDS = 4

IMPOSSIBLE = -1e6
"""Log-likelihood of correlations that cannot be: low enough to be left, and still a number to step away from."""


@dataclass(frozen=True)
class Correlations:
    """What is known of the three correlations (genetic, permanent, residual).

    mode (3,), covariance (3 × 3); grid: values of ρ with their weights (adding to 1).
    """

    mode: np.ndarray
    covariance: np.ndarray
    grid: np.ndarray
    weights: np.ndarray

    def interval(self) -> tuple[float, float]:
        """5 % and 95 % points of ρ."""
        low, high = np.interp(TAILS, np.cumsum(self.weights) - self.weights / 2, self.grid)
        return float(low), float(high)

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """`count` (even) draws (count × 3), ρ spread evenly over its posterior, in random order.

        The second half mirrors the first, so that what is straight in the correlations comes out alike for every seed;
        the other two take each layer of their normal distribution once.
        """
        half = count // 2
        sides = rng.choice([-1.0, 1.0], (3, half)) * rng.permuted(
            np.tile(layers(count)[half:], (3, 1)), axis=1
        )
        normal = np.concatenate([sides, -sides], axis=1).T
        rank = np.argsort(np.argsort(normal[:, 0]))
        rho = np.interp((rank + 0.5) / count, np.cumsum(self.weights) - self.weights / 2, self.grid)
        slope = self.covariance[1:, 0] / self.covariance[0, 0]
        left = self.covariance[1:, 1:] - np.outer(slope, self.covariance[0, 1:])
        noise = normal[:, 1:] @ np.linalg.cholesky(left + 1e-12 * np.eye(2)).T
        return np.column_stack([rho, self.mode[1:] + np.outer(rho - self.mode[0], slope) + noise])


def layers(count: int) -> np.ndarray:
    """One value for each of `count` equally likely layers of a standard normal, rising, with a variance of 1."""
    middle = ndtri((np.arange(count) + 0.5) / count)
    return middle / middle.std()


def named_correlations(plan: Plan, traits: tuple[str, ...], key: Callable[[str], str] = str) -> ByPair:
    """The plan's genetic correlations by positions of the traits; pairs that were not seen are left out.

    `key`: the trait's key of a name in the plan. Two sections that rest on one trait are no pair.
    Raises ModelError naming the pairs where they cannot all be true.
    """
    at = {t: i for i, t in enumerate(traits)}
    given = {(key(a), key(b)): r for (a, b), r in plan.correlations.items()}
    named = {(at[a], at[b]): r for (a, b), r in given.items() if a in at and b in at and a != b}
    if not any(_positive(compound(r, len(traits), named)) for r in np.linspace(_least(len(traits)), 0.9, 30)):
        pairs = ", ".join(f"{traits[i]} and {traits[j]} ({r:g})" for (i, j), r in named.items())
        raise ModelError(
            f"plan.toml, [correlations]: these cannot all be true together: {pairs}; lower the largest"
        )
    return named


def variances_at(parts: np.ndarray, correlations: np.ndarray, named: ByPair) -> Variances:
    """Variances of all traits under the three correlations; each held to where its matrix is one."""
    count = len(parts)
    genetic, permanent, residual = np.clip(correlations, _least(count), 0.95)
    between = compound(genetic, count)
    return Variances(parts, _nearest(between, named), compound(permanent, count), compound(residual, count))


def explore(model: SeasonModel, parts: np.ndarray, named: ByPair | None = None) -> Correlations:
    """The three correlations from the totals of the looks, at given variances of the single traits.

    `named` genetic correlations are known, and not among what is looked for.

    Where no look has two sections there is nothing to judge by, and the prior stands.
    """
    totals = totals_of(model, parts, named or {})
    if totals is None:
        prior = np.exp(-0.5 * _GRID**2)
        return Correlations(
            PRIOR_MEAN, np.diag(PRIOR_SD**2), PRIOR_MEAN[0] + _GRID * PRIOR_SD[0], prior / prior.sum()
        )
    count = len(model.observations.by_eye)

    def score(x: np.ndarray) -> float:
        prior = -0.5 * float((((x - PRIOR_MEAN) / PRIOR_SD) ** 2).sum())
        return max(totals.log_likelihood(np.clip(x, _least(count), 0.98)), IMPOSSIBLE) + prior

    low, high = _least(count) + _STEP, 0.9
    mode = np.clip(PRIOR_MEAN, low, high)
    for _ in range(ROUNDS):
        gradient, curvature = _differences(score, mode)
        covariance = np.linalg.inv(_at_least_prior(-curvature))
        step = np.clip(covariance @ gradient, -0.3, 0.3)
        mode = np.clip(mode + step, low, high)
        if np.abs(step).max() < 0.02:
            break
    grid = mode[0] + _GRID * np.sqrt(covariance[0, 0])
    grid = grid[(grid > _least(count)) & (grid < 0.95)]
    slope = covariance[:, 0] / covariance[0, 0]
    scores = np.array([score(mode + slope * (value - mode[0])) for value in grid])
    weights = np.exp(scores - scores.max())
    return Correlations(mode, covariance, grid, weights / weights.sum())


def _differences(score: Callable[[np.ndarray], float], at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Gradient and Hessian of `score` by central differences."""
    steps = _STEP * np.eye(len(at))
    here = score(at)
    ahead = np.array([score(at + s) for s in steps])
    behind = np.array([score(at - s) for s in steps])
    gradient = (ahead - behind) / (2 * _STEP)
    hessian = np.diag((ahead - 2 * here + behind) / _STEP**2)
    for i in range(len(at)):
        for j in range(i):
            both = score(at + steps[i] + steps[j])
            hessian[i, j] = hessian[j, i] = (both - ahead[i] - ahead[j] + here) / _STEP**2
    return gradient, hessian


def _at_least_prior(information: np.ndarray) -> np.ndarray:
    """The information matrix, never less than half of what the prior alone holds in any direction."""
    scaled = information * np.outer(PRIOR_SD, PRIOR_SD)
    values, vectors = np.linalg.eigh((scaled + scaled.T) / 2)
    kept = (vectors * np.maximum(values, 0.5)) @ vectors.T
    return kept / np.outer(PRIOR_SD, PRIOR_SD)


def _nearest(between: np.ndarray, named: ByPair) -> np.ndarray:
    """A correlation matrix near `between` with the named pairs set; eigenvalues lifted off nought where need be."""
    matrix = between.copy()
    for (i, j), value in named.items():
        matrix[i, j] = matrix[j, i] = value
    if _positive(matrix):
        return matrix
    values, vectors = np.linalg.eigh(matrix)
    lifted = (vectors * np.maximum(values, LEAST_EIGENVALUE)) @ vectors.T
    sd = np.sqrt(np.diag(lifted))
    return lifted / np.outer(sd, sd)


LEAST_EIGENVALUE = 0.05
"""Smallest eigenvalue of a correlation matrix: no trait is wholly told by the others."""


def _least(count: int) -> float:
    """Just above −1/(T − 1), below which one correlation for all pairs is impossible."""
    return -1 / max(count - 1, 1) + 0.02


def _positive(matrix: np.ndarray) -> bool:
    return bool(np.linalg.eigvalsh(matrix)[0] > LEAST_EIGENVALUE / 2)
