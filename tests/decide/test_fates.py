"""What becomes of every living bird: in the contract's order of reasons, each once, and as the prices have it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
import pytest

from selection.decide.fates import FATE_COLUMNS, FATES, fates, flock_table
from selection.decide.matings.matings import stay
from selection.decide.prices.prices import prices
from selection.records.flock import Flock
from tests.decide.holdings import flock as matings_flock
from tests.decide.ledgers import CHICKS, days, holding, judged, plan
from tests.show import held


def decided(*rows: tuple[str, str, str]) -> pd.DataFrame:
    frame = pd.DataFrame(list(rows), columns=["on", "bird", "decided"])
    return frame.assign(on=pd.to_datetime(frame["on"]), who=None, settled=None, why=None)


def said(**stands: str) -> SimpleNamespace:
    rows = [(bird.replace("_", "-"), word, "pullets", "ranked") for bird, word in stands.items()]
    return SimpleNamespace(table=pd.DataFrame(rows, columns=["bird", "stands", "group", "reason"]))


def by_bird(flock: Flock, **stands: str) -> dict[str, tuple[str, str]]:
    found = fates(flock, said(**stands))
    return {row.bird: (row.stands, row.by) for row in found.itertuples()}


def with_decisions(*rows: tuple[str, str, str]) -> Flock:
    return replace(matings_flock(), decisions=decided(*rows))


def test_a_decision_goes_before_the_verdict_and_the_verdict_before_all_else() -> None:
    flock = with_decisions(("2026-10-10", "26-P1", "keep"), ("2026-10-10", "24-H1", "reserve"))
    found = by_bird(flock, **{"26-P1": "sell", "26-P2": "keep"})
    assert found["26-P1"] == ("keep", "decided") and found["26-P2"] == ("keep", "verdict")
    assert found["24-H1"] == ("reserve", "decided")


def test_a_bird_of_the_season_that_no_line_takes_is_sold_and_one_without_a_sex_stands_open() -> None:
    flock = matings_flock()
    birds = flock.birds.assign(sex=flock.birds["sex"].mask(flock.birds["bird"] == "26-P2", "unknown"))
    found = by_bird(replace(flock, birds=birds))
    assert found["26-P1"] == ("sell", "no_line") and found["26-P2"] == ("open", "no_sex")


def test_an_older_bird_stands_open_unless_it_was_last_decided_to_go() -> None:
    made = [("2025-10-10", "24-H1", "sell"), ("2024-10-10", "24-H2", "sell"), ("2025-10-10", "24-H2", "keep")]
    found = by_bird(with_decisions(*made))
    assert found["24-H1"] == ("sell", "earlier")
    assert found["24-H2"] == ("open", "not_asked") and found["25-M1"] == ("open", "not_asked")


def test_birds_gone_are_left_out() -> None:
    flock = matings_flock()
    birds = flock.birds.assign(alive=flock.birds["bird"] != "24-H1")
    assert "24-H1" not in by_bird(replace(flock, birds=birds))


def test_those_who_breed_are_kept_in_reserve_or_older_and_open() -> None:
    flock = with_decisions(("2026-10-10", "26-P3", "keep"), ("2025-10-10", "24-H1", "sell"))
    roles = stay(flock, said(**{"26-M1": "keep", "26-M2": "reserve", "26-P1": "sell"})).set_index("bird")[
        "role"
    ]
    assert roles.to_dict() == {
        "26-P3": "keep", "26-M1": "keep", "24-H2": "standing", "25-M1": "standing", "26-M2": "reserve",
    }  # fmt: skip


def test_prices_have_exactly_the_birds_that_stand_at_sell_and_the_chicks_without_a_number() -> None:
    unknown = [("H9", "unknown", "H", None, None, None)]
    flock = holding([], [*CHICKS, *unknown], plan(), weights=pd.DataFrame(
        {"on": days("2026-08-01"), "clutch": ["B"], "sex": ["male"], "n": [2.0], "grams": [900.0]}
    ))  # fmt: skip
    of = judged(flock)
    found = prices(flock, of.verdicts, of.points, of.growth, of.merit)
    table = flock_table(flock, of.verdicts, found)
    assert set(found.table["bird"].dropna()) == set(table["bird"][table["stands"] == "sell"])
    assert found.table["bird"].isna().sum() == 2
    assert table.set_index("bird").loc["H9", "stands"] == "open"


@pytest.mark.slow
def test_the_table_has_every_living_bird_once_with_its_pen_its_group_and_its_price() -> None:
    meeting = held.meeting()
    table = meeting.tables["flock"]
    assert tuple(table.columns) == FATE_COLUMNS and set(table["stands"]) <= set(FATES)
    assert sorted(table["bird"]) == sorted(meeting.flock.birds["bird"][meeting.flock.birds["alive"]])
    offered = meeting.prices.table.dropna(subset="bird").set_index("bird")
    rows = table.set_index("bird")
    sold = rows[rows["stands"] == "sell"]
    assert sold["price"].equals(offered["price"].reindex(sold.index)) and len(sold)
    assert rows.loc[rows["stands"] != "sell", ["sold_as", "price"]].isna().all(axis=None)
    verdict = meeting.verdicts.table.set_index("bird")
    assert (rows["group"].dropna() == verdict["group"].reindex(rows["group"].dropna().index)).all()
    assert rows["why"].str.len().gt(0).all()


def test_a_bird_stands_in_the_pen_it_came_to_last_and_has_not_left() -> None:
    flock = matings_flock()
    more = pd.DataFrame(
        {
            "pen": ["yard", "barn"],
            "bird": ["24-H1", "24-H2"],
            "from": pd.to_datetime(["2026-06-01", "2026-06-01"]),
            "to": pd.to_datetime([None, "2026-10-10"]),
        }
    )
    flock = replace(flock, pens=pd.concat([flock.pens, more], ignore_index=True))
    none = SimpleNamespace(
        table=pd.DataFrame(columns=["bird", "sold_as", "price"]),
        lots=pd.DataFrame(columns=["offer", "birds"]),
    )
    pens = flock_table(flock, said(), none).set_index("bird")["pen"]
    assert pens["24-H1"] == "yard" and pens["24-H2"] == "orchard" and pd.isna(pens["26-M1"])
