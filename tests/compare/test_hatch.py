"""Hatch figures, deaths by age and cost by hand-counted forms."""

from __future__ import annotations

import warnings
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from selection.compare.hatch import Hatch, hatch
from tests.compare.little_season import PLAN, chicks, clutch, season
from tests.simulated import simulate


def counted(label: str, origin: str, eggs: float, fertile: float, hatched: float, **more: object) -> dict:
    return clutch(label, origin, eggs_set=eggs, fertile=fertile, hatched=hatched, **more)


CLUTCHES = [
    counted("26-B1", "bought-in", 12, 9, 6),
    counted("26-H1", "home-bred", 10, 10, 8),
    counted("26-H2", "home-bred", 8, np.nan, 4),
]


def rate(found: Hatch, group: str, of: str, measure: str) -> pd.Series:
    rows = found.rates
    rows = rows[(rows["group"] == group) & (rows["of"] == of) & (rows["measure"] == measure)]
    assert len(rows) == 1
    return rows.iloc[0]


def test_rates_of_a_clutch_are_its_counts_with_wilson_intervals() -> None:
    from statsmodels.stats.proportion import proportion_confint

    found = hatch(season(CLUTCHES, chicks("26-B1", 3, 3)))
    for measure, k, n in (("fertility", 9, 12), ("hatch of fertile", 6, 9), ("hatch of set", 6, 12)):
        row = rate(found, "clutch", "26-B1", measure)
        assert (row["hatched"], row["eggs"]) == (k, n)
        expected = [k / n, *proportion_confint(k, n, alpha=0.10, method="wilson")]
        assert_allclose(row[["rate", "low", "high"]].astype(float), expected)


def test_counts_left_blank_are_left_out_and_named() -> None:
    found = hatch(season(CLUTCHES, chicks("26-B1", 3, 3)))
    assert not ((found.rates["of"] == "26-H2") & (found.rates["measure"] == "fertility")).any()
    assert rate(found, "clutch", "26-H2", "hatch of set")["eggs"] == 8
    pen = rate(found, "pen", "orchard", "hatch of fertile")
    assert (pen["hatched"], pen["eggs"], pen["clutches"]) == (8, 10, 1)
    assert any("fertile not written down for 26-H2" in sentence for sentence in found.cannot)


def test_groups_add_up_their_clutches() -> None:
    found = hatch(season(CLUTCHES, chicks("26-B1", 3, 3)))
    assert rate(found, "season", "2026", "hatch of set")["hatched"] == 18
    assert rate(found, "origin", "home-bred", "hatch of set")["eggs"] == 18
    assert rate(found, "supplier", "supplier of 26-B1", "fertility")["rate"] == 0.75
    assert any("2026, hatch of set: 18 of 30, 60%" in sentence for sentence in found.sentences)


def test_suppliers_pens_count_together_under_the_supplier() -> None:
    two = [
        counted("26-B1", "bought-in", 12, 9, 6, source="Fen Yard/west"),
        counted("26-B2", "bought-in", 12, 11, 10, source="Fen Yard"),
    ]
    assert (
        rate(hatch(season(two, chicks("26-B1", 3, 3))), "supplier", "Fen Yard", "fertility")["hatched"] == 20
    )


def test_few_clutches_are_not_drawn_together_and_many_are() -> None:
    from statsmodels.stats.proportion import proportion_confint

    few = hatch(season(CLUTCHES, chicks("26-B1", 3, 3)))
    assert few.rates["expected"].isna().all()
    assert few.spread["mean"].isna().all()
    assert any("Too few clutches" in sentence for sentence in few.cannot)
    many = hatch(simulate(1).flock())
    own = many.rates[many.rates["group"] == "clutch"]
    assert own["expected"].notna().all()
    middle = many.spread.set_index("measure").loc[own["measure"], "mean"].to_numpy()
    assert ((own["expected"] - middle).abs() <= (own["rate"] - middle).abs() + 0.02).all()
    seasons = many.rates[many.rates["group"] == "season"]
    _, narrow = proportion_confint(seasons["hatched"], seasons["eggs"], alpha=0.10, method="wilson")
    assert (seasons["high"] >= narrow - 1e-12).all()
    assert (seasons["high"] > narrow + 1e-4).any()


