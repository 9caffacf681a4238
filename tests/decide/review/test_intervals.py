"""Intervals of few birds against scipy, and the words where there are none."""

from __future__ import annotations

import numpy as np
import pytest

from selection.decide.review.intervals import correlation_of, mean_of, slope_of

ONE = np.zeros(30)


def drawn(seed: int = 1, n: int = 30) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(n)
    return x, 0.6 * x + rng.standard_normal(n)


def test_mean_is_scipys_t_interval() -> None:
    from scipy import stats

    x, _ = drawn()
    found = mean_of(x)
    expected = stats.t.interval(0.90, 29, loc=x.mean(), scale=stats.sem(x))
    assert (found.value, found.low, found.high) == pytest.approx((x.mean(), *expected))


def test_slope_of_one_group_is_scipys_regression() -> None:
    from scipy import stats

    x, y = drawn()
    found, fit = slope_of(x, y, ONE), stats.linregress(x, y)
    reach = stats.t.ppf(0.95, 28) * fit.stderr
    assert (found.value, found.low, found.high) == pytest.approx(
        (fit.slope, fit.slope - reach, fit.slope + reach)
    )


def test_correlation_of_one_group_is_scipys_fisher_interval() -> None:
    from scipy import stats

    x, y = drawn()
    found, fit = correlation_of(x, y, ONE), stats.pearsonr(x, y)
    expected = fit.confidence_interval(0.90)
    assert (found.value, found.low, found.high) == pytest.approx((fit.statistic, expected.low, expected.high))


def test_groups_are_compared_within_themselves() -> None:
    """Statsmodels' regression with a level for each group gives the same slope and interval."""
    import statsmodels.api as sm

    x, y = drawn()
    groups = np.repeat([0, 1, 2], 10)
    y = y + 50 * groups
    design = np.column_stack([x, *(groups == g for g in range(3))]).astype(float)
    fit = sm.OLS(y, design).fit()
    found = slope_of(x, y, groups)
    assert (found.value, found.low, found.high) == pytest.approx((fit.params[0], *fit.conf_int(0.10)[0]))


def test_a_group_of_one_tells_nothing() -> None:
    x, y = drawn()
    alone = np.append(ONE, 1.0)
    assert slope_of(np.append(x, 99.0), np.append(y, -99.0), alone).value == pytest.approx(
        slope_of(x, y, ONE).value
    )


@pytest.mark.parametrize("estimate", [slope_of, correlation_of])
def test_too_few_birds_have_words_and_no_figure(estimate) -> None:
    found = estimate(np.arange(3.0), np.arange(3.0), np.zeros(3))
    assert np.isnan(found.value)
    assert found.why == "too few to say: 3 of at least 5 birds"
    assert mean_of(np.arange(4.0)).why == "too few to say: 4 of at least 5 birds"


def test_birds_expected_alike_cannot_be_compared() -> None:
    assert "all were expected alike" in slope_of(np.ones(9), np.arange(9.0), np.zeros(9)).why
    assert "all were alike" in correlation_of(np.ones(9), np.arange(9.0), np.zeros(9)).why
