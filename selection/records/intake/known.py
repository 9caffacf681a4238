"""What rows are checked against and compared with: all that is on record, with what was accepted before them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd

from selection.errors import Finding
from selection.records.forms.cells import shown
from selection.records.forms.columns import FORMS, Form
from selection.records.forms.schema import NTH, folded, keys_of
from selection.records.rings import hatch_days, with_sales
from selection.records.settings.plan import InForce

LIVES = ("clutches", "birds", "sales")
"""The forms that tell when a bird hatched and when it went."""


@dataclass(frozen=True)
class OnRecord:
    """The rows of each form as they stand (columns and dtypes of `tables.py`), and the standards in force.

    `refused` are the folded labels of birds and clutches just refused, by form;
    `usual` gives rows of a form that were recorded before, where `forms` has but a few of them.
    """

    in_force: InForce
    forms: Mapping[str, pd.DataFrame]
    refused: Mapping[str, frozenset[str]] = field(default_factory=dict)
    usual: Mapping[str, Callable[[], pd.DataFrame]] = field(default_factory=dict)

    def with_rows(self, form: str, rows: pd.DataFrame, refused: frozenset[str] = frozenset()) -> OnRecord:
        """The same with `rows`, each in place of the row under its key, and the labels `refused` of the form."""
        now = self.forms[form]
        if len(now) and len(rows):
            stay = now[~keys_of(FORMS[form], now).isin(keys_of(FORMS[form], rows))]
            now = pd.concat([stay, rows], ignore_index=True)
        elif len(rows):
            now = rows.reset_index(drop=True)
        told = {**self.refused, form: refused} if refused else self.refused
        after = replace(self, forms={**self.forms, form: now}, refused=told)
        if form not in LIVES:  # nothing new about birds and clutches: what was worked out of them still holds
            after.__dict__.update(
                {name: self.__dict__[name] for name in ("birds", "clutches") if name in self.__dict__}
            )
        return after

    def with_usual(self, form: str) -> pd.DataFrame:
        """The rows of a form with those recorded before them: enough to tell what is usual."""
        now = self.forms[form]
        if form not in self.usual:
            return now
        before = self.usual[form]()
        others = before[~keys_of(FORMS[form], before).isin(keys_of(FORMS[form], now))]
        return pd.concat([others, now], ignore_index=True)

    @cached_property
    def birds(self) -> pd.DataFrame:
        """Every bird by its folded label: its row (a sale marks it gone), `hatched`, `earliest`, `latest`."""
        birds = with_sales(self.forms["birds"], self.forms["sales"])
        days = hatch_days(birds, self.forms["clutches"])
        whole = pd.concat([birds, days], axis=1)
        return _last_of_each(whole.set_axis(pd.Index(folded(birds["bird"]))))

    @cached_property
    def clutches(self) -> pd.DataFrame:
        """Every clutch by its folded label."""
        clutches = self.forms["clutches"]
        return _last_of_each(clutches.set_axis(pd.Index(folded(clutches["clutch"]))))

    def of_birds(self, labels: pd.Series) -> pd.DataFrame:
        """What is known of the bird that each of `labels` names, under their index; blank if unknown."""
        return self.birds.reindex(folded(labels).to_numpy()).set_axis(labels.index)

    def of_clutches(self, labels: pd.Series) -> pd.DataFrame:
        """What is known of the clutch that each of `labels` names, under their index."""
        return self.clutches.reindex(folded(labels).to_numpy()).set_axis(labels.index)


def _last_of_each(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a label, the last: a ledger that was damaged may hold several."""
    return rows[~rows.index.duplicated(keep="last")]


def findings(
    form: str,
    rows: pd.DataFrame,
    where: pd.Series,
    column: str,
    expected: str,
    *told: pd.Series,
    refused: bool = True,
) -> list[Finding]:
    """One finding on `column` for each of `rows` that is True in `where`.

    Each `{}` of `expected` takes the row's value of one of `told`, in words.
    """
    found = []
    for row in rows.index[where.to_numpy(dtype=bool, na_value=False)]:
        words = expected.format(*(value_in_words(values[row]) for values in told))
        found.append(Finding(form, row, column, value_in_words(rows.at[row, column]), words, refused))
    return found


