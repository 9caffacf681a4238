"""Recording what people decide on a bird: one row on the decisions form, by the same way in as any other form."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from selection.merit.candidates import candidates
from selection.records.flock import Flock, flock_on
from selection.records.forms.sheets import CLEAR
from selection.records.intake.recording import Recorded, record_rows
from selection.records.rings import find_bird


def decide(
    flock: Path, bird: str, decided: str, *, why: str = "", who: str = "", on: date | str | None = None
) -> Recorded:
    """Record `keep`, `reserve` or `sell` of one bird with its reason; a later decision of the day replaces it.

    `bird` is its number, its name, or its colours as worn that day; `on` defaults to the plan's day. Another word
    than the three is refused in the returned record; there is no sheet to mend. Raises RecordsError where `bird`
    means no bird, or several.
    """
    number, now = _meant(flock, bird, on)
    said = {"who": who.strip() or CLEAR, "settled": CLEAR, "why": why.strip() or CLEAR}
    row = {"on": now.plan.on, "bird": number, "decided": decided, **said}
    return record_rows(flock, "decisions", [row], correct=True, source="decide")


def doubt(flock: Path, bird: str, decided: str, on: date | str | None = None) -> str | None:
    """What to know of a decision just recorded, in one sentence: None where nothing stands against it.

    A barred bird that stays goes on being barred; a bird in none of the plan's groups is on none of its pages.
    """
    number, now = _meant(flock, bird, on)
    field = candidates(now)
    own = field[field["bird"] == number]
    if own.empty:
        return f"{number} stands in no group of this plan: the decision is kept, and no page of the meeting shows it"
    bar = own["bar"].iloc[0]
    if isinstance(bar, str) and decided != "sell":
        return (
            f"{number} is barred from breeding: {bar}; the decision stands, and every page goes on saying so"
        )
    return None


def _meant(path: Path, bird: str, on: date | str | None) -> tuple[str, Flock]:
    """The number of the bird that is meant on that day, and the flock as it stood then."""
    flock = flock_on(path, on).flock
    return find_bird(bird, flock.birds, flock.rings, flock.plan.on), flock
