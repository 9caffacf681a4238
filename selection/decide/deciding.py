"""Recording what the meeting decided: one row on the decisions form, by the same way in as any other form."""

from __future__ import annotations

import csv
import tempfile
from datetime import date
from pathlib import Path

from selection.records.flock import read_flock
from selection.records.recording import Recorded, record


def decide(flock: Path, bird: str, decided: str, *, why: str = "", on: date | str | None = None) -> Recorded:
    """Record `keep`, `reserve` or `sell` of one bird with its reason; a later decision of the day replaces it.

    `on` defaults to the plan's day. A bird that is not on record, or another word than the three, is refused
    in the returned record, and nothing is lost.
    """
    day = on or read_flock(flock).plan.on
    with tempfile.TemporaryDirectory() as folder:
        form = Path(folder) / "decisions.csv"
        with form.open("w", newline="", encoding="utf-8") as out:
            csv.writer(out).writerows([["on", "bird", "decided", "why"], [str(day), bird, decided, why]])
        return record(flock, form, correct=True)
