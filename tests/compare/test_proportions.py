"""Shares of counts against statsmodels and SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from selection.compare.hatch import FEWEST_SEEN, beta_binomial, wilson


@pytest.mark.parametrize("level", [0.90, 0.95])
def test_wilson_agrees_with_statsmodels(level: float) -> None:
    from statsmodels.stats.proportion import proportion_confint

    counts = np.array([0, 1, 5, 9, 12, 54, 1])
    numbers = np.array([12, 12, 12, 9, 12, 63, 1])
    theirs = proportion_confint(counts, numbers, alpha=1 - level, method="wilson")
    assert_allclose(wilson(counts, numbers, level), theirs, atol=1e-12)


def test_nothing_counted_may_be_anything() -> None:
    assert_allclose(wilson(0, 0), (0, 1))


def test_beta_binomial_finds_the_mean_and_correlation_that_scipy_finds_likeliest() -> None:
    """400 clutches drawn with μ = 0.7, ρ = 0.15: the maximum of scipy's own beta-binomial likelihood."""
    from scipy.optimize import minimize
    from scipy.stats import betabinom

    rng = np.random.default_rng(3)
    numbers = rng.integers(8, 16, 400)
    counts = rng.binomial(numbers, rng.beta(0.7 * (1 / 0.15 - 1), 0.3 * (1 / 0.15 - 1), 400))

    def minus_log_likelihood(theta: np.ndarray) -> float:
        mu, rho = 1 / (1 + np.exp(-theta))
        return -betabinom.logpmf(counts, numbers, mu * (1 / rho - 1), (1 - mu) * (1 / rho - 1)).sum()

    best = 1 / (1 + np.exp(-minimize(minus_log_likelihood, [0.5, -2.0]).x))
    fitted = beta_binomial(counts, numbers)
    assert fitted is not None
    assert_allclose([fitted.mean, fitted.correlation], best, atol=0.01)


def test_own_share_is_the_beta_posterior_where_the_distribution_is_known() -> None:
    """With one point of the grid the answer is Beta(a + k, b + n − k)."""
    from scipy.stats import beta

    fitted = beta_binomial([8, 9, 7, 10, 6, 9], [12] * 6)
    assert fitted is not None
    point = type(fitted)(0.75, 0.1, np.ones(1), np.array([[6.75, 2.25]]))
    mean, low, high = point.shares([12, 3], [12, 12])
    for i, k in enumerate((12, 3)):
        exact = beta(6.75 + k, 2.25 + 12 - k)
        assert_allclose([mean[i], low[i], high[i]], [exact.mean(), *exact.ppf([0.05, 0.95])], atol=1e-6)


def test_clutches_are_drawn_together_the_more_the_less_they_differ() -> None:
    alike = beta_binomial([9, 9, 10, 9, 8, 9, 9, 9], [12] * 8)
    unlike = beta_binomial([12, 3, 12, 2, 11, 4, 12, 1], [12] * 8)
    assert alike is not None
    assert unlike is not None
    assert alike.correlation < 0.1 < unlike.correlation
    assert alike.shares([12], [12])[0] < unlike.shares([12], [12])[0]
    assert unlike.effective(96, 8) < alike.effective(96, 8) < 96


def test_too_few_clutches_say_nothing_of_how_they_differ() -> None:
    assert beta_binomial([5] * (FEWEST_SEEN - 1) + [0], [12] * (FEWEST_SEEN - 1) + [0]) is None
    assert beta_binomial([5] * FEWEST_SEEN, [12] * FEWEST_SEEN) is not None


def test_intervals_of_clutches_cover_their_own_share() -> None:
    """Ten clutches of twelve eggs, μ and ρ drawn as held beforehand: about 90 % of the intervals hold the truth.

    120 clutches: a standard error of 0.03, some more as those of one draw hang together.
    """
    rng = np.random.default_rng(9)
    inside = []
    for _ in range(12):
        mu, size = rng.uniform(), 1 / rng.uniform(0.01, 0.6) - 1
        truth = rng.beta(mu * size, (1 - mu) * size, 10)
        counts = rng.binomial(12, truth)
        fitted = beta_binomial(counts, np.full(10, 12))
        assert fitted is not None
        _, low, high = fitted.shares(counts, np.full(10, 12))
        inside.append((low <= truth) & (truth <= high))
    assert 0.81 <= np.mean(inside) <= 0.99
