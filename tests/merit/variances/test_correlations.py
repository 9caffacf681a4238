"""The correlations: what they are judged by, what they find, and what they refuse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from selection.errors import ModelError
from selection.merit.observations import observe
from selection.merit.relationship.parentage import parentage
from selection.merit.season_model import SeasonModel, season_model
from selection.merit.variances.correlations import (
    PRIOR_MEAN,
    Correlations,
    explore,
    named_correlations,
    variances_at,
)
from selection.merit.variances.trait_variances import TraitVariances, draw_parts
from selection.records.flock import Flock
from selection.standard.growth import fit_growth
from tests.benchmarks.simulate_merit import true_variances
from tests.merit.tiny import PLAN, bird, flock, look
from tests.simulated import simulate


def model_of(made: Flock) -> SeasonModel:
    living = pd.Index(made.birds.loc[made.birds["alive"], "bird"])
    return season_model(observe(made, fit_growth(made)), parentage(made), living)


def test_more_correlation_is_found_where_there_is_more() -> None:
    """Three holdings each at a true ρ of 0 and of 0.4 for every pair: the mean found differs by most of it.

    One holding's ρ is known to about 0.09 and drawn half way to its prior: means of three differ by
    0.2 at least, with a standard error near 0.06.
    """
    found = {}
    for rho in (0.0, 0.4):
        modes = []
        for seed in range(60, 63):
            made = simulate(seed, correlation=rho)
            model = model_of(made.flock())
            modes.append(explore(model, true_variances(made, model).parts).mode[0])
        found[rho] = np.mean(modes)
    assert found[0.4] - found[0.0] > 0.1
    assert abs(found[0.0]) < 0.15 and found[0.4] > 0.2


def test_draws_spread_over_the_posterior() -> None:
    made = simulate(2)
    model = model_of(made.flock())
    found = explore(model, true_variances(made, model).parts)
    drawn = found.draw(400, np.random.default_rng(1))
    low, high = found.interval()
    assert ((drawn[:, 0] > low) & (drawn[:, 0] < high)).mean() == pytest.approx(0.9, abs=0.05)
    assert found.weights.sum() == pytest.approx(1)


def test_draws_are_mirrored_and_take_every_layer_once() -> None:
    """What is straight in the correlations then comes out alike for every seed."""
    grid = np.linspace(-0.2, 0.5, 29)
    weights = np.exp(-0.5 * ((grid - 0.15) / 0.1) ** 2)
    covariance = np.array([[0.01, 0.004, 0.0], [0.004, 0.02, 0.0], [0.0, 0.0, 0.03]])
    found = Correlations(np.array([0.15, 0.05, 0.1]), covariance, grid, weights / weights.sum())
    one, other = (found.draw(20, np.random.default_rng(seed)) for seed in (1, 2))
    np.testing.assert_allclose(one[:10] + one[10:], np.tile(2 * found.mode, (10, 1)), atol=1e-9)
    np.testing.assert_allclose(np.sort(one[:, 0]), np.sort(other[:, 0]))
    many = found.draw(4_000, np.random.default_rng(3))
    np.testing.assert_allclose(np.cov(many.T), covariance, atol=0.002)


def test_draws_of_the_variances_have_the_fitted_mean_and_the_fitted_spread() -> None:
    root = np.tril(0.2 * np.random.default_rng(4).normal(size=(6, 6)))
    fitted = TraitVariances(
        "type", np.ones(6) / 6, 8.0, np.arange(1.0, 7.0), root @ root.T, None, "", 30, True, ""
    )
    few = draw_parts([fitted, fitted], 20, np.random.default_rng(5))
    np.testing.assert_allclose(few.mean(axis=0), np.tile(fitted.parts, (2, 1)))
    assert not np.allclose(few[:, 0], few[:, 1])
    many = np.log(draw_parts([fitted], 4_000, np.random.default_rng(6))[:, 0])
    np.testing.assert_allclose(np.cov(many.T), root @ root.T, atol=0.02)


def test_nothing_to_judge_by_leaves_the_prior() -> None:
    made = flock(birds=[bird("x", "female"), bird("y", "female")], scores=[look("x", {"type": 40.0})])
    model = model_of(made)
    found = explore(model, np.ones((len(model.traits), 6)))
    np.testing.assert_allclose(found.mode, PRIOR_MEAN)


def test_a_named_pair_keeps_its_value_and_leaves_a_correlation_matrix() -> None:
    matrix = variances_at(np.ones((8, 6)), np.array([0.1, 0.0, 0.1]), {(0, 1): 0.6}).genetic
    assert matrix[0, 1] == pytest.approx(0.6) and matrix[2, 3] == pytest.approx(0.1)
    hard = variances_at(np.ones((8, 6)), np.array([-0.1, 0.0, 0.1]), {(0, 1): 0.95, (0, 2): -0.9}).genetic
    assert np.linalg.eigvalsh(hard)[0] > 0
    np.testing.assert_allclose(np.diag(hard), 1)


def test_named_correlations_that_cannot_all_be_true() -> None:
    """type–head .9, head–tail .9 and type–tail −.9 cannot be: the pairs are named."""
    named = {("type", "head"): 0.9, ("head", "tail"): 0.9, ("type", "tail"): -0.9}
    with pytest.raises(ModelError, match=r"type and head \(0.9\).*lower the largest"):
        named_correlations(replace(PLAN, correlations=named), ("type", "head", "tail"))
    assert named_correlations(replace(PLAN, correlations=named), ("type", "head")) == {(0, 1): 0.9}
