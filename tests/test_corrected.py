"""What was recorded wrongly and put right after a meeting: later meetings rest on what is right, those kept stay."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pandas as pd
import pytest

from selection.decide.meeting import hold, kept_tables
from selection.merit.relationship.kinship import pedigree_table
from selection.records.check import check
from selection.records.flock import read_flock
from selection.records.intake.recording import record, record_rows
from selection.records.ledger.kept import keep_meeting, read_meetings
from tests.strange import Strange
from tests.test_strange import FORMS, by_bird, plain

pytestmark = pytest.mark.slow

HEN, SIRE = "24-3", "24-0"
RENUMBERED, RIGHT = "26-1x", "26-14"
WEIGHED = {"on": "2026-09-20", "bird": "26-20"}


def right() -> Strange:
    """The plain holding, home-bred chicks by a known cock: two out of one hen, three out of another."""
    forms = {name: form.copy() for name, form in plain().forms.items()}
    birds = forms["birds"]
    own = birds["clutch"] == "26-C1"
    birds["sire"] = birds["clutch"].where(~own, SIRE).where(own)
    birds["dam"] = birds["sire"].mask(own, "24-1").mask(birds["bird"].isin(["26-10", "26-11"]), HEN)
    return replace(plain(), forms=forms)


def wrong() -> Strange:
    """It as first recorded: a hen as a cock and sire, others' dam wrong, a number misread, a weight of no bird's."""
    forms: FORMS = {name: form.copy() for name, form in right().forms.items()}
    birds = forms["birds"]
    hers = birds["dam"] == HEN
    birds["sex"] = birds["sex"].mask(birds["bird"] == HEN, "male")
    birds["sire"], birds["dam"] = birds["sire"].mask(hers, HEN), birds["dam"].mask(hers)
    birds["dam"] = birds["dam"].replace("24-1", "24-2")
    for form in forms.values():
        if "bird" in form:
            form["bird"] = form["bird"].replace(RIGHT, RENUMBERED)
    forms["weights"] = pd.concat([forms["weights"], pd.DataFrame([WEIGHED | {"grams": 900}])])
    return replace(right(), forms=forms)


def put_right(flock: Path) -> None:
    """Each correction as the README says: changed cells, a row taken back, a bird's rows under its right number."""
    forms = right().forms
    birds = forms["birds"][forms["birds"]["bird"].isin([HEN, "26-10", "26-11", "26-12", "26-13", RIGHT])]
    done = record_rows(flock, "birds", birds, correct=True)
    assert (done.status, done.corrected, done.taken) == (0, {"birds": 5}, {"birds": 1}), done.words()
    for name in ("scores", "weights", "measures"):
        own = forms[name][forms[name]["bird"] == RIGHT]
        again = record_rows(flock, name, own)
        assert (again.status, again.taken) == (0, {name: len(own)}), again.words()
        known = {"scores": ["on", "judge"], "weights": ["on"], "measures": ["on", "trait", "judge"]}[name]
        blank = dict.fromkeys(own.columns.difference([*known, "bird"]), "(blank)")
        gone = record_rows(flock, name, own[known].assign(bird=RENUMBERED, **blank), correct=True)
        assert (gone.status, gone.corrected) == (0, {name: len(own)}), gone.words()
    for form, row in {
        "weights": WEIGHED | {"grams": "(blank)"},
        "birds": {"bird": RENUMBERED, "sex": "(blank)"},
    }.items():
        taken_back = record_rows(flock, form, [row], correct=True)
        assert (taken_back.status, taken_back.corrected) == (0, {form: 1}), taken_back.words()


def files_of(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*.parquet")}


def in_order(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of a form by what names them."""
    return rows.sort_values([c for c in ("on", "judge", "bird") if c in rows]).reset_index(drop=True)


def test_a_meeting_after_corrections_is_that_of_right_records_and_the_earlier_one_stays(
    tmp_path: Path,
) -> None:
    for name, holding in (("flock", wrong()), ("right", right())):
        taken = record(tmp_path / name, holding.write(tmp_path / f"{name}-forms"))
        assert taken.status == 0, taken.words()
    flock = tmp_path / "flock"
    first = hold(read_flock(flock))
    day = first.flock.plan.on
    keep_meeting(flock, day, kept_tables(first))
    before, files = read_meetings(flock)[day], files_of(flock)

    put_right(flock)
    assert check(flock).status == 0, check(flock).text()
    second, expected = hold(read_flock(flock)), hold(read_flock(tmp_path / "right"))
    for form in ("birds", "scores", "weights", "measures"):
        told, meant = (in_order(getattr(held.flock, form)) for held in (second, expected))
        pd.testing.assert_frame_equal(told, meant)
    # two orders of the same birds draw differently: a standard error by some 2 of 100
    told, meant = by_bird(second.merit), by_bird(expected.merit)
    pd.testing.assert_frame_equal(
        told.drop(columns="merit_se"), meant.drop(columns="merit_se"), atol=0.03, rtol=0
    )
    pd.testing.assert_series_equal(told["merit_se"], meant["merit_se"], rtol=0.04)
    assert (
        by_bird(first.merit)["merit"].reindex(["26-10", "26-11"]) - by_bird(second.merit)["merit"]
    ).abs().max() > 0.02
    one, other = (
        pedigree_table(m.merit.pedigree, m.flock.birds).set_index("bird") for m in (second, expected)
    )
    pd.testing.assert_frame_equal(one.sort_index(), other.sort_index())
    keep_meeting(flock, day + timedelta(days=1), kept_tables(second))
    meetings = read_meetings(flock)
    assert sorted(meetings) == [day, day + timedelta(days=1)]
    for table, was in before.items():
        pd.testing.assert_frame_equal(meetings[day][table], was)
    assert RENUMBERED in set(before["ranking"]["bird"])
    assert RENUMBERED not in set(meetings[day + timedelta(days=1)]["ranking"]["bird"])
    now = files_of(flock)
    assert {path: now.get(path) for path in files} == files
