"""Cells by the kind of their column."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, strategies as st

from selection.records.forms.cells import READERS, Parsed, Uncomputed, parse_column, protect, unprotect
from selection.records.forms.columns import INCOME, ITEMS, LEGS, ORIGINS, RING_KINDS, SEXES, SOLD_AS, Column


def parsed(kind: str, *cells: object, **limits: object) -> Parsed:
    series = pd.Series(list(cells), dtype="object", index=range(2, 2 + len(cells)))
    return parse_column(series, Column("x", kind, "what it means", **limits))  # type: ignore[arg-type]


def taken(kind: str, cell: object) -> object:
    found = parsed(kind, cell)
    assert not found.expected, found.expected
    return found.values.iloc[0]


NUMBERS = {
    "1200": 1200, "1200.0": 1200, " 12.5 ": 12.5, "-3": -3, "\u22123": -3, ".5": 0.5, 7: 7, 7.25: 7.25, "+4": 4,
    "12,5": 12.5, "0,125": 0.125, "1,200.5": 1200.5, "1.200,5": 1200.5, "1,200,000": 1_200_000,
    "1 200": 1200, "1\u00a0200,5": 1200.5, "1'200": 1200, "12½": 12.5, "¾": 0.75, "'-5": -5,
}  # fmt: skip


@pytest.mark.parametrize("cell", NUMBERS)
def test_a_number_is_taken_as_it_reads(cell):
    assert taken("number", cell) == NUMBERS[cell]


@pytest.mark.parametrize("cell", ["12,5", "1,200.5", "1 200", "12½"])
def test_a_number_not_written_plainly_is_reported(cell):
    assert 2 in parsed("number", cell).notes


@pytest.mark.parametrize(
    "cell",
    ["1,200", "12,500", "n/a", "-", "?", "350g", "£5", "twelve", "nan", "inf", "1e3", "1.2.3", "12 5", True,
     datetime(2026, 1, 1), "9" * 400, 10**400, float("inf"), "#REF!", Uncomputed("=A1"), "½½"],
)  # fmt: skip
def test_what_is_no_number_or_reads_two_ways_is_refused(cell):
    found = parsed("number", cell)
    assert found.expected[2]
    assert np.isnan(found.values.iloc[0])


def test_a_comma_that_reads_both_ways_says_both():
    assert "1200 or 1.200" in parsed("number", "1,200").expected[2]


@pytest.mark.parametrize("cell", ["", "   ", None, float("nan"), "\u00a0", "\ufeff"])
@pytest.mark.parametrize("kind", READERS)
def test_blank_is_not_recorded_and_never_zero(kind, cell):
    found = parsed(kind, cell, allowed=SEXES)
    assert found.values.isna().all()
    assert not found.expected


def test_limits_are_told_with_their_unit():
    found = parsed("number", "25", low=0, high=20, unit="points")
    assert found.expected[2] == "0 to 20 points"
    assert parsed("whole", "0", low=1, unit="birds").expected[2] == "1 or more birds"


def test_counts_are_whole():
    assert taken("whole", "1200.0") == 1200
    assert parsed("whole", "2.5").expected[2] == "a whole number"


def test_money_is_kept_to_the_penny_and_said():
    found = parsed("money", "17.005", "17.5")
    assert found.values.tolist() == [17.0, 17.5]
    assert list(found.notes) == [2]


def test_one_and_true_are_not_the_same_cell():
    found = parsed("number", 1, True, 1.0)
    assert found.values[[2, 4]].tolist() == [1, 1]
    assert list(found.expected) == [3]


LABELS = {
    "NA": "NA",
    12: "12",
    "  Old Yard ": "Old Yard",
    "'=26-1": "=26-1",
    "cafe\u0301": "café",
}


@pytest.mark.parametrize("cell", LABELS)
def test_a_label_is_kept_as_typed(cell):
    assert taken("label", cell) == LABELS[cell]


@pytest.mark.parametrize("cell", ["n/a", "N/A", "-", "?", "#N/A"])
def test_a_word_for_nothing_is_no_label(cell):
    assert 2 in parsed("label", cell).expected


def test_a_label_that_a_spreadsheet_made_a_date_of_says_so():
    assert "made a date of it" in parsed("label", datetime(2026, 1, 5)).expected[2]


def test_labels_are_parted_by_semicolons():
    assert taken("labels", " 26-H1 ; 26-H2;26-H1; ") == "26-H1;26-H2"


def test_a_choice_is_compared_without_its_case_and_names_what_is_allowed():
    found = parsed("choice", "Male", "mal", allowed=SEXES)
    assert found.values[2] == "male" and 2 not in found.notes
    assert found.expected[3] == "one of male, female, unknown"


@pytest.mark.parametrize(
    ("allowed", "written", "meant"),
    [
        (SEXES, "F", "female"),
        (SEXES, "pullet", "female"),
        (SEXES, "Cockerel", "male"),
        (ORIGINS, "Home bred", "home-bred"),
        (ORIGINS, "BOUGHT_IN", "bought-in"),
        (ITEMS, "egg", "eggs"),
        (LEGS, "L", "left"),
        (INCOME, "owntable", "own table"),
        (RING_KINDS, "c", None),  # clip or closed
        (SOLD_AS, "hen", None),
        (SEXES, "x", None),
    ],
)
def test_a_word_of_a_list_written_otherwise_is_taken_where_it_reads_one_way(allowed, written, meant):
    found = parsed("choice", written, allowed=allowed)
    assert (None if found.values.isna()[2] else found.values[2]) == meant
    assert found.notes.get(2) == (meant and f"taken as {meant}")
    assert (2 in found.expected) == (meant is None)


@pytest.mark.parametrize(
    ("kind", "unit", "written", "value"),
    [
        ("money", "", "£36", 36.0),
        ("money", "", "36.50 EUR", 36.5),
        ("money", "", "€ 1 200,50", 1200.5),
        ("number", "g", "3100 g", 3100.0),
        ("number", "g", "3,1 kg", 3100.0),
        ("number", "mm", "1.4cm", 14.0),
        ("number", "Newton", "14 newton", 14.0),
        ("whole", "eggs", "12 eggs", 12.0),
        ("number", "points", "14 1/2", 14.5),
        ("number", "points", "3/4", 0.75),
        ("number", "g", "3100 mm", None),
        ("number", "points", "£14", None),
        ("money", "", "£36 p", None),
        ("money", "", "£1,200", None),  # reads both ways
        ("number", "points", "30/40", None),
        ("number", "", "14 mm", None),  # which unit the column has is not known here
    ],
)
def test_a_number_with_its_own_unit_or_a_fraction_is_taken_and_said(kind, unit, written, value):
    found = parsed(kind, written, unit=unit)
    assert (None if found.values.isna()[2] else found.values[2]) == value
    assert (2 in found.notes) == (value is not None) and (2 in found.expected) == (value is None)


def test_a_bird_older_than_the_records_has_a_bare_year():
    assert [taken("born", cell) for cell in ("2020", 2020, 2020.0, "2020-04-01")] == ["2020"] * 3 + [
        "2020-04-01"
    ]
    assert "bare year" in parsed("born", "04/05/2020").expected[2]


@given(st.text(alphabet=st.sampled_from("'=+-@ab1 "), max_size=6))
def test_protection_from_formulas_is_taken_off_again(text):
    assert unprotect(protect(text)) == text


@pytest.mark.parametrize("text", ["=1+1", "+cmd", "-lame", "@x", "\tx", "'=x"])
def test_what_a_spreadsheet_would_take_for_a_formula_is_protected(text):
    assert protect(text) == "'" + text
    assert protect("-5") == "'-5"


CELLS = st.one_of(
    st.text(max_size=20),
    st.integers(),
    st.floats(),
    st.booleans(),
    st.datetimes(),
    st.dates(),
    st.times(),
    st.none(),
)


@given(st.sampled_from(sorted(READERS)), st.lists(CELLS, max_size=5))
def test_every_cell_is_either_taken_blank_or_refused(kind, cells):
    found = parsed(kind, *cells, allowed=SEXES)
    assert len(found.values) == len(cells)
    assert found.values[list(found.expected)].isna().all()
    if found.values.dtype == "float64":
        assert np.isfinite(found.values.dropna()).all()
