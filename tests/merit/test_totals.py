"""The totals' covariance and likelihood against the whole matrices of a model of all sections, by definition."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from selection.merit.correlations import variances_at
from selection.merit.season_model import SeasonModel
from selection.merit.totals import Totals, totals_of
from tests.benchmarks.simulate_merit import true_variances
from tests.merit.test_correlations import model_of
from tests.simulated import simulate

RHO = np.array([0.3, -0.1, 0.2])
NAMED = {(0, 1): 0.6}


@pytest.fixture(scope="module")
def season() -> tuple[SeasonModel, np.ndarray, Totals]:
    """One simulated holding, where a tenth of the sections is missing from looks."""
    made = simulate(2, missing=0.1)
    model = model_of(made.flock())
    parts = true_variances(made, model).parts
    totals = totals_of(model, parts, NAMED)
    assert totals is not None
    return model, parts, totals


def test_covariance_is_that_of_all_sections_added_up(season: tuple[SeasonModel, np.ndarray, Totals]) -> None:
    """S (Σ_k Z_k (K_k ⊗ C_k) Z_kᵀ + R) Sᵀ, S adding up the sections that each look has, missing ones left out."""
    model, parts, totals = season
    variances = variances_at(parts, RHO, NAMED)
    looks = model.looks[(model.looks >= 0).sum(axis=1) > 1]
    adds = np.zeros((len(looks), len(model.y)))
    for i, look in enumerate(looks):
        adds[i, look[look >= 0]] = 1
    assert (model.looks < 0).any()
    precision, _ = model.residual(variances)
    expected = adds @ np.linalg.inv(precision.toarray()) @ adds.T
    for term in model.terms(variances)[1:]:
        loads = adds @ term.design
        assert term.precision is not None
        expected += loads @ np.linalg.solve(term.precision.toarray(), loads.T)
    np.testing.assert_allclose(totals.covariance(RHO), expected, rtol=1e-8, atol=1e-10)


def test_likelihood_is_that_of_the_totals_freed_of_their_fixed_effects(
    season: tuple[SeasonModel, np.ndarray, Totals],
) -> None:
    """REML is the likelihood of A'y, A an orthonormal basis of what the fixed effects leave (scipy's normal)."""
    _, _, totals = season
    basis = np.linalg.qr(totals.fixed, mode="complete")[0][:, totals.fixed.shape[1] :]
    # log|X'X| is the same for every correlation: differences between two of them do not hang on it
    ways = [RHO, np.array([0.0, 0.1, 0.0])]
    own = [totals.log_likelihood(x) for x in ways]
    said = [
        multivariate_normal(cov=basis.T @ totals.covariance(x) @ basis).logpdf(basis.T @ totals.y)
        for x in ways
    ]
    assert own[0] - own[1] == pytest.approx(said[0] - said[1], abs=1e-6)


def test_correlations_that_cannot_be_have_no_likelihood(
    season: tuple[SeasonModel, np.ndarray, Totals],
) -> None:
    assert season[2].log_likelihood(np.array([-5.0, -5.0, -5.0])) == -np.inf
