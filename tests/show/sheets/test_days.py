"""The demo's sheets on four days of the year, against what its forms say when they are read cell by cell."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import pytest

from selection.records.flock import Flock, flock_on
from selection.records.intake.recording import record
from selection.show.sheets.pen_sheets import look_sheet, ring_check_sheet, weighing_sheet

pytestmark = pytest.mark.slow

FORMS = Path(__file__).resolve().parents[3] / "demo" / "forms"
DAYS = ("2026-03-01", "2026-06-10", "2026-12-24", "2024-02-29")


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo as a flock on disk."""
    path = tmp_path_factory.mktemp("demo") / "flock"
    assert record(path, FORMS).status == 0
    return path


@pytest.fixture(scope="module", params=DAYS)
def at(request: pytest.FixtureRequest, recorded: Path) -> tuple[str, Flock]:
    """The day, and the flock on it."""
    return request.param, flock_on(recorded, request.param).flock


def cells(form: str) -> list[dict[str, str]]:
    with (FORMS / f"{form}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def alive(day: str) -> dict[str, str]:
    """Day of hatching (or its bare year) of each bird that had hatched, had come, and had not gone before `day`."""
    hatched = {row["clutch"]: row["hatched_on"] for row in cells("clutches")}
    sold = {row["bird"]: row["on"] for row in cells("sales")}
    found = {}
    for row in cells("birds"):
        born = row["hatched_on"] or hatched.get(row["clutch"], "")
        gone = row["gone_on"] or sold.get(row["bird"], "")
        if born <= day and row["came_on"] <= day and (not gone or gone >= day):
            found[row["bird"]] = born
    return found


def weeks(born: str, day: str) -> int:
    """Whole weeks, to the nearest, as the sheets print them."""
    return round((date.fromisoformat(day) - date.fromisoformat(born)).days / 7)


def printed(sheet) -> dict[str, tuple[str, ...]]:
    return {line.bird: line.printed for line in sheet.lines}


def test_every_living_bird_and_nobody_else_is_on_the_sheets(at: tuple[str, Flock]) -> None:
    day, flock = at
    assert len(alive(day)) >= 8
    assert set(printed(look_sheet(flock))) == set(printed(weighing_sheet(flock))) == set(alive(day))


def test_every_age_is_that_of_the_day(at: tuple[str, Flock]) -> None:
    day, flock = at
    shown = {bird: line[1] for bird, line in printed(weighing_sheet(flock)).items()}
    expected = {bird: str(weeks(born, day)) for bird, born in alive(day).items() if len(born) == 10}
    assert expected and {bird: shown[bird] for bird in expected} == expected


def test_growing_birds_wear_the_rings_of_the_day(at: tuple[str, Flock]) -> None:
    day, flock = at
    shown = printed(ring_check_sheet(flock))
    born = alive(day)
    young = {bird for bird, hatched in born.items() if len(hatched) == 10 and weeks(hatched, day) < 16}
    assert young <= set(shown) and all(weeks(born[bird], day) < 40 for bird in shown)
    worn = {bird: set() for bird in shown}
    for row in cells("rings"):
        on = row["fitted_on"] <= day and (not row["removed_on"] or day < row["removed_on"])
        if on and row["bird"] in worn:
            worn[row["bird"]].add(
                f"{row['leg']} {row['kind']}, {row['size_mm']} mm, since {row['fitted_on']}"
            )
    assert {bird: set(line[1].split("; ")) - {"no ring"} for bird, line in shown.items()} == worn


@pytest.mark.parametrize(
    ("bird", "day", "age"),
    [
        ("25-005", "2026-03-01", "48"),  # 30 March to 1 March: 336 days
        ("26-022", "2026-06-10", "11"),  # 22 March to 10 June: 9 + 30 + 31 + 10 = 80 days
        ("26-026", "2026-06-10", "11"),  # its sister, killed on 4 July
        ("26-022", "2026-12-24", "40"),  # 22 March to 24 December: 277 days
        ("26-026", "2026-12-24", None),
        ("26-022", "2026-03-01", None),
        ("23-018", "2024-02-29", "46"),  # 15 April to 29 February: 365 - 45 = 320 days
    ],
)
def test_birds_reckoned_by_hand(recorded: Path, bird: str, day: str, age: str | None) -> None:
    line = printed(weighing_sheet(flock_on(recorded, day).flock)).get(bird)
    assert (line and line[1]) == age