def value_in_words(value: object) -> str:
    """A typed value as a breeder would write it."""
    if value is None or value != value:
        return "a blank cell"
    if isinstance(value, pd.Timestamp):
        return str(value.date())
    return f"{value:g}" if isinstance(value, float) else shown(value)


def day_words(days: pd.Series) -> pd.Series:
    """Days as ISO text, blank ones as the empty text."""
    return days.dt.strftime("%Y-%m-%d").fillna("").astype("str")


NEW, COMPLETED, CORRECTED, UNCHANGED = "taken", "completed", "corrected", "unchanged"


Earlier = Callable[[str, pd.DataFrame], pd.DataFrame]
"""From a form's name and some rows to the rows that stood under their keys before a completion or correction,
each under the index label of the row it answers."""


@dataclass(frozen=True)
class Compared:
    """Rows handed in, filled up from the record, each with its `status` (NEW, …), and the faults."""

    rows: pd.DataFrame
    status: pd.Series
    findings: list[Finding]


def none_before(form: str, rows: pd.DataFrame) -> pd.DataFrame:
    """The rows that stood before under the keys of `rows`, where nothing was ever recorded: none."""
    return rows.head(0)


def compare(
    form: Form,
    rows: pd.DataFrame,
    cleared: dict[str, pd.Index],
    record: pd.DataFrame,
    correct: bool,
    earlier: Earlier = none_before,
) -> Compared:
    """`rows` (one for each key) against `record`; `cleared` says which cells ask for a value to be cleared.

    A blank keeps what is on record. A value that differs from the record, or a clearing, needs `correct`; so
    does a value that stood there and was cleared (as `earlier` tells), which an old sheet handed in again must
    not bring back. Of several rows on record under one key the last counts; `correct` makes one of them.
    """
    if record.empty:
        status = pd.Series(NEW, index=rows.index, dtype="str")
        return Compared(rows, status, _nothing_to_clear(form, rows, cleared, ~status.isna()))
    columns = [c for c in rows.columns if c not in (*form.key, NTH)]
    old, known, several = _under_keys(form, rows, record, columns)
    filled = pd.DataFrame({c: known & ~_open(rows[c]) & _open(old[c]) for c in columns}, index=rows.index)
    undone = filled & False if correct else _cleared_before(form, rows, filled, earlier)
    findings = _stays_blank(form, rows, undone) + _nothing_to_clear(form, rows, cleared, ~known)
    merged = rows.copy()
    changes = several & correct
    for column in columns:
        before = old[column]
        says, said = ~_open(rows[column]) & ~undone[column], ~_open(before)
        differs = known & says & said & (folded(rows[column]) != folded(before))
        clears = known & said & rows.index.isin(cleared.get(column, []))
        changes |= differs | clears
        merged[column] = rows[column].where(says | ~known, before).mask(clears)
        if not correct:
            findings += _needs_correct(form, column, rows[column], before, differs, clears)
    for column in old.columns.difference(rows.columns):
        merged[column] = old[column]
    fills = (filled & ~undone).any(axis=1)
    status = np.select([~known, changes, fills], [NEW, CORRECTED, COMPLETED], UNCHANGED)
    return Compared(merged, pd.Series(status, index=rows.index, dtype="str"), findings)


def _under_keys(
    form: Form, rows: pd.DataFrame, record: pd.DataFrame, columns: list[str]
) -> tuple[pd.DataFrame, pd.Series, pd.Series]:
    """The row on record under the key of each of `rows`, with all of `columns`; whether there is one; or several."""
    keys, on_record = keys_of(form, rows), record.set_axis(keys_of(form, record))
    again = on_record.index.duplicated(keep="last")  # a file was away when a row was recorded anew
    old = on_record[~again].reindex(keys).set_axis(rows.index)
    for column in (c for c in columns if c not in old):
        old[column] = rows[column].mask(np.ones(len(rows), dtype=bool))
    return old, keys.isin(on_record.index), keys.isin(on_record.index[again])


