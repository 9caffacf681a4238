"""Two seasons as a user goes through them: forms out, filled and in, meeting, second looks, settling, sales, next plan.

Every living bird stands in flock.csv exactly once at each step, and the second run of every step changes nothing.
"""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import pandas as pd
import pytest
from openpyxl import load_workbook

from selection.__main__ import main
from selection.decide.meeting import Meeting, hold, kept_tables, write_tables
from selection.records.flock import read_flock
from selection.records.ledger.batches import read_state
from selection.records.ledger.kept import keep_meeting
from selection.show.sections.review_pages import looking_back

pytestmark = pytest.mark.slow

STANDARD = """breed = "Invented fowl"
[[section]]
name = "type"
points = 60
like = "conformation"
[[section]]
name = "head"
points = 40
"""
PLAN = """on = 2026-10-10
season = 2026
[keep]
cockerels = { from = "bought-in", number = 1, reserve = 1 }
pullets = { from = "home-bred", number = 1 }
"""
CLUTCHES = """clutch,origin,source,set_on,hatched_on,eggs_set,fertile,hatched
{y}-B,bought-in,Mill,20{y}-03-11,20{y}-04-01,12,10,8
{y}-H,home-bred,,20{y}-03-11,20{y}-04-01,12,10,8
"""
CHICKS = [("B1", "male", "red"), ("B2", "male", "blue"), ("B3", "male", "green"), ("B4", "female", "white"),
          ("H1", "female", "pink"), ("H2", "female", "black"), ("H3", "unknown", "grey")]  # fmt: skip
OLD = "24-C,male,,2024,Brock\n24-H,female,,2024,Bramble\n"


def forms_of(folder: Path, year: int, *, first: bool) -> Path:
    """A season's hatch as forms; the first season's with the settings and the older birds."""
    y, colour = year % 100, "yellow" if first else "orange"
    folder.mkdir()
    birds = "bird,sex,clutch,hatched_on,name\n" + (OLD if first else "")
    rings = "bird,leg,colour,fitted_on\n"
    for label, sex, own in CHICKS:
        bird = f"{y}-{label}"
        birds += f"{bird},{sex},{y}-{label[0]},,\n"
        rings += f"{bird},left,{colour},{year}-06-01\n{bird},right,{own},{year}-06-01\n"
    texts = {"birds.csv": birds, "rings.csv": rings, "clutches.csv": CLUTCHES.format(y=y)}
    texts |= {"standard.toml": STANDARD, "plan.toml": PLAN} if first else {}
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def twice(flock: Path, *command: str | Path, status: int = 0) -> None:
    """Run a command two times: the second records nothing."""
    asked = [str(part) for part in command]
    assert main(asked) == status, asked
    number = read_state(flock / "records").number
    assert main(asked) == status and read_state(flock / "records").number == number, asked


def meet(flock: Path, out: Path, times: int = 1) -> Meeting:
    """Hold the meeting as the command does, but for the pack; every living bird is in flock.csv once."""
    numbers = set()
    for _ in range(times):
        meeting = hold(read_flock(flock))
        write_tables(meeting, out)
        keep_meeting(flock, meeting.flock.plan.on, kept_tables(meeting))
        numbers.add(read_state(flock / "records").number)
    assert len(numbers) == 1
    everyone = pd.read_csv(out / "flock.csv", dtype=str)
    birds = read_flock(flock).birds
    assert sorted(everyone["bird"]) == sorted(birds["bird"][birds["alive"]])
    prices = pd.read_csv(out / "prices.csv", dtype=str)
    assert sorted(prices["bird"].dropna()) == sorted(everyone["bird"][everyone["stands"] == "sell"])
    return meeting


def fill(book: Path, sheet: str, values: dict[str, object], points: bool = False) -> None:
    """Fill columns of a workbook's sheet in each row that names a bird; points differ from bird to bird."""
    workbook = load_workbook(book)
    rows = workbook[sheet]
    at = {cell.value: cell.column for cell in rows[1]}
    named = [row[0].row for row in rows.iter_rows(min_row=2) if rows.cell(row[0].row, at["bird"]).value]
    for number, row in enumerate(named):
        for column, value in values.items():
            rows.cell(row, at[column]).value = value
        if points:
            rows.cell(row, at["type"]).value = 40 + number
            rows.cell(row, at["head"]).value = 30 - number
    workbook.save(book)


