"""A bird by its number, its name or its colours, on a day; and which day is meant where none is given."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from selection.errors import RecordsError
from selection.records.rings import find_bird
from selection.records.settings.plan import Plan, day_meant

DAY = date(2026, 10, 10)
BIRDS = pd.DataFrame(
    {
        "bird": ["007", "24-01", "24-02", "24-03", "24-04", "green", "26-09"],
        "name": ["Bramble", "24-02", "Moss", "moss", None, None, "Green Blue"],
        "gone_on": pd.to_datetime([None, None, None, "2026-08-01", None, None, None]).astype("M8[s]"),
    }
).assign(hatched=pd.Timestamp("2024-04-01"))
WORN = [
    ("24-01", "left", "green", "2026-06-01", None),
    ("24-01", "right", "Blue", "2026-06-01", None),
    ("24-02", "left", "green", "2026-06-01", None),
    ("24-02", "right", "yellow / blue", "2026-06-01", None),
    ("24-03", "left", "white", "2026-01-01", None),
    ("24-03", "right", "white", "2026-01-01", None),
    ("24-04", "left", "white", "2026-08-02", None),
    ("24-04", "right", "white", "2026-08-02", "2026-10-01"),
    ("007", "left", "red/pink", "2026-06-01", None),
    ("26-09", "left", "red", "2026-06-01", None),
    ("26-09", "right", "pink", "2026-06-01", None),
]
RINGS = pd.DataFrame(WORN, columns=["bird", "leg", "colour", "fitted_on", "removed_on"])
RINGS = RINGS.astype({"fitted_on": "M8[s]", "removed_on": "M8[s]"})


@pytest.mark.parametrize(
    ("said", "on", "bird"),
    [
        (" 24-02 ", DAY, "24-02"),  # a number, though another bird bears it as its name
        ("bramble", DAY, "007"),
        ("7", DAY, "007"),
        ("0007", DAY, "007"),
        ("Green", DAY, "green"),  # a number before colours
        ("green blue", DAY, "26-09"),  # a name before colours
        ("GREEN / blue", DAY, "24-01"),
        ("green, yellow/blue", DAY, "24-02"),
        ("yellow/blue", DAY, "24-02"),
        ("green Yellow  over blue", DAY, "24-02"),
        ("red over pink", DAY, "007"),  # said so, one leg alone is meant
        ("white white", date(2026, 7, 1), "24-03"),
        ("white white", date(2026, 9, 1), "24-04"),
        ("white", DAY, "24-04"),
    ],
)
def test_a_bird_is_found_by_number_then_name_then_colours(said, on, bird):
    assert find_bird(said, BIRDS, RINGS, on) == bird


@pytest.mark.parametrize(
    ("said", "named"),
    [
        ("moss", "24-02 Moss (green, yellow/blue); 24-03 moss (white, white); give"),
        (
            "red/pink",
            "007 Bramble (red/pink, –); 26-09 Green Blue (red, pink); give",
        ),
        ("24-05", "perhaps 24-01 (24-02), 24-02 (Moss)"),
        ("white white", "no living bird's colours"),  # one ring is off by then
        ("", "no bird's number"),
        ("wryneck", "no bird's number"),
    ],
)
def test_several_or_none_are_named(said, named):
    with pytest.raises(RecordsError) as error:
        find_bird(said, BIRDS, RINGS, DAY)
    assert named in str(error.value)


PLAN = Plan(on=date(2027, 1, 9), season=2026, keep={})


def test_a_day_not_given_is_today_within_the_season_and_else_the_plans():
    assert day_meant(PLAN, None) == (PLAN.on, None)
    assert day_meant(PLAN, None, date(2026, 1, 1)) == (date(2026, 1, 1), None)
    assert day_meant(PLAN, None, date(2027, 1, 9)) == (date(2027, 1, 9), None)
    assert day_meant(PLAN, "", date(2027, 1, 10)) == (PLAN.on, None)
    assert day_meant(PLAN, None, date(2025, 12, 31)) == (PLAN.on, None)
    early = Plan(on=date(2026, 10, 10), season=2026, keep={})
    assert day_meant(early, None, date(2026, 12, 31)) == (date(2026, 12, 31), None)
    assert day_meant(early, None, date(2027, 1, 1)) == (date(2026, 10, 10), None)


def test_a_day_given_is_taken_and_said_where_it_lies_outside_the_season():
    assert day_meant(PLAN, "2026-05-01", date(2026, 6, 1)) == (date(2026, 5, 1), None)
    day, said = day_meant(PLAN, date(2025, 5, 1))
    assert day == date(2025, 5, 1) and said is not None and "2026-01-01 to 2027-01-09" in said
    with pytest.raises(RecordsError, match="reads both ways"):
        day_meant(PLAN, "1/2/2026")
