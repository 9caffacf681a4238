"""Small flocks written out by hand for the laying tests: hens, where they stood, what was found."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

import pandas as pd

from selection.records.flock import Flock, assemble
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Standard


def flock_of(
    birds: Mapping[str, object] | Sequence[Mapping[str, Any]],
    pens: Iterable[tuple],
    eggs: Iterable[Mapping[str, Any]],
    on: str = "2026-12-31",
    worth: Mapping[str, float] | None = None,
) -> Flock:
    """A flock of hens.

    `birds`: hatched_on by name (females), or whole rows. `pens`: (pen, bird, from, to or None). `eggs`: rows of the
    form, with `on` in words.
    """
    if isinstance(birds, Mapping):
        birds = [{"bird": bird, "sex": "female", "hatched_on": hatched} for bird, hatched in birds.items()]
    frames = {
        "birds": _dated(pd.DataFrame(list(birds)), ("gone_on", "came_on")),
        "pens": _dated(pd.DataFrame(list(pens), columns=["pen", "bird", "from", "to"]), ("from", "to")),
        "eggs": _dated(pd.DataFrame(list(eggs)), ("on",)),
    }
    day = date.fromisoformat(on)
    return assemble(Standard("invented", ()), Plan(day, day.year, {}, worth=worth or {}), frames)


def daily(pen: str, first: str, eggs: Sequence[float | None]) -> list[dict[str, Any]]:
    """One count a day from `first`; None: not counted."""
    days = pd.date_range(first, periods=len(eggs))
    return [{"on": day, "pen": pen, "eggs": n} for day, n in zip(days, eggs, strict=True) if n is not None]


def _dated(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    for column in columns:
        if column in frame:
            frame[column] = pd.to_datetime(frame[column]).astype("datetime64[s]")
    return frame
