"""The best that choosing finds, against tables of order statistics; a supplier's level as its chicks told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, logit

from selection.decide.spring.stock import (
    BARRED_BEFORE,
    OWN_EGGS,
    USUAL_LOGIT_SD,
    Rearing,
    Stage,
    broods,
    learn_rearing,
    learn_stage,
    reared_of,
)
from selection.decide.spring.ways import best_found
from selection.records.flock import flock_from_forms
from tests.benchmarks.simulate_springs import comes_true
from tests.records import small

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


CERTAIN = (1e-9, 1e9)
"""A Beta of the share barred that bars nobody."""


def known(chance: float, rho: float) -> Stage:
    """A stage of which everything is known."""
    nodes = np.full((1, 11), chance)
    even = np.full(11, 1 / 11)
    return Stage(np.ones(1), nodes, np.array([rho]), {}, even)


def through(stage: Stage, clutch: int = 12) -> Rearing:
    return Rearing({"all": stage}, CERTAIN, {}, clutch)


def test_chicks_of_one_clutch_are_beta_binomial_as_in_scipy() -> None:
    from scipy import stats

    chance, rho, eggs = 0.7, 0.2, 12
    brood = broods(through(known(chance, rho)), "anyone", eggs, 60_000, np.random.default_rng(1))
    found = np.bincount(brood.reared.sum(axis=1), minlength=eggs + 1) / 60_000
    spread = 1 / rho - 1
    expected = stats.betabinom(eggs, chance * spread, (1 - chance) * spread).pmf(np.arange(eggs + 1))
    assert np.abs(found - expected).max() < 0.006


def test_eggs_of_two_clutches_share_nothing_but_their_supplier() -> None:
    brood = broods(through(known(0.6, 0.3), clutch=6), "anyone", 12, 60_000, np.random.default_rng(2))
    first, second = brood.reared[:, :6].sum(axis=1), brood.reared[:, 6:].sum(axis=1)
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.02
    assert first.var() == pytest.approx(6 * 0.6 * 0.4 * (1 + 5 * 0.3), rel=0.03)


@pytest.mark.parametrize(("wanted", "chance", "sure"), [(1, 0.5, 0.95), (4, 0.31, 0.9), (8, 0.4, 0.8)])
def test_how_many_to_set_is_the_negative_binomial_s_quantile(wanted, chance, sure) -> None:
    """Eggs until the n-th success: scipy.stats.nbinom counts the failures before it."""
    from scipy import stats

    eggs = int(stats.nbinom.ppf(sure, wanted, chance)) + wanted
    brood = broods(through(known(chance, 1e-9)), "anyone", eggs, 60_000, np.random.default_rng(3))
    so_far = np.cumsum(brood.reared, axis=1)
    enough = (so_far >= wanted).mean(axis=0)
    exact = stats.nbinom.cdf(np.arange(1, eggs + 1) - wanted, wanted, chance)
    assert enough == pytest.approx(exact, abs=0.008)
    assert exact[-1] >= sure > exact[-2]


def test_half_of_the_chicks_are_cockerels_as_counted_at_hatching() -> None:
    """Hays (1945), American Naturalist: 432 males of 870 chicks sexed in 1935 to 1944 (as quoted on a web page)."""
    from scipy import stats

    counted = stats.binomtest(432, 870, 0.5).proportion_ci(0.90)
    brood = broods(through(known(0.999, 1e-9)), "anyone", 12, 20_000, np.random.default_rng(4))
    assert counted.low < brood.male.mean() < counted.high
    assert brood.male.mean() == pytest.approx(0.5, abs=0.005)


def test_what_is_learnt_of_a_stage_agrees_with_weighing_draws_of_the_prior() -> None:
    """The same three layers with continuous priors, by importance sampling with scipy's own beta-binomial."""
    from scipy import stats

    counts = {"a": ([3, 5], [12, 12]), "b": ([11, 12], [12, 12])}
    rng = np.random.default_rng(5)
    n = 200_000
    common = logit(0.8) + USUAL_LOGIT_SD * rng.standard_normal(n)
    tau = np.abs(0.5 * rng.standard_normal(n))
    rho = rng.beta(1, 9, n)
    chances, weights = {}, np.zeros(n)
    for source, (passed, of) in counts.items():
        chance = np.clip(expit(common + tau * rng.standard_normal(n)), 1e-4, 1 - 1e-4)
        spread = 1 / rho - 1
        for k, m in zip(passed, of, strict=True):
            weights += stats.betabinom(m, chance * spread, (1 - chance) * spread).logpmf(k)
        chances[source] = chance
    weights = np.exp(weights - weights.max())
    stage = learn_stage(counts, 0.8)
    for source, chance in chances.items():
        assert stage.mean(source) == pytest.approx(float(weights @ chance / weights.sum()), abs=0.02)


