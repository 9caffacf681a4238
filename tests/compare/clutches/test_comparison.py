"""Clutches compared: the table's promises, the usual practice and its remedies, few birds, coverage of the truth."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from selection.compare.clutches.comparison import ClutchComparison, compare_clutches
from selection.compare.clutches.model import ClutchPosterior
from selection.compare.clutches.suppliers import shared_blood
from selection.merit.candidates import called
from selection.merit.relationship.parentage import parentage
from tests.benchmarks import simulate_clutches
from tests.compare.little_season import chicks, clutch, looks, season, weighings
from tests.simulated import simulate

NUMBERS = ["difference", "low", "high", "probability"]


@pytest.fixture(scope="module")
def all_scored() -> ClutchComparison:
    return compare_clutches(simulate(3, scored="all", seasons=2).flock())


@pytest.fixture(scope="module")
def usual() -> ClutchComparison:
    """The usual practice: cockerels scored from bought-in eggs only, pullets from home-bred ones only."""
    return compare_clutches(simulate(1).flock())


def row(compared: ClutchComparison, first: str, second: str, sex: str, trait: str) -> pd.Series:
    table = compared.table
    found = table[(table["first"] == first) & (table["second"] == second)]
    found = found[(found["sex"] == sex) & (found["trait"] == trait)]
    assert len(found) == 1
    return found.iloc[0]


def test_table_has_a_row_for_every_pair_sex_and_trait(all_scored: ClutchComparison) -> None:
    table = all_scored.table
    labels = sorted(set(table["first"]) | set(table["second"]) - {"bought-in", "home-bred"})
    pairs = len([x for x in labels if x not in ("bought-in", "home-bred")])
    each = table[table["sex"] != "both"].groupby(["sex", "trait"]).size()
    assert (each == pairs * (pairs - 1) // 2 + 1).all()
    assert not table.duplicated(["first", "second", "sex", "trait"]).any()
    assert {"points", "weight", "size"} < set(table["trait"])


def test_numbers_are_there_exactly_where_separable(all_scored: ClutchComparison) -> None:
    table = all_scored.table
    told = table["separable"] == "yes"
    assert told.any()
    assert set(table["separable"]) == {"yes", "no"}
    assert table.loc[told, NUMBERS].notna().all(axis=None)
    assert table.loc[~told, NUMBERS].isna().all(axis=None)
    assert (table.loc[~told, "why"].str.len() > 10).all()
    assert table.loc[told, "probability"].between(0, 1).all()
    inside = table[told]
    assert ((inside["low"] <= inside["difference"]) & (inside["difference"] <= inside["high"])).all()


def test_same_seed_gives_the_same_table() -> None:
    flock = simulate(3, seasons=1).flock()
    pd.testing.assert_frame_equal(compare_clutches(flock).table, compare_clutches(flock).table)


def test_shrunken_difference_lies_between_none_and_the_plain_difference() -> None:
    birds = [*chicks("26-B1", 6), *chicks("26-H1", 6)]
    flock = season(
        [clutch("26-B1", "bought-in"), clutch("26-H1")],
        birds,
        looks(birds, np.random.default_rng(2), {"26-B1": 6.0}),
    )
    compared = compare_clutches(flock)
    means = compared.clutches.query("sex == 'male' and trait == 'type'").set_index("clutch")["mean"]
    looked = flock.scores.assign(clutch=flock.scores["bird"].str[:5])
    assert_allclose(means, looked.groupby("clutch")["type"].mean().reindex(means.index))
    told = row(compared, "26-B1", "26-H1", "male", "type")
    assert 0 < told["difference"] < means["26-B1"] - means["26-H1"]
    assert told["probability"] > 0.9


def test_contrasts_of_a_mixture_agree_with_draws_from_it() -> None:
    from scipy.stats import norm

    rng = np.random.default_rng(5)
    weights = np.array([0.2, 0.5, 0.3])
    means, roots = rng.normal(size=(3, 2)), rng.normal(size=(3, 2, 2))
    known = ClutchPosterior(weights, means, roots @ roots.transpose(0, 2, 1), np.ones(2))
    contrast = np.array([[1.0], [-1.0]])
    told = known.contrasts(contrast).iloc[0]
    drawn = (known.sample(200_000, rng) @ contrast)[:, 0]
    assert_allclose(told["difference"], drawn.mean(), atol=0.02)
    assert_allclose([told["low"], told["high"]], np.quantile(drawn, [0.05, 0.95]), atol=0.04)
    assert_allclose(told["probability"], (drawn > 0).mean(), atol=0.005)
    single = ClutchPosterior(np.ones(1), means[:1], np.eye(2)[None], np.ones(2)).contrasts(contrast).iloc[0]
    gap = means[0, 0] - means[0, 1]
    assert_allclose([single["low"], single["high"]], norm(gap, np.sqrt(2)).ppf([0.05, 0.95]), atol=1e-6)
    assert_allclose(single["probability"], norm.cdf(gap / np.sqrt(2)))


# -- the usual practice -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sex", "missing"), [("male", "home-bred cockerels"), ("female", "bought-in pullets")]
)
def test_usual_practice_leaves_origins_untold_and_says_why(
    usual: ClutchComparison, sex: str, missing: str
) -> None:
    told = row(usual, "bought-in", "home-bred", sex, "points")
    assert told["separable"] == "no"
    assert told[NUMBERS].isna().all()
    assert f"no {missing} were scored" in told["why"]
    assert any(f"no {missing} were scored" in sentence for sentence in usual.cannot)


def test_remedy_names_birds_that_are_left_and_the_interval_it_buys(usual: ClutchComparison) -> None:
    flock = simulate(1).flock()
    ways = usual.remedies[(usual.remedies["trait"] == "points") & (usual.remedies["sex"] == "male")]
    now = ways[ways["when"] == "before they go"]
    to_see = now.iloc[-1]["remedy"].split(" once")[0]
    of = called(flock)
    named = [bird for bird in flock.birds["bird"] if str(of(bird)) in to_see]
    assert len(named) == now.iloc[-1]["chicks"]
    birds = flock.birds.set_index("bird").loc[named]
    assert birds["alive"].all()
    assert (birds["sex"] == "male").all()
    assert (birds["origin_of"] == "home-bred").all()
    assert ways["half_width"].is_monotonic_decreasing
    assert (ways["when"] == "next season").any()
    assert ways.iloc[-1]["separable"] == "yes"


def test_doing_what_the_remedy_says_makes_origins_separable_with_that_interval() -> None:
    """Three cockerels of either home-bred clutch are left; the remedy scores them once beside the others."""
    birds = [*chicks("26-B1", 6), *chicks("26-H1", 3), *chicks("26-H2", 3)]
    clutches = [clutch("26-B1", "bought-in"), clutch("26-H1"), clutch("26-H2", pen="paddock")]
    rows = looks(birds, np.random.default_rng(4))
    seen = [r for r in rows if r["bird"].startswith("26-B1")]
    before = compare_clutches(season(clutches, birds, seen))
    assert row(before, "bought-in", "home-bred", "male", "points")["separable"] == "no"
    way = before.remedies.query("trait == 'points' and sex == 'male' and separable == 'yes'").iloc[0]
    chosen, beside = (
        part.replace(" and ", ", ") for part in way["remedy"].split(" once before they go, beside ")
    )
    day = {r["bird"]: {**r, "on": pd.Timestamp("2026-10-10")} for r in rows if r["judge"] == "A"}
    added = [day[bird] for bird in [*chosen.removeprefix("score ").split(", "), *beside.split(", ")]]
    after = row(
        compare_clutches(season(clutches, birds, [*seen, *added])), "bought-in", "home-bred", "male", "points"
    )
    assert after["separable"] == "yes"
    assert (after["high"] - after["low"]) / 2 == pytest.approx(way["half_width"], rel=0.5)


def test_brooders_that_hide_the_origin_are_untied_by_splitting_a_clutch() -> None:
    birds = [*chicks("26-B1", 8), *chicks("26-H1", 8)]
    clutches = [clutch("26-B1", "bought-in", "north"), clutch("26-H1", brooder="south")]
    ways = compare_clutches(season(clutches, birds, looks(birds, np.random.default_rng(4)))).remedies
    way = ways[(ways["trait"] == "points") & (ways["sex"] == "male")].iloc[0]
    assert (way["when"], way["separable"]) == ("next season", "yes")
    assert "rear half of a clutch like" in way["remedy"]
    assert np.isfinite(way["half_width"])


def test_unnamed_chicks_weighed_by_the_crate_make_origins_separable() -> None:
    """Six home-bred cockerels without numbers, weighed together: one row, ten minutes."""
    rng = np.random.default_rng(7)
    birds = chicks("26-B1", 6)
    clutches = [clutch("26-B1", "bought-in"), clutch("26-H1")]
    named = weighings(birds, rng)
    crate = {"on": pd.Timestamp("2026-09-11"), "clutch": "26-H1", "sex": "male", "n": 6.0, "grams": 3300.0}
    without = compare_clutches(season(clutches, birds, weights=named))
    assert "weight" not in set(without.table.query("separable == 'yes'")["trait"])
    told = row(
        compare_clutches(season(clutches, birds, weights=[*named, crate])), "26-B1", "26-H1", "male", "weight"
    )
    one = row(
        compare_clutches(season(clutches, birds, weights=[*named, {**crate, "n": 1.0}])),
        "26-B1",
        "26-H1",
        "male",
        "weight",
    )
    assert told["separable"] == "yes"
    assert told["difference"] < 0  # 3,300 g is well above what the others weigh at that age
    assert one["separable"] == "no"


# -- few birds ----------------------------------------------------------------------------------------------


def compared_quietly(*args: object) -> ClutchComparison:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return compare_clutches(season(*args))


def test_two_clutches_of_one_bird_each_give_words() -> None:
    rng = np.random.default_rng(1)
    birds = [*chicks("26-B1", 1), *chicks("26-H1", 1)]
    compared = compared_quietly(
        [clutch("26-B1", "bought-in"), clutch("26-H1")], birds, looks(birds, rng), weighings(birds, rng)
    )
    assert (compared.table["separable"] == "no").all()
    assert (
        "only one of the cockerels of 26-B1 and of the cockerels of 26-H1"
        in row(compared, "26-B1", "26-H1", "male", "points")["why"]
    )


def test_clutches_of_one_sex_each_give_words() -> None:
    rng = np.random.default_rng(1)
    birds = [*chicks("26-B1", 5), *chicks("26-H1", 0, 5)]
    compared = compared_quietly(
        [clutch("26-B1", "bought-in"), clutch("26-H1")], birds, looks(birds, rng), weighings(birds, rng)
    )
    assert (compared.table["separable"] == "no").all()
    assert "no cockerels of 26-H1 were scored" in row(compared, "26-B1", "26-H1", "male", "points")["why"]
    assert not (compared.table["sex"] == "both").any()


def test_one_clutch_only_has_nothing_to_be_compared_with() -> None:
    birds = chicks("26-H1", 4, 4)
    compared = compared_quietly([clutch("26-H1")], birds, looks(birds, np.random.default_rng(1)))
    assert compared.table.empty
    assert "one clutch only (26-H1)" in compared.cannot[0]
    assert len(compared.clutches)


@pytest.mark.parametrize("clutches", [[], [clutch("26-H1"), clutch("26-H2")]])
def test_no_chick_on_record_is_said(clutches: list[dict]) -> None:
    compared = compared_quietly(clutches, [])
    assert compared.table.empty
    assert "no chick of any clutch is on the birds form" in compared.cannot[0]


# -- suppliers ----------------------------------------------------------------------------------------------


def test_shared_blood_rises_with_the_chance_of_the_same_pen(usual: ClutchComparison) -> None:
    flock = simulate(1).flock()
    blood = usual.suppliers.blood.set_index("supplier")
    assert (blood.loc[blood["living"] > 0, "chance"] == flock.plan.same_pen).all()
    other = replace(flock, plan=replace(flock.plan, same_pen=0.0))
    assert (shared_blood(other, parentage(other))["relationship"] == 0).all()
    assert blood["relationship"].between(0.001, 0.5).all()


def test_supplier_levels_rest_on_all_its_clutches(usual: ClutchComparison) -> None:
    levels = usual.suppliers.levels.query("trait == 'weight' and separable == 'yes'")
    assert len(levels)
    assert ((levels["low"] < levels["level"]) & (levels["level"] < levels["high"])).all()
    assert ((levels["spread_low"] < levels["spread"]) & (levels["spread"] < levels["spread_high"])).all()


# -- the truth ----------------------------------------------------------------------------------------------


def test_intervals_cover_the_truth_and_mixed_up_designs_are_recognised() -> None:
    """A short run of tests/benchmarks/simulate_clutches.py; the long one covers 88-92 %."""
    rows = simulate_clutches.run(simulate_clutches.SCENARIOS[0], seasons=20, seed=20)
    told = rows[rows["separable"] == "yes"]
    inside = (told["low"] <= told["truth"]) & (told["truth"] <= told["high"])
    assert len(told) > 60
    # intervals of one season share their clutches: the standard error is about 4 points, not 3
    assert 0.79 <= inside.mean() <= 0.99
    mixed = rows[rows["mixed_up"]]
    assert len(mixed) > 25
    assert (mixed["separable"] == "no").all()


def test_both_sexes_are_pooled_over_the_clutches_that_had_both() -> None:
    """A clutch of pullets alone stays out of the pooled contrast of origins, and hardly bends it."""
    birds = [*chicks("26-B1", 6, 6), *chicks("26-H1", 6, 6), *chicks("26-H2", 0, 6)]
    clutches = [clutch("26-B1", "bought-in"), clutch("26-H1"), clutch("26-H2", pen="paddock")]
    seen = looks(birds, np.random.default_rng(4), {"26-H2": 12.0})
    compared = compare_clutches(season(clutches, birds, seen))
    others = {bird["bird"] for bird in birds[:24]}
    without = compare_clutches(
        season(clutches[:2], birds[:24], [look for look in seen if look["bird"] in others])
    )
    origins, same = (row(of, "bought-in", "home-bred", "both", "type") for of in (compared, without))
    assert origins["separable"] == "yes"
    # with the pullets alone in it the contrast would be some four points lower; what is left of them is that
    # they draw the level of the other home-bred clutch a little up, as partial pooling does
    assert_allclose(origins[NUMBERS[:3]].astype(float), same[NUMBERS[:3]].astype(float), atol=1.0)
    assert "26-H2" not in set(compared.clutches.query("sex == 'both'")["clutch"])
