"""Recording: once is enough, blanks may be filled in later, and nothing on record changes unasked."""

from __future__ import annotations

import datetime as dt
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from selection.records.flock import read_flock
from selection.records.forms.columns import FORMS
from selection.records.intake.recording import Recorded, record, record_rows
from selection.records.ledger.appending import read_rows
from tests.records import small


@pytest.fixture
def flock(tmp_path) -> Path:
    """The small holding, recorded; its forms stand beside it."""
    return small.flock(tmp_path)


def hand_in(flock: Path, form: str, *rows: dict[str, Any], **terms: Any) -> Recorded:
    path = small.write_csv(flock.parent / f"{form}.csv", list(rows))
    return record(flock, path, **terms)


def files(flock: Path) -> dict[str, bytes]:
    return {str(p.relative_to(flock)): p.read_bytes() for p in flock.rglob("*") if p.is_file()}


def test_the_same_forms_handed_in_twice_change_nothing(flock):
    before = files(flock)
    again = record(flock, flock.parent / "forms")
    assert again.status == 0
    assert not again.taken and not again.completed and not again.corrected
    assert again.unchanged == {form: len(rows) for form, rows in small.forms().items()}
    assert files(flock) == before


def test_a_key_cell_that_says_blank_is_blank(flock):
    bill = {"on": "2026-05-30", "item": "feed", "amount": 41.2, "line": "(blank)", "clutch": "(BLANK)"}
    assert hand_in(flock, "costs", bill).unchanged == {"costs": 1}


def test_every_row_is_counted_once(flock):
    forms = small.forms()
    first = record(flock.parent / "other", flock.parent / "forms")
    assert first.taken == {form: len(rows) for form, rows in forms.items()}


def test_a_blank_filled_in_later_completes_the_row(flock):
    found = hand_in(
        flock, "birds", {"bird": "26-04", "sex": "female"}, {"bird": "26-03", "sex": "male", "name": "Moss"}
    )
    assert found.status == 0, found.words()
    assert found.completed == {"birds": 2}
    birds = read_flock(flock).birds.set_index("bird")
    assert birds.loc["26-04", "sex"] == "female"
    assert (birds.loc["26-03", "name"], birds.loc["26-03", "clutch"]) == ("Moss", "26-B1")


def test_a_section_seen_on_a_second_pass_completes_the_look(flock):
    assert (
        hand_in(flock, "scores", {"on": "2026-09-05", "judge": "Ann", "bird": "26-02", "type": 30}).status
        == 0
    )
    found = hand_in(
        flock, "scores", {"on": "2026-09-05", "judge": "ann", "bird": "26-02", "type": "", "head": 22}
    )
    assert found.completed == {"scores": 1}
    assert read_flock(flock).scores.iloc[-1][["type", "head"]].tolist() == [30, 22]


def test_a_blank_handed_in_never_erases_not_even_with_correct(flock):
    for correct in (False, True):
        found = hand_in(
            flock, "birds", {"bird": "24-H2", "sex": "female", "gone_on": "", "gone_why": ""}, correct=correct
        )
        assert found.unchanged == {"birds": 1}
    assert read_flock(flock).birds.set_index("bird").loc["24-H2", "gone_why"] == "died"


def test_unknown_is_a_blank_sex(flock):
    found = hand_in(flock, "birds", {"bird": "26-01", "sex": "unknown"}, correct=True)
    assert found.unchanged == {"birds": 1}


def test_a_changed_value_needs_correct_and_the_refusal_says_what_is_on_record(flock):
    row = {"on": "2026-09-01", "bird": "26-01", "grams": 2950}
    found = hand_in(flock, "weights", row)
    assert found.status == 1
    assert "grams: found 2950; 2900 is on record; hand it in with --correct" in found.words()
    assert read_flock(flock).weights["grams"].max() == 2900
    assert hand_in(flock, "weights", row, correct=True).corrected == {"weights": 1}
    assert read_flock(flock).weights["grams"].max() == 2950
    assert not (flock / "refused/weights.csv").exists()