def test_many_clutches_speak_for_themselves_few_are_drawn_to_the_others_and_none_is_least_known() -> None:
    many = ([6] * 40, [12] * 40)
    stage = learn_stage({"many": many, "one": ([2], [12]), "good": ([11] * 20, [12] * 20)}, 0.85)
    assert stage.mean("many") == pytest.approx(0.5, abs=0.02)
    assert 2 / 12 + 0.1 < stage.mean("one") < stage.mean("never")
    rng = np.random.default_rng(6)
    spread = {s: stage.draw(s, 4_000, rng)[0].std() for s in ("many", "one", "never")}
    assert spread["many"] < spread["one"] < spread["never"]


def test_clutches_that_go_wrong_as_a_whole_are_seen() -> None:
    """The same mean share, once with clutches alike, once with whole clutches lost."""
    alike = learn_stage({"x": ([8] * 15, [12] * 15)}, 0.7)
    uneven = learn_stage({"x": ([12] * 10 + [0] * 5, [12] * 15)}, 0.7)
    assert uneven.weights @ uneven.correlations > 2.5 * (alike.weights @ alike.correlations)


def test_more_eggs_never_give_fewer_birds() -> None:
    stage = learn_stage({OWN_EGGS: ([9, 10, 4], [12, 12, 12])}, 0.8)
    brood = broods(through(stage), OWN_EGGS, 40, 500, np.random.default_rng(7))
    assert (np.diff(np.cumsum(brood.candidates(True), axis=1)) >= 0).all()


def test_what_is_said_to_be_enough_with_nine_in_ten_is_so_in_85_to_95_springs_of_a_hundred() -> None:
    """A short run of the benchmark: clutches and suppliers unlike the prior, each way set in 40 springs that follow."""
    made = np.array(
        [pair for seed in range(1, 9) for pair in comes_true(np.random.default_rng(seed), springs=40)]
    )
    stated, true = made.mean(axis=0)
    assert len(made) >= 30 and 0.9 <= stated < 0.93
    assert 0.85 < true < 0.95


# -- from the forms ------------------------------------------------------------------------------------------


@pytest.fixture
def flock(tmp_path):
    forms = small.forms()
    forms["birds"] += [
        {"bird": "26-05", "sex": "male", "clutch": "26-B1", "gone_on": "2026-06-01", "gone_why": "died"},
        {"bird": "26-06", "sex": "male", "clutch": "26-B1", "gone_on": "2026-07-01", "gone_why": "killed"},
    ]
    return flock_from_forms(small.write(tmp_path / "forms", forms))


def test_those_that_died_are_not_reared_and_those_taken_are(flock) -> None:
    reared = reared_of(flock).set_axis(flock.clutches["clutch"])
    assert reared["26-H1"] == 2
    # 26-03, 26-04, the one killed and three weighed without a number; not the one that died
    assert reared["26-B1"] == 6


def test_a_death_after_the_meeting_s_day_of_its_year_does_not_count(flock) -> None:
    later = flock.birds.assign(
        gone_on=flock.birds["gone_on"].mask(flock.birds["bird"] == "26-05", pd.Timestamp("2026-10-11"))
    )
    assert reared_of(replace(flock, birds=later)).set_axis(flock.clutches["clutch"])["26-B1"] == 7


def test_bars_come_off_by_the_share_of_judged_birds_that_had_them(flock) -> None:
    before = learn_rearing(flock).barred
    scores = flock.scores.assign(faults="Wry Tail; pale legs")
    judged = flock.scores["bird"].nunique()
    assert before == (BARRED_BEFORE[0], BARRED_BEFORE[1] + judged)
    assert learn_rearing(replace(flock, scores=scores)).barred == (
        BARRED_BEFORE[0] + judged,
        BARRED_BEFORE[1],
    )


def test_a_supplier_s_pens_are_one_supplier_and_a_blank_count_says_nothing(flock) -> None:
    clutches = flock.clutches.assign(source=["", "Fenwick/lower"])
    found = learn_rearing(replace(flock, clutches=clutches.assign(fertile=np.nan)))
    assert found.clutches == {OWN_EGGS: 1, "fenwick": 1}
    assert found.stages["fertile"].own == {} and "fenwick" in found.stages["reared"].own
