"""Growth of a flock: where its curves come from, weights at an age, and the weighings it cannot use."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from selection.records.flock import Flock
from selection.standard.growth import _log_sd, fit_growth
from tests.standard.flocks import BY_EYE, SIZE, STANDARD, grown, make_flock

AGES = (4, 8, 12, 16, 20, 24)


def cockerels(number: int = 60, ages: tuple[int, ...] = AGES) -> tuple[Flock, dict[str, float]]:
    rows, true = grown(np.random.default_rng(1), number, ages)
    return make_flock(dict.fromkeys(true, "male"), rows), true


def test_the_curve_is_the_holdings_own_where_it_weighed_enough() -> None:
    flock, _ = cockerels()
    growth = fit_growth(flock)
    male = growth.curves.set_index("sex").loc["male"]
    assert male["source"] == "weighings" and male["n"] == 360
    truth = 4000 * np.exp(-4.5 * np.exp(-0.16 * np.array(AGES)))
    assert growth.expected("male", AGES) == pytest.approx(
        truth, rel=0.04
    )  # 60 birds of sd 9 %: mean to 1.2 %
    assert any("Growth curve of males from 360 weighings at 4 to 24 weeks" in s for s in growth.sentences)


def test_with_too_few_weighings_the_curve_goes_through_the_band_and_that_is_said() -> None:
    flock, _ = cockerels(1, ages=(8, 12, 16))
    growth = fit_growth(flock)
    assert list(growth.curves["source"]) == ["band", "band"]
    assert growth.expected(["male", "female"], 24.0) == pytest.approx([3600, 2800])
    assert growth.sentences[0] == (
        "3 weighings of males, too few for a growth curve: theirs is the one through the band of size."
    )


def test_weighings_close_in_age_say_nothing_of_a_curve() -> None:
    growth = fit_growth(cockerels(30, ages=(12,))[0])
    assert growth.curves.set_index("sex").loc["male", "source"] == "band"
    assert "too close in age" in growth.sentences[0]


def test_without_a_single_weighing_everything_is_still_there() -> None:
    growth = fit_growth(make_flock({"a": "male", "b": "female"}))
    at = growth.at_age(["a", "b"], 24)
    assert at["grams"].tolist() == pytest.approx([3600, 2800])
    assert (at["se"] > 0.1 * at["grams"]).all()
    assert set(at["why"]) == {"never weighed: the mean of its sex"}
    assert growth.deviations.empty and growth.left_out.empty


def test_without_a_band_a_usual_curve_gives_way_to_the_weighings() -> None:
    rows, true = grown(np.random.default_rng(2), 30, AGES)
    bantams = [(bird, weeks, grams / 4) for bird, weeks, grams in rows]
    growth = fit_growth(make_flock(dict.fromkeys(true, "male"), bantams, standard=BY_EYE))
    assert growth.left_out.empty
    assert growth.expected("male", 24.0) == pytest.approx(1000 * np.exp(-4.5 * np.exp(-0.16 * 24)), rel=0.06)


def test_the_weight_at_an_age_holds_the_truth_nine_times_in_ten() -> None:
    flock, true = cockerels(200)
    at = fit_growth(flock).at_age(list(true), 24)
    truth = 4000 * np.exp(-4.5 * np.exp(-0.16 * 24) + np.array(list(true.values())))
    inside = (np.abs(at["grams"] - truth) < 1.645 * at["se"]).mean()
    assert 0.84 < inside < 0.97  # 200 birds that share one curve: about two standard errors either way
    assert np.corrcoef(at["grams"], truth)[0, 1] > 0.97


def test_a_birds_own_weighings_tell_its_weight_better_than_the_curve_is_known() -> None:
    flock, _ = cockerels(6)
    growth = fit_growth(flock)
    at = growth.at_age(["c000"], 24)
    assert at.loc[0, "se"] / at.loc[0, "grams"] < 0.8 * growth.fitted["male"].log_sd(24.0)


def test_keeping_the_heavy_birds_does_not_bend_the_curve_upwards() -> None:
    rows, true = grown(np.random.default_rng(4), 120, AGES)
    kept = {bird for bird, off in true.items() if off > 0.03}
    seen = [(bird, weeks, grams) for bird, weeks, grams in rows if weeks <= 12 or bird in kept]
    growth = fit_growth(make_flock(dict.fromkeys(true, "male"), seen))
    truth = 4000 * np.exp(-4.5 * np.exp(-0.16 * 24))
    among_kept = np.exp(np.mean([off for off in true.values() if off > 0.03]))
    assert among_kept > 1.08
    assert growth.expected("male", 24.0) == pytest.approx(truth, rel=0.03)


def test_a_birds_deviation_is_shrunken_and_the_raw_ones_are_not() -> None:
    flock, _ = cockerels(40, ages=(4, 24))
    growth = fit_growth(flock)
    raw = growth.deviations.groupby("bird")["log_deviation"].mean()
    own = growth.birds.set_index("bird")["deviation"]
    assert own.std() < raw.std()
    weights = flock.weights.loc[growth.deviations["row"], "grams"].to_numpy()
    expected = growth.expected(growth.deviations["sex"], growth.deviations["age_weeks"])
    assert np.log(weights / expected) == pytest.approx(growth.deviations["log_deviation"].to_numpy())


def test_a_weight_carried_on_more_than_4_weeks_says_so() -> None:
    growth = fit_growth(cockerels(20, ages=(4, 12))[0])
    at = growth.at_age(["c000"], 16)
    assert at.loc[0, "why"] == ""
    at = growth.at_age(["c000"], 24)
    assert at.loc[0, "why"] == "last weighed at 12 weeks; carried on 12 weeks along the curve"
    assert any("from there to 24 weeks it leans on the band of size" in s for s in growth.sentences)


def test_a_weight_in_kilograms_is_named_and_left_out() -> None:
    rows, true = grown(np.random.default_rng(3), 20, AGES)
    rows[5] = ("c000", 24, 3.4)
    flock = make_flock(dict.fromkeys(true, "male"), rows)
    growth = fit_growth(flock)
    assert growth.left_out["row"].tolist() == [5]
    assert 5 not in set(growth.deviations["row"])
    odd = [s for s in growth.sentences if "kilograms?" in s]
    assert len(odd) == 1 and "c000: 3.4 g on 2026-09-16 is left out: " in odd[0]
    assert growth.curves.set_index("sex").loc["male", "n"] == 119


@pytest.mark.parametrize(("times", "kept"), [(1 / 6, False), (1 / 4, True), (4, True), (6, False)])
def test_only_a_weight_five_times_off_is_left_out(times: float, kept: bool) -> None:
    growth = fit_growth(make_flock({"a": "male"}, [("a", 24, 3600 * times)]))
    assert growth.left_out.empty == kept


def test_a_weight_before_hatching_is_not_called_a_slip_of_the_pen() -> None:
    growth = fit_growth(make_flock({"a": "male"}, [("a", -2, 3600)]))
    assert growth.left_out["why"].tolist() == ["before hatching"]


def test_all_weights_in_kilograms_are_all_named() -> None:
    rows, true = grown(np.random.default_rng(3), 8, AGES)
    growth = fit_growth(make_flock(dict.fromkeys(true, "male"), [(b, w, g / 1000) for b, w, g in rows]))
    assert len(growth.left_out) == 48
    assert growth.expected("male", 24.0) == pytest.approx(3600)


def test_birds_without_an_age_are_left_out_and_counted() -> None:
    birds = pd.DataFrame(
        {
            "bird": ["known", "nothing", "year", "older"],
            "sex": "female",
            "hatched_on": ["2026-04-01", None, "2026", "2024"],
        }
    )
    weights = [("known", 20, 2500), ("nothing", 20, 2500), ("year", 20, 2500), ("older", 20, 2900)]
    growth = fit_growth(make_flock(birds, weights))
    assert growth.left_out.set_index("bird")["why"].to_dict() == {
        "nothing": "no hatch date",
        "year": "still growing, and only the year of hatching known",
    }
    assert sorted(growth.deviations["bird"]) == ["known", "older"]
    assert "1 weighing is left out: no hatch date." in growth.sentences


def test_unnamed_chicks_enter_the_deviations_with_their_clutchs_age() -> None:
    clutches = pd.DataFrame(
        {
            "clutch": ["26-H1"],
            "origin": ["home-bred"],
            "set_on": pd.to_datetime(["2026-03-11"]),
            "hatched_on": pd.to_datetime(["2026-04-01"]),
        }
    )
    weights = pd.DataFrame(
        {
            "on": pd.to_datetime(["2026-05-13"] * 2),
            "bird": [None, "a"],
            "clutch": ["26-H1", None],
            "sex": ["female", None],
            "n": [5.0, np.nan],
            "grams": [640.0, 700.0],
        }
    )
    growth = fit_growth(make_flock({"a": "male"}, weights, clutches=clutches))
    crate, bird = growth.deviations.iloc[0], growth.deviations.iloc[1]
    assert pd.isna(crate["bird"]) and crate["clutch"] == "26-H1" and crate["n"] == 5
    assert crate["age_weeks"] == bird["age_weeks"] == 6
    assert (crate["sex"], bird["sex"]) == ("female", "male")
    assert growth.birds["bird"].tolist() == ["a"]


def test_birds_of_unknown_sex_stand_beside_the_mean_curve() -> None:
    growth = fit_growth(make_flock({"a": "unknown", "b": "male"}, [("a", 24, 3175), ("b", 24, 3600)]))
    assert growth.expected("unknown", 24.0) == pytest.approx(np.sqrt(3600 * 2800))
    assert growth.deviations.loc[0, "log_deviation"] == pytest.approx(0, abs=1e-3)
    se = growth.birds.set_index("bird")["deviation_se"]
    assert se["a"] > se["b"]
    never = fit_growth(make_flock({"a": "unknown", "b": "male"})).birds.set_index("bird")["deviation_se"]
    # half of what the sexes' curves lie apart, grown: a little more than they do at 24 weeks
    assert never["a"] == pytest.approx(np.hypot(never["b"], np.log(3600 / 2800) / 2), rel=0.03)


def test_what_the_mixed_model_needs_is_there() -> None:
    growth = fit_growth(cockerels(40)[0])
    needed = {"row", "bird", "on", "age_weeks", "sex", "log_deviation", "residual_sd"}
    assert needed <= set(growth.deviations)
    assert (np.diff(growth.deviations.iloc[:6]["residual_sd"]) < 0).all()
    assert 0 < growth.between_sd < 0.2 and growth.decay_weeks > 0


def test_a_bird_that_is_not_in_the_flock_is_named() -> None:
    with pytest.raises(KeyError, match="not in this flock: ghost"):
        fit_growth(make_flock({"a": "male"})).at_age(["a", "ghost"], 24)


def test_the_standard_of_these_tests_is_a_whole_one() -> None:
    assert sum(s.points for s in STANDARD.sections) == 100 == sum(s.points for s in BY_EYE.sections)
    assert SIZE in STANDARD.by_measure


def test_of_unknown_sex_the_curve_s_error_is_that_of_the_mean_of_both() -> None:
    curves = {
        sex: SimpleNamespace(log_sd=lambda ages, pull, sd=sd: np.full(len(ages), sd))
        for sex, sd in (("male", 0.3), ("female", 0.4))
    }
    found = _log_sd(curves, ["male", "female", "unknown"], [9.0, 9.0, 9.0], np.zeros(3))
    assert found == pytest.approx([0.3, 0.4, 0.25])


def test_how_far_a_curve_leans_on_its_prior_goes_by_the_oldest_weighing() -> None:
    young, _ = cockerels(ages=(4, 8, 12, 16))
    assert any("from there to 24 weeks it leans on" in said for said in fit_growth(young).sentences)
    whole, _ = cockerels()
    assert not any(
        "males" in said and "leans" in said for said in fit_growth(whole).sentences if "female" not in said
    )