def test_deaths_by_age_are_those_of_the_life_table() -> None:
    birds = chicks("26-H1", 5, 5)
    fates = [("2026-04-12", "died"), ("2026-05-20", "lost"), ("2026-05-20", "sold"), ("2026-10-01", "killed")]
    for bird, (on, why) in zip(birds, fates, strict=False):
        bird |= {"gone_on": pd.Timestamp(on), "gone_why": why}
    found = hatch(season([clutch("26-H1")], birds)).deaths
    own = found[found["season"] == 2026].set_index("from_weeks")
    assert own["entered"].tolist() == [10, 9, 9, 7, 7, 6]
    assert own["died"].tolist() == [1, 0, 1, 0, 0, 0]
    assert own["left"].tolist() == [0, 0, 1, 0, 1, 6]
    assert own.loc[4, "rate"] == pytest.approx(1 / 8.5)
    assert (own["low"] <= own["rate"]).all()
    assert (own["rate"] <= own["high"]).all()


def test_cost_per_chick_reared_and_per_bird_kept() -> None:
    birds = chicks("26-H1", 5, 5)
    birds[0] |= {"gone_on": pd.Timestamp("2026-04-12"), "gone_why": "died"}
    birds[1] |= {"gone_on": pd.Timestamp("2026-09-12"), "gone_why": "died"}  # reared: it died later
    costs = [
        {"on": pd.Timestamp("2026-03-01"), "item": "eggs", "amount": 30.0, "clutch": "26-H1"},
        {"on": pd.Timestamp("2025-12-30"), "item": "other", "amount": 6.0, "clutch": "26-h1"},
        {"on": pd.Timestamp("2026-08-01"), "item": "feed", "amount": 90.0},
    ]
    decisions = [
        {"on": pd.Timestamp("2026-10-10"), "bird": "26-H1-06", "decided": "keep"},
        {"on": pd.Timestamp("2026-10-10"), "bird": "26-H1-07", "decided": "keep"},
        {"on": pd.Timestamp("2026-10-10"), "bird": "26-H1-08", "decided": "sell"},
    ]
    clutches = [counted("26-H1", "home-bred", 12, 11, 11)]
    decided = hatch(season(clutches, birds, costs=costs, decisions=decisions)).costs.iloc[0]
    assert decided["bills"] == pytest.approx(126.0)
    assert (decided["reared"], decided["a_chick"]) == (10, pytest.approx(12.6))
    assert (decided["kept"], decided["a_bird_kept"]) == (2, pytest.approx(63.0))
    planned = hatch(season(clutches, birds, costs=costs)).costs.iloc[0]
    assert (planned["kept"], planned["a_bird_kept"]) == (5, pytest.approx(25.2))


def test_chicks_that_are_not_on_the_birds_form_are_said() -> None:
    found = hatch(season([counted("26-H1", "home-bred", 12, 11, 11)], chicks("26-H1", 5, 4)))
    assert any(
        "26-H1: 2 of the chicks hatched are not on the birds form" in sentence for sentence in found.cannot
    )


@pytest.mark.parametrize("clutches", [[], [clutch("26-H1")]])
def test_nothing_on_record_gives_empty_tables_and_no_noise(clutches: list[dict]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = hatch(season(clutches, []))
    assert found.rates.empty
    assert found.deaths.empty
    assert found.costs.empty


def test_nothing_after_the_plans_day_counts() -> None:
    early = replace(PLAN, on=date(2026, 5, 1))
    birds = chicks("26-H1", 5, 5)
    birds[0] |= {"gone_on": pd.Timestamp("2026-06-12"), "gone_why": "died"}
    deaths = hatch(season([clutch("26-H1")], birds, plan=early)).deaths
    assert deaths["died"].sum() == 0
    assert deaths["from_weeks"].max() == 1
