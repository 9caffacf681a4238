"""Reading the ledger: all rows of a form, those under some keys, those of some days.

Whoever reads takes the state first and opens files after; if a merge takes a file away between, it looks again.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Collection
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import pandas as pd
import pyarrow as pa

from selection.errors import RecordsError
from selection.records.forms.columns import FORMS, Form
from selection.records.forms.schema import NTH, form_named, frame_of, key_parts, schema_of
from selection.records.ledger import pieces
from selection.records.ledger.batches import (
    Batch,
    DamagedError,
    LedgerState,
    SetAside,
    SetAsideWarning,
    read_state,
)
from selection.records.ledger.pieces import Wanted

RECORDS = "records"
T = TypeVar("T")


def records_of(flock_path: str | Path) -> Path:
    """The folder of the ledger in a flock's folder; links in the way there are followed once, here."""
    return (Path(flock_path) / RECORDS).resolve()


def must_be_there(flock_path: str | Path) -> None:
    """Raise RecordsError where no flock is."""
    if Path(flock_path).is_file():
        raise RecordsError(f"{flock_path}: a file, where a flock is a folder; give the flock's folder")
    if not records_of(flock_path).is_dir():
        raise RecordsError(
            f"{flock_path}: no flock here; make one by recording its forms: selection record {flock_path} FORMS"
        )


def read_rows(flock_path: str | Path, form: str, as_recorded: datetime | None = None) -> pd.DataFrame:
    """Every row of a form as it stands, in the order of recording.

    `as_recorded` (a moment; UTC where it names no zone) gives the rows as they stood then. Columns and dtypes
    are those of `tables.py`, looks with a float64 column for each section ever scored; blanks are NaN or NaT.
    A form without rows is an empty frame. A file that cannot be used is left out with a SetAsideWarning.
    Raises RecordsError where there is no flock or its folder cannot be read.
    """
    table, state, damaged = read_table(flock_path, form, as_recorded)
    for found in (*state.set_aside, *damaged):
        warnings.warn(str(found), SetAsideWarning, stacklevel=2)
    frame = frame_of(form_named(form), table)
    return frame.drop(columns=NTH, errors="ignore")


def read_table(
    flock_path: str | Path, form: str, as_recorded: datetime | None = None
) -> tuple[pa.Table, LedgerState, list[SetAside]]:
    """The rows of a form as an Arrow table, the state they were read from, and the files left out."""
    records, wanted = records_of(flock_path), form_named(form)
    must_be_there(flock_path)

    def read(state: LedgerState, missing_ok: bool) -> tuple[pa.Table, LedgerState, list[SetAside]]:
        table, damaged = pieces.read(records, _as_of(state, as_recorded), wanted, missing_ok=missing_ok)
        return table, state, damaged

    return _steadily(records, read)


def _steadily(records: Path, read: Callable[[LedgerState, bool], T]) -> T:
    """What `read` makes of the present state, once no merge takes a file away under its hands.

    `read` is given the state, and whether a file that is not there is to be passed over: it is when the state
    is still the same, since then nobody merged and the file is truly missing.
    """
    state = read_state(records)
    while True:
        try:
            return read(state, False)
        except FileNotFoundError:
            newer = read_state(records)
            if newer.number == state.number:
                return read(state, True)
            state = newer


def _as_of(state: LedgerState, moment: datetime | None) -> LedgerState:
    """The state as it stood at `moment`: later batches, and what they superseded, left out."""
    if moment is None:
        return state
    until = in_utc(moment)
    return pieces.only(state, {b.id for b in state.batches.values() if b.recorded_at <= until})


def left_out(flock_path: str | Path, forms: Collection[str] = tuple(FORMS)) -> list[SetAside]:
    """What of these forms' records cannot be read, as far as sizes tell: rows on record may be missing for it."""
    records = records_of(flock_path)

    def looked(state: LedgerState, missing_ok: bool) -> list[SetAside]:
        found = [found for found in state.set_aside if found.lost]
        for piece in (piece for piece in state.pieces if piece.form in forms):
            try:
                pieces.sized(records, piece)
            except DamagedError as damage:
                found.append(SetAside(piece.file, str(damage)))
            except FileNotFoundError:
                if not missing_ok:
                    raise
                found.append(SetAside(piece.file, pieces.MISSING))
        return found

    return _steadily(records, looked)


def kept_left_out(flock_path: str | Path) -> list[SetAside]:
    """Tables of kept meetings that are missing, or are no longer as they were kept, to the last bit."""
    records = records_of(flock_path)
    found = []
    for meeting in read_state(records).meetings:
        try:
            pieces.kept_bytes(records, meeting)
        except FileNotFoundError:
            found.append(SetAside(meeting.file, pieces.MISSING))
        except (DamagedError, OSError) as damage:
            found.append(SetAside(meeting.file, str(damage)))
    return found


