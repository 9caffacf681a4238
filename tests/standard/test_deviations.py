"""Birds' own deviations against the best prediction written out, and spreads whose truth is known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from selection.standard.deviations import PRIOR, Spread, by_count, fit_spread, shrunken, whitener

SPREAD = Spread(between_sd=0.09, late_sd=0.03, early_sd=0.12, decay_weeks=4.0)


def flat(rows: Sequence[object] | np.ndarray) -> np.ndarray:
    """Slopes of a curve that is known."""
    return np.zeros((len(rows), 3))


def covariance(spread: Spread, ages: np.ndarray) -> np.ndarray:
    """Of one bird's residuals, pair by pair."""
    found = np.empty((len(ages), len(ages)))
    for i, a in enumerate(ages):
        for j, b in enumerate(ages):
            sd_a = np.sqrt(spread.late_sd**2 + spread.early_sd**2 * np.exp(-a / 5))
            sd_b = np.sqrt(spread.late_sd**2 + spread.early_sd**2 * np.exp(-b / 5))
            found[i, j] = sd_a * sd_b * np.exp(-abs(a - b) / spread.decay_weeks)
    return found


def simulated(rng: np.random.Generator, birds: int, ages: np.ndarray) -> tuple[np.ndarray, ...]:
    """Birds, ages, deviations and each bird's own true deviation."""
    own = rng.normal(0, SPREAD.between_sd, birds)
    residuals = rng.multivariate_normal(np.zeros(len(ages)), covariance(SPREAD, ages), birds)
    names = np.repeat(np.arange(birds), len(ages))
    return names, np.tile(ages, birds), (own[:, None] + residuals).ravel(), own


def test_by_count_gathers_each_birds_rows() -> None:
    groups = by_count(["b", "a", "b", "c", "b"])
    assert sorted(rows.shape for rows in groups) == [(1, 3), (2, 1)]
    assert sorted(np.concatenate([rows.ravel() for rows in groups])) == [0, 1, 2, 3, 4]
    assert next(rows for rows in groups if rows.shape[1] == 3).tolist() == [[0, 2, 4]]


def test_the_shrunken_deviation_is_the_best_linear_prediction() -> None:
    birds = np.array(["x", "y", "x", "x", "y", "z"])
    ages = np.array([4.0, 8.0, 9.0, 20.0, 16.0, 24.0])
    off = np.array([0.2, -0.1, 0.12, 0.08, -0.02, 0.05])
    own = shrunken(SPREAD, birds, ages, off, flat(off))
    for name, m, s in zip(own.birds, own.deviation, own.se, strict=True):
        rows = birds == name
        inverse = np.linalg.inv(covariance(SPREAD, ages[rows]) + SPREAD.between_sd**2)
        weights = SPREAD.between_sd**2 * inverse.sum(axis=0)
        assert m == pytest.approx(weights @ off[rows], rel=1e-4)
        assert s == pytest.approx(SPREAD.between_sd * np.sqrt(1 - weights.sum()), rel=1e-4)


def test_a_weight_at_4_weeks_tells_little_and_six_weights_more_than_one() -> None:
    birds = ["early", "late", *["six"] * 6]
    early, late, six = shrunken(SPREAD, birds, [4, 24, 4, 8, 12, 16, 20, 24], np.zeros(8), flat(birds)).se
    assert SPREAD.between_sd > early > late > six > 0


def test_doubt_about_the_curve_widens_the_standard_error() -> None:
    own = shrunken(SPREAD, ["sexed", "unsexed"], [12, 12], [0.1, 0.1], np.zeros((2, 3)), [0.0, 0.13])
    assert own.deviation[1] > own.deviation[0]
    assert own.se[1] > own.se[0]


def test_the_standard_error_is_the_scatter_around_the_truth() -> None:
    birds, ages, off, own = simulated(np.random.default_rng(5), 800, np.array([4.0, 10.0, 20.0]))
    found = shrunken(SPREAD, birds, ages, off, flat(off))
    assert np.std(found.deviation - own) == pytest.approx(found.se[0], rel=0.08)  # 800 birds: known to 2.5 %
    assert np.polyfit(found.deviation, own, 1)[0] == pytest.approx(1.0, abs=0.05)


def test_the_pull_is_what_the_prediction_gives_way_by() -> None:
    birds, ages = ["x", "x", "y"], np.array([6.0, 14.0, 10.0])
    slopes = np.array([[1.0, -0.8, 2.0], [1.0, -0.2, 1.5], [1.0, -0.5, 2.2]])
    before, step = np.array([0.1, 0.06, -0.05]), np.array([0.01, 0.02, -0.03])
    own = shrunken(SPREAD, birds, ages, before, slopes)
    moved = shrunken(SPREAD, birds, ages, before - slopes @ step, slopes)
    assert own.deviation - moved.deviation == pytest.approx(own.pull @ step)


def test_whitened_rows_have_the_density_of_the_raw_ones() -> None:
    birds, ages, off, _ = simulated(np.random.default_rng(8), 3, np.array([4.0, 10.0, 20.0]))
    white = whitener(SPREAD, birds, ages)(off)
    expected = sum(
        row @ np.linalg.inv(covariance(SPREAD, ages[:3]) + SPREAD.between_sd**2) @ row
        for row in off.reshape(3, 3)
    )
    assert white @ white == pytest.approx(expected, rel=1e-4)
    columns = whitener(SPREAD, birds, ages)(np.stack([off, 2 * off], axis=1))
    assert columns == pytest.approx(np.stack([white, 2 * white], axis=1))


def test_a_crate_of_n_chicks_counts_n_times() -> None:
    one, crate = whitener(SPREAD, ["a", "b"], [6.0, 6.0], [1, 9])(np.array([0.1, 0.1]))
    assert crate == pytest.approx(3 * one)


def test_without_weighings_the_prior_comes_back() -> None:
    found = fit_spread([], [], [])
    assert (found.between_sd, found.late_sd, found.early_sd, found.decay_weeks) == pytest.approx(
        (PRIOR.between_sd, PRIOR.late_sd, PRIOR.early_sd, PRIOR.decay_weeks), rel=1e-6
    )


def test_many_weighings_show_the_spread_they_came_from() -> None:
    birds, ages, off, _ = simulated(np.random.default_rng(6), 400, np.arange(4.0, 25.0, 4.0))
    found = fit_spread(birds, ages, off)
    assert found.between_sd == pytest.approx(SPREAD.between_sd, rel=0.12)
    assert found.residual_sd([4, 24]) == pytest.approx(SPREAD.residual_sd([4, 24]), rel=0.15)
    assert found.decay_weeks == pytest.approx(SPREAD.decay_weeks, rel=0.35)


def test_a_few_weighings_hardly_move_the_prior() -> None:
    birds, ages, off, _ = simulated(np.random.default_rng(7), 2, np.array([4.0, 12.0]))
    found = fit_spread(birds, ages, off)
    assert abs(np.log(found.between_sd / PRIOR.between_sd)) < 0.35
    assert abs(np.log(found.decay_weeks / PRIOR.decay_weeks)) < 0.35


def test_the_residual_falls_with_age() -> None:
    assert (np.diff(SPREAD.residual_sd([2, 4, 8, 16, 40])) < 0).all()