def test_the_record_as_it_stood_before_a_correction_can_be_read_again(flock):
    before = dt.datetime.now(dt.UTC)
    hand_in(flock, "weights", {"on": "2026-09-01", "bird": "26-01", "grams": 2950}, correct=True)
    assert read_flock(flock, as_recorded=before).weights["grams"].max() == 2900
    assert read_flock(flock).weights["grams"].max() == 2950


def test_a_value_is_cleared_by_a_word_and_only_with_correct(flock):
    row = {"bird": "24-H2", "sex": "female", "gone_on": "(blank)", "gone_why": "(blank)"}
    assert "a clearing" in hand_in(flock, "birds", row).words()
    assert hand_in(flock, "birds", row, correct=True).corrected == {"birds": 1}
    assert read_flock(flock).birds.set_index("bird").loc["24-H2", "alive"]


def test_an_old_sheet_does_not_bring_back_what_was_cleared_unless_it_corrects(flock):
    old = small.forms()["birds"][2]
    hand_in(flock, "birds", old | {"gone_on": "(blank)", "gone_why": "(blank)"}, correct=True)
    again = hand_in(flock, "birds", old | {"name": "Moss"})
    assert (again.status, again.completed) == (0, {"birds": 1})
    assert "gone_on: found 2026-08-01; stood on record and was cleared since, so left blank" in again.words()
    assert hand_in(flock, "birds", old).unchanged == {"birds": 1}
    assert read_flock(flock).birds.set_index("bird").loc["24-H2", "alive"]
    other = hand_in(flock, "birds", old | {"gone_on": "2026-09-01", "gone_why": "sold"})
    assert other.completed == {"birds": 1}, "another value is news"
    assert hand_in(flock, "birds", old, correct=True).corrected == {"birds": 1}
    assert not read_flock(flock).birds.set_index("bird").loc["24-H2", "alive"]


def test_a_row_withdrawn_stays_so_when_its_old_sheet_comes_again(flock):
    old = small.forms()["weights"][0]
    hand_in(flock, "weights", old | {"grams": "(blank)"}, correct=True)
    assert record(flock, flock.parent / "forms").unchanged["weights"] == 2
    assert read_flock(flock).weights["bird"].isna().all()
    assert hand_in(flock, "weights", old, correct=True).completed == {"weights": 1}
    assert read_flock(flock).weights["grams"].tolist() == [310, 2900]


def test_a_row_whose_required_value_is_cleared_is_withdrawn(flock):
    found = hand_in(flock, "weights", {"on": "2026-09-01", "bird": "26-01", "grams": "(blank)"}, correct=True)
    assert found.status == 0, found.words()
    assert read_flock(flock).weights["bird"].isna().all()


def test_refused_rows_come_back_as_they_were_handed_in_and_mended_ones_clear_them(flock):
    rows = [
        {"On": "2026-09-03", "BIRD": "26-01", "grams": "3 stone", "note": "=cmd", "colour": "x"},
        {"On": "2026-09-03", "BIRD": "26-02", "grams": "2400", "note": "", "colour": ""},
        {"On": "soon", "BIRD": "26-03", "grams": "2500", "note": "two\nlines", "colour": ""},
    ]
    found = hand_in(flock, "weights", *rows)
    assert found.taken == {"weights": 1}
    path = flock / "refused/weights.csv"
    back = small.read_csv(path)
    assert list(back[0]) == ["On", "BIRD", "grams", "note", "colour", "row", "reason"]
    assert [row["row"] for row in back] == ["2", "4"]
    assert (back[0]["note"], back[1]["note"]) == ("'=cmd", "two\nlines")
    mended = [back[0] | {"grams": "3000"}, back[1] | {"On": "2026-09-04"}]
    assert record(flock, small.write_csv(path, mended)).taken == {"weights": 2}
    assert not path.exists()
    weights = read_flock(flock).weights
    assert weights.loc[weights["grams"] == 3000, "note"].tolist() == ["=cmd"]


