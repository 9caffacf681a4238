"""How traits hang together: one genetic correlation ρ for all pairs the plan does not name, integrated over.

ρ has the prior N(0.15, 0.15²). The permanent and the residual correlation (halo: the sections of one look)
are estimated beside it, with wide priors of our own. The joint likelihood is explored around its mode by
second differences, then ρ is laid on a grid weighted by the likelihood itself; draws come from that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from selection.merit.season_model import SeasonModel, Variances, compound
from selection.records.errors import ModelError
from selection.records.settings import Plan

PRIOR_MEAN = np.array([0.15, 0.15, 0.15])
PRIOR_SD = np.array([0.15, 0.25, 0.25])
"""Genetic (method), permanent and residual (wide; no source)."""

STEP = 0.08
"""Step of the second differences: the likelihood of a small holding is smooth over it."""

GRID = np.linspace(-2.4, 2.4, 9)
"""Grid of ρ in standard deviations about its mode."""

Named = dict[tuple[int, int], float]


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
        low, high = np.interp([0.05, 0.95], np.cumsum(self.weights) - self.weights / 2, self.grid)
        return float(low), float(high)

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """`count` draws (count × 3), ρ spread evenly over its posterior and shuffled."""
        middle = np.interp(
            (np.arange(count) + 0.5) / count, np.cumsum(self.weights) - self.weights / 2, self.grid
        )
        slope = self.covariance[1:, 0] / self.covariance[0, 0]
        left = self.covariance[1:, 1:] - np.outer(slope, self.covariance[0, 1:])
        noise = rng.standard_normal((count, 2)) @ np.linalg.cholesky(left + 1e-12 * np.eye(2)).T
        rho = rng.permutation(middle)
        return np.column_stack([rho, self.mode[1:] + np.outer(rho - self.mode[0], slope) + noise])


def named_correlations(plan: Plan, traits: tuple[str, ...]) -> Named:
    """The plan's genetic correlations by positions of the traits; pairs that were not seen are left out."""
    at = {t: i for i, t in enumerate(traits)}
    return {(at[a], at[b]): r for (a, b), r in plan.correlations.items() if a in at and b in at}


def variances_at(parts: np.ndarray, correlations: np.ndarray, named: Named) -> Variances:
    """Variances of all traits under the three correlations; each held to where its matrix is one."""
    count = len(parts)
    genetic, permanent, residual = np.clip(correlations, _least(count), 0.95)
    return Variances(
        parts, compound(genetic, count, named), compound(permanent, count), compound(residual, count)
    )


def explore(model: SeasonModel, parts: np.ndarray, plan: Plan) -> Correlations:
    """The three correlations from all records together, at given variances.

    Raises ModelError naming the pairs where the plan's correlations cannot all be true.
    """
    count = len(model.traits)
    named = named_correlations(plan, model.traits)
    _refuse_impossible(named, model.traits)
    if count == 1:
        return Correlations(PRIOR_MEAN, np.diag(PRIOR_SD**2), PRIOR_MEAN[:1], np.ones(1))

    def score(x: np.ndarray) -> float:
        variances = variances_at(parts, x, named)
        if not _positive(variances.genetic):
            return -np.inf
        prior = -0.5 * float((((x - PRIOR_MEAN) / PRIOR_SD) ** 2).sum())
        return model.solve(variances).log_likelihood + prior

    low, high = _least(count) + STEP, 0.9 - STEP
    mode = np.clip(PRIOR_MEAN, low, high)
    for _ in range(2):
        gradient, curvature = _differences(score, mode)
        covariance = np.linalg.inv(_at_least_prior(-curvature))
        step = np.clip(covariance @ gradient, -0.3, 0.3)
        mode = np.clip(mode + step, low, high)
        if np.abs(step).max() < 0.15:
            break
    return _weighted(score, mode, covariance, count)


def _weighted(
    score: Callable[[np.ndarray], float], mode: np.ndarray, covariance: np.ndarray, count: int
) -> Correlations:
    """ρ on its grid, each value with the other two at their best for it, weighted by the likelihood."""
    grid = mode[0] + GRID * np.sqrt(covariance[0, 0])
    grid = grid[(grid > _least(count)) & (grid < 0.9)]
    slope = covariance[:, 0] / covariance[0, 0]
    scores = np.array([score(mode + slope * (value - mode[0])) for value in grid])
    weights = np.exp(scores - scores.max())
    return Correlations(mode, covariance, grid, weights / weights.sum())


def _differences(score: Callable[[np.ndarray], float], at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Gradient and Hessian of `score` by central differences."""
    steps = STEP * np.eye(len(at))
    here = score(at)
    ahead = np.array([score(at + s) for s in steps])
    behind = np.array([score(at - s) for s in steps])
    gradient = (ahead - behind) / (2 * STEP)
    hessian = np.diag((ahead - 2 * here + behind) / STEP**2)
    for i in range(len(at)):
        for j in range(i):
            both = score(at + steps[i] + steps[j])
            hessian[i, j] = hessian[j, i] = (both - ahead[i] - ahead[j] + here) / STEP**2
    return gradient, hessian


def _at_least_prior(information: np.ndarray) -> np.ndarray:
    """The information matrix, never less than half of what the prior alone holds in any direction."""
    scaled = information * np.outer(PRIOR_SD, PRIOR_SD)
    values, vectors = np.linalg.eigh((scaled + scaled.T) / 2)
    kept = (vectors * np.maximum(values, 0.5)) @ vectors.T
    return kept / np.outer(PRIOR_SD, PRIOR_SD)


def _least(count: int) -> float:
    """Just above −1/(T − 1), below which one correlation for all pairs is impossible."""
    return -1 / max(count - 1, 1) + 0.02


def _positive(matrix: np.ndarray) -> bool:
    return bool(np.linalg.eigvalsh(matrix)[0] > 1e-6)


def _refuse_impossible(named: Named, traits: tuple[str, ...]) -> None:
    """Raise ModelError where no common ρ makes the plan's correlations possible together."""
    if any(_positive(compound(rho, len(traits), named)) for rho in np.linspace(_least(len(traits)), 0.9, 30)):
        return
    pairs = ", ".join(f"{traits[i]} and {traits[j]} ({r:g})" for (i, j), r in named.items())
    raise ModelError(
        f"plan.toml, [correlations]: these cannot all be true together: {pairs}; lower the largest"
    )
