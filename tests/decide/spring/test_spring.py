"""Next spring's table: columns, chances that never fall, prices, whom it serves, and the cheapest that is enough."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from selection.answer import Kind
from selection.decide.prices.money import Currency
from selection.decide.spring.spring import SPRING_COLUMNS, Wish, choose_way, next_spring, wish_of
from selection.decide.spring.stock import Source
from selection.decide.spring.ways import Way, price_of, price_of_own
from selection.merit import posterior
from selection.records.flock import Flock
from selection.records.settings.plan import Keep, Offer, SpringPlan as Asked
from tests.decide import holdings
from tests.show import held

GBP = Currency("GBP")


def a_way(
    name: str, origin: str, serves: tuple[str, ...], chance: float, price: float, most: int = 24
) -> Way:
    """A way whose eggs each give a cockerel or a pullet with `chance` apiece."""
    drawn = np.random.default_rng(len(name)).random((4_000, most))
    cockerels, pullets = (
        np.cumsum(part, axis=1, dtype=np.int16) for part in (drawn < chance, drawn > 1 - chance)
    )
    best = np.full(drawn.shape, 1.0, dtype=np.float32)
    return Way(
        Source(name, origin),
        serves,
        cockerels,
        pullets,
        best,
        np.arange(1.0, most + 1),
        0.1,
        price,
        2.0,
        ("x",),
    )


def wish(**changes) -> Wish:
    given = {"wanted": {"cockerels": 4}, "origins": {"cockerels": ("bought-in",)}, "sure": 0.9}
    return Wish(**{**given, **changes})


def chosen(table: pd.DataFrame) -> list[tuple[str, int]]:
    rows = table[table["chosen"] == "yes"]
    return list(zip(rows["source"], rows["eggs"], strict=True))


def test_the_cheapest_that_is_enough_is_chosen_not_the_fewest_eggs() -> None:
    ways = [
        a_way("dear", "bought-in", ("cockerels",), 0.45, 9.0),
        a_way("cheap", "bought-in", ("cockerels",), 0.33, 2.0),
    ]
    table = choose_way(ways, wish(), GBP).table
    (source, eggs), *more = chosen(table)
    assert source == "cheap" and not more
    own = table[table["source"] == "cheap"].set_index("eggs")
    assert own.loc[eggs, "enough"] >= 0.9 > own.loc[eggs - 1, "enough"]
    assert own.loc[eggs, "cost"] == pytest.approx(eggs * 2.0 + eggs * 2.0)
    assert own.loc[eggs, "why"].startswith("the cheapest that is enough")


def test_a_way_whose_cockerels_are_too_close_to_the_hens_says_so() -> None:
    ways = [a_way("close", "bought-in", ("cockerels",), 0.45, 3.0)]  # F 0.1
    told = choose_way(ways, wish(most_inbreeding=0.0625), GBP).texts(Kind.FOUND)
    assert "chicks of F 0.100, above the plan's 0.0625" in told[0]
    assert "above the plan's" not in choose_way(ways, wish(most_inbreeding=0.1), GBP).texts(Kind.FOUND)[0]


def test_each_origin_that_a_group_takes_alone_is_chosen_for_and_any_origin_needs_but_one() -> None:
    groups = ("cockerels", "pullets")
    ways = [
        a_way("bought", "bought-in", groups, 0.4, 3.0),
        a_way("own: 1", "home-bred", groups, 0.4, 0.0, 40),
    ]
    both = wish(
        wanted={"cockerels": 3, "pullets": 3},
        origins={"cockerels": ("bought-in",), "pullets": ("home-bred",)},
    )
    either = wish(wanted={"cockerels": 3, "pullets": 3}, origins={"cockerels": (), "pullets": ()})
    assert {source for source, _ in chosen(choose_way(ways, both, GBP).table)} == {"bought", "own: 1"}
    assert [source for source, _ in chosen(choose_way(ways, either, GBP).table)] == ["own: 1"]


def test_where_none_is_enough_none_is_chosen_and_every_row_says_why_and_what_two_would_give() -> None:
    ways = [a_way(name, "bought-in", ("cockerels",), 0.3, 3.0, 12) for name in ("first", "second supplier")]
    found = choose_way(ways, wish(wanted={"cockerels": 5}), GBP)
    assert chosen(found.table) == []
    assert found.table["why"].str.contains("no way is enough by itself: 12 eggs of").all()
    assert "together would be enough" in found.cannot[0]


def test_a_budget_rules_out_what_costs_more() -> None:
    ways = [a_way("only", "bought-in", ("cockerels",), 0.4, 3.0)]
    within = chosen(choose_way(ways, wish(), GBP).table)
    assert within and not chosen(choose_way(ways, wish(budget=10.0), GBP).table)


def test_without_a_price_the_fewest_eggs_are_chosen_and_the_cost_is_blank() -> None:
    ways = [
        a_way("a", "bought-in", ("cockerels",), 0.3, np.nan),
        a_way("bb", "bought-in", ("cockerels",), 0.5, np.nan),
    ]
    table = choose_way(ways, wish(), GBP).table
    assert [source for source, _ in chosen(table)] == ["bb"]
    assert table["cost"].isna().all()


def test_what_the_plan_asks_and_what_stands_in_for_it() -> None:
    keep = {"cockerels": Keep(1, 1, ("bought-in",)), "pullets": Keep(4), "hens": Keep(6), "cocks": Keep(0)}
    plan = holdings.plan(keep=keep)
    assert wish_of(plan).wanted == {"cockerels": 8, "pullets": 16}
    asked = replace(plan, spring=Asked({"pullets": 10}, 0.8))
    assert wish_of(asked) == Wish(
        {"cockerels": 8, "pullets": 10}, {"cockerels": ("bought-in",), "pullets": ()}, 0.8
    )
    assert wish_of(asked).needed == {"bought-in"}
    assert wish_of(asked).serves("home-bred") == ("pullets",)


def _with(flock: Flock, **frames: list[dict]) -> Flock:
    """`flock` with these rows in place of its own."""
    made = {}
    for name, rows in frames.items():
        own = getattr(flock, name)
        frame = pd.DataFrame(rows).reindex(columns=own.columns)
        made[name] = frame.astype(own.dtypes.to_dict())
    return replace(flock, **made)


def test_the_last_price_on_record_is_that_supplier_s_else_any_s_else_the_season_s_bill() -> None:
    flock = holdings.flock()
    day = pd.Timestamp("2025-03-01")
    clutches = [
        {"clutch": "A", "origin": "bought-in", "source": "Mill", "set_on": day, "eggs_set": 10},
        {"clutch": "B", "origin": "bought-in", "source": "Weir", "set_on": day, "eggs_set": 8},
    ]
    bill = {"on": day, "item": "eggs", "amount": 30.0, "clutch": "A"}
    of_clutch = _with(flock, clutches=clutches, costs=[bill])
    assert price_of(of_clutch, Offer("mill")) == 3.0 and price_of(of_clutch, Offer("Weir")) == 3.0
    assert price_of(of_clutch, Offer("Mill", price=1.5)) == 1.5
    assert price_of(
        _with(flock, clutches=clutches, costs=[{**bill, "clutch": None}]), Offer("Weir")
    ) == pytest.approx(30 / 18)
    assert np.isnan(price_of(_with(flock, clutches=clutches, costs=[]), Offer("Mill")))


def test_own_eggs_cost_what_eggs_brought_last() -> None:
    flock = holdings.flock()
    sold = [
        {"on": pd.Timestamp("2024-05-01"), "item": "eggs", "amount": 99.0, "n": 3},
        {"on": pd.Timestamp("2025-05-01"), "item": "eggs", "amount": 6.0, "n": 24},
    ]
    assert price_of_own(_with(flock, income=sold)) == 0.25
    assert price_of_own(_with(flock, income=[])) == 0.0


# -- an invented holding's own meeting -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def meeting():
    return held.meeting()


def test_the_table_has_the_contract_s_columns_and_keeps_its_promises(meeting) -> None:
    table = meeting.tables["spring"]
    assert list(table.columns) == SPRING_COLUMNS
    assert set(table["origin"]) == {"bought-in", "home-bred"}
    for _, rows in table.groupby("source"):
        assert (np.diff(rows["eggs"]) > 0).all() and (np.diff(rows["enough"]) >= 0).all()
        assert (np.diff(rows["cost"].dropna()) > 0).all()
    assert table["enough"].between(0, 1).all() and table["inbreeding"].between(0, 1).all()
    for name in ("cockerels", "pullets", "merit_best"):
        known = table.dropna(subset=[name])
        assert (known[f"{name}_low"] <= known[name]).all() and (known[name] <= known[f"{name}_high"]).all()
    for origin, rows in table[table["chosen"] == "yes"].groupby("origin"):
        assert len(rows) == 1
        others = table[(table["origin"] == origin) & (table["enough"] >= meeting.spring.wish.sure)]
        assert rows["cost"].iloc[0] <= others["cost"].min() + 1e-9


def test_half_of_what_is_reared_and_not_barred_are_cockerels(meeting) -> None:
    rows = meeting.tables["spring"].query("eggs >= 12")
    assert (rows["cockerels"] / rows["pullets"]).to_numpy() == pytest.approx(1, abs=0.08)
    assert (rows["cockerels"] < 0.5 * rows["eggs"]).all()


@pytest.fixture(scope="module")
def offered(meeting):
    """The same holding with an offer of a supplier it knows best and one it has never bought from."""
    flock, parts = meeting.flock, (meeting.merit, meeting.verdicts, meeting.matings, meeting.prices.costs)
    often = flock.clutches["source"].value_counts().index[0]
    asked = Asked({"cockerels": 3, "pullets": 6}, 0.8, (Offer(often, 2.0), Offer("Never Tried", 2.0)))
    return often, next_spring(replace(flock, plan=replace(flock.plan, spring=asked)), *parts)


def test_a_supplier_never_bought_from_is_wider_and_says_so(offered) -> None:
    often, found = offered
    table = found.table
    at = table[table["eggs"] == 24].set_index("source")
    spread = at["merit_best_high"] - at["merit_best_low"]
    assert spread["Never Tried"] > spread[often]
    assert at.loc["Never Tried", "inbreeding"] == 0
    assert table.loc[table["source"] == "Never Tried", "why"].str.contains("never bought from").all()
    assert any("never bought from" in text for text in found.texts(Kind.ASSUMED))
    assert not any("names no offer" in text for text in found.texts(Kind.ASSUMED))


def test_the_same_records_give_the_same_table(meeting, offered) -> None:
    parts = (meeting.merit, meeting.verdicts, meeting.matings, meeting.prices.costs)
    plan = replace(
        meeting.flock.plan, spring=Asked({"cockerels": 3, "pullets": 6}, 0.8, (Offer("Never Tried", 2.0),))
    )
    flock = replace(meeting.flock, plan=plan)
    first, second = (next_spring(flock, *parts).table for _ in range(2))
    pd.testing.assert_frame_equal(first, second)


def test_one_egg_more_is_the_difference_of_two_rows(offered) -> None:
    _, found = offered
    step = found.steps.query("source == 'Never Tried' and eggs == 20").iloc[0]
    before, after = (found.table.query("source == 'Never Tried' and eggs == @n").iloc[0] for n in (19, 20))
    for name in ("enough", "merit_best", "cost"):
        assert step[name] == pytest.approx(after[name] - before[name], abs=1e-6)


@pytest.mark.slow
def test_a_flock_so_large_that_fewer_draws_are_made_has_its_spring_too(meeting, monkeypatch) -> None:
    monkeypatch.setattr(posterior, "MOST_NUMBERS", 100_000)
    books = (meeting.flock, meeting.merit, meeting.verdicts, meeting.matings, meeting.prices.costs)
    few = next_spring(*books).table
    assert list(few["source"]) == list(meeting.tables["spring"]["source"])
    assert few["merit_best"].notna().any()