def test_a_sheet_half_mended_comes_back_with_what_is_left(flock):
    hand_in(flock, "weights", *({"on": "2026-09-03", "bird": b, "grams": "x"} for b in ("26-01", "26-02")))
    path = flock / "refused/weights.csv"
    back = small.read_csv(path)
    found = record(flock, small.write_csv(path, [back[0] | {"grams": "3000"}, back[1]]))
    assert found.taken == {"weights": 1}
    (left,) = small.read_csv(path)
    assert left["bird"] == "26-02"
    assert list(left).count("reason") == 1


def test_each_unnamed_chick_keeps_its_own_row_however_often_the_sheet_comes(flock):
    chicks = [
        {"on": "2026-05-20", "clutch": "26-H1", "sex": "unknown", "grams": g} for g in (400, 400, "41O", 430)
    ]
    assert hand_in(flock, "weights", *chicks).taken == {"weights": 3}
    assert hand_in(flock, "weights", *chicks).unchanged == {"weights": 3}
    mended = [chicks[0], chicks[1], chicks[2] | {"grams": 410}, chicks[3]]
    again = hand_in(flock, "weights", *mended)
    assert (again.unchanged, again.taken) == ({"weights": 3}, {"weights": 1})
    weights = read_flock(flock).weights
    assert sorted(weights.loc[weights["on"] == "2026-05-20", "grams"]) == [400, 400, 410, 430]


def test_colours_mean_the_same_bird_when_the_sheet_comes_again_after_the_rings_changed(flock):
    """26-02's pair goes to 26-04 as if it had always worn it; the look recorded as 26-02's stays hers."""
    look = small.forms()["scores"][1]
    swap = [
        {"bird": "26-02", "leg": "right", "colour": "black", "fitted_on": "2026-06-01"},
        {"bird": "26-04", "leg": "left", "colour": "green", "fitted_on": "2026-06-01"},
        {"bird": "26-04", "leg": "right", "colour": "blue", "fitted_on": "2026-06-01"},
    ]
    found = hand_in(flock, "rings", *swap, correct=True)
    assert found.status == 0, found.words()
    assert (
        "green and blue on 2026-09-01, recorded as 26-02; by the rings now on record it is 26-04"
        in found.words()
    )
    assert hand_in(flock, "scores", look).unchanged == {"scores": 1}
    assert read_flock(flock).scores["bird"].tolist() == ["26-01", "26-02"]
    moved = hand_in(flock, "scores", look, correct=True)
    assert "taken as 26-04, but recorded earlier as 26-02" in moved.words()
    clear = {"on": look["on"], "judge": "Ann", "bird": "26-02", "type": "(blank)", "head": "(blank)"}
    assert hand_in(flock, "scores", clear, correct=True).corrected == {"scores": 1}
    assert read_flock(flock).scores["bird"].tolist() == ["26-01", "26-04"]


@pytest.mark.parametrize(
    ("form", "row", "column"),
    [
        ("birds", {"bird": "26-01", "sex": "male", "gone_on": "2026-08-20", "gone_why": "died"}, "gone_on"),
        ("sales", {"on": "2026-08-20", "bird": "26-01", "sold_as": "table", "price": 9}, "on"),
    ],
)
def test_a_going_told_late_asks_about_what_was_seen_after_it(flock, form, row, column):
    found = hand_in(flock, form, row)
    assert found.status == 0
    (said,) = found.findings
    assert (said.row, said.column) == (2, column)
    assert "on record 26-01 was seen after that, on 2026-09-01" in said.expected


def test_what_was_typed_is_kept_beside_the_bird_it_means(flock):
    typed = read_rows(flock, "scores").iloc[1]
    assert (typed["left"], typed["right"], typed["bird"]) == ("green", "blue", "26-02")


def test_a_workbook_and_csv_files_are_the_same_to_it(tmp_path, flock):
    with pd.ExcelWriter(tmp_path / "forms.xlsx") as book:
        for form, rows in small.forms().items():
            pd.DataFrame(rows).to_excel(book, sheet_name=form, index=False)
    again = record(flock, tmp_path / "forms.xlsx")
    assert again.unchanged == {form: len(rows) for form, rows in small.forms().items()}
    assert again.findings == ()


