"""Rows for unnamed chicks have no key: each keeps its place however the sheets come, and corrections say which."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from selection.records.flock import read_flock
from selection.records.intake.recording import Recorded, record
from tests.records import small

CHICK = {"on": "2026-05-20", "clutch": "26-H1", "sex": "unknown"}
LOOK = CHICK | {"on": "2026-08-01", "judge": "Ann"}


@pytest.fixture
def flock(tmp_path) -> Path:
    forms = small.forms()
    forms["weights"] = [CHICK | {"grams": grams} for grams in (400, 420)]
    return small.flock(tmp_path, forms)


def hand_in(flock: Path, *rows: dict[str, Any], form: str = "weights", correct: bool = False) -> Recorded:
    return record(flock, small.write_csv(flock.parent / f"{form}.csv", list(rows)), correct=correct)


def grams(flock: Path) -> list[float]:
    return read_flock(flock).weights["grams"].tolist()


def test_another_sheet_of_the_day_speaks_of_other_chicks(flock):
    assert hand_in(flock, CHICK | {"grams": 410}).taken == {"weights": 1}
    assert grams(flock) == [400, 420, 410]


def test_all_rows_handed_in_with_correct_change_the_one_that_differs(flock):
    found = hand_in(flock, CHICK | {"grams": 400}, CHICK | {"grams": 425}, correct=True)
    assert (found.corrected, found.unchanged) == ({"weights": 1}, {"weights": 1})
    assert sorted(grams(flock)) == [400, 425]
    old = record(flock, flock.parent / "forms")
    assert "grams: found 420; 425 is on record; hand it in with --correct" in old.words()
    assert sorted(grams(flock)) == [400, 425], "an old sheet adds no second row"


def test_a_correction_that_may_mean_any_of_several_rows_is_refused(flock):
    found = hand_in(flock, CHICK | {"grams": 410}, correct=True)
    assert found.status == 1
    assert "one of 2 rows on record for unnamed chicks of that clutch, sex and day" in found.words()
    assert grams(flock) == [400, 420]


def test_a_row_is_withdrawn_and_its_old_sheet_does_not_bring_it_back(flock):
    rows = (CHICK | {"grams": 400}, CHICK | {"grams": "(blank)"})
    assert "hand it in with --correct" in hand_in(flock, *rows).words()
    assert hand_in(flock, *rows, correct=True).corrected == {"weights": 1}
    assert grams(flock) == [400]
    again = record(flock, flock.parent / "forms")
    assert (again.status, again.unchanged["weights"]) == (0, 2)
    assert grams(flock) == [400]


def test_a_section_seen_on_a_second_pass_completes_the_look_at_the_chicks(flock):
    hand_in(flock, LOOK | {"type": 30, "n": 4}, form="scores")
    found = hand_in(flock, LOOK | {"type": 30, "head": 22, "n": 4}, form="scores")
    assert found.completed == {"scores": 1}
    assert hand_in(flock, LOOK | {"type": 30, "n": 4}, form="scores").unchanged == {"scores": 1}
    assert read_flock(flock).scores.iloc[-1][["type", "head"]].tolist() == [30, 22]


def test_nothing_on_record_cannot_be_cleared(flock):
    for row in (
        CHICK | {"on": "2026-05-21", "grams": "(blank)"},
        {"on": "2026-09-09", "bird": "26-01", "grams": "(blank)"},
    ):
        assert "nothing is on record under this row's key" in hand_in(flock, row, correct=True).words()
