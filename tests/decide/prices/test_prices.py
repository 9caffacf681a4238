"""Prices: who goes, as what, for how much, and what is said where nothing tells."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from selection.decide.prices.costs import takings
from selection.decide.prices.offers import for_sale
from selection.decide.prices.prices import PRICE_COLUMNS, prices
from selection.errors import RecordsError
from tests.decide.ledgers import CHICKS, days, holding, judged, plan
from tests.simulated import simulate


@pytest.fixture(scope="module")
def season():
    """A simulated holding of four seasons, what is known of it, and its prices."""
    flock = simulate(21, seasons=4, leftovers=4).flock()
    known = judged(flock)
    return flock, known, prices(flock, known.verdicts, merit=known.merit)


def priced(flock, **changes):
    known = judged(flock)
    return prices(flock, known.verdicts, merit=known.merit, **changes)


def sold(*rows: tuple) -> pd.DataFrame:
    frame = pd.DataFrame(list(rows), columns=["bird", "sold_as", "price", "on"])
    return frame.assign(on=pd.to_datetime(frame["on"]), price=frame["price"].astype(float))


# -- who goes, as what -------------------------------------------------------------------------------------------


def test_one_row_for_each_living_bird_that_goes_and_no_other(season):
    flock, known, said = season
    table = known.verdicts.table
    alive = flock.birds[flock.birds["alive"]]
    young = alive[alive["hatch_year"] == flock.plan.season]["bird"]
    no_candidate = set(young) - set(table["bird"]) - set(alive["bird"][alive["sex"] == "unknown"])
    expected = set(table["bird"][table["stands"] == "sell"]) | no_candidate
    assert no_candidate, "the simulated holding has birds that are no candidates"
    assert sorted(said.table["bird"]) == sorted(expected)
    assert list(said.table.columns) == PRICE_COLUMNS


def test_only_hens_go_as_layers(season):
    flock, _, said = season
    sex = flock.birds.set_index("bird")["sex"]
    layers = said.table[said.table["sold_as"] == "layer"]
    assert len(layers) and set(layers["bird"].map(sex)) == {"female"}
    cocks = said.kinds[(said.kinds["sold_as"] == "layer") & (said.kinds["bird"].map(sex) == "male")]
    assert len(cocks) and set(cocks["why_not"]) == {"only a hen lays"}


def test_a_serious_fault_bars_from_breeding_whatever_breeding_brings():
    flock, scores = _two_judged()
    assert dict(priced(flock).table.set_index("bird")["sold_as"])["B2"] == "breeding"
    faulted = replace(
        flock,
        scores=scores.assign(faults=np.where(scores["bird"] == "B2", "Wry Tail", None)).astype(
            {"faults": "str"}
        ),
    )
    row = priced(faulted).table.set_index("bird").loc["B2"]
    assert row["sold_as"] == "pet"
    assert "not for breeding: wry tail" in row["why"]


def _two_judged():
    """Two bought-in cockerels, both scored; one is kept and the other goes. Past sales: breeding dear, pets cheap."""
    birds = [
        ("B1", "male", "B", None, None, None),
        ("B2", "male", "B", None, None, None),
        *(
            (f"{kind}{i}", "male", None, "2025-04-01", "2025-10-20", "sold")
            for kind in ("x", "p")
            for i in range(4)
        ),
    ]
    sales = sold(
        *(
            (f"{kind}{i}", {"x": "breeding", "p": "pet"}[kind], {"x": 40, "p": 9}[kind] + i, "2025-10-20")
            for kind in ("x", "p")
            for i in range(4)
        )
    )
    scores = pd.DataFrame(
        {
            "on": days(*["2026-09-01"] * 2),
            "judge": "A",
            "bird": ["B1", "B2"],
            "type": [50.0, 44.0],
            "head": [30.0, 28.0],
        }
    )
    flock = holding(
        [("2026-06-01", "feed", 20, None)],
        birds,
        plan(keep={"cockerels": replace(plan().keep["cockerels"], reserve=0)}),
        sales=sales,
        scores=scores,
    )
    return flock, flock.scores


def test_bought_in_pullets_and_birds_without_a_ring_of_their_own_go_in_lots(season):
    flock, known, said = season
    birds = for_sale(flock, known.verdicts, known.points, known.merit).set_index("bird")
    origin = flock.birds.set_index("bird")["origin_of"]
    sisters = birds[
        (birds["sex"] == "female") & (birds.index.map(origin) == "bought-in") & ~birds["candidate"]
    ]
    assert len(sisters) and sisters["lot"].notna().all()
    candidates = birds[birds["candidate"] & birds["own_ring"]]
    assert len(candidates) and candidates["lot"].isna().all()
    for lot in said.lots.itertuples():
        members = said.table[said.table["bird"].isin(lot.birds)]
        assert len(members) == lot.size
        assert sum(members["price"]) == lot.price and sum(members["cost"]) == lot.floor
        assert members["sold_as"].nunique() == 1 and lot.sold_as != "breeding"


def test_a_decision_to_keep_a_bird_that_is_no_candidate_holds(season):
    flock, known, said = season
    spare = sorted(set(said.table["bird"]) - set(known.verdicts.table["bird"]))[0]
    kept = pd.DataFrame(
        {"on": days("2026-10-01"), "bird": [spare], "decided": ["keep"], "why": ["a promise"]}
    )
    kept["on"] = pd.Timestamp(flock.plan.on)
    decided = replace(flock, decisions=pd.concat([flock.decisions, kept], ignore_index=True))
    assert spare not in set(for_sale(decided, known.verdicts, known.points)["bird"])


def test_chicks_without_a_number_are_rows_of_their_clutch():
    weights = pd.DataFrame(
        {"on": days("2026-06-01"), "clutch": "B", "sex": "female", "n": [3.0], "grams": [900.0]}
    )
    flock = holding(
        [("2026-06-01", "feed", 30, None)],
        CHICKS[:3],
        weights=weights,
        sales=sold(("B3", "layer", 12, "2026-04-20")),
    )
    said = priced(flock)
    nameless = said.table[said.table["bird"].isna()]
    assert list(nameless["clutch"]) == ["B"] * 3
    # B2 wears no ring that could be told from theirs, so that she goes with them
    assert said.lots["birds"].tolist() == [("B2", "B, unnamed 1", "B, unnamed 2", "B, unnamed 3")]
    assert any("3 chicks without a number priced" in remark for remark in said.cannot)


# -- for how much ------------------------------------------------------------------------------------------------


def test_every_price_lies_in_its_range_and_is_money(season):
    table = season[2].table
    assert (
        (table["low"] < table["price"]).all()
        and (table["price"] < table["high"]).all()
        and (table["low"] > 0).all()
    )
    for column in ("cost", "price", "low", "high"):
        assert all(isinstance(amount, Decimal) and amount == round(amount, 2) for amount in table[column])
    assert not table["why"].str.contains("nan|None").any()


def test_what_the_table_says_adds_up_to_what_is_offered(season):
    said = season[2]
    for column in ("price", "low", "high"):
        assert sum(said.table[column]) == sum(said.offers[column])
    assert sum(said.table["cost"]) == sum(said.offers["floor"])


def test_better_birds_are_dearer_where_the_holding_s_buyers_pay_for_points():
    rows = []
    rng = np.random.default_rng(4)
    birds = [(f"x{i}", "male", None, "2025-04-01", "2025-10-20", "sold") for i in range(40)] + [
        ("B1", "male", "B", None, None, None),
        ("B2", "male", "B", None, None, None),
        ("B3", "male", "B", None, None, None),
    ]
    points = [*rng.uniform(50, 90, 40), 85.0, 60.0, 75.0]
    for i in range(40):
        rows.append((f"x{i}", "breeding", 10 * np.exp(0.02 * points[i]), "2025-10-20"))
    scores = pd.DataFrame(
        {
            "on": days(*["2025-09-01"] * 40, *["2026-09-01"] * 3),
            "judge": "A",
            "bird": [b[0] for b in birds],
            "type": np.multiply(points, 0.6),
            "head": np.multiply(points, 0.4),
        }
    )
    flock = holding(
        [("2026-06-01", "feed", 20, None)], birds, plan(keep={}), sales=sold(*rows), scores=scores
    )
    price = priced(flock).kinds.query("sold_as == 'breeding'").set_index("bird")["price"]
    assert price["B1"] > price["B3"] > price["B2"]
    # looks of another season count beside that season's level, so the slope shows less than the whole of 0.02
    assert np.log(price["B1"] / price["B2"]) == pytest.approx(0.02 * 25, rel=0.5)


def test_a_bird_worth_more_as_a_layer_than_as_a_breeder_goes_as_a_layer_and_it_is_said():
    past = [(f"{k}{i}", "female", None, "2025-04-01", "2025-10-20", "sold") for k in "bl" for i in range(6)]
    rows = [
        (f"{k}{i}", {"b": "breeding", "l": "layer"}[k], {"b": 12, "l": 21}[k] + i / 4, "2025-10-20")
        for k in "bl"
        for i in range(6)
    ]
    birds = [*past, ("H1", "female", "H", None, None, None), ("H3", "female", "H", None, None, None)]
    scores = pd.DataFrame(
        {
            "on": days(*["2026-09-01"] * 2),
            "judge": "A",
            "bird": ["H1", "H3"],
            "type": [50.0, 40.0],
            "head": [30.0, 30.0],
        }
    )
    said = priced(holding([("2026-06-01", "feed", 20, None)], birds, sales=sold(*rows), scores=scores))
    assert said.table.set_index("bird")["sold_as"].to_dict() == {"H3": "layer"}
    assert any(s.startswith("H3 is worth more as layer") and "than as a breeder" in s for s in said.sentences)


def test_no_hen_is_offered_as_what_only_birds_of_another_age_were_sold_as():
    """Breeders were sold at half a year for 60, layers at four years for 6: a hen of four years goes as a layer."""
    past = [(f"b{i}", "female", None, "2025-04-01", "2025-10-20", "sold") for i in range(6)] + [
        (f"l{i}", "female", None, "2021-04-01", "2025-10-20", "sold") for i in range(6)
    ]
    rows = [
        (b[0], {"b": "breeding", "l": "layer"}[b[0][0]], {"b": 60, "l": 6}[b[0][0]], "2025-10-20")
        for b in past
    ]
    birds = [*past, ("hen", "female", None, "2022-04-01", None, None)]
    decisions = pd.DataFrame({"on": days("2026-10-01"), "bird": ["hen"], "decided": ["sell"]})
    scores = pd.DataFrame(
        {"on": days("2026-09-01"), "judge": "A", "bird": ["hen"], "type": [50.0], "head": [30.0]}
    )
    said = priced(
        holding(
            [("2026-06-01", "feed", 20, None)], birds, sales=sold(*rows), scores=scores, decisions=decisions
        )
    )
    assert said.table.set_index("bird")["sold_as"].to_dict() == {"hen": "layer"}


# -- asking ------------------------------------------------------------------------------------------------------


def test_nobody_asks_less_than_the_floor_unless_nobody_would_pay_it(season):
    offers = season[2].offers
    asks = offers["asking"].astype(float)
    could = offers["floor"] <= offers["high"]
    assert (asks[could] >= offers["floor"][could].astype(float)).all()
    assert all(amount == int(amount) for amount in asks)


def test_asking_prices_that_cannot_be_are_all_named_at_once(season):
    flock, known, said = season
    bird = said.offers["offer"].iloc[0]
    with pytest.raises(RecordsError) as refused:
        prices(flock, known.verdicts, merit=known.merit, asking={bird: 0, "nobody": -5})
    text = str(refused.value)
    assert f"asking price of {bird}: found 0; expected at least £0.01" in text
    assert (
        "asking price of nobody: found -5" in text and "asking price of nobody: not among what goes" in text
    )


def test_the_breeder_s_own_price_stands_and_is_held_against_floor_and_range(season):
    flock, known, said = season
    offer = said.offers.iloc[0]
    own = prices(
        flock, known.verdicts, merit=known.merit, asking={offer["offer"]: Decimal("0.50")}
    ).offers.iloc[0]
    assert own["asking"] == Decimal("0.50")
    assert "under what it cost" in own["remark"] and "outside" in own["remark"]


# -- where nothing tells -----------------------------------------------------------------------------------------


def test_without_sales_and_usual_prices_there_is_cost_and_no_market(season):
    flock, known, _ = season
    said = prices(replace(flock, sales=flock.sales.head(0)), known.verdicts, merit=known.merit)
    assert said.table[["sold_as", "price", "low", "high"]].isna().all(axis=None)
    assert said.table["cost"].notna().all()
    assert said.table["why"].str.contains("no market to go by, cost to date is all that is known").all()
    assert said.season.set_index("line").loc["the list", "amount"] is None
    assert any("there is no market to go by" in remark for remark in said.cannot)


def test_the_plans_usual_prices_stand_in_for_sales(season):
    flock, known, _ = season
    usual = {"breeding": 35.0, "layer": 18.0, "table": 12.0}
    bare = replace(flock, sales=flock.sales.head(0), plan=replace(flock.plan, usual=usual))
    said = prices(bare, known.verdicts, merit=known.merit)
    assert said.table[["sold_as", "price", "low", "high"]].notna().all(axis=None)
    assert set(said.table["sold_as"]) <= set(usual)
    ends = said.table[["low", "price", "high"]].astype(float)
    assert (ends["low"] < ends["price"]).all() and (ends["high"] > 2 * ends["low"]).all()
    assert any("weigh as 3 sales each" in sentence for sentence in said.sentences)


def test_neither_sales_nor_bills_give_no_price_and_no_number(season):
    flock, known, _ = season
    bare = replace(flock, sales=flock.sales.head(0), costs=flock.costs.head(0))
    said = prices(bare, known.verdicts, merit=known.merit)
    assert said.table[["cost", "price", "low", "high"]].isna().all(axis=None)
    assert set(said.season["amount"][said.season["line"].isin(["spent", "the list", "left over"])]) == {None}
    assert any("there is no market to go by" in remark for remark in said.cannot)


def test_a_season_in_which_nobody_goes_says_that():
    said = priced(
        holding(
            [("2026-06-01", "feed", 20, None)],
            [CHICKS[0]],
            plan(keep={"cockerels": plan().keep["cockerels"]}),
        )
    )
    assert said.table.empty and said.sentences[0] == "No bird goes."
    assert said.season.set_index("line").loc["the list", "amount"] == 0


@pytest.mark.parametrize(
    "birds",
    [
        [],
        [("u", "unknown", "H", None, None, None)],
        [("n", "female", None, None, None, None), ("m", "male", "B;H", None, None, None)],
        CHICKS,
    ],
)
@pytest.mark.parametrize("costs", [[], [("2026-06-01", "feed", 20, None)]])
@pytest.mark.parametrize("sale", [None, ("old", "table", 12, "2026-09-01")])
def test_thin_holdings_get_words_and_never_a_number_that_is_none(birds, costs, sale):
    sales = None if sale is None else sold(sale)
    said = priced(holding(costs, birds, **({} if sales is None else {"sales": sales})))
    text = " ".join([*said.table["why"], *said.sentences, *said.cannot, *said.offers["remark"]])
    assert "nan" not in text.lower() and "None" not in text
    told = sale is not None and (bool(costs) or birds is CHICKS)
    assert said.table["price"].notna().all() if told else said.table["price"].isna().all()
    if said.market.regression is not None:
        assert any("only 1 past sale" in remark for remark in said.cannot)


def test_yen_are_whole(season):
    flock, known, _ = season
    said = prices(replace(flock, plan=replace(flock.plan, currency="JPY")), known.verdicts, merit=known.merit)
    text = said.table.to_csv() + said.season.to_csv() + said.accounts.drop(columns="season").to_csv()
    assert "." not in "".join(str(a) for c in ("cost", "price", "low", "high") for a in said.table[c])
    assert ".00" not in text


# -- the season --------------------------------------------------------------------------------------------------


def test_the_season_s_lines_add_up(season):
    lines = season[2].season.set_index("line")
    parts = ("the list", "sold so far", "eggs and other income")
    assert lines.loc["in all", "amount"] == sum(lines.loc[part, "amount"] for part in parts)
    assert lines.loc["left over", "low"] == lines.loc["in all", "low"] - lines.loc["spent", "amount"]


def test_eggs_sold_and_eaten_stand_in_the_season_s_books_and_the_accounts(season):
    flock, known, said = season
    year = flock.plan.season
    rows = pd.DataFrame(
        {
            "on": pd.to_datetime([f"{year}-05-01", f"{year}-06-01", f"{year}-06-01", f"{year - 1}-06-01"]),
            "item": ["eggs", "own table", "eggs", "stud"],
            "amount": [12.5, 7.25, 2.5, 30.0],
        }
    ).reindex(columns=flock.income.columns)
    more = replace(flock, income=rows.astype(flock.income.dtypes.to_dict()))
    with_eggs = prices(more, known.verdicts, merit=known.merit)
    lines, before = (part.season.set_index("line")["amount"] for part in (with_eggs, said))
    added = lines["eggs and other income"] - before["eggs and other income"]
    assert lines["eggs and other income"] == Decimal("22.25")
    assert lines["left over"] - before["left over"] == added
    received = with_eggs.accounts.query("side == 'received'").set_index(["season", "item"])["amount"]
    assert received[year, "eggs"] == Decimal("15.00") and received[year - 1, "stud"] == Decimal("30.00")


def test_the_season_s_interval_is_joint_not_the_sum_of_limits(season):
    said = season[2]
    listed = said.season.set_index("line").loc["the list"].astype(float)
    lows, highs = (float(sum(said.offers[c])) for c in ("low", "high"))
    assert lows < listed["low"] < float(sum(said.offers["price"])) < listed["high"] < highs
    # birds priced apart, with nothing shared, would vary less in sum
    half = np.log(said.offers["high"].astype(float) / said.offers["low"].astype(float)) / 2 / 1.645
    alone = np.sqrt(np.square(half * said.offers["price"].astype(float)).sum()) * 2 * 1.645
    assert listed["high"] - listed["low"] > 0.95 * alone


def test_accounts_hold_every_bill_and_every_sale_of_every_season(season):
    flock, _, said = season
    spent = said.accounts[said.accounts["side"] == "spent"]
    assert float(sum(spent["amount"])) == pytest.approx(flock.costs["amount"].sum())
    received = said.accounts[said.accounts["side"] == "received"]
    once = (
        flock.sales.drop_duplicates(subset=["on", "lot"]).dropna(subset="lot")["price"].sum()
        + flock.sales[flock.sales["lot"].isna()]["price"].sum()
    )
    assert float(sum(received["amount"])) == pytest.approx(once + flock.income["amount"].sum())
    expected = said.accounts[said.accounts["side"] == "expected"]
    assert (expected["low"] < expected["amount"]).all() and (expected["amount"] < expected["high"]).all()


def test_the_same_seed_gives_the_same_prices(season):
    flock, known, said = season
    again = prices(flock, known.verdicts, merit=known.merit)
    pd.testing.assert_frame_equal(said.season, again.season)
    pd.testing.assert_frame_equal(said.table, again.table)


def test_progress_goes_from_nothing_to_all(season):
    flock, known, _ = season
    steps: list[tuple[str, float]] = []
    prices(flock, known.verdicts, merit=known.merit, progress=lambda name, share: steps.append((name, share)))
    assert steps[0][1] == 0 and steps[-1] == ("prices", 1.0)
    assert [share for _, share in steps] == sorted(share for _, share in steps)


def test_a_lot_of_two_kinds_counts_once_and_is_parted_by_birds():
    sales = sold(
        ("H2", "table", 10, "2026-09-01"), ("B3", "pet", 10, "2026-09-01"), ("B3", "pet", 3, "2026-09-02")
    )
    sales["lot"] = ["mixed", "mixed", None]
    taken = takings(holding([], CHICKS, sales=sales))
    assert taken.to_numpy().tolist() == [[2026, "pet", Decimal("8.00")], [2026, "table", Decimal("5.00")]]
