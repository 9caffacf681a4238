"""What one more look or weighing is worth: against order statistics, by hand, and on an invented holding in summer."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from selection.answer import Kind
from selection.decide.summer.worth_seeing import _gain, _short_list, this_week, worth_seeing
from selection.merit.ranking import rank
from selection.records.flock import read_flock
from tests.show import held


def test_learning_all_of_two_like_birds_gains_the_mean_of_the_greater_of_two() -> None:
    """E of the greater of two standard normals, 0.56419: Harter (1961), Biometrika 48:151 (from memory)."""
    then = np.random.default_rng(1).standard_normal((200_000, 2))
    assert _gain(np.zeros(2), then, 1) == pytest.approx(0.56419, abs=0.006)
    assert _gain(np.zeros(2), then, 2) == pytest.approx(0, abs=0.01)  # both stay whatever is learnt


def test_the_list_takes_the_pair_that_counts_and_stops_where_the_rest_adds_nothing() -> None:
    def value(some):
        return 1.0 * (0 in some and 2 in some) + 0.01 * (1 in some)

    assert [at for at, _ in _short_list(value, 4, 0.1)] == [0, 2]
    assert sum(adds for _, adds in _short_list(value, 4, 0.1)) == pytest.approx(1.0)


def test_what_is_not_worth_the_walk_is_not_listed() -> None:
    assert _short_list(lambda some: 0.05 * len(some) / 4, 4, 0.1) == []


@pytest.fixture(scope="module")
def summer():
    """The invented holding in August, seen before the season's first look."""
    flock = read_flock(held.flock_path())
    return read_flock(held.flock_path(), replace(flock.plan, on=date(flock.plan.season, 8, 1)))


@pytest.mark.slow
def test_in_summer_there_is_a_short_list_of_living_young_birds(summer) -> None:
    merit = rank(summer)
    table = worth_seeing(summer, merit).table
    assert len(table) and set(table["do"]) <= {"look", "weigh"}
    young = summer.birds[(summer.birds["hatch_year"] == summer.plan.season) & summer.birds["alive"]]
    assert set(table["bird"]) <= set(young["bird"])
    together = table.groupby(["group", "do"])
    assert together["adds"].sum().to_numpy() == pytest.approx(together["together"].first().to_numpy())
    assert (together["together"].first() >= summer.plan.look_worth).all()
    dear = replace(summer, plan=replace(summer.plan, look_worth=50.0))
    assert worth_seeing(dear, merit).table.empty
    assert "is worth the walk" in worth_seeing(dear, merit).texts(Kind.SHORT)[0]


def test_nothing_is_worked_out_where_there_is_nobody_to_choose_among(summer) -> None:
    none = replace(summer, birds=summer.birds.assign(alive=False))
    assert this_week(none) is None