def _cleared_before(form: Form, rows: pd.DataFrame, filled: pd.DataFrame, earlier: Earlier) -> pd.DataFrame:
    """Which of the `filled` cells give a value that once stood there, and so was cleared since."""
    undone = filled & False
    asked = rows[filled.any(axis=1)]
    past = earlier(form.name, asked) if len(asked) else asked
    for column in undone.columns.intersection(past.columns):
        same = folded(past[column]) == folded(rows.loc[past.index, column])
        undone[column] = filled[column] & rows.index.isin(past.index[same])
    return undone


def _nothing_to_clear(
    form: Form, rows: pd.DataFrame, cleared: dict[str, pd.Index], new: pd.Series
) -> list[Finding]:
    """A fault for each required value that is to be cleared though nothing is on record under the row's key."""
    words = "a value: nothing is on record under this row's key that could be cleared"
    return [
        Finding(form.name, row, column, "a clearing", words)
        for column in form.required
        for row in rows.index[new & rows.index.isin(cleared.get(column, []))]
    ]


def _stays_blank(form: Form, rows: pd.DataFrame, undone: pd.DataFrame) -> list[Finding]:
    words = "stood on record and was cleared since, so left blank; hand it in with --correct if it is right"
    return [
        Finding(form.name, row, column, shown(_plain(rows.at[row, column])), words, refused=False)
        for column in undone
        for row in rows.index[undone[column]]
    ]


def _open(values: pd.Series) -> pd.Series:
    """Which cells say nothing yet: blanks, and a sex that is `unknown`."""
    return values.isna() | (folded(values) == "unknown") if values.name == "sex" else values.isna()


def _needs_correct(
    form: Form, column: str, new: pd.Series, old: pd.Series, differs: pd.Series, clears: pd.Series
) -> list[Finding]:
    found = []
    for row in new.index[differs | clears]:
        wanted = "a clearing" if clears[row] else shown(_plain(new[row]))
        words = f"{shown(_plain(old[row]))} is on record; hand it in with --correct if it shall change"
        found.append(Finding(form.name, row, column, wanted, words))
    return found


def _plain(value: object) -> object:
    """A value as a breeder would write it."""
    if isinstance(value, pd.Timestamp):
        return value.date()
    return f"{value:g}" if isinstance(value, float) else value


def one_of_each(form: Form, rows: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """`rows` with one row for each key: of equal rows the first is kept, of unlike ones none.

    A row says everything about its key, so which of two unlike rows is right only the breeder knows.
    """
    keys = keys_of(form, rows)
    several = rows[keys.duplicated(keep=False)]
    if several.empty:
        return rows, []
    findings: list[Finding] = []
    drop: list[int] = []
    cells = pd.DataFrame({c: folded(several[c]) for c in several})
    for _, same in cells.groupby(keys[several.index], sort=False):
        others = same.index[1:].tolist()
        alike = len(same.drop_duplicates()) == 1
        drop += others if alike else same.index.tolist()
        findings += [_twice(form, row, same.index, alike) for row in (others if alike else same.index)]
    return rows.drop(index=drop), findings


def _twice(form: Form, row: int, same: pd.Index, alike: bool) -> Finding:
    others = ", ".join(str(r) for r in same if r != row)
    found = f"the same {', '.join(form.key)} as in row {others}"
    if alike:
        return Finding(form.name, row, None, found, "the rows say the same, and one is kept", refused=False)
    hint = "; tell two bills of one day apart with line" if "line" in form.key else ""
    return Finding(
        form.name, row, None, found, f"expected one row for each: keep the right one, delete the others{hint}"
    )


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