# settings


@pytest.mark.slow
def test_the_settings_of_a_folder_are_adopted_once(tmp_path):
    folder = small.write(tmp_path / "forms", small.forms())
    assert record(tmp_path / "flock", folder).adopted == ("standard.toml", "plan.toml")
    assert record(tmp_path / "flock", folder).adopted == ()
    (folder / "plan.toml").write_text(small.PLAN.replace("number = 2", "number = 3"))
    assert record(tmp_path / "flock", folder).adopted == ("plan.toml",)
    assert read_flock(tmp_path / "flock").plan.keep["pullets"].number == 3


NEW_STANDARD = small.STANDARD.replace("points = 40", "points = 50", 1).replace("points = 40", "points = 30")


def test_an_earlier_standard_stays_in_force_for_looks_before_the_new_one(tmp_path, flock):
    look = {"on": "2026-09-20", "judge": "Ann", "bird": "26-01", "type": 45, "head": 28}
    looks = {"scores": [*small.forms()["scores"], look]}
    folder = small.write(tmp_path / "new", looks, standard=NEW_STANDARD, plan=None)
    found = record(flock, folder, today=dt.date(2026, 10, 1))
    assert (found.taken, found.unchanged) == ({"scores": 1}, {"scores": 2})
    late = hand_in(
        flock, "scores", {"on": "2026-09-10", "judge": "Ann", "bird": "26-01", "type": 45, "head": 28}
    )
    assert "type: found 45; 0 to 40 points, the most that the standard of that day gives" in late.words()
    scores = read_flock(flock).scores
    assert scores["type"].tolist() == [30 * 50 / 40, 28 * 50 / 40, 45], "on the present scale"
    assert scores["head"].tolist() == [25.5 * 30 / 40, 27 * 30 / 40, 28]


def test_a_new_standard_without_looks_holds_from_today(tmp_path, flock):
    folder = small.write(tmp_path / "new", {}, standard=NEW_STANDARD, plan=None)
    record(flock, folder, today=dt.date(2026, 10, 1))
    before, after = (
        {"on": on, "judge": "Ann", "bird": "26-01", "type": 45} for on in ("2026-09-30", "2026-10-01")
    )
    assert hand_in(flock, "scores", before).status == 1
    assert hand_in(flock, "scores", after).status == 0


def test_a_standard_handed_in_as_a_correction_takes_the_place_of_the_present_one(tmp_path, flock):
    folder = small.write(tmp_path / "new", {}, standard=NEW_STANDARD, plan=None)
    record(flock, folder, correct=True)
    assert read_flock(flock).scores["type"].tolist() == [30, 28]
    assert (
        hand_in(flock, "scores", {"on": "2026-09-10", "judge": "Ann", "bird": "26-01", "type": 45}).status
        == 0
    )


def test_faulty_settings_stop_everything_and_all_faults_are_said(tmp_path):
    folder = small.write(tmp_path / "forms", small.forms(), plan=small.PLAN.replace("season", "sesaon"))
    found = record(tmp_path / "flock", folder)
    assert (found.status, found.taken) == (2, {})
    assert "plan.toml: sesaon: found" in (found.stopped or "")
    assert not (tmp_path / "flock").exists()


def test_a_standard_that_the_plan_on_record_does_not_fit_is_refused(tmp_path):
    plan = small.PLAN + "[worth]\nhead = 1.5\n"
    assert record(tmp_path / "flock", small.write(tmp_path / "forms", {}, plan=plan)).status == 0
    renamed = small.STANDARD.replace('"head"', '"comb"')
    found = record(tmp_path / "flock", small.write(tmp_path / "new", {}, standard=renamed, plan=None))
    assert found.status == 2
    assert "plan.toml: worth, head" in (found.stopped or "")


