"""Flocks of a handful of birds, written out by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import pandas as pd

from selection.records.flock import Flock, assemble
from selection.records.settings.plan import Keep, Plan
from selection.records.settings.reading import Fault, Section, Standard

STANDARD = Standard(
    "Fenland Grey",
    (
        Section("type", "Type", 60, heritability=0.35, repeatability=0.55),
        Section("head", "Head", 40, heritability=0.3, repeatability=0.5),
    ),
    (Fault("split wing", serious=True),),
)

PLAN = Plan(
    date(2026, 10, 10),
    2026,
    {"cockerels": Keep(1, 1, ("bought-in",)), "pullets": Keep(2, 0, ("home-bred",))},
)

Rows = Sequence[Mapping[str, object]]


def flock(standard: Standard = STANDARD, plan: Plan = PLAN, **forms: Rows) -> Flock:
    """A flock from rows by form; dates as text."""
    return assemble(standard, plan, {name: pd.DataFrame(list(rows)) for name, rows in forms.items()})


def clutch(label: str, **cells: object) -> dict[str, object]:
    """A home-bred clutch of pen 1, set on 1 March and hatched on 22 March of its label's year."""
    year = 2000 + int(label[:2])
    return {
        "clutch": label,
        "origin": "home-bred",
        "pen": "pen 1",
        "set_on": f"{year}-03-01",
        "hatched_on": f"{year}-03-22",
        **cells,
    }


def bird(number: str, sex: str, clutch: str | None = None, **cells: object) -> dict[str, object]:
    """A bird of a clutch, or a founder of 2024."""
    hatched = None if clutch else "2024"
    return {"bird": number, "sex": sex, "clutch": clutch, "hatched_on": hatched, **cells}


def stood(number: str, since: str, until: str | None = None, pen: str = "pen 1") -> dict[str, object]:
    """A stay in a pen."""
    return {"pen": pen, "bird": number, "from": since, "to": until}


def look(
    number: str, points: Mapping[str, float], on: str = "2026-09-20", judge: str = "A", **cells: object
) -> dict[str, object]:
    """One look at one bird."""
    return {"on": on, "judge": judge, "bird": number, **points, **cells}
