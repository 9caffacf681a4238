"""Variances of one trait: whether there is anything to learn from, and what stands where there is not."""

from __future__ import annotations

import numpy as np
import pytest

from selection.merit.variances.trait_variances import (
    MOST_LOG_VARIANCE,
    TOTAL_SD,
    _definite,
    _prior_covariance,
    _varies,
)

SHARES = np.array([0.02, 0.04, 0.05, 0.2, 0.3, 0.39])


@pytest.mark.parametrize("unit", [1e-3, 1.0, 1e4])
def test_whether_values_vary_does_not_hang_on_the_unit(unit: float) -> None:
    cells = np.repeat(np.eye(2), 5, axis=0)
    alike = unit * np.repeat([13.0, 15.3], 5)
    assert not _varies(alike, cells)  # alike within a season and sex
    assert _varies(alike + unit * np.eye(10)[0], cells)


def test_no_value_and_no_more_values_than_effects_tell_nothing() -> None:
    assert not _varies(np.zeros(0), np.zeros((0, 0)))
    assert not _varies(np.array([1.0, 2.0]), np.eye(2))


def test_the_prior_alone_leaves_the_total_and_the_shares_as_open_as_it_says() -> None:
    """Of y = log total the variance is TOTAL_SD²; a share's by the Dirichlet's information, A·(diag(s) − s sᵀ)."""
    covariance = _prior_covariance(SHARES, strength=20.0)
    assert SHARES @ covariance @ SHARES == pytest.approx(TOTAL_SD**2)
    contrast = np.array([0, 0, 0, 0, 1.0, -1.0])  # log of the ratio of two shares: 1/(A·a) + 1/(A·b)
    assert contrast @ covariance @ contrast == pytest.approx(1 / (20 * 0.3) + 1 / (20 * 0.39))
    without_day = _prior_covariance(np.array([0, 0.04, 0.05, 0.2, 0.31, 0.4]), 20.0)
    assert not without_day[0].any() and np.isfinite(without_day).all()


def test_a_covariance_with_wrong_curvature_is_turned_round_and_bounded() -> None:
    fine = np.array([[0.5, 0.1], [0.1, 0.4]])
    assert _definite(fine) is fine
    values = np.linalg.eigvalsh(_definite(np.array([[1.0, 3.0], [3.0, -9.0]])))
    assert values[0] > 0 and values[1] <= MOST_LOG_VARIANCE + 1e-9
