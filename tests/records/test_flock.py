"""The flock as the layers above see it."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from selection.errors import RecordsError, SettingsError
from selection.records.flock import assemble, flock_from_forms, forms_and_findings, read_flock
from selection.records.forms.columns import FORMS
from selection.records.intake.recording import record
from selection.records.ledger.appending import read_rows
from selection.records.settings.plan import parse_plan
from selection.records.settings.reading import parse_standard
from tests.records import small

STANDARD = parse_standard(small.STANDARD)


def on(day: str):
    return parse_plan(f"on = {day}", STANDARD)


def test_a_folder_of_forms_and_the_flock_recorded_from_it_are_the_same(tmp_path):
    folder = small.write(tmp_path / "forms", small.forms())
    record(tmp_path / "flock", folder)
    direct, recorded = flock_from_forms(folder), read_flock(tmp_path / "flock")
    for form in FORMS:
        pd.testing.assert_frame_equal(getattr(direct, form), getattr(recorded, form))
    assert (direct.standard, direct.plan) == (recorded.standard, recorded.plan)


def test_every_form_has_all_its_columns_in_their_own_dtypes(tmp_path):
    flock = flock_from_forms(small.write(tmp_path / "forms", {"birds": small.forms()["birds"][:1]}))
    for form in FORMS.values():
        frame = getattr(flock, form.name)
        assert list(frame.columns)[: len(form.names)] == list(form.names)
        for column in form.columns:
            kind = {"date": "datetime64[s]", "number": "float64", "whole": "float64", "money": "float64"}
            assert frame[column.name].dtype == kind.get(column.kind, "str"), (form.name, column.name)
    assert list(flock.scores.columns)[-2:] == ["type", "head"]


def test_a_bird_takes_from_its_clutch_what_it_does_not_say_itself(tmp_path):
    birds = flock_from_forms(small.write(tmp_path / "forms", small.forms())).birds.set_index("bird")
    assert birds.loc["26-03", "hatched"] == pd.Timestamp("2026-04-19")
    assert birds.loc["26-03", ["origin_of", "source_of"]].tolist() == ["bought-in", "Fenwick"]
    assert birds.loc["24-C1", "hatched"] == pd.Timestamp("2024-04-01")
    assert birds.loc["24-C1", "origin_of"] == "home-bred"
    assert birds.loc["24-C1", "hatch_year"] == 2024


def test_rows_after_the_day_are_not_in_it_and_later_leavings_read_as_blank(tmp_path):
    folder = small.write(tmp_path / "forms", small.forms())
    record(tmp_path / "flock", folder)
    flock = read_flock(tmp_path / "flock", plan=on("2026-07-31"))
    birds = flock.birds.set_index("bird")
    assert birds.loc["24-H2", "alive"]
    assert pd.isna(birds.loc["24-H2", "gone_why"])
    assert flock.scores.empty
    assert len(flock.weights) == 1
    assert read_flock(tmp_path / "flock", plan=on("2026-04-18")).birds["bird"].tolist()[-2:] == [
        "26-01",
        "26-02",
    ]


def test_a_bird_gone_on_the_day_itself_is_gone(tmp_path):
    flock = flock_from_forms(small.write(tmp_path / "forms", small.forms(), plan="on = 2026-08-01"))
    assert not flock.birds.set_index("bird").loc["24-H2", "alive"]


def test_a_sale_marks_its_bird_gone_from_that_day_on():
    forms = {
        "birds": pd.DataFrame({"bird": ["a", "B"], "sex": ["male", "male"]}),
        "sales": pd.DataFrame(
            {"on": pd.to_datetime(["2026-09-20"]), "bird": ["b"], "sold_as": ["pet"], "price": [3.0]}
        ),
    }
    after = assemble(STANDARD, on("2026-09-20"), forms).birds
    assert after["alive"].tolist() == [True, False]
    assert after["gone_why"].tolist()[1] == "sold"
    assert assemble(STANDARD, on("2026-09-19"), forms).birds["alive"].all()


def test_a_row_with_nothing_given_is_no_look(tmp_path):
    forms = small.forms()
    forms["scores"] += [{"on": "2026-09-01", "judge": "Ann", "bird": "26-03", "note": "hid under the coop"}]
    record(tmp_path / "flock", small.write(tmp_path / "forms", forms))
    assert len(read_rows(tmp_path / "flock", "scores")) == 3
    assert len(read_flock(tmp_path / "flock").scores) == 2


def test_labels_take_one_spelling_throughout():
    forms = {
        "birds": pd.DataFrame({"bird": ["A1"], "sex": ["male"], "clutch": ["c1;C2"]}),
        "clutches": pd.DataFrame({"clutch": ["C1", "c2"], "set_on": pd.to_datetime(["2026-03-01"] * 2)}),
        "scores": pd.DataFrame(
            {"on": pd.to_datetime(["2026-09-01", "2026-09-02"]), "judge": ["Ann", " ANN"], "bird": ["a1", "A1"],
             "faults": ["WRY TAIL;Pale legs", None],
                "type": [20.0, 21.0]}
        ),
        "measures": pd.DataFrame({"on": pd.to_datetime(["2026-09-01"]), "trait": ["Shank Width"], "judge": ["ann"]}),
    }  # fmt: skip
    flock = assemble(STANDARD, on("2026-10-10"), forms)
    assert flock.scores["bird"].tolist() == ["A1", "A1"]
    assert flock.scores["judge"].tolist() == ["Ann", "Ann"]
    assert flock.measures.loc[0, ["judge", "trait"]].tolist() == ["Ann", "shank width"]
    assert flock.scores["faults"][0] == "wry tail;pale legs"
    assert flock.birds["clutch"][0] == "C1;c2"


def test_rows_with_faults_are_left_out_with_a_warning_and_can_be_asked_for(tmp_path):
    forms = small.forms()
    forms["weights"][0]["grams"] = "x"
    folder = small.write(tmp_path / "forms", forms)
    with pytest.warns(UserWarning, match="weights, row 2: grams: found x"):
        flock = flock_from_forms(folder)
    assert len(flock.weights) == 1
    assert [f.row for f in forms_and_findings(folder)[1]] == [2]


def test_a_workbook_beside_its_settings_is_read(tmp_path):
    folder = small.write(tmp_path / "forms", {})
    with pd.ExcelWriter(folder / "season.xlsx") as book:
        for form, rows in small.forms().items():
            pd.DataFrame(rows).to_excel(book, sheet_name=form, index=False)
    assert len(flock_from_forms(folder / "season.xlsx").birds) == 7


def test_missing_settings_are_named(tmp_path):
    folder = small.write(tmp_path / "forms", small.forms(), plan=None)
    with pytest.raises(SettingsError, match=r"no plan\.toml beside the forms"):
        flock_from_forms(folder)


def test_a_flock_that_is_not_there_is_said(tmp_path):
    with pytest.raises((RecordsError, SettingsError)):
        read_flock(tmp_path / "nowhere")


def test_the_plan_of_another_day_can_be_asked_for(tmp_path):
    record(tmp_path / "flock", small.write(tmp_path / "forms", small.forms()))
    assert read_flock(tmp_path / "flock", plan=on("2026-06-01")).plan.on == dt.date(2026, 6, 1)


def test_rows_dated_after_the_plans_day_are_left_out_and_counted():
    days = pd.to_datetime(["2026-09-01", "2026-10-20", "2026-11-02"])
    forms = {
        "weights": pd.DataFrame({"on": days, "bird": "A1", "grams": 2900.0}),
        "costs": pd.DataFrame({"on": days[:1], "item": ["feed"], "amount": [4.0]}),
    }
    flock = assemble(STANDARD, on("2026-10-10"), forms)
    assert len(flock.weights) == 1
    assert flock.later == {"weights": 2}
