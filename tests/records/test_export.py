"""Record, export, record: the same flock. And slips of the pen: kept as meant, or refused with a true reason."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from selection.errors import RecordsError
from selection.records.export import export
from selection.records.flock import read_flock
from selection.records.forms.columns import FORMS, Form
from selection.records.forms.schema import keys_of
from selection.records.intake.recording import record
from selection.records.ledger.appending import read_rows, read_settings
from tests.benchmarks import mutate_forms
from tests.records import small


def recorded(folder: Path, forms: dict[str, small.Rows]) -> Path:
    return small.flock(folder, forms)


def assert_same_rows(first: Path, second: Path) -> None:
    """Both flocks hold the same rows, cell for cell, in whatever order."""
    for form in FORMS.values():
        one, two = (_in_order(form, read_rows(flock, form.name)) for flock in (first, second))
        pd.testing.assert_frame_equal(one, two[one.columns], check_exact=True)


def _in_order(form: Form, frame: pd.DataFrame) -> pd.DataFrame:
    keys = keys_of(form, frame).to_numpy()
    last = "grams" if "grams" in frame else frame.columns[-1]
    return (
        frame.assign(key=keys)
        .sort_values(["key", last], kind="stable")
        .drop(columns="key")
        .reset_index(drop=True)
    )


def hand_in_again(flock: Path, out: Path, folder: str) -> Path:
    """A new flock recorded from an export."""
    again = flock.parent / f"again-{folder or 'csv'}"
    found = record(again, out / folder)
    assert found.status == 0, found.words()
    return again


@pytest.mark.parametrize("folder", ["", "workbook"])
def test_an_export_recorded_makes_the_same_flock_and_changes_nothing_in_its_own(tmp_path, folder) -> None:
    flock = recorded(tmp_path, small.forms())
    export(flock, tmp_path / "out")
    again = hand_in_again(flock, tmp_path / "out", folder)
    assert_same_rows(flock, again)
    assert read_settings(again).standard == small.STANDARD and read_settings(again).plan == small.PLAN
    before = {p: p.read_bytes() for p in (flock / "records").rglob("*") if p.is_file()}
    same = record(flock, tmp_path / "out" / folder)
    assert same.status == 0 and not (same.taken or same.completed or same.corrected)
    assert {p: p.read_bytes() for p in (flock / "records").rglob("*") if p.is_file()} == before


WRITTEN = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Z")), min_size=1, max_size=30)
ODD = [
    *(
        "=1+1",
        "'=1+1",
        "+44 1632",
        "-",
        "@home",
        "\u2212 5",
        "'",
        "''",
        "a;b",
        'say "so"',
        "two\nlines",
        "<b>x</b>",
    ),
    *(
        "NA",
        "nan",
        "None",
        "TRUE",
        "1e5",
        "007",
        "26-4",
        "1/2/2026",
        "#1",
        "row,reason",
        "=cmd|' /C calc'!A0",
    ),
]
NOTES = st.sampled_from(ODD) | WRITTEN
GRAMS = st.floats(10, 9000, allow_nan=False).map(lambda g: round(g, 6))


@st.composite
def holdings(draw: st.DrawFn) -> dict[str, small.Rows]:
    """The small holding with weighings, bills and looks of any content."""
    forms = small.forms()
    days = draw(st.lists(st.dates(date(2026, 6, 1), date(2026, 9, 15)), min_size=3, max_size=12, unique=True))
    forms["weights"] = [
        {"on": day.isoformat(), "bird": "26-01", "grams": f"{draw(GRAMS):f}", "note": draw(NOTES)}
        for day in days
    ]
    forms["weights"] += [
        {
            "on": days[0].isoformat(),
            "clutch": "26-B1",
            "sex": "unknown",
            "n": n,
            "grams": draw(st.integers(300, 900)),
        }
        for n in draw(st.lists(st.integers(1, 4), max_size=4))
    ]
    forms["costs"] = [
        {"on": "2026-05-30", "item": "feed", "line": i, "amount": f"{amount / 100:.2f}", "note": draw(NOTES)}
        for i, amount in enumerate(draw(st.lists(st.integers(0, 10**6), min_size=1, max_size=12)))
    ]
    forms["scores"] += [
        {"on": day.isoformat(), "judge": "Bea", "bird": "26-02", "type": draw(st.integers(1, 160)) / 4, "faults": fault}
        for day, fault in zip(days, ["", "wry tail", "pale legs;wry tail"], strict=False)
    ]  # fmt: skip
    forms["birds"][0]["name"] = draw(NOTES)
    return forms


@given(holdings())
@settings(max_examples=3, suppress_health_check=[HealthCheck.too_slow])
def test_any_table_recorded_exported_and_recorded_again_is_the_same(tmp_path_factory, forms) -> None:
    """What was refused the first time is not on record; all that is comes back, and none of it is refused then."""
    flock = tmp_path_factory.mktemp("any") / "flock"
    assert record(flock, small.write(flock.parent / "forms", forms)).stopped is None
    export(flock, flock.parent / "out")
    assert_same_rows(flock, hand_in_again(flock, flock.parent / "out", ""))
    assert_same_rows(flock, hand_in_again(flock, flock.parent / "out", "workbook"))


def test_values_come_out_as_they_went_in_and_blanks_stay_blank(tmp_path) -> None:
    flock = recorded(tmp_path, small.forms())
    export(flock, tmp_path / "out")
    for name, rows in small.forms().items():
        back = small.read_csv(tmp_path / "out" / f"{name}.csv")
        for row, written in zip(back, rows, strict=True):
            assert {c: _plain(row[c]) for c in written} == {c: _plain(v) for c, v in written.items()}, name
            blank = set(row) - set(written) - {"bird"}  # the bird that two colours name is filled in
            assert all(row[c] == "" for c in blank), (name, row)
    assert next(csv.reader((tmp_path / "out" / "decisions.csv").open())) == list(FORMS["decisions"].names)


def _plain(cell: object) -> object:
    """A number as a number: 18.00 and 18 are one price."""
    try:
        return float(str(cell))
    except ValueError:
        return cell


def test_no_cell_of_an_export_is_run_as_a_formula_and_each_comes_back_as_typed(tmp_path) -> None:
    import openpyxl

    dangerous = ["=1+1", "+1+1", "-1+1", "@SUM(A1)", '=HYPERLINK("http://x")']
    forms = small.forms()
    forms["costs"] = [
        {"on": "2026-05-30", "item": "feed", "line": str(i), "amount": "1", "note": note}
        for i, note in enumerate(dangerous)
    ]
    flock = recorded(tmp_path, forms)
    assert read_rows(flock, "costs")["note"].tolist() == dangerous
    export(flock, tmp_path / "out")
    cells = [c for row in csv.reader((tmp_path / "out" / "costs.csv").open()) for c in row]
    assert not [c for c in cells if c[:1] in tuple("=+-@\t\r")]
    book = openpyxl.load_workbook(tmp_path / "out" / "workbook" / "forms.xlsx")
    assert not [c for sheet in book for row in sheet.iter_rows() for c in row if c.data_type == "f"]
    for folder in ("", "workbook"):
        again = hand_in_again(flock, tmp_path / "out", folder)
        assert read_rows(again, "costs")["note"].tolist() == dangerous


def test_numbers_are_written_in_full_without_an_exponent(tmp_path) -> None:
    forms = small.forms()
    exact = ["0.1", "1234.567891", "3.3333333333333335", "0.00001", "100000000000"]
    forms["measures"] = [
        {"on": f"2026-09-{i + 1:02d}", "bird": "26-01", "trait": "shank width", "value": v}
        for i, v in enumerate(exact)
    ]
    flock = recorded(tmp_path, forms)
    export(flock, tmp_path / "out")
    assert [row["value"] for row in small.read_csv(tmp_path / "out" / "measures.csv")] == exact


def test_looks_judged_by_an_earlier_standard_come_back_under_it(tmp_path) -> None:
    flock = recorded(tmp_path, small.forms())
    later = small.STANDARD.replace('name = "type"\npoints = 40', 'name = "type"\npoints = 20')
    later = later.replace('name = "head"\npoints = 40', 'name = "comb"\npoints = 60')
    look = {"on": "2026-10-01", "judge": "Ann", "bird": "26-01", "type": 15, "comb": 50.5}
    found = record(flock, small.write(tmp_path / "later", {"scores": [look]}, later), today=date(2026, 10, 2))
    assert found.status == 0, found.words()
    export(flock, tmp_path / "out")
    for folder in ("", "workbook"):
        again = hand_in_again(flock, tmp_path / "out", folder)
        assert_same_rows(flock, again)
        assert read_settings(again).standards == read_settings(flock).standards
        pd.testing.assert_frame_equal(read_flock(again).scores, read_flock(flock).scores)


def test_an_export_of_nothing_is_refused_in_words(tmp_path) -> None:
    with pytest.raises(RecordsError, match="no flock here"):
        export(tmp_path / "nowhere", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_every_row_with_a_slip_of_the_pen_is_kept_as_meant_or_refused_with_a_true_reason(tmp_path) -> None:
    outcome = mutate_forms.run(tmp_path, rows=4500, seed=3)
    assert outcome.kept > 1000 and outcome.refused > 2000
    assert outcome.wrong == []


def test_the_mutation_test_itself_notices_a_row_that_was_changed_lost_or_wrongly_taken(tmp_path) -> None:
    flock = recorded(tmp_path, {"birds": [{"bird": "m-000", "sex": "female", "hatched_on": "2025-04-01"}],
                                "weights": [{"on": "2026-06-01", "bird": "m-000", "grams": 901}]})  # fmt: skip
    meant = {"on": "2026-06-01", "bird": "m-000", "grams": "900"}
    rows = [
        mutate_forms.Mutated("weights", meant, meant, "grams", "changed"),
        mutate_forms.Mutated("weights", meant, meant | {"on": "2026-06-02"}, "grams", "lost"),
        mutate_forms.Mutated("weights", meant, None, "grams", "taken"),
    ]
    outcome = mutate_forms.Outcome()
    mutate_forms._judge("weights", rows, flock, pd.DataFrame(), outcome)
    assert len(outcome.wrong) == 3
