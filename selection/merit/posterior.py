"""The joint posterior of birds' breeding values, variances and correlations integrated over.

Each of a few draws of what is not known (variances and correlations, mirrored in pairs and in even layers) gives a
normal posterior of the breeding values; their mixture is drawn from, mirrored as well, so that the mean of the draws
is the exact mean.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
import pandas as pd
from scipy import sparse

from selection.answer import Progress
from selection.merit import mixed_equations
from selection.merit.mixed_equations import Solution
from selection.merit.season_model import SeasonModel, Variances
from selection.merit.variances.correlations import (
    ByPair,
    Correlations,
    explore,
    named_correlations,
    variances_at,
)
from selection.merit.variances.trait_variances import TraitVariances, draw_parts, trait_variances
from selection.records.flock import Flock
from selection.standard.traits import key_of

MIXTURE = 26
"""Draws of variances and correlations, mirrored and in layers: see SEED_NOISE."""

DRAWS = 16_384
"""Draws in all."""

FEW_EQUATIONS, LEAST_MIXTURE = 10_000, 4
"""Equations up to which all of `MIXTURE` is drawn, and the fewest that are. What is not known of a variance shrinks as
the root of the records, and the noise it makes between seeds with it: fewer draws then give the same noise."""

SEED_NOISE = (0.008, 0.025)
"""What two seeds were found to differ by, as a standard deviation: in any chance, and in any merit (points). Measured
by `tests.benchmarks.noise_between_seeds` over 12 seeds: 0.007 and 0.024 on the demo and on a holding like it; 20 draws
gave 0.009 and 0.033, 16 plain mirrored ones 0.030 and 0.113."""

MOST_NUMBERS = 6_000_000
"""Numbers that all draws may come to: of very many birds or bands fewer are drawn, so that the memory stays bounded.
Of 300 birds and two bands there are still 6,600, and a chance is known to 0.006."""

WIDEST_CORNER = 6_000
"""Effects that are eliminated last, at the most: their corner then fills a third of a gigabyte. Solving for as many
functionals one by one takes ten times as long."""

_LARGE = 60_000
"""Equations from which the variances are so well known that their mode is enough."""


@dataclass(frozen=True)
class Known:
    """What the records say of variances and correlations, with the solution at their mode.

    `traits` is empty and `correlations` None where the variances were given.
    """

    model: SeasonModel
    traits: tuple[TraitVariances, ...]
    correlations: Correlations | None
    named: ByPair
    variances: Variances
    solution: Solution

    def spread(self, functionals: np.ndarray) -> np.ndarray:
        """Posterior covariance (k × k) of linear functionals (m × k) of few effects, at the mode of the variances.

        What they rest on is eliminated last: many functionals then cost no more than one factor. Where they rest on
        very many effects, that corner would fill the memory, and each is solved for by itself.
        """
        wanted = np.flatnonzero(functionals.any(axis=1))
        if len(wanted) > WIDEST_CORNER:
            return self.solution.spread(functionals)
        order = mixed_equations.ending_with(wanted, self.solution.factor)
        _, corner = self.model.posterior_corner(self.variances, order)
        return functionals[wanted].T @ corner @ functionals[wanted]

    @cached_property
    def residual_precision(self) -> sparse.csr_array:
        """R⁻¹ (n × n) of the records at the mode of the variances."""
        return self.model.residual(self.variances)[0]


@dataclass(frozen=True)
class Posterior:
    """Draws of k functionals of the breeding values of L birds.

    birds: the L birds; draws, prior: N × L × k, from the posterior and from the prior alone (both about the
    model's own zero), scene by scene; scenes: how many sets of variances, each with N / scenes draws;
    mean_effects: mean solution of the genetic term, for birds that were not drawn.
    """

    birds: pd.Index
    draws: np.ndarray
    prior: np.ndarray
    scenes: int
    mean_effects: np.ndarray


def learn(model: SeasonModel, flock: Flock, progress: Progress | None = None) -> Known:
    """Variances of every trait and the correlations between them, from prior and records."""
    named = named_correlations(flock.plan, model.traits, partial(key_of, flock.standard))
    _say(progress, "variances of each trait", 0.0)
    traits = trait_variances(model)
    parts = np.array([t.parts for t in traits])
    _say(progress, "correlations between traits", 0.2)
    correlations = explore(model, parts, named)
    variances = variances_at(parts, correlations.mode, named)
    return Known(model, traits, correlations, named, variances, model.solve(variances))


def given(model: SeasonModel, variances: Variances) -> Known:
    """The model solved at variances that are taken as certain."""
    return Known(model, (), None, {}, variances, model.solve(variances))


def draw(
    known: Known,
    birds: pd.Index,
    weights: np.ndarray,
    rng: np.random.Generator,
    progress: Progress | None = None,
    quick: bool = False,
) -> Posterior:
    """Draws of the functionals `weights` (T × k) of each bird's breeding values.

    `birds` must be in the model. `quick` takes the variances at their mode as certain: for trying things out.
    Memory: N × L × k doubles, twice.
    """
    model, place = known.model, known.solution.slices["genetic"]
    wanted = _places(known, birds)
    order = mixed_equations.ending_with(wanted, known.solution.factor)
    functionals = np.kron(np.eye(len(birds)), weights)
    kin = model.kinship.block_of(birds)
    effects = np.zeros(len(model.kinship.birds) * len(model.traits))
    scenes = [known.variances] if quick else _scenes(known, rng)
    room = MOST_NUMBERS // functionals.shape[1]
    count = min(DRAWS, room) // len(scenes) // 2 * 2
    drawn, prior = (np.empty((len(scenes), count, functionals.shape[1])) for _ in range(2))
    for i, (variances, solved, covariance) in enumerate(_solved(known, scenes, order, functionals)):
        _say(progress, "merit under what is not known of the variances", 0.5 + 0.5 * i / len(scenes))
        mean = functionals.T @ solved[wanted]
        drawn[i] = normal_draws(mean, covariance, count, rng)
        between = weights.T @ variances.covariance("genetic") @ weights
        prior[i] = normal_draws(np.zeros(len(mean)), np.kron(kin, between), count, rng)
        effects += solved[place] / len(scenes)
    shape = (-1, len(birds), weights.shape[1])
    return Posterior(birds, drawn.reshape(shape), prior.reshape(shape), len(scenes), effects)


def _scenes(known: Known, rng: np.random.Generator) -> list[Variances]:
    """The variances to condition on: mirrored draws with ρ spread over its posterior, or the mode alone."""
    equations = len(known.solution.effects)
    if known.correlations is None or equations >= _LARGE:
        return [known.variances]
    count = min(MIXTURE, max(LEAST_MIXTURE, MIXTURE * FEW_EQUATIONS // equations // 2 * 2))
    parts = draw_parts(known.traits, count, rng)
    rho = known.correlations.draw(count, rng)
    return [variances_at(p, r, known.named) for p, r in zip(parts, rho, strict=True)]


def _solved(
    known: Known, scenes: list[Variances], order: mixed_equations.Order, functionals: np.ndarray
) -> Iterator[tuple[Variances, np.ndarray, np.ndarray]]:
    """Each scene with all effects (m,) and the covariance of `functionals` of those that `order` ends with.

    The scenes are solved side by side, a core each: nearly all of it is sparse algebra outside the interpreter. Of many
    equations, for the memory they need, one after another; a single scene is solved already.
    """
    if len(scenes) == 1 and scenes[0] is known.variances and order.last > WIDEST_CORNER:
        whole = np.zeros((len(order.places), functionals.shape[1]))
        whole[order.places[-order.last :]] = functionals
        yield known.variances, known.solution.effects, known.solution.spread(whole)
        return

    def solve(variances: Variances) -> tuple[Variances, np.ndarray, np.ndarray]:
        effects, corner = known.model.posterior_corner(variances, order)
        return variances, effects, functionals.T @ corner @ functionals

    workers = os.cpu_count() or 1 if len(order.places) <= FEW_EQUATIONS else 1
    with ThreadPoolExecutor(min(len(scenes), workers)) as pool:
        yield from pool.map(solve, scenes)


def _places(known: Known, birds: pd.Index) -> np.ndarray:
    """Where the birds' breeding values (L·T,) lie among all effects; bird-major."""
    count = len(known.model.traits)
    at = known.model.kinship.birds.get_indexer(birds)
    start = known.solution.slices["genetic"].start
    return (start + at[:, None] * count + np.arange(count)).ravel()


def normal_draws(
    mean: np.ndarray, covariance: np.ndarray, count: int, rng: np.random.Generator
) -> np.ndarray:
    """`count` mirrored draws (count × k) from a normal. Cholesky: its root is unique, so draws repeat anywhere."""
    covariance = (covariance + covariance.T) / 2
    jitter = 1e-9 * max(float(np.trace(covariance)) / max(len(mean), 1), 1e-300)
    root = np.linalg.cholesky(covariance + jitter * np.eye(len(mean)))
    off = rng.standard_normal((count // 2, len(mean))) @ root.T
    return np.concatenate([mean + off, mean - off])


def _say(progress: Progress | None, step: str, share: float) -> None:
    if progress:
        progress(step, share)
