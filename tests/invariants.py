"""What holds of every meeting, whatever was recorded: found faults in words, none where all is well."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from selection.decide.meeting import Meeting

NO_WORDS = re.compile(r"(?<![\w-])(nan|NaN|NaT|None|inf|fault of this program)(?![\w-])")
PROBABILITIES = ("p_best", "p_kept", "probability", "rate", "chance_over", "enough", "accuracy")
INTERVALS = (("low", "difference", "high"), ("low", "rate", "high"), ("low", "price", "high"))


def faults_of(meeting: Meeting, out: Path) -> list[str]:
    """Everything that does not hang together in a meeting whose tables were written into `out`."""
    return [*_words(out), *_numbers(meeting), *_places(meeting), *_everybody(meeting)]


def _words(out: Path) -> Iterator[str]:
    """Cells that no reader should see."""
    for path in sorted(out.glob("*.csv")):
        for line in path.read_text(encoding="utf-8").splitlines()[1:]:
            if NO_WORDS.search(line):
                yield f"{path.name}: {line}"


def _numbers(meeting: Meeting) -> Iterator[str]:
    """Probabilities between 0 and 1, and intervals that hold their estimate."""
    for name, table in meeting.tables.items():
        for column in {*PROBABILITIES} & {*table.columns}:
            values = pd.to_numeric(table[column]).dropna()
            if not values.between(0, 1).all():
                yield f"{name}: {column} from {values.min()} to {values.max()}"
        for low, middle, high in INTERVALS:
            if {low, middle, high} <= {*table.columns}:
                rows = table[[low, middle, high]].apply(pd.to_numeric).dropna()
                if ((rows[low] > rows[middle] + 1e-6) | (rows[high] < rows[middle] - 1e-6)).any():
                    yield f"{name}: {middle} outside its interval"
        if np.isinf(table.select_dtypes("number").to_numpy(dtype=float)).any():
            yield f"{name}: a number without end"


def _places(meeting: Meeting) -> Iterator[str]:
    """Chances add up to the places there are; as many stand at keep as there are places, decisions apart."""
    ranking, plan = meeting.merit.ranking, meeting.flock.plan
    for name, group in ranking.groupby("group"):
        free = group[group["bar"].isna()]
        number = min(plan.keep[str(name)].number, len(free))
        if len(free) > 1 and abs(free["p_best"].sum() - 1) > 1e-6:
            yield f"{name}: p_best adds up to {free['p_best'].sum()}"
        if len(free) and abs(free["p_kept"].sum() - number) > 1e-6:
            yield f"{name}: p_kept adds up to {free['p_kept'].sum()}, not to {number}"
        stands = meeting.verdicts.table.set_index("bird").loc[group["bird"], "stands"]
        if (stands == "keep").sum() != number:
            yield f"{name}: {(stands == 'keep').sum()} kept of {number}"


def _everybody(meeting: Meeting) -> Iterator[str]:
    """Every living bird stands once in the flock's list."""
    listed = meeting.tables["flock"]["bird"]
    living = meeting.flock.birds.loc[meeting.flock.birds["alive"], "bird"]
    if sorted(listed) != sorted(living):
        yield f"flock: {len(listed)} rows for {len(living)} living birds"