def test_faults_of_both_settings_are_said_together(tmp_path):
    folder = small.write(
        tmp_path / "forms", {}, plan=small.PLAN.replace("season", "sesaon") + "[worth]\nwings = 1\n"
    )
    assert (record(tmp_path / "flock", folder).stopped or "").count("plan.toml: ") == 2


def test_a_day_still_to_come_is_remarked_unless_the_plan_lies_beyond_it(flock):
    found = hand_in(flock, "weights", {"on": "2062-09-01", "bird": "26-01", "grams": 2900})
    assert (found.status, found.taken) == (0, {"weights": 1})
    assert (
        "on: found 2062-09-01; taken, and counted only from then on: that day is still to come"
        in found.words()
    )
    planned = hand_in(
        flock, "weights", {"on": "2026-10-09", "bird": "26-01", "grams": 2900}, today=date(2026, 9, 1)
    )
    assert "still to come" not in planned.words()


def test_a_colour_new_to_the_holding_is_remarked_once(flock):
    rings = [
        {"bird": bird, "leg": "right", "colour": colour, "fitted_on": "2026-10-01"}
        for bird, colour in (("26-01", "tartan"), ("26-02", "tartan"))
    ]
    said = hand_in(flock, "rings", *rings).words()
    assert said.count("found tartan; taken, a colour that no ring on record has") == 1


def test_a_cell_under_no_name_is_told_by_its_row(flock, tmp_path):
    (tmp_path / "weights.csv").write_text("on,bird,grams\n2026-09-03,26-01,2,9\n2026-09-03,26-02,2900\n")
    found = record(flock, tmp_path / "weights.csv")
    assert (
        "weights, row 2: found a cell without a name over it, in column 4; not recorded; was a decimal comma"
        in (found.words())
    )


def test_a_bird_without_a_sex_is_recorded_as_unknown(flock):
    assert hand_in(flock, "birds", {"bird": "26-05", "sex": "", "clutch": "26-H1"}).status == 0
    assert read_flock(flock).birds.set_index("bird").loc["26-05", "sex"] == "unknown"


def test_the_same_fault_of_many_rows_is_one_line(flock):
    rows = [{"on": "2026-09-02", "bird": "26-01", "trait": "shank width"} for _ in range(30)]
    lines = hand_in(flock, "measures", *rows).words().splitlines()
    assert "measures, rows 2, 3, 4, 5, 6, 7 and 24 more: value: found no column of that name" in lines[-1]


def test_rows_that_expect_the_same_are_one_line_and_what_is_to_mend_comes_first(flock):
    rows = [{"on": "2026-09-01", "bird": f"99-{i}", "grams": 900} for i in range(30)]
    said = hand_in(
        flock, "weights", *rows, {"on": "2026-09-01", "bird": "26-01", "grams": 2900, "frost": "x"}
    ).words()
    mend, look = said.split("\n\n")[1:]
    assert mend.splitlines() == [
        "To mend, then hand in again:",
        "weights, rows 2, 3, 4, 5, 6, 7 and 24 more: bird: found 99-0, 99-1, 99-2 and 27 more; no such bird is on "
        "record: enter it on the birds form first, or mend the label",
    ]
    assert look.startswith("Worth another look:\nweights: frost: found a column that this form does not have")


def test_a_folder_that_may_not_be_read_is_said(flock, monkeypatch):
    def denied(*_: object) -> None:
        raise PermissionError(13, "Permission denied", "forms")

    monkeypatch.setattr(Path, "iterdir", denied)
    found = record(flock, flock.parent)
    assert found.status == 2
    assert "cannot be opened: there is no permission" in (found.stopped or "")


def test_a_disk_that_is_full_is_said_and_the_rows_are_not_taken(flock, monkeypatch):
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.write", full)
    found = hand_in(flock, "weights", {"on": "2026-09-09", "bird": "26-01", "grams": 2900})
    monkeypatch.undo()
    assert found.status == 2
    assert "the disk is full" in (found.stopped or "")
    assert len(read_flock(flock).weights) == 2


