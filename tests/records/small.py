"""A holding of seven birds, small enough to see through: forms as lists of rows, written out as CSV files."""

from __future__ import annotations

import atexit
import csv
import json
import shutil
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from selection.records.intake.recording import record

STANDARD = """
breed = "Marram"
[[section]]
name = "type"
points = 40
heritability = 0.3
repeatability = 0.5
[[section]]
name = "head"
points = 40
[[section]]
name = "size"
points = 20
measured = "weight"
at_weeks = 24
band = { male = [3000, 3600], female = [2400, 2900] }
none = { male = [2000, 4600], female = [1500, 3900] }
[[fault]]
name = "wry tail"
serious = true
[[fault]]
name = "pale legs"
costs = 2
[[measured]]
name = "shank width"
unit = "mm"
"""

PLAN = """
on = 2026-10-10
season = 2026
[keep]
cockerels = { from = "bought-in", number = 1 }
pullets = { from = "home-bred", number = 2 }
"""

Rows = list[dict[str, Any]]


def forms() -> dict[str, Rows]:
    """The holding's forms, without a fault."""
    return {
        "clutches": [
            {"clutch": "26-H1", "origin": "home-bred", "pen": "Old Yard", "set_on": "2026-03-28",
             "hatched_on": "2026-04-18", "eggs_set": 12, "fertile": 10, "hatched": 8},
            {"clutch": "26-B1", "origin": "bought-in", "source": "Fenwick", "set_on": "2026-03-29",
             "hatched_on": "2026-04-19", "eggs_set": 12, "fertile": 9, "hatched": 7},
        ],
        "birds": [
            {"bird": "24-C1", "sex": "male", "hatched_on": "2024"},
            {"bird": "24-H1", "sex": "female", "hatched_on": "2024"},
            {"bird": "24-H2", "sex": "female", "hatched_on": "2024", "gone_on": "2026-08-01", "gone_why": "died"},
            {"bird": "26-01", "sex": "male", "clutch": "26-H1"},
            {"bird": "26-02", "sex": "female", "clutch": "26-H1"},
            {"bird": "26-03", "sex": "male", "clutch": "26-B1"},
            {"bird": "26-04", "sex": "unknown", "clutch": "26-B1"},
        ],
        "rings": [
            {"bird": "26-01", "leg": "left", "colour": "green", "fitted_on": "2026-06-01"},
            {"bird": "26-01", "leg": "right", "colour": "red", "fitted_on": "2026-06-01"},
            {"bird": "26-02", "leg": "left", "colour": "green", "fitted_on": "2026-06-01"},
            {"bird": "26-02", "leg": "right", "colour": "blue", "fitted_on": "2026-06-01"},
            {"bird": "26-03", "leg": "left", "colour": "white", "fitted_on": "2026-06-01"},
            {"bird": "26-03", "leg": "right", "colour": "red/white", "fitted_on": "2026-06-01"},
        ],
        "pens": [
            {"pen": "Old Yard", "bird": bird, "from": "2026-01-10"} for bird in ("24-C1", "24-H1", "24-H2")
        ],
        "scores": [
            {"on": "2026-09-01", "judge": "Ann", "bird": "26-01", "type": 30, "head": 25.5},
            {"on": "2026-09-01", "judge": "Ann", "left": "green", "right": "blue", "type": 28, "head": 27},
        ],
        "weights": [
            {"on": "2026-09-01", "bird": "26-01", "grams": 2900},
            {"on": "2026-05-10", "clutch": "26-B1", "sex": "unknown", "n": 3, "grams": 310},
        ],
        "measures": [{"on": "2026-09-01", "bird": "26-01", "trait": "shank width", "value": 14.5}],
        "eggs": [
            {"on": "2026-05-01", "pen": "Old Yard", "eggs": 2},
            {"on": "2026-05-02", "pen": "Old Yard", "bird": "24-H1", "eggs": 1},
        ],
        "sales": [{"on": "2026-09-20", "bird": "26-04", "sold_as": "pet", "price": "18.00"}],
        "costs": [
            {"on": "2026-05-30", "item": "feed", "amount": "41.20"},
            {"on": "2026-06-02", "item": "treatment", "amount": "9.50", "withdrawal_days": 7},
        ],
        "income": [{"on": "2026-07-01", "item": "eggs", "amount": "12.00", "n": 24}],
    }  # fmt: skip


def write(
    folder: Path, rows: dict[str, Rows], standard: str | None = STANDARD, plan: str | None = PLAN
) -> Path:
    """Write the forms (and settings) into `folder`, made if need be; the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for form, form_rows in rows.items():
        write_csv(folder / f"{form}.csv", form_rows)
    for name, text in (("standard.toml", standard), ("plan.toml", plan)):
        if text is not None:
            (folder / name).write_text(text, encoding="utf-8")
    return folder


def flock(folder: Path, rows: dict[str, Rows] | None = None, plan: str = PLAN) -> Path:
    """`folder`/flock, where these forms (blank: the holding's own) are recorded without a fault; they stand in
    `folder`/forms.

    Recording takes a second, so each holding is recorded once while the tests run, and copied.
    """
    once = _recorded(json.dumps([forms() if rows is None else rows, plan]))
    shutil.copytree(once, folder, dirs_exist_ok=True)
    return folder / "flock"


@cache
def _recorded(holding: str) -> Path:
    folder = Path(tempfile.mkdtemp(prefix="selection-tests-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    rows, plan = json.loads(holding)
    found = record(folder / "flock", write(folder / "forms", rows, plan=plan))
    assert found.status == 0, found.words()
    return folder


def write_csv(path: Path, rows: Rows) -> Path:
    """Write one form: a column for every key that any of its rows has."""
    columns = list(dict.fromkeys(key for row in rows for key in row))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, restval="")
        writer.writeheader()
        writer.writerows(rows)
    return path


def read_csv(path: Path) -> Rows:
    """The rows of a CSV file, all cells as text."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
