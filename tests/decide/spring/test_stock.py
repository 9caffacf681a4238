"""The best that choosing finds, against tables of order statistics; a supplier's level as its chicks told."""

from __future__ import annotations

import numpy as np
import pytest

from selection.decide.spring.stock import best_found

HIGHEST_OF = {2: 0.56419, 3: 0.84628, 4: 1.02938, 5: 1.16296, 6: 1.26721, 8: 1.42360, 10: 1.53875}
"""Mean of the greatest of n standard normals: Harter (1961), Biometrika 48:151 (from memory; by quadrature too)."""


@pytest.mark.parametrize("accuracy", [1.0, 0.6])
def test_the_best_found_gains_the_published_order_statistic_times_accuracy(accuracy) -> None:
    rng = np.random.default_rng(1)
    merit = rng.standard_normal((120_000, 10))
    noise = np.sqrt(1 / accuracy**2 - 1)
    found = best_found(
        merit, merit + noise * rng.standard_normal(merit.shape), np.ones(merit.shape, dtype=bool)
    )
    for number, expected in HIGHEST_OF.items():
        assert found[:, number - 1].mean() == pytest.approx(accuracy * expected, abs=0.012)


def test_only_candidates_are_found_and_before_the_first_there_is_none() -> None:
    merit = np.array([[5.0, 1.0, 3.0, 2.0]])
    there = np.array([[False, True, False, True]])
    assert np.array_equal(best_found(merit, merit, there), [[np.nan, 1.0, 1.0, 2.0]], equal_nan=True)


def test_what_choosing_sees_decides_not_what_is_true() -> None:
    merit, seen = np.array([[5.0, 1.0]]), np.array([[0.0, 9.0]])
    assert best_found(merit, seen, np.ones((1, 2), dtype=bool))[0, 1] == 1.0