def test_a_file_of_the_ledger_that_is_spoilt_is_named_and_the_new_rows_are_taken(flock):
    spoilt, missing = (next((flock / "records" / form).glob("*.parquet")) for form in ("weights", "costs"))
    spoilt.write_bytes(spoilt.read_bytes()[:-9])
    missing.unlink()
    found = hand_in(flock, "weights", {"on": "2026-09-09", "bird": "26-01", "grams": 2900})
    assert (found.status, found.taken) == (0, {"weights": 1})
    assert f"found weights/{spoilt.name}: " in found.words() and "were recorded; restore it" in found.words()
    assert missing.name not in found.words(), "what the hand-in is not held against is for selection check"
    assert missing.name in hand_in(flock, "costs", {"on": "2026-09-09", "item": "feed", "amount": 3}).words()


def test_forms_without_a_standard_cannot_be_recorded(tmp_path):
    found = record(
        tmp_path / "flock", small.write(tmp_path / "forms", small.forms(), standard=None, plan=None)
    )
    assert found.status == 2
    assert "no standard.toml yet" in (found.stopped or "")


def test_settings_alone_can_be_handed_in(tmp_path):
    found = record(tmp_path / "flock", small.write(tmp_path / "forms", {}))
    assert (found.status, found.adopted) == (0, ("standard.toml", "plan.toml"))


# nothing could be done


@pytest.mark.parametrize("name", ["nowhere", "empty"])
def test_nothing_to_record_is_said(tmp_path, flock, name):
    (tmp_path / "empty").mkdir()
    found = record(flock, tmp_path / name)
    assert found.status == 2
    assert name in (found.stopped or "")


def test_a_flock_is_not_forms(tmp_path, flock):
    found = record(tmp_path / "new", flock)
    assert found.status == 2 and "is a flock, not forms to hand in" in found.words()
    assert not (tmp_path / "new").exists()


def test_a_form_that_is_no_form_is_all_there_is(tmp_path, flock):
    path = tmp_path / "weights.csv"
    path.write_bytes(bytes(range(256)))
    found = record(flock, path)
    assert found.status == 2
    assert "a file that is no text" in found.words()


def test_a_flock_that_is_a_file_is_said(tmp_path):
    (tmp_path / "flock").write_text("a letter")
    found = record(tmp_path / "flock", small.write(tmp_path / "forms", small.forms()))
    assert found.status == 2
    assert "flock" in (found.stopped or "")


def test_one_bad_file_does_not_hold_up_the_others(tmp_path):
    folder = small.write(tmp_path / "forms", small.forms())
    (folder / "weights.csv").write_bytes(b"\x00\x01")
    found = record(tmp_path / "flock", folder)
    assert found.status == 1
    assert found.taken["scores"] == 2


def test_progress_is_told_by_step(tmp_path):
    steps: list[tuple[str, float]] = []
    record(
        tmp_path / "flock",
        small.write(tmp_path / "forms", small.forms()),
        progress=lambda *s: steps.append(s),
    )
    assert {name for name, _ in steps} >= {"checking birds", "recording"}
    assert all(0 <= share <= 1 for _, share in steps)


def test_every_form_can_be_recorded():
    assert set(small.forms()) | {"decisions"} == set(FORMS)


def test_rows_are_recorded_from_values_as_from_a_sheet(flock):
    rows = pd.DataFrame(
        {
            "on": [pd.Timestamp("2026-09-09")] * 2,
            "bird": ["26-01", "26-99"],
            "grams": [3100.5, 3000],
            "note": ["", None],
        }
    )
    found = record_rows(flock, "weights", rows)
    assert (found.status, found.taken) == (1, {"weights": 1})
    assert "row 3" in found.words() and "26-99" in found.words() and "see refused" not in found.words()
    assert not (flock / "refused").exists()
    kept = read_rows(flock, "weights").iloc[-1]
    assert (kept["bird"], kept["grams"]) == ("26-01", 3100.5)
    assert record_rows(flock, "weights", rows.head(1)).unchanged == {"weights": 1}
    changed = [{"on": date(2026, 9, 9), "bird": "26-01", "grams": 3150}]
    assert record_rows(flock, "weights", changed).status == 1
    assert record_rows(flock, "weights", changed, correct=True).corrected == {"weights": 1}
    assert record_rows(flock, "hats", changed).stopped is not None
    assert record_rows(flock, "weights", []).status == 0


