"""Rates against the truth of invented seasons; the long run is tests/benchmarks/simulate_laying.py."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.benchmarks.simulate_laying import inseparable, simulated_rows, summary, told_apart
from tests.compare.simulated_laying import World

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def rows() -> pd.DataFrame:
    """Two pens, 6 to 12 hens of three hatch years, shocks, moves and gaps: 24 seasons."""
    return simulated_rows(World(), 24, seed=11)


def test_intervals_hold_the_truth_about_as_often_as_they_say(rows: pd.DataFrame) -> None:
    # 0.9 of some 33 rows and of 72: three standard errors are 0.16 and 0.11
    assert 0.74 <= rows.loc[rows["shown"], "cover"].mean() <= 1.0
    every = rows[~rows["joined"]]
    assert 0.79 <= every["cover"].mean() <= 1.0
    assert 0.79 <= every["these"].mean() <= 1.0


def test_rates_are_right_on_average_and_near_the_fit_that_knows_every_variance(rows: pd.DataFrame) -> None:
    every = summary(rows[~rows["joined"]])
    # the mean of 24 seasons is known to 0.007
    assert abs(every["bias"]) < 0.02
    assert every["ratio"] <= 1.15
    assert every["rmse"] < 0.09


def test_some_rows_are_told_apart_and_some_are_not(rows: pd.DataFrame) -> None:
    shown = rows[rows["shown"]]
    assert 0.1 < shown["joined"].mean() < 0.9


def test_pens_that_hold_the_hatch_years_alike_are_never_told_apart() -> None:
    assert not any(told_apart(k, world, seed=3) for k, world in inseparable(10))


def test_a_world_gives_back_what_it_was_asked_for() -> None:
    """The simulator itself: the truth of many hens without spread, shocks or decline is the rate asked for."""
    from tests.compare.simulated_laying import simulate

    calm = World(
        hens=(60, 60),
        hatch_sd=0,
        hens_sd=0,
        shock_sd=0,
        pen_shock_sd=0,
        curve_sd=0,
        decline=1.0,
        decline_sd=0,
    )
    found = [simulate(calm, np.random.default_rng(k)) for k in range(3)]
    for one in found:
        counted = one.flock.eggs["eggs"].sum() / one.truth["hen_days"].sum()
        assert counted == pytest.approx(
            np.average(one.truth["rate"], weights=one.truth["hen_days"]), abs=0.02
        )
        assert np.ptp(one.truth["rate"]) < 0.01
