"""The next season in one step: the plan moved on and the rest as it was, a workbook, and nothing before a meeting."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from selection.errors import RecordsError
from selection.records.export import a_year_on, next_plan, write_next
from selection.records.flock import read_flock
from selection.records.intake.recording import record
from selection.records.ledger.batches import read_state
from selection.records.ledger.kept import keep_meeting
from selection.records.settings.plan import parse_plan
from selection.records.settings.reading import parse_standard

STANDARD = 'breed = "Invented fowl"\n[[section]]\nname = "type"\npoints = 100\n'
PLAN = """# our plan, season = 1999
on = 2026-10-10   # the second Saturday
season = 2026
[keep]
cockerels = { number = 1 }
[holding]
name = "on = 2026-10-10"
"""
BIRDS = "bird,sex,hatched_on\n1,male,2026-04-01\n2,female,2024\n3,female,2024\n"


@pytest.fixture
def flock(tmp_path: Path) -> Path:
    forms = tmp_path / "forms"
    forms.mkdir()
    for name, text in (("standard.toml", STANDARD), ("plan.toml", PLAN), ("birds.csv", BIRDS)):
        (forms / name).write_text(text, encoding="utf-8")
    assert record(tmp_path / "flock", forms).status == 0
    return tmp_path / "flock"


def held(flock: Path) -> None:
    keep_meeting(flock, date(2026, 10, 10), {"ranking": pd.DataFrame({"bird": ["1"]}, dtype="str")})


def moved(text: str) -> str:
    standard = parse_standard(STANDARD)
    return next_plan(text, parse_plan(text, standard), standard)


def test_day_and_season_move_on_and_the_rest_stays_word_for_word() -> None:
    before, after = PLAN.splitlines(), moved(PLAN).splitlines()
    assert after[1:3] == ["on = 2027-10-10   # the second Saturday", "season = 2027"]
    assert [*after[:1], *after[3:]] == [*before[:1], *before[3:]]


@pytest.mark.parametrize(
    "text", ["on=2026-10-10\n", '"on" = 2027-01-09\nseason = 2026\n[keep]\nhens = { number = 1 }\n']
)
def test_plans_written_otherwise_move_on_too(text: str) -> None:
    standard = parse_standard(STANDARD)
    plan = parse_plan(text, standard)
    wanted = replace(plan, on=a_year_on(plan.on), season=plan.season + 1)
    assert parse_plan(moved(text), standard) == wanted


def test_a_plan_that_cannot_be_moved_on_is_said() -> None:
    with pytest.raises(RecordsError, match="cannot be moved on"):
        moved('on = 2026-10-10\n"seas\\u006fn" = 2026\n')


def test_the_last_of_february_moves_to_the_28th() -> None:
    assert a_year_on(date(2028, 2, 29)) == date(2029, 2, 28)
    assert a_year_on(date(2026, 10, 10)) == date(2027, 10, 10)


def test_nothing_is_left_before_a_meeting(flock: Path, tmp_path: Path) -> None:
    assert write_next(flock, tmp_path, date(2026, 10, 10)).written == ()
    assert not (tmp_path / "next").exists()


def test_handing_in_what_was_left_starts_the_next_season(flock: Path, tmp_path: Path) -> None:
    held(flock)
    first = write_next(flock, tmp_path, date(2026, 10, 10))
    assert [path.name for path in first.written] == ["plan.toml", "forms-2027.xlsx"] and not first.said
    bytes_ = [path.read_bytes() for path in first.written]
    again = write_next(flock, tmp_path, date(2026, 10, 10))
    assert [path.read_bytes() for path in again.written] == bytes_
    assert record(flock, tmp_path / "next").status == 0
    now = read_flock(flock)
    assert now.plan.season == 2027 and now.plan.on == date(2027, 10, 10)
    number = read_state(flock / "records").number
    assert record(flock, tmp_path / "next").status == 0 and read_state(flock / "records").number == number
    assert write_next(flock, tmp_path / "later", date(2027, 10, 10)).written == ()


def test_a_plan_changed_by_hand_is_left_as_it_is(flock: Path, tmp_path: Path) -> None:
    held(flock)
    plan = write_next(flock, tmp_path, date(2026, 10, 10)).written[0]
    own = plan.read_text(encoding="utf-8").replace("number = 1", "number = 2")
    plan.write_text(own, encoding="utf-8")
    again = write_next(flock, tmp_path, date(2026, 10, 10))
    assert plan.read_text(encoding="utf-8") == own
    assert plan not in again.written and "left as it is" in again.said[0]
