"""Which of several rows for unnamed chicks is which: rows of one clutch, sex and day have no key of their own.

Each has a number, `typed.NTH`. A row handed in takes the number of the row on record that says the same, or
once said the same, or that it completes; with `correct` rows that are left over take the places of rows left
over, in order. Any other is a new row: two sheets of one day speak of different chicks.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection

import numpy as np
import pandas as pd

from selection.errors import Finding
from selection.records.forms.columns import Form
from selection.records.forms.schema import NTH, folded
from selection.records.intake.comparing import Earlier

Cells = tuple[str, ...]
"""All that a row says beside its clutch, sex, day and note, as comparable texts."""


def number_chicks(
    form: Form,
    rows: pd.DataFrame,
    record: pd.DataFrame,
    earlier: Earlier,
    clearing: Collection[int] = (),
    correct: bool = False,
) -> tuple[pd.DataFrame, list[Finding]]:
    """`rows` with the number of each that speaks for unnamed chicks, and a fault for each that could be several.

    `record` are the rows on record, `earlier` tells what they said before; `clearing` are the rows that ask
    for a value to be cleared, so that they must mean a row on record.
    """
    rows = rows.assign(**{NTH: np.nan})
    chicks = rows[rows["bird"].isna()]
    if chicks.empty:
        return rows, []
    standing = record[record["bird"].isna()]
    standing = standing.assign(**{NTH: standing[NTH].fillna(1)})
    columns = chicks.columns.union(standing.columns)
    groups = _groups(form, standing)
    touched = standing[pd.Series(groups, index=standing.index).isin(_groups(form, chicks))]
    past = earlier(form.name, touched) if len(touched) else touched
    now, before = _by_group(form, touched, columns), _by_group(form, past, columns)
    said = dict(zip(chicks.index, _cells(form, chicks, columns), strict=True))
    findings: list[Finding] = []
    for group, at in chicks.groupby(np.array(_groups(form, chicks))).groups.items():
        on_record = dict(now[group])
        given, unsure = _matched(
            {row: said[row] for row in at}, on_record, before[group], set(clearing), correct
        )
        rows.loc[list(given), NTH] = list(given.values())
        findings += [_which(form, row, len(on_record)) for row in unsure]
    return rows, findings


def _matched(
    said: dict[int, Cells],
    on_record: dict[float, Cells],
    once: list[tuple[float, Cells]],
    clearing: set[int],
    correct: bool,
) -> tuple[dict[int, float], list[int]]:
    """The number of each row of one group, and the rows that may mean any of several on record."""
    given: dict[int, float] = {}
    free = dict(on_record)

    def take(fits: Callable[[Cells], list[float]]) -> None:
        for row in [row for row in said if row not in given]:
            if found := [nth for nth in fits(said[row]) if nth in free]:
                given[row] = found[0]
                del free[found[0]]

    take(lambda cells: [nth for nth, other in free.items() if other == cells])
    take(lambda cells: [nth for nth, other in once if other == cells])
    take(lambda cells: _only([nth for nth, other in free.items() if _completes(cells, other)]))
    left = [row for row in said if row not in given and (correct or row in clearing)]
    if left and free and len(left) != len(free):
        return given, left
    given |= dict(zip(left, free, strict=False))
    highest = max(on_record, default=0.0)
    for number, row in enumerate((row for row in said if row not in given), 1):
        given[row] = highest + number
    return given, []


def _only(found: list[float]) -> list[float]:
    return found if len(found) == 1 else []


def _completes(cells: Cells, other: Cells) -> bool:
    """Does a row say all that the `other` does, more beside, and agree with it in something?"""
    pairs = list(zip(cells, other, strict=True))
    return all(a == b or not b for a, b in pairs) and any(a == b for a, b in pairs[1:] if b)


def _which(form: Form, row: int, number: int) -> Finding:
    words = (
        f"one of {number} rows on record for unnamed chicks of that clutch, sex and day: hand in all of them, "
        f"in the order of recording, so that it is plain which one changes"
    )
    return Finding(form.name, row, "clutch", "a correction", words)


def _groups(form: Form, rows: pd.DataFrame) -> list[str]:
    """By row the clutch, sex and day (and judge, and trait) it speaks for, as one text."""
    return ["\x1f".join(cells) for cells in _texts(rows, _naming(form))]


def _naming(form: Form) -> list[str]:
    return [c for c in dict.fromkeys((*form.key, "clutch", "sex")) if c != "bird"]


def _cells(form: Form, rows: pd.DataFrame, columns: pd.Index) -> list[Cells]:
    """By row what it says beside its group, how many chicks first; note and ring colour say nothing here."""
    others = sorted(set(columns) - {*_naming(form), "bird", "note", "left", "right", "n", NTH})
    return _texts(rows.reindex(columns=columns).fillna({"n": 1}), ["n", *others])


def _texts(rows: pd.DataFrame, columns: list[str]) -> list[Cells]:
    return list(zip(*(folded(rows[c]).tolist() for c in columns), strict=True)) if len(rows) else []


def _by_group(form: Form, rows: pd.DataFrame, columns: pd.Index) -> dict[str, list[tuple[float, Cells]]]:
    """By group the number and cells of each of its rows."""
    found: dict[str, list[tuple[float, Cells]]] = defaultdict(list)
    numbers = rows[NTH].fillna(1).tolist() if NTH in rows else []
    for group, number, cells in zip(_groups(form, rows), numbers, _cells(form, rows, columns), strict=True):
        found[group].append((number, cells))
    return found
