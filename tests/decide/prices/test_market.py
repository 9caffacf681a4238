"""The market: what counts as a sale, what the sales teach, and how often the intervals hold."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from selection.decide.prices.market import fit_market, fit_sales, past_sales
from selection.errors import RecordsError
from tests.benchmarks.simulate_prices import coverage
from tests.decide.ledgers import CHICKS, holding

POINTS = SimpleNamespace(
    birds=pd.DataFrame({"bird": ["B1", "B2", "H1"], "looks": [2, 0, 1], "points_of_100": [70.0, 66.0, 75.0]})
)


def sold(*rows: tuple) -> pd.DataFrame:
    """A sales form: rows of bird, sold_as, price, lot, on."""
    frame = pd.DataFrame(list(rows), columns=["bird", "sold_as", "price", "lot", "on"])
    return frame.assign(on=pd.to_datetime(frame["on"]), price=frame["price"].astype(float))


def listed(n: int, seed: int = 1, **changes: object) -> pd.DataFrame:
    """`n` invented sales of 2020 to 2025 in the columns of `Market.sales`, about 30 each."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        {
            "sale": np.arange(n),
            "bird": [f"b{i}" for i in range(n)],
            "price": np.exp(rng.normal(np.log(30), 0.2, n)),
            "sold_as": "breeding",
            "sex": rng.choice(["male", "female"], n),
            "weeks": 28.0,
            "points": rng.normal(70, 4, n),
            "season": rng.integers(2020, 2026, n),
            "size": 1.0,
        }
    )
    return frame.assign(**changes)


def offer(**changes: object) -> pd.DataFrame:
    row = {
        "sale": 0,
        "bird": "x",
        "sold_as": "breeding",
        "sex": "male",
        "weeks": 28.0,
        "points": 70.0,
        "season": 2026,
        "size": 1.0,
    }
    return pd.DataFrame([{**row, **changes}])


# -- what counts as a sale ---------------------------------------------------------------------------------------


def test_a_lot_is_one_sale_at_its_price_a_bird():
    flock = holding(
        birds=CHICKS,
        sales=sold(
            ("B1", "breeding", 90, "trio", "2026-09-01"),
            ("B2", "breeding", 90, "trio", "2026-09-01"),
            ("H1", "breeding", 90, "trio", "2026-09-01"),
            ("H2", "table", 12, None, "2026-09-01"),
        ),
    )
    sales, cannot = past_sales(flock, POINTS)
    lot = sales[sales["size"] == 3]
    assert list(lot["price"]) == [30, 30, 30] and lot["sale"].nunique() == 1 and sales["sale"].nunique() == 2
    assert cannot == []
    assert fit_market(flock, POINTS).sold("breeding") == 1


def test_points_count_only_where_a_judge_has_looked():
    flock = holding(
        birds=CHICKS,
        sales=sold(("B1", "breeding", 30, None, "2026-09-01"), ("B2", "breeding", 30, None, "2026-09-01")),
    )
    sales, _ = past_sales(flock, POINTS)
    assert sales.set_index("bird")["points"].to_dict() == pytest.approx(
        {"B1": 70.0, "B2": np.nan}, nan_ok=True
    )


def test_birds_given_for_nothing_and_muddled_lots_are_left_out_and_said():
    flock = holding(
        birds=CHICKS,
        sales=sold(
            ("B1", "pet", 0, None, "2026-09-01"),
            ("B2", "layer", 30, "pair", "2026-09-02"),
            ("H1", "layer", 20, "pair", "2026-09-02"),
            ("ghost", "layer", 20, None, "2026-09-02"),
            ("old", "layer", 9, None, "2026-09-03"),
        ),
    )
    sales, cannot = past_sales(flock, POINTS)
    assert list(sales["bird"]) == ["old"]
    assert cannot == [
        "1 sale given for nothing, left out",
        "1 sale of birds that are not on record, left out",
        "2 sales in lots whose rows do not name one price, left out",
    ]


def test_impossible_prices_are_all_named_at_once():
    flock = holding(
        birds=CHICKS,
        sales=sold(
            ("B1", "pet", -4, None, "2026-09-01"),
            ("B2", "layer", -0.5, None, "2026-09-02"),
            ("H1", "layer", 20, None, "2026-09-03"),
        ),
    )
    with pytest.raises(RecordsError) as refused:
        fit_market(flock, POINTS)
    assert str(refused.value).splitlines() == [
        "sales, bird B1, 2026-09-01: price: found -4; expected a price of 0 (given away) or more",
        "sales, bird B2, 2026-09-02: price: found -0.5; expected a price of 0 (given away) or more",
    ]


def test_a_price_of_nothing_never_reaches_a_logarithm():
    with pytest.raises(RecordsError, match="found 0; expected a price above 0"):
        fit_sales(listed(5, price=[10, 20, 0, 30, 12]), 2026)


def test_without_a_sale_there_is_no_market_and_that_is_said():
    market = fit_market(holding(birds=CHICKS), POINTS)
    assert market.regression is None and "there is no market to go by" in market.cannot[0]
    with pytest.raises(RecordsError, match="no sale is on record"):
        market.price(offer())


# -- what sales teach --------------------------------------------------------------------------------------------