def a_season(flock: Path, folder: Path, year: int) -> Meeting:
    """From the season's hatch to empty pens and next season's plan; the first season's meeting is held at each step."""
    first = year == 2026
    out, day, after = folder / f"out-{year}", f"{year}-10-10", f"{year}-10-11"
    forms = folder / f"season-{year}"
    assert main(["forms", str(flock), "--on", f"{year}-08-01", "--out", str(forms)]) == 0
    book = forms / f"forms-{year}.xlsx"
    fill(book, "scores", {"on": datetime(year, 8, 1), "judge": "Ann"}, points=True)
    twice(flock, "record", flock, book)
    if first:
        meet(flock, out)
    looks = folder / f"second-{year}.csv"
    looks.write_text(f"on,judge,bird,type,head\n{day},Bob,{year % 100}-B1,44,31\n", encoding="utf-8")
    looks = looks.rename(folder / "scores.csv")
    twice(flock, "record", flock, looks)
    assert main(["settle", str(flock)]) == 2
    worn = "yellow black" if year == 2026 else "orange black"
    twice(flock, "decide", flock, worn, "keep", "--who", "Bob", "--why", "her dam laid all winter")
    meeting = meet(flock, out, times=2 if first else 1)
    twice(flock, "settle", flock, "--who", "Ann")
    stands = meeting.tables["flock"].set_index("bird")["stands"]
    made = read_flock(flock).decisions
    made = made[made["on"] == pd.Timestamp(day)].set_index("bird")["decided"]
    assert made.to_dict() == stands[stands != "open"].to_dict() and made[f"{year % 100}-H2"] == "keep"
    if first:
        settled = meet(flock, out).tables["flock"].set_index("bird")["stands"]
        assert settled.to_dict() == stands.to_dict()
    goes = sorted(stands.index[stands == "sell"])
    sell(flock, folder / f"after-{year}", after, goes, year)
    return meeting


def sell(flock: Path, out: Path, day: str, goes: list[str], year: int) -> None:
    """Print the catch list, sell those on it at one number each, and start the next season."""
    asked = ["forms", str(flock), "--on", day, "--out", str(out)]
    assert main(asked) == 0
    left = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    assert main(asked) == 0
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == left
    listed = (out / "catch-list.html").read_text(encoding="utf-8")
    assert len(goes) > 1 and all(f">{bird}</th>" in listed for bird in goes)
    book = out / f"forms-{year}.xlsx"
    twice(flock, "record", flock, book)
    assert read_flock(flock).sales.empty or not set(goes) & set(read_flock(flock).sales["bird"])
    fill(book, "sales", {"price": 20, "sold_as": "pet"})
    twice(flock, "record", flock, book)
    twice(flock, "record", flock, out / "next")
    now = read_flock(flock)
    assert now.plan.season == year + 1 and now.plan.on == date(year + 1, 10, 10)
    assert sorted(now.sales["bird"][now.sales["on"] == pd.Timestamp(day)]) == goes
    assert not set(goes) & set(now.birds["bird"][now.birds["alive"]])


@pytest.mark.slow
def test_two_seasons_from_the_first_forms_to_empty_pens(tmp_path: Path) -> None:
    flock = tmp_path / "flock"
    twice(flock, "record", flock, forms_of(tmp_path / "hatch-2026", 2026, first=True))
    a_season(flock, tmp_path, 2026)
    meet(flock, tmp_path / "empty")
    twice(flock, "record", flock, forms_of(tmp_path / "hatch-2027", 2027, first=False))
    meeting = a_season(flock, tmp_path, 2027)
    assert "2026" in looking_back(meeting)
    everyone = meeting.tables["flock"].set_index("bird")
    assert everyone.loc["24-H", "name"] == "Bramble" and everyone.loc["26-H3", "stands"] == "open"
