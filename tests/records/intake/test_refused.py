"""Refused rows wait until they are mended: no hand-in of other rows loses them, and what is answered goes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from selection.records.intake.recording import Recorded, record
from tests.records import small


@pytest.fixture
def flock(tmp_path) -> Path:
    """The small holding, recorded, with two weighings refused since."""
    small.flock(tmp_path)
    hand_in(tmp_path / "flock", BIRD_01, BIRD_02)
    return tmp_path / "flock"


BIRD_01 = {"on": "2026-09-03", "bird": "26-01", "grams": "3 stone", "note": "=wet"}
BIRD_02 = {"on": "soon", "bird": "26-02", "grams": "2400"}


def hand_in(flock: Path, *rows: dict[str, Any], form: str = "weights") -> Recorded:
    return record(flock, small.write_csv(flock.parent / f"{form}.csv", list(rows)))


def waiting(flock: Path) -> list[dict[str, str]]:
    path = flock / "refused/weights.csv"
    return small.read_csv(path) if path.exists() else []


def test_text_like_a_formula_is_protected_once_however_often_its_row_comes_back(flock):
    for _ in range(3):
        assert record(flock, flock / "refused/weights.csv").status == 1
    assert waiting(flock)[0]["note"] == "'=wet"


def test_other_rows_handed_in_meanwhile_leave_them_waiting_and_that_is_said(flock):
    before = waiting(flock)
    found = hand_in(flock, {"on": "2026-09-03", "bird": "26-03", "grams": 2700})
    assert (found.status, found.taken) == (0, {"weights": 1})
    assert waiting(flock) == before
    assert "2 rows refused earlier; they still wait in refused/weights.csv" in found.words()


def test_rows_refused_now_come_first_and_columns_of_both_sheets_are_there(flock):
    hand_in(flock, {"On": "2026-09-04", "bird": "26-03", "grams": "heavy", "weather": "rain"})
    back = waiting(flock)
    assert list(back[0]) == ["On", "bird", "grams", "weather", "note", "row", "reason"]
    assert [(row["On"], row["grams"], row["note"]) for row in back] == [
        ("2026-09-04", "heavy", ""), ("2026-09-03", "3 stone", "'=wet"), ("soon", "2400", "")
    ]  # fmt: skip


def test_the_same_sheet_handed_in_again_leaves_each_row_there_once(flock):
    before = waiting(flock)
    assert hand_in(flock, BIRD_01, BIRD_02).status == 1
    assert waiting(flock) == before


def test_a_row_taken_or_refused_under_the_same_key_answers_the_earlier_one(flock):
    hand_in(flock, BIRD_01 | {"on": "3 Sep 2026", "grams": "3000"})
    assert [row["bird"] for row in waiting(flock)] == ["26-02"]
    hand_in(flock, BIRD_01 | {"on": "2026-09-05", "grams": "x"})
    hand_in(flock, BIRD_01 | {"on": "2026-09-05", "grams": "y"})
    assert [row["grams"] for row in waiting(flock)] == ["y", "2400"]


def test_a_row_that_is_on_record_already_answers_nothing(flock):
    """A correction refused for want of --correct is not lost when the old sheet comes again."""
    old = small.forms()["weights"][0]
    hand_in(flock, old | {"grams": 2950})
    assert hand_in(flock, old).unchanged == {"weights": 1}
    assert [row["grams"] for row in waiting(flock)] == ["2950", "3 stone", "2400"]


def test_a_mended_copy_handed_in_from_elsewhere_answers_the_rows_it_carries(flock):
    back = waiting(flock)
    mended = [back[0] | {"grams": "3000"}, back[1] | {"on": "2026-09-06", "bird": "26-03"}]
    book = flock.parent / "mended.xlsx"
    with pd.ExcelWriter(book) as writer:
        pd.DataFrame(mended).to_excel(writer, sheet_name="weights", index=False)
    assert record(flock, book).taken == {"weights": 2}
    assert waiting(flock) == []


def test_the_file_itself_handed_in_counts_as_it_now_stands(flock):
    back = waiting(flock)
    found = record(flock, small.write_csv(flock / "refused/weights.csv", [back[1] | {"on": "2026-09-06"}]))
    assert found.taken == {"weights": 1}
    assert waiting(flock) == []


def test_the_whole_folder_handed_in_counts_as_it_now_stands(flock):
    hand_in(flock, {"on": "2026-09-03", "pen": "Old Yard", "eggs": "two"}, form="eggs")
    small.write_csv(
        flock / "refused/weights.csv", [row | {"on": "2026-09-06", "grams": "2500"} for row in waiting(flock)]
    )
    assert record(flock, flock / "refused").taken == {"weights": 2}
    assert sorted(p.name for p in (flock / "refused").iterdir()) == ["eggs.csv"]


def test_unnamed_chicks_of_one_day_are_told_apart_by_what_their_rows_say(flock):
    chick = {"on": "2026-05-20", "clutch": "26-H1", "sex": "unknown"}
    hand_in(flock, chick | {"grams": "4OO"}, chick | {"grams": "41O"})
    hand_in(flock, chick | {"grams": 400})
    assert [row["grams"] for row in waiting(flock)] == ["4OO", "41O", "3 stone", "2400"]


def test_a_sheet_with_one_column_twice_waits_beside_others(flock):
    path = flock.parent / "weights.csv"
    path.write_text("on,bird,Grams,grams\n2026-09-01,26-01,2900,2950\n")
    record(flock, path)
    hand_in(flock, BIRD_01 | {"bird": "26-03"})
    lines = (flock / "refused/weights.csv").read_text().splitlines()
    assert lines[0] == "on,bird,grams,note,grams,row,reason"
    assert lines[2].startswith("2026-09-01,26-01,2900,,2950,2,")


def test_a_file_spoilt_by_hand_is_kept_aside(flock):
    (flock / "refused/weights.csv").write_bytes(b"\x00\x01")
    found = hand_in(flock, BIRD_01)
    assert (flock / "refused/weights.csv.old").read_bytes() == b"\x00\x01"
    assert "kept as refused/weights.csv.old" in found.words()
    assert len(waiting(flock)) == 1


def test_a_disk_that_takes_the_rows_and_not_the_refused_ones_is_a_fault_and_the_rows_are_safe(
    flock, monkeypatch
):
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("selection.records.intake.refused._csv", full)
    rows = ({"on": "2026-09-03", "bird": "26-03", "grams": 2700}, BIRD_01 | {"on": "2026-09-05"})
    found = hand_in(flock, *rows)
    assert (found.status, found.taken) == (1, {"weights": 1})
    assert "the disk is full" in found.words() and "found 3 stone" in found.words()
    assert len(waiting(flock)) == 2
