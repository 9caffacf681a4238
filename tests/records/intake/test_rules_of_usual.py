"""What is far from the usual is taken and asked about; what is only a little unusual, or has no usual yet, is not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from selection.records.flock import read_flock
from selection.records.intake.recording import Recorded, record
from tests.records import small

BIRDS = [f"26-{i}" for i in range(11, 21)]
"""Ten cockerels of one clutch, hatched on 2026-04-18."""


def flock_with(folder: Path, **more: small.Rows) -> Path:
    """The small holding, with ten cockerels more and these rows, recorded."""
    forms = small.forms()
    forms["clutches"][0] |= {"eggs_set": 30, "fertile": 25, "hatched": 20}
    forms["birds"] += [{"bird": bird, "sex": "male", "clutch": "26-H1"} for bird in BIRDS]
    for form, rows in more.items():
        forms[form] = rows
    found = record(folder / "flock", small.write(folder / "forms", forms))
    assert found.status == 0, found.words()
    return folder / "flock"


def hand_in(flock: Path, form: str, *rows: dict[str, Any]) -> Recorded:
    return record(flock, small.write_csv(flock.parent / f"{form}.csv", list(rows)))


def look(bird: str, points: float, judge: str = "Ann", on: str = "2026-09-01") -> dict[str, Any]:
    return {"on": on, "judge": judge, "bird": bird, "type": points, "head": 25}


def weighing(bird: str, grams: float, on: str = "2026-09-01") -> dict[str, Any]:
    return {"on": on, "bird": bird, "grams": grams}


# a judge's points


LOOKS = [look(bird, 30 + i % 3 / 2) for i, bird in enumerate(BIRDS)]


def test_points_far_from_what_the_judge_usually_gives_are_taken_and_asked_about(tmp_path):
    flock = flock_with(tmp_path, scores=LOOKS)
    found = hand_in(flock, "scores", look("26-11", 13, "ann", "2026-09-20"))
    assert (found.status, found.taken) == (0, {"scores": 1})
    (said,) = found.findings
    assert (said.row, said.column, said.refused) == (2, "type", False)
    assert "half of ann's 11 looks on record lie within 0.5 of 30.5 points" in said.expected


@pytest.mark.parametrize("points", [31.25, 32.5])
def test_a_little_more_is_not_far(tmp_path, points):
    found = hand_in(flock_with(tmp_path, scores=LOOKS), "scores", look("26-11", points, on="2026-09-20"))
    assert (found.status, found.findings) == (0, ())


def test_a_new_judge_has_no_usual_and_is_asked_about_once(tmp_path):
    """It may be a slip of the pen for a judge on record: named once, and no more when the judge is known."""
    flock = flock_with(tmp_path, scores=LOOKS)
    found = hand_in(flock, "scores", *(look(b, 13, "Anne", "2026-09-20") for b in ("26-11", "26-12")))
    assert (found.status, found.taken) == (0, {"scores": 2})
    (said,) = found.findings
    assert (said.row, said.column) == (2, "judge")
    assert "on record: Ann." in said.expected
    assert hand_in(flock, "scores", look("26-13", 13, "anne", "2026-09-20")).findings == ()


def test_what_is_usual_is_a_share_of_what_the_standard_of_the_day_gives(tmp_path):
    """30 of 40 is usual; under a later standard that gives 20 this is 15, and 30 there cannot be."""
    flock = flock_with(tmp_path, scores=LOOKS)
    half = small.STANDARD.replace("points = 40", "points = 20", 1).replace("points = 40", "points = 60")
    later = {"scores": [look("26-11", 15, on="2026-10-05") | {"head": 37}, look("26-12", 8, on="2026-10-05")]}
    found = record(flock, small.write(tmp_path / "later", later, standard=half, plan=None))
    assert [(f.row, f.column) for f in found.findings] == [(3, "type"), (3, "head")]


# a bird's weight


@pytest.mark.parametrize(
    ("on", "grams", "asked"),
    [
        ("2026-09-15", 290, "the bird's own 2900 g of 2026-09-01"),
        ("2026-09-15", 29500, "the bird's own 2900 g of 2026-09-01"),
        ("2026-08-15", 4800, "the bird's own 2900 g of 2026-09-01"),
        ("2026-09-15", 2.95, "kilograms? Then it is 2950 g"),
        ("2026-09-15", 0.95, "kilograms? Then it is 950 g"),
        ("2026-09-15", 2400, ""),
        ("2026-09-15", 3900, ""),
        ("2026-06-01", 650, ""),
    ],
)
def test_a_weight_far_off_the_birds_own_is_taken_and_asked_about(tmp_path, on, grams, asked):
    flock = flock_with(tmp_path)
    found = hand_in(flock, "weights", weighing("26-01", grams, on))
    assert (found.status, found.taken) == (0, {"weights": 1})
    assert [asked in f.expected for f in found.findings] == [True] * bool(asked)
    assert grams in read_flock(flock).weights["grams"].tolist()


def test_a_first_weight_is_held_against_birds_of_its_sex_and_age(tmp_path):
    mates = [weighing(bird, 1400 + 20 * i, "2026-07-10") for i, bird in enumerate(BIRDS[:6])]
    flock = flock_with(tmp_path, weights=mates)
    found = hand_in(
        flock, "weights", weighing("26-20", 154, "2026-07-12"), weighing("26-19", 1000, "2026-07-12")
    )
    (said,) = found.findings
    assert said.row == 2
    assert "birds of its sex and age weigh about 1430 g, by 8 weighings" in said.expected


def test_a_kept_slip_does_not_question_the_weighings_after_it(tmp_path):
    flock = flock_with(tmp_path, weights=[weighing("26-11", 1.9, "2026-08-01")])
    assert hand_in(flock, "weights", weighing("26-11", 2300)).findings == ()


def test_of_a_bird_whose_hatch_nobody_knows_a_gain_is_not_asked_about_but_a_loss_is(tmp_path):
    forms = small.forms()["birds"] + [{"bird": "X1", "sex": "female"}]
    flock = flock_with(tmp_path, birds=forms, weights=[weighing("X1", 900, "2026-06-01")])
    assert hand_in(flock, "weights", weighing("X1", 2500)).findings == ()
    assert len(hand_in(flock, "weights", weighing("X1", 500, "2026-06-20")).findings) == 1
