"""How sure a choice is, on draws whose answers can be worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from selection.decide.verdicts.choice import certainty


def test_two_birds_of_known_difference() -> None:
    """d ~ N(1, 1): the first is above in Φ(1) = 0.8413, and keeping it loses E[max(−d, 0)] = 0.0833 points."""
    rng = np.random.default_rng(1)
    off = rng.standard_normal(200_000)
    draws = pd.DataFrame({"a": 1 + off, "b": np.zeros(200_000)})
    found = certainty(draws, draws.iloc[:0], ["a"])
    [pair] = found.pairs.to_dict("records")
    assert (pair["first"], pair["second"], pair["told_apart"]) == ("a", "b", False)
    assert pair["probability"] == pytest.approx(0.8413, abs=0.003)  # Monte Carlo error 0.0008
    assert found.expected_loss == pytest.approx(0.0833, abs=0.003)
    assert found.same_choice == 1


def test_keeping_the_worse_costs_the_difference_too() -> None:
    draws = pd.DataFrame({"a": [2.0, 2.0], "b": [0.0, 0.0], "c": [1.0, 1.0]})
    found = certainty(draws, draws.iloc[:0], ["b", "c"])
    assert found.expected_loss == pytest.approx(2.0)
    assert found.pairs["told_apart"].all()


def test_a_choice_that_hangs_on_the_variances() -> None:
    draws = pd.DataFrame({"a": [1.0, 0.9], "b": [0.5, 0.6]})
    scenes = pd.DataFrame({"a": [1.0, 0.4, 1.0, 1.0], "b": [0.5, 0.6, 0.5, 0.5]})
    assert certainty(draws, scenes, ["a"]).same_choice == pytest.approx(0.75)