def test_with_many_sales_the_coefficients_are_those_of_least_squares():
    """Against statsmodels' formula on the same simulated list, sales enough for the prior not to matter."""
    import statsmodels.formula.api as smf

    sales = listed(4_000)
    sales["price"] *= np.exp(
        0.04 * (sales["points"] - 70) - 0.3 * (sales["sex"] == "male") + 0.03 * (sales["season"] - 2023)
    )
    market = fit_sales(sales, 2026)
    theirs = smf.ols("np.log(price) ~ points + sex + season", sales).fit()
    ours = dict(zip(market.terms, market.regression.likeliest.mean, strict=True))
    assert ours["points, tens (breeding)"] / 10 == pytest.approx(theirs.params["points"], rel=0.01)
    assert ours["male"] == pytest.approx(theirs.params["sex[T.male]"], rel=0.01)
    assert ours["season"] == pytest.approx(theirs.params["season"], abs=0.002)
    said = market.price(offer(points=75.0)).iloc[0]
    frame = theirs.get_prediction(offer(points=75.0)).summary_frame(alpha=0.10).iloc[0]
    assert [said["price"], said["low"], said["high"]] == pytest.approx(
        np.exp(frame[["mean", "obs_ci_lower", "obs_ci_upper"]]), rel=0.02
    )


def test_one_odd_sale_moves_its_kind_only_part_of_the_way():
    sales = pd.concat([listed(40), listed(1, seed=2, price=3.0, sold_as="pet")], ignore_index=True).assign(
        sale=range(41)
    )
    said = fit_sales(sales, 2026).price(offer(sold_as="pet"))["price"].iloc[0]
    assert 3.3 < said < 25


def test_fewer_sales_give_wider_ranges():
    widths = [
        np.log(said["high"] / said["low"]).iloc[0]
        for said in (fit_sales(listed(n), 2026).price(offer()) for n in (3, 12, 150))
    ]
    assert widths[0] > 1.2 * widths[1] > 1.2 * widths[2]


def test_a_kind_never_sold_has_a_wider_range_than_one_often_sold():
    market = fit_sales(listed(100), 2026)
    narrow, wide = (
        np.log(s["high"] / s["low"]).iloc[0]
        for s in (market.price(offer()), market.price(offer(sold_as="table")))
    )
    assert wide > 1.5 * narrow


def test_a_sale_ten_times_what_the_rest_suggest_is_asked_about():
    sales = listed(60)
    sales.loc[7, "price"] = 300.0
    assert any("sale of b7 for 300 a bird" in remark for remark in fit_sales(sales, 2026).cannot)
    assert not fit_sales(listed(60), 2026).cannot


def test_good_and_bad_seasons_widen_the_range_of_the_next():
    """Season levels of sd 0.3 about the trend against none, everything else alike."""
    calm = listed(300)
    levels = dict(zip(range(2020, 2026), [0.3, -0.4, 0.35, -0.3, 0.4, -0.3], strict=True))
    wild = calm.assign(price=calm["price"] * np.exp(calm["season"].map(levels)))
    width = [
        np.log(s["high"] / s["low"]).iloc[0]
        for s in (fit_sales(x, 2026).price(offer()) for x in (calm, wild))
    ]
    assert width[1] > 1.3 * width[0]


def test_intervals_of_simulated_price_lists_hold_as_often_as_they_say():
    """Short run of tests/benchmarks/simulate_prices.py; 1,000 lists, the documented command, gave 0.90."""
    rows = coverage(60, seed=3)
    birds = rows[rows["kind"] != "season's total"]
    assert 0.87 <= birds["held"].mean() <= 0.93
    assert rows.loc[rows["kind"] == "season's total", "held"].mean() >= 0.80


def test_a_usual_price_is_said_with_a_wide_range_and_weighs_as_three_sales():
    usual = {"breeding": 35.0, "layer": 18.0}
    alone = fit_sales(listed(0), 2026, usual=usual)
    said = alone.price(offer(points=70.0, sex=None)).iloc[0]
    assert said["price"] == pytest.approx(35, rel=0.05)  # kinds are drawn together a little
    assert 2.5 < said["high"] / said["low"] < 8
    assert (alone.weight("breeding"), alone.weight("pet")) == (3, 0)
    # three sales at 70 beside it: the middle of the logs, for both weigh alike
    three = listed(3, price=[70.0] * 3, sex=None, points=70.0, season=2026, weeks=30.0)
    both = fit_sales(three, 2026, usual={"breeding": 35.0}).price(offer(points=70.0, sex=None)).iloc[0]
    assert both["price"] == pytest.approx(np.sqrt(35 * 70), rel=0.05)


def test_each_sale_narrows_what_a_usual_price_leaves_open():
    widths = []
    for n in (0, 3, 12, 60):
        said = fit_sales(listed(n), 2026, usual={"breeding": 30.0}).price(offer()).iloc[0]
        widths.append(np.log(said["high"] / said["low"]))
    assert max(widths[1:]) < 0.8 * widths[0]
    assert widths[-1] < 0.6 * widths[0]


def test_a_usual_price_says_nothing_of_how_prices_scatter():
    """A belief takes a free coefficient's place: degrees of freedom are the sales', not one more."""
    sales = listed(30)
    dofs = [fit_sales(sales, 2026, usual=u).regression.likeliest.dof for u in ({}, {"breeding": 30.0})]
    assert dofs[1] == dofs[0] + 1  # the level is free no longer; two prices more would not add again
    more = fit_sales(sales, 2026, usual={"breeding": 30.0, "layer": 15.0}).regression.likeliest.dof
    assert more == dofs[1]


@pytest.mark.slow
def test_held_out_prices_rise_one_for_one_with_what_was_said():
    """Slope of log price on log price said, and cover, over lists of 12 to 120 sales (tests/benchmarks)."""
    from tests.benchmarks.simulate_prices import held_out

    rng = np.random.default_rng(2)
    rows = pd.concat([held_out(rng, n) for n in (15, 40, 100) for _ in range(14)])
    # some 400 offers: standard error of the slope 0.03, of the cover 0.015
    assert np.polyfit(rows["said"], rows["price"], 1)[0] == pytest.approx(1.0, abs=0.1)
    assert 0.86 <= rows["held"].mean() <= 0.95