def test_a_withdrawal_period_belongs_to_a_treatment(flock):
    found = hand_in(flock, "costs", {"on": "2026-09-09", "item": "feed", "amount": 3, "withdrawal_days": 7})
    assert found.status == 1 and "treatment" in found.words()


def test_a_row_that_completes_one_on_record_needs_only_its_key(flock):
    gone = {"bird": "26-03", "gone_on": "2026-09-30", "gone_why": "lost"}
    found = hand_in(flock, "birds", gone, {"bird": "26-77", "gone_on": "2026-09-30", "gone_why": "lost"})
    assert found.completed == {"birds": 1} and found.status == 1
    assert "row 3" in found.words() and "sex: found no column of that name" in found.words()
    ring = {"bird": "26-01", "leg": "left", "fitted_on": "2026-06-01", "removed_on": "2026-09-01"}
    assert hand_in(flock, "rings", ring).completed == {"rings": 1}
    weight = {"on": "2026-09-01", "bird": "26-01", "grams": "", "note": "calm"}
    assert record_rows(flock, "weights", [weight, {**weight, "bird": "26-03"}]).status == 1
    assert read_flock(flock).birds.set_index("bird").loc["26-03", "sex"] == "male"
    row = record_rows(flock, "birds", [{"bird": "26-88", "sex": "", "name": "Fern"}])
    assert row.taken == {"birds": 1}  # a blank sex says unknown, as before


def test_a_number_written_otherwise_finds_its_bird_and_says_so(flock):
    new = [
        {"bird": "007", "sex": "female", "hatched_on": "2025"},
        {"bird": "08", "sex": "male", "hatched_on": "2025"},
    ]
    assert hand_in(flock, "birds", *new).status == 0
    on = "2026-09-09"
    found = hand_in(
        flock, "weights",
        {"on": on, "bird": 7, "grams": 3000}, {"on": on, "bird": "26 - 01", "grams": 3100},
        {"on": on, "bird": "0026-01", "grams": 3100},
    )  # fmt: skip
    assert found.taken == {"weights": 2} and found.status == 1
    assert "bird: found 7; taken as 007" in found.words() and "found 26 - 01; taken as 26-01" in found.words()
    assert "perhaps 26-01" in found.words()
    again = hand_in(flock, "weights", {"on": on, "bird": 7, "grams": 3000})
    assert again.unchanged == {"weights": 1}
    chick = {"bird": "26-50", "sex": "male", "clutch": "26-H1", "sire": 8, "dam": 7}
    assert hand_in(flock, "birds", chick).taken == {"birds": 1}
    assert read_flock(flock).birds.set_index("bird").loc["26-50", ["sire", "dam"]].tolist() == ["08", "007"]
    # on the birds form a number is taken for one on record only where nothing speaks against it
    assert hand_in(flock, "birds", {"bird": "7", "sex": "female", "name": "Fern"}).completed == {"birds": 1}
    assert hand_in(flock, "birds", {"bird": "7", "sex": "male", "hatched_on": "2026"}).taken == {"birds": 1}
    assert (
        "taken as" not in hand_in(flock, "weights", {"on": "2026-09-10", "bird": "7", "grams": 900}).words()
    )
    assert read_rows(flock, "weights").iloc[-1]["bird"] == "7"


def test_a_number_that_fits_no_bird_is_told_the_nearest(flock):
    words = hand_in(flock, "weights", {"on": "2026-09-09", "bird": "26-0l", "grams": 3000}).words()
    assert (
        "no such bird is on record: perhaps 26-0" in words
        and "; or enter it on the birds form first" in words
    )
