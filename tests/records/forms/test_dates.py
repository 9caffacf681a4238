"""Days as people write them: taken where they read one way, refused where they read two."""

from __future__ import annotations

from datetime import date, datetime

import pytest
from hypothesis import given, strategies as st

from selection.records.forms.cells import read_date

DAYS = st.dates(date(1900, 1, 1), date(2200, 12, 31))


@given(DAYS)
def test_an_iso_day_is_taken_without_a_remark(day):
    found = read_date(day.isoformat())
    assert (found.day, found.note) == (day, None)


@given(DAYS, st.sampled_from("/-. "), st.booleans())
def test_a_day_with_the_year_last_is_never_taken_for_another(day, stroke, day_first):
    pair = (day.day, day.month) if day_first else (day.month, day.day)
    found = read_date(f"{pair[0]:02d}{stroke}{pair[1]:02d}{stroke}{day.year}")
    if day.day <= 12 and day.day != day.month:
        assert found.day is None
        assert day.isoformat() in (found.expected or "")
    else:
        assert found.day == day
        assert day.isoformat() in (found.note or "")


@pytest.mark.parametrize(
    "cell",
    ["2026-4-18", "2026/04/18", "18/04/2026", "04/18/2026", "18.4.2026", "18 Apr 2026", "18th April 2026",
     "April 18, 2026", "Apr 18 2026", "18-apr-2026", "20260418", "46130", 46130, 46130.0,
     datetime(2026, 4, 18, 14, 30)],
)  # fmt: skip
def test_what_reads_one_way_is_taken_and_reported(cell):
    found = read_date(cell)
    assert found.day == date(2026, 4, 18)
    assert "2026-04-18" in (found.note or "")


def test_a_spreadsheets_day_count_starts_where_spreadsheets_start():
    """Day 45292 is 1 January 2024 (ECMA-376 part 1, 18.17.4.1, 1900 date base; from memory)."""
    assert read_date(45292).day == date(2024, 1, 1)


@pytest.mark.parametrize(
    "cell", [datetime(2026, 4, 18), date(2026, 4, 18), "2026-04-18 00:00:00", "2026-04-18T00:00"]
)
def test_a_real_date_needs_no_remark(cell):
    assert (read_date(cell).day, read_date(cell).note) == (date(2026, 4, 18), None)


@pytest.mark.parametrize(
    "cell",
    ["04/05/2026", "18/4/26", "2026-02-30", "31/02/2026", "2026", 2026, "n/a", "soon", True, 3.5, "0026-04-18",
     "18 Foo 2026", "2026-13-13", "99999999", "1e5", "18 April", float("inf")],
)  # fmt: skip
def test_everything_else_is_refused_with_what_was_expected(cell):
    found = read_date(cell)
    assert found.day is None
    assert found.expected


@given(st.text(max_size=30))
def test_no_text_stops_it(text):
    found = read_date(text)
    assert (found.day is None) == (found.expected is not None)
