"""Recording what the meeting decided: one row on the decisions form, by the same way in as any other form."""

from __future__ import annotations

import csv
import tempfile
from datetime import date
from pathlib import Path

from selection.merit.candidates import candidates
from selection.records.flock import read_flock
from selection.records.intake.recording import Recorded, record


def decide(
    flock: Path, bird: str, decided: str, *, why: str = "", who: str = "", on: date | str | None = None
) -> Recorded:
    """Record `keep`, `reserve` or `sell` of one bird with its reason; a later decision of the day replaces it.

    `on` defaults to the plan's day. The form has no column for who decided: `who` stands before the reason,
    "Ann: her dam laid all winter". A bird that is not on record, or another word than the three, is refused
    in the returned record; there is no sheet to mend.
    """
    day = on or read_flock(flock).plan.on
    reason = ": ".join(part for part in (who.strip(), why.strip()) if part)
    with tempfile.TemporaryDirectory() as folder:
        form = Path(folder) / "decisions.csv"
        with form.open("w", newline="", encoding="utf-8") as out:
            csv.writer(out).writerows([["on", "bird", "decided", "why"], [str(day), bird, decided, reason]])
        return record(flock, form, correct=True, returned=False)


def doubt(flock: Path, bird: str, decided: str) -> str | None:
    """What to know of a decision just recorded, in one sentence: None where nothing stands against it.

    A barred bird that stays goes on being barred; a bird in none of the plan's groups is on none of its pages.
    """
    field = candidates(read_flock(flock))
    own = field[field["bird"].str.casefold() == bird.strip().casefold()]
    if own.empty:
        return f"{bird} stands in no group of this plan: the decision is kept, and no page of the meeting shows it"
    bar = own["bar"].iloc[0]
    if isinstance(bar, str) and decided != "sell":
        return f"{bird} is barred from breeding: {bar}; the decision stands, and every page goes on saying so"
    return None
