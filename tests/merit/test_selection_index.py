"""Merit through bands: several measured sections, on one trait or more, each by the expected points of the chicks."""

from __future__ import annotations

import numpy as np
import pytest

from selection.merit.selection_index import Band, SelectionIndex

GRID = np.linspace(-2, 2, 401)
HEAVY = Band("size", "weight band", 1, 1, GRID, 3 * GRID)
BENT = Band("early", "weight band", 1, 1, GRID, -(GRID**2))
BONE = Band("bone", "shank width band", 2, 2, GRID, 0.5 * GRID)
INDEX = SelectionIndex(np.array([1.5, 0.0, 0.2]), (HEAVY, BENT, BONE), np.array([0.0, 0.5, 0.0]))


def test_each_banded_trait_is_drawn_once_beside_the_straight_index() -> None:
    assert INDEX.weights.tolist() == [[1.5, 0, 0], [0, 1, 0], [0.2, 0, 1]]


def test_merit_adds_up_the_straight_index_and_every_band() -> None:
    values = np.array([[1.0, 0.5, -1.0], [0.0, -1.0, 2.0]])
    merit = INDEX.merit(values @ INDEX.weights)
    straight = values @ INDEX.straight
    bands = 3 * values[:, 1] - values[:, 1] ** 2 + 0.5 * values[:, 2]
    assert merit == pytest.approx(straight + bands)
    assert INDEX.parts(values).sum(axis=1) == pytest.approx(merit)


def test_slopes_are_those_of_all_bands_of_a_trait_where_the_bird_stands() -> None:
    assert INDEX.slopes(np.array([[0.0, -1.0, 1.0]]))[0] == pytest.approx([1.5, 3 + 2, 0.7])
    assert INDEX.line() == pytest.approx([1.5, 3 - 1, 0.7])