def find_rows(flock_path: str | Path, form: str, keys: pd.DataFrame) -> pd.DataFrame:
    """The rows on record under the keys of `keys`, each under the index label of the row it answers.

    `keys` has the form's key columns (others are ignored; key columns it lacks are blank). Blank key cells
    equal blank ones. Keys that are not on record have no row in the answer. Looks and weighings of unnamed
    chicks also carry `ledger.nth`.
    """
    records, wanted = records_of(flock_path), form_named(form)
    return _steadily(records, lambda state, lost: rows_and_places(records, state, wanted, keys, lost)[0])


def find_superseded(flock_path: str | Path, form: str, keys: pd.DataFrame) -> pd.DataFrame:
    """As :func:`find_rows`, but the rows that stood under the keys until a completion or correction."""
    records, wanted = records_of(flock_path), form_named(form)

    def read(state: LedgerState, missing_ok: bool) -> pd.DataFrame:
        return rows_and_places(records, state, wanted, keys, missing_ok, superseded=True)[0]

    return _steadily(records, read)


def read_versions(flock_path: str | Path, form: str) -> list[tuple[Batch, pd.DataFrame]]:
    """Every batch that brought rows of a form, in the order of recording, with all its rows as they stood then."""
    records, wanted = records_of(flock_path), form_named(form)

    def read(state: LedgerState, missing_ok: bool) -> list[tuple[Batch, pd.DataFrame]]:
        brought = {batch for piece in state.of(form) for batch, _, _ in piece.parts}
        versions, so_far = [], set[str]()
        for batch in state.batches.values():
            so_far.add(batch.id)
            if batch.id in brought:
                then = pieces.only(state, so_far)
                table, _ = pieces.read(records, then, wanted, missing_ok=missing_ok)
                versions.append((batch, frame_of(wanted, table)))
        return versions

    return _steadily(records, read)


def rows_and_places(
    records: Path,
    state: LedgerState,
    form: Form,
    keys: pd.DataFrame,
    missing_ok: bool,
    superseded: bool = False,
) -> tuple[pd.DataFrame, list[tuple[str, int]]]:
    """The rows on record under `keys` (or those `superseded`), and the file and row where each stands."""
    wanted = Wanted.of(key_parts(form, keys))
    tables, places, labels = [schema_of(form).empty_table()], [], []
    for piece in state.of(form.name):
        with suppress(DamagedError, *_passed_over(missing_ok)):
            table, rows, which = pieces.find(records, state, piece, form, wanted, superseded=superseded)
            tables.append(table)
            places += [(piece.file, int(row)) for row in rows]
            labels += [keys.index[i] for i in which]
    frame = frame_of(form, pa.concat_tables(tables, promote_options="default"))
    return frame.set_axis(pd.Index(labels, dtype=keys.index.dtype)), places


def _passed_over(missing_ok: bool) -> tuple[type[Exception], ...]:
    return (FileNotFoundError,) if missing_ok else ()


def read_days(flock_path: str | Path, form: str, days: pd.Series) -> pd.DataFrame:
    """The rows of a form as they stand on any of `days` (its key's day), with `ledger.nth` where it has it.

    The other days' rows are not read: a page of today's weighings is held against what is on record of today
    alone. Order is that of recording; a file that cannot be used is left out. Raises RecordsError for a form
    whose key has no day.
    """
    records, wanted = records_of(flock_path), form_named(form)
    column = pieces.day_column(wanted)
    if column is None:
        raise RecordsError(f"{form}: the key of this form has no day; it is {', '.join(wanted.key)}")
    told = sorted({str(day)[:10] for day in days.dropna().unique()})

    def read(state: LedgerState, missing_ok: bool) -> pd.DataFrame:
        tables = [schema_of(wanted).empty_table()]
        for piece in state.of(form):
            with suppress(DamagedError, *_passed_over(missing_ok)):
                tables.append(pieces.of_days(records, state, piece, wanted, column, told))
        return frame_of(wanted, pa.concat_tables(tables, promote_options="default"))

    return _steadily(records, read)


def read_recent(flock_path: str | Path, form: str, most: int) -> pd.DataFrame:
    """The rows of a form that were recorded last, `most` at most, with `ledger.nth` where it has it.

    What came before is not read: enough to tell what is usual. A file that cannot be used is left out.
    """
    records, wanted = records_of(flock_path), form_named(form)

    def read(state: LedgerState, missing_ok: bool) -> pd.DataFrame:
        tables, lacking = [], most
        for piece in reversed(state.of(form)):
            with suppress(DamagedError, *_passed_over(missing_ok)):
                tables.append(pieces.last_rows(records, state, piece, wanted, lacking))
                lacking -= tables[-1].num_rows
            if not lacking:
                break
        every = [schema_of(wanted).empty_table(), *reversed(tables)]
        return frame_of(wanted, pa.concat_tables(every, promote_options="default"))

    return _steadily(records, read)


def in_utc(moment: datetime | None) -> datetime:
    """A moment in UTC; blank is now."""
    moment = moment or datetime.now(UTC)
    return moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)
