"""The totals' covariance and likelihood against the whole matrices of a model of all sections, by definition."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csr_array

from selection.merit.mixed_equations import independent_columns
from selection.merit.season_model import SeasonModel
from selection.merit.variances.correlations import Totals, _fixed_columns, totals_of, variances_at
from tests.benchmarks.simulate_merit import true_variances
from tests.merit.variances.test_correlations import model_of
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


def test_covariance_is_that_of_all_sections_freed_and_added_up(
    season: tuple[SeasonModel, np.ndarray, Totals],
) -> None:
    """T V Tᵀ, V of all values of all sections by the model's own matrices, T freeing and adding up each look's."""
    model, parts, totals = season
    variances = variances_at(parts, RHO, NAMED)
    looks = model.looks[(model.looks >= 0).sum(axis=1) > 1]
    assert (looks < 0).any()
    rows = model.observations.rows.iloc[looks.max(axis=1)]
    X = _fixed_columns(rows)
    adds = np.zeros((len(looks), len(model.y)))
    for column in looks.T:
        here = column >= 0
        adds[np.ix_(here, column[here])] += np.eye(here.sum()) - X[here] @ np.linalg.pinv(X[here])
    values = adds @ np.linalg.inv(model.residual(variances)[0].toarray()) @ adds.T
    for term in model.terms(variances)[1:]:
        loads = adds @ term.design
        assert term.precision is not None
        values += loads @ np.linalg.solve(term.precision.toarray(), loads.T)
    np.testing.assert_allclose(totals.y, adds @ model.y, atol=1e-8)
    np.testing.assert_allclose(X.T @ totals.y, 0, atol=1e-7)
    along = np.linalg.qr(X[:, independent_columns(csr_array(X))])[0]
    np.testing.assert_allclose(totals.covariance(RHO), values + along @ along.T, rtol=1e-7, atol=1e-9)


def test_likelihood_is_that_of_a_normal_on_what_the_fixed_effects_leave(
    season: tuple[SeasonModel, np.ndarray, Totals],
) -> None:
    """The density of A'y (scipy's normal), A an orthonormal basis of what is upright to the fixed effects."""
    from scipy.stats import multivariate_normal

    _, _, totals = season
    values, vectors = np.linalg.eigh(totals.apart)
    assert values[0] > 0
    for x in (RHO, np.array([0.0, 0.1, 0.0])):
        covariance = vectors.T @ totals.covariance(x) @ vectors
        said = multivariate_normal(cov=covariance).logpdf(vectors.T @ totals.y)
        said += 0.5 * len(totals.y) * np.log(2 * np.pi)
        assert totals.log_likelihood(x) == pytest.approx(said, abs=1e-6)


def test_correlations_that_cannot_be_have_no_likelihood(
    season: tuple[SeasonModel, np.ndarray, Totals],
) -> None:
    assert season[2].log_likelihood(np.array([-5.0, -5.0, -5.0])) == -np.inf
