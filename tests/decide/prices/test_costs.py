"""Costs: every bill ends on birds, to the penny, and falls on those that caused it."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from selection.decide.prices.costs import allocate, cost_to_date, feed_eaten
from selection.decide.prices.money import Currency, total, unnamed_chicks
from selection.merit.published import feed_grams_a_day
from selection.records.forms.columns import ITEMS
from tests.decide.ledgers import CHICKS, days, holding, plan
from tests.simulated import simulate


def pounds(*amounts: str) -> list[Decimal]:
    return [Decimal(amount) for amount in amounts]


def even(deviation: dict[str, float] | None = None) -> SimpleNamespace:
    """Growth in which cock and hen weigh the same."""
    birds = pd.DataFrame({"bird": list(deviation or {}), "deviation": list((deviation or {}).values())})
    return SimpleNamespace(expected=lambda sex, weeks: 1000.0 + 0 * np.asarray(weeks, float), birds=birds)


# -- adding up --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("code", ["GBP", "JPY", "KWD"])
def test_every_season_of_a_simulated_holding_adds_up_to_its_bills(code):
    flock = simulate(11, seasons=3).flock()
    flock = replace(flock, plan=replace(flock.plan, currency=code))
    currency = Currency(code)
    costs = cost_to_date(flock)
    for season, shares in costs.seasons.items():
        year = flock.costs[
            flock.costs["on"].dt.year == season
        ]  # no bill of these is for another year's clutch
        bills = year.groupby("item")["amount"].apply(
            lambda a: total([currency.amount(x) for x in a], currency)
        )
        for item in ITEMS:
            assert total(list(shares.shares[item]), currency) == bills.get(item, currency.amount(0)), item
        assert total(list(shares.shares["losses"]), currency) == 0
        assert total(list(shares.shares["total"]), currency) == shares.total == total(list(bills), currency)
        assert shares.unallocated == 0
    assert total(list(costs.birds.values()), currency) == total(
        [s.total for s in costs.seasons.values()], currency
    )


def test_no_bird_that_was_lost_carries_anything_and_no_other_carries_less_than_nothing():
    flock = simulate(12, seasons=2).flock()
    shares = allocate(flock, 2022).shares
    lost = flock.birds[flock.birds["gone_why"].isin(["died", "lost"]) & (flock.birds["hatch_year"] == 2022)][
        "bird"
    ]
    assert len(lost)
    assert (shares.loc[shares.index.isin(lost), "total"] == 0).all()
    assert (shares["total"] >= 0).all()


# -- who carries what, worked out by hand ------------------------------------------------------------------------


def test_bought_eggs_fall_on_the_chicks_reared_of_their_clutch():
    shares = allocate(holding([("2026-03-11", "eggs", 9.01, "B")], CHICKS), 2026).shares
    assert list(shares["eggs"]) == pounds("4.51", "4.50", "0.00", "0.00", "0.00", "0.00")


def test_eggs_billed_to_no_clutch_fall_on_all_bought_in_chicks_and_on_no_home_bred_one():
    shares = allocate(holding([("2026-03-11", "eggs", 10, None)], CHICKS), 2026).shares
    assert dict(shares["eggs"].loc[["B1", "B2", "H1"]]) == dict(
        zip(["B1", "B2", "H1"], pounds("5", "5", "0"), strict=True)
    )


def test_eggs_of_a_clutch_of_which_nothing_came_are_carried_by_the_season_and_said():
    answer = allocate(holding([("2026-01-02", "eggs", 9, "C")], CHICKS), 2026)
    assert list(answer.shares["eggs"]) == pounds("2.25", "2.25", "0", "2.25", "2.25", "0")
    assert any("9.00 for eggs of clutch C: no chick was reared" in remark for remark in answer.cannot)


def test_a_bill_of_december_for_next_spring_s_clutch_is_next_season_s():
    flock = holding([("2025-12-20", "eggs", 9, "C"), ("2025-12-20", "feed", 5, None)], CHICKS)
    assert allocate(flock, 2026).total == 9
    assert allocate(flock, 2025).total == 5


def test_rings_fall_on_birds_ringed_that_season():
    rings = pd.DataFrame(
        {
            "bird": ["B1", "H1", "old"],
            "leg": "left",
            "colour": "red",
            "fitted_on": days("2026-05-01", "2026-05-01", "2025-05-01"),
        }
    )
    shares = allocate(holding([("2026-05-01", "rings", 3, None)], CHICKS, rings=rings), 2026).shares
    assert list(shares["rings"]) == pounds("1.50", "0", "0", "1.50", "0", "0")


def test_power_falls_on_chicks_and_on_no_grown_bird():
    shares = allocate(holding([("2026-04-20", "power", 10, None)], CHICKS), 2026).shares
    assert shares.loc["old", "power"] == 0
    # 42 days each, and the 31 (both ends counted) of the one that died
    assert shares.loc["B3", "power"] == Currency("GBP").amount(10 * 31 / (4 * 42 + 31))


def test_bedding_goes_by_days_on_the_holding():
    shares = allocate(holding([("2026-06-01", "bedding", 100, None)], CHICKS), 2026).shares
    stayed = {"B1": 193, "B2": 193, "B3": 31, "H1": 193, "H2": 154, "old": 283}
    for bird, there in stayed.items():
        assert abs(float(shares.loc[bird, "bedding"]) - 100 * there / sum(stayed.values())) < 0.01


def test_what_a_dead_chick_cost_is_carried_by_the_chicks_that_are_left_equally():
    answer = allocate(holding([("2026-06-01", "bedding", 100, None)], CHICKS), 2026)
    lost = answer.shares.loc["B3", "bedding"]
    carried = answer.shares["losses"]
    assert carried["B3"] == -lost and carried["old"] == 0
    assert max(carried[["B1", "B2", "H1", "H2"]]) - min(carried[["B1", "B2", "H1", "H2"]]) <= Decimal("0.01")
    assert answer.shares.loc["B3", "total"] == 0


def test_a_hen_carries_all_her_seasons():
    flock = holding([("2025-06-01", "feed", 20, None), ("2026-06-01", "other", 1, None)], CHICKS[-1:])
    assert cost_to_date(flock).birds == {"old": Decimal("21.00")}


def test_chicks_without_a_number_carry_their_share_and_never_more_of_them_than_hatched():
    weights = pd.DataFrame(
        {
            "on": days("2026-05-01", "2026-06-01"),
            "clutch": "H",
            "sex": "female",
            "n": [2.0, 5.0],
            "grams": [500.0, 900.0],
        }
    )
    flock = holding([("2026-06-01", "other", 6, None)], CHICKS[3:5], weights=weights)
    assert list(unnamed_chicks(flock, 2026)["bird"]) == ["H, unnamed 1"]  # three hatched, two have numbers
    shares = allocate(flock, 2026).shares
    assert list(shares.index) == ["H1", "H2", "H, unnamed 1"] and (shares["total"] > 0).all()


# -- feed --------------------------------------------------------------------------------------------------------


def test_feed_eaten_is_the_published_intake_day_by_day():
    """Published intake (National Research Council 1994, as in selection.merit.published), added up by hand."""
    birds = pd.DataFrame(
        {
            "bird": ["a", "b", "c"],
            "sex": "female",
            "from_day": [0, 30, np.nan],
            "to_day": [55, 400, np.nan],
            "days": [56, 371, 10],
        }
    )
    adult = feed_grams_a_day(52.0)
    by_hand = [sum(feed_grams_a_day(d / 7) for d in range(a, b + 1)) for a, b in ((0, 55), (30, 400))]
    assert feed_eaten(birds, even()) == pytest.approx([*by_hand, 10 * adult], rel=1e-9)


def test_a_bird_twice_as_heavy_eats_as_its_metabolic_weight():
    """Kleiber (1947): grams to the power 0.75, from memory."""
    birds = pd.DataFrame(
        {"bird": ["a", "b"], "sex": ["female", "female"], "from_day": 0, "to_day": 100, "days": 101}
    )
    light, heavy = feed_eaten(birds, even({"b": np.log(2)}))
    assert heavy / light == pytest.approx(2**0.75)


def test_a_heavier_sex_eats_more_and_one_not_known_between():
    growth = SimpleNamespace(
        expected=lambda sex, weeks: (
            {"male": 1400.0, "female": 1000.0, "unknown": 1400.0**0.5 * 1000.0**0.5}[sex]
            + 0 * np.asarray(weeks)
        ),
        birds=pd.DataFrame({"bird": [], "deviation": []}),
    )
    birds = pd.DataFrame(
        {"bird": list("mfu"), "sex": ["male", "female", "unknown"], "from_day": 0, "to_day": 99, "days": 100}
    )
    male, female, unknown = feed_eaten(birds, growth)
    assert male / female == pytest.approx(1.4**0.75)
    assert unknown == pytest.approx((male * female) ** 0.5)


# -- what cannot be said -----------------------------------------------------------------------------------------


def test_a_season_with_bills_and_no_bird_says_so_and_loses_nothing():
    answer = allocate(holding([("2026-06-01", "feed", 12.5, None)]), 2026)
    assert answer.unallocated == answer.total == Decimal("12.50")
    assert any("12.50 was spent in 2026, and no bird is on record" in remark for remark in answer.cannot)


def test_a_season_without_bills_has_no_cost_rather_than_a_cost_of_nothing():
    flock = holding([], CHICKS)
    assert cost_to_date(flock).birds == {}
    assert any("no bill is on record for 2026" in remark for remark in allocate(flock, 2026).cannot)


def test_a_bill_with_parts_of_a_yen_is_counted_in_whole_ones_and_said():
    flock = holding([("2026-06-01", "feed", 123.5, None)], CHICKS, plan(currency="JPY"))
    answer = allocate(flock, 2026)
    assert answer.total == Decimal(124)
    assert any("counted as ¥124" in remark for remark in answer.cannot)


def test_a_bill_for_a_clutch_nobody_knows_is_counted_to_the_season_and_said():
    answer = allocate(holding([("2026-06-01", "feed", 5, "Z")], CHICKS), 2026)
    assert answer.total == 5 and answer.unallocated == 0
    assert any("clutch Z of a bill for feed is not on record" in remark for remark in answer.cannot)


def test_if_every_bird_died_the_bill_stays_with_them_and_is_said():
    dead = [("B1", "male", "B", None, "2026-05-01", "died")]
    answer = allocate(holding([("2026-05-01", "rings", 5, None)], dead), 2026)
    assert answer.unallocated == 0 and answer.shares.loc["B1", "total"] == 5
    assert any("stays with those lost" in remark for remark in answer.cannot)
