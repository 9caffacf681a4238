"""The ledger: it only appends and reads.

For whoever records a form:

- `find_rows(flock, form, keys)` gives the rows on record under the keys of `keys` (a frame with the form's
  key columns), without reading the rest of the ledger; its index says which row of `keys` each answers.
  `find_superseded` gives those that stood there before.
- `read_days(flock, form, days)` gives all the rows on record of some days, as cheaply, and
  `read_recent(flock, form, most)` those recorded last.
- `append(flock, {form: frame}, source=…)` records the rows of all forms together or not at all. A row whose
  key is on record completes it: its blanks keep what is recorded. If it would change a recorded value the
  ledger refuses the batch with :class:`ConflictError` (somebody else recorded that row meanwhile: compare and
  try again), unless `correction=True`: then the columns handed in take the place of what is on record just as
  they stand, blanks too.
  Rows that say nothing new are not written again.
- Several rows of one sheet for unnamed chicks of one clutch and sex are told apart by the optional column
  `typed.NTH`: 1, 2, 3… (see `typed.key_parts`, which says what makes two rows the same row).

Writers take no lock: each writes its files, then takes the next number for its manifest; who comes second
looks again at what the first recorded and takes the number after. The format is described in FORMAT.md.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from itertools import groupby
from pathlib import Path

import pandas as pd
import pyarrow as pa

from selection.errors import RecordsError
from selection.records.forms.columns import FORMS, Form
from selection.records.forms.schema import TEXT, folded, form_named, frame_of, keys_of, table_of
from selection.records.ledger import durable, pieces
from selection.records.ledger.batches import (
    BATCHES,
    KEYS,
    MEETINGS,
    Batch,
    DamagedError,
    LedgerState,
    Piece,
    SetAsideWarning,
    commit,
    discard,
    files_of,
    is_left_over,
    is_taken,
    read_state,
)
from selection.records.ledger.kept import Settings, keep_meeting, read_meetings, read_settings, write_settings
from selection.records.ledger.lookup import (
    find_rows,
    find_superseded,
    in_utc,
    left_out,
    must_be_there,
    read_days,
    read_recent,
    read_rows,
    read_table,
    records_of,
    rows_and_places,
)

MOST_ROWS = 1_000_000
"""Rows a merged file holds at most; a file of half as many is large enough to be left alone."""

A_DAY = 86_400.0
Merged = dict[str, tuple[tuple[Piece, ...], Piece]]
"""By the first old file of a run: the run, and the file that replaces it."""


def merge(records: Path, progress: Callable[[str, float], None] | None = None) -> int:
    """Merge the small files of every form; the number of files that went.

    Nothing that was recorded changes, rows superseded long ago included, and as-of reading gives the same.
    Files that cannot be read stay where they are. Raises RecordsError (all as it was) where the disk does not
    take the merged files.
    """
    if (state := _sound(records)).number == 0:
        return 0
    with durable.disk_faults(records):
        merged = _merged_files(records, state, progress)
        while True:
            state = _sound(records)
            kept = _still_there(state, merged)
            new = replace(_with(state, kept), number=state.number + 1)
            if commit(records, new, whole=True):
                break
        vain = LedgerState(pieces=tuple(made for first, (_, made) in merged.items() if first not in kept))
        discard(records, {*files_of(state), *files_of(vain)} - set(files_of(new)))
        _tidy(records)
    return len(state.pieces) - len(new.pieces)


def _sound(records: Path) -> LedgerState:
    """The state, if all of it could be read: what is set aside now would be forgotten by a merge."""
    state = read_state(records)
    lost = [found for found in state.set_aside if found.lost and (records / found.file).exists()]
    if lost:
        raise RecordsError(
            f"{records}: not merged, for {'; '.join(map(str, lost))}. Mend or move it away first"
        )
    return state


def _still_there(state: LedgerState, merged: Merged) -> Merged:
    """The merged files whose old ones no other merge took away meanwhile."""
    files = {piece.file for piece in state.pieces}
    return {first: pair for first, pair in merged.items() if all(old.file in files for old in pair[0])}


def _runs(records: Path, state: LedgerState) -> Iterator[tuple[Piece, ...]]:
    """Neighbouring small files of one form, in order, up to MOST_ROWS rows together."""

    def fit(piece: Piece) -> bool:
        return piece.rows < MOST_ROWS // 2 and _is_readable(records, piece)

    for form in FORMS:
        for small, run in groupby(state.of(form), key=fit):
            yield from _cut(list(run)) if small else ()


def _cut(run: list[Piece]) -> Iterator[tuple[Piece, ...]]:
    part: list[Piece] = []
    for piece in run:
        if part and sum(p.rows for p in part) + piece.rows > MOST_ROWS:
            yield tuple(part)
            part = []
        part.append(piece)
    yield tuple(part)


def _merged_files(records: Path, state: LedgerState, progress: Callable[[str, float], None] | None) -> Merged:
    """Write one file for each run of small ones. Nothing refers to it yet."""
    merged: Merged = {}
    runs = [run for run in _runs(records, state) if len(run) > 1]
    try:
        for done, run in enumerate(runs):
            form = FORMS[run[0].form]
            table = pa.concat_tables(
                [pieces.whole_piece(records, p, form) for p in run], promote_options="default"
            )
            parts = [(state.batches[batch], stop - start) for p in run for batch, start, stop in p.parts]
            merged[run[0].file] = run, pieces.write(records, form, table, parts)
            if progress:
                progress("merging", (done + 1) / len(runs))
    except FileNotFoundError:  # another merge is at work: leave it to that one
        discard(records, files_of(LedgerState(pieces=tuple(made for _, made in merged.values()))))
        return {}
    except BaseException:
        discard(records, files_of(LedgerState(pieces=tuple(made for _, made in merged.values()))))
        raise
    return merged


def _is_readable(records: Path, piece: Piece) -> bool:
    try:
        pieces.whole_piece(records, piece, FORMS[piece.form])
    except (DamagedError, FileNotFoundError):
        return False
    return True


def _with(state: LedgerState, merged: Merged) -> LedgerState:
    """`state` with each run replaced by its merged file, rows counted on."""
    gone = {piece.file: (new, offset) for run, new in merged.values() for piece, offset in _offsets(run)}
    superseded: dict[str, tuple[tuple[int, str], ...]] = {}
    for file, rows in state.superseded.items():
        place, offset = (gone[file][0].file, gone[file][1]) if file in gone else (file, 0)
        superseded[place] = superseded.get(place, ()) + tuple((row + offset, by) for row, by in rows)
    kept = tuple(
        merged[piece.file][1] if piece.file in merged else piece
        for piece in state.pieces
        if piece.file in merged or piece.file not in gone
    )
    return replace(state, pieces=kept, superseded=superseded, set_aside=())


def _offsets(run: tuple[Piece, ...]) -> Iterator[tuple[Piece, int]]:
    offset = 0
    for piece in run:
        yield piece, offset
        offset += piece.rows


def _tidy(records: Path) -> None:
    """Take away what writers that died left behind: files no manifest names and nobody wrote for a day."""
    known = set(files_of(read_state(records)))
    now = (records / BATCHES).stat().st_mtime  # the disk's own clock: a manifest was written just now
    for folder in (*FORMS, MEETINGS, KEYS, BATCHES):
        for path in (records / folder).glob("*"):
            with suppress(FileNotFoundError):  # its writer has just given it its name, or taken it away
                if is_left_over(f"{folder}/{path.name}", known) and now - path.stat().st_mtime > A_DAY:
                    path.unlink()


__all__ = [
    "ConflictError",
    "SetAsideWarning",
    "Settings",
    "append",
    "compact",
    "find_rows",
    "find_superseded",
    "keep_meeting",
    "left_out",
    "must_be_there",
    "read_days",
    "read_meetings",
    "read_recent",
    "read_rows",
    "read_settings",
    "read_table",
    "records_of",
    "write_settings",
]


class ConflictError(RecordsError):
    """A row would change a value on record; the text names the rows. Nothing was recorded."""


def append(
    flock_path: str | Path,
    rows: Mapping[str, pd.DataFrame],
    *,
    source: str,
    correction: bool = False,
    recorded_at: datetime | None = None,
    batch: str | None = None,
    resting_on: int | None = None,
) -> str:
    """Record the rows of all forms as one batch and return its id; the flock's folder is made if need be.

    All rows are seen from one moment on, by every reader, or none is, whatever stops the machine. Once this
    returns they are safe. The id is `batch`, else worked out from the rows and what is on record, so that the
    same call after a crash records nothing twice. `recorded_at` is the moment that as-of reading goes by
    (blank: now; UTC where it names no zone). Rows already on record word for word are left out;
    if no other is left, nothing is written and the id of the last batch is returned. `resting_on` is the number of the
    last batch that the rows were worked out from (blank: any may come between).

    Raises ConflictError (see the module's text; also where a batch was recorded after `resting_on`), and
    RecordsError for two rows of one key, a column or value that is not the form's, a full disk, a missing
    permission: the flock is then as it was.
    """
    records, moment = records_of(flock_path), in_utc(recorded_at)
    durable.must_lie_within(records, [*rows, BATCHES])
    frames = {form.name: _checked(form, rows[form.name]) for form in _forms(rows)}
    overwrites = {name: list(rows[name].columns) if correction else [] for name in frames}
    missing_ok = False
    while True:
        state = read_state(records)
        name = batch or _batch_id(frames, overwrites, state)
        if name in state.batches:
            return name
        if resting_on is not None and state.number != resting_on:
            raise ConflictError(f"{flock_path}: something was recorded meanwhile; look again, then record")
        try:
            tables, superseded = _what_is_new(records, state, frames, overwrites, missing_ok)
        except FileNotFoundError:  # a merge took a file away meanwhile; if not, it is missing for good
            missing_ok = read_state(records).number == state.number
            continue
        if not tables:
            return state.last
        with durable.disk_faults(flock_path):
            if _commit(records, state, Batch(name, moment, source, correction), tables, superseded):
                return name


def _forms(rows: Mapping[str, pd.DataFrame]) -> list[Form]:
    """The forms that have rows, in the order of `tables.FORMS`."""
    for name in rows:
        form_named(name)
    return [form for name, form in FORMS.items() if name in rows and len(rows[name])]


def _checked(form: Form, frame: pd.DataFrame) -> pd.DataFrame:
    """`frame` in the form's own dtypes; RecordsError if two of its rows have one key."""
    frame = frame_of(form, table_of(form, frame))
    keys = keys_of(form, frame)
    if keys.duplicated().any():
        twice = _named(form, frame[keys.duplicated(keep=False)])
        raise RecordsError(
            f"{form.name}: several rows for {twice}; keep one row for each {', '.join(form.key)}"
        )
    return frame


def _named(form: Form, frame: pd.DataFrame, most: int = 5) -> str:
    """The keys of the first rows, in words."""
    rows = frame[list(form.key)].head(most).astype("str").fillna("blank").to_numpy()
    return "; ".join(dict.fromkeys(" ".join(row) for row in rows)) + (" …" if len(frame) > most else "")


def _batch_id(
    frames: Mapping[str, pd.DataFrame], overwrites: Mapping[str, list[str]], state: LedgerState
) -> str:
    """An id from the rows and the batch before them; the last batch's own id if these are its rows."""
    content = hashlib.sha256()
    for name, frame in frames.items():
        content.update(f"{name}:{list(frame.columns)}:{overwrites[name]}".encode())
        content.update(pd.util.hash_pandas_object(frame, index=False).to_numpy().tobytes())
    before = ["", *state.batches][-2:]
    ids = [hashlib.sha256(content.digest() + previous.encode()).hexdigest()[:32] for previous in before]
    return ids[0] if ids[0] == state.last else ids[-1]


def _what_is_new(
    records: Path,
    state: LedgerState,
    frames: Mapping[str, pd.DataFrame],
    overwrites: Mapping[str, list[str]],
    missing_ok: bool,
) -> tuple[dict[str, pa.Table], dict[str, list[int]]]:
    """The rows to write, by form, and by file the rows on record that they take the place of."""
    tables: dict[str, pa.Table] = {}
    superseded: dict[str, list[int]] = {}
    for name, frame in frames.items():
        form = FORMS[name]
        standing, places = rows_and_places(records, state, form, frame, missing_ok)
        again = standing.index.duplicated(keep="last")
        merged, same = _merged(form, frame, standing[~again], overwrites[name])
        same[standing.index[again]] = False  # several rows stand under one key: they become one
        if not same.all():
            tables[name] = table_of(form, merged[~same])
        for (file, row), label in zip(places, standing.index, strict=True):
            if not same[label]:
                superseded.setdefault(file, []).append(row)
    return tables, superseded


def _merged(
    form: Form, frame: pd.DataFrame, standing: pd.DataFrame, overwrites: list[str]
) -> tuple[pd.DataFrame, pd.Series]:
    """`frame` with its blanks filled from the rows on record, and which of its rows say nothing new.

    In the columns `overwrites` its cells count as they stand, blank or not; in all others ConflictError is
    raised where a value on record would change.
    """
    same = pd.Series(False, index=frame.index)
    if standing.empty:
        return frame, same
    columns = frame.columns.union(standing.columns, sort=False)
    frame, old = frame.reindex(columns=columns), standing.reindex(columns=columns)
    new = frame.loc[old.index]
    counts = _differ(new, old) & ~_open(new)
    clash = (counts & ~_open(old)).drop(columns=overwrites).any(axis=1)
    if clash.any():
        raise ConflictError(f"{form.name}: other values are on record for {_named(form, new[clash])}")
    counts[overwrites] = True
    frame.loc[old.index] = new = new.where(counts, old)
    same[old.index] = ((new == old) | (new.isna() & old.isna())).all(axis=1)
    return frame, same


def compact(flock_path: str | Path, progress: Callable[[str, float], None] | None = None) -> int:
    """Merge the ledger's small files into large ones; the number of files that went.

    Nothing recorded changes, and others may read and write meanwhile. `progress` is told the share done.
    Raises RecordsError, with all as it was, where the disk does not take the merged files or some batch
    cannot be read now (a merge would make that final).
    """
    must_be_there(flock_path)
    return merge(records_of(flock_path), progress)


def _differ(new: pd.DataFrame, old: pd.DataFrame) -> pd.DataFrame:
    """Cell by cell: do the two say different things? Text is compared trimmed and case-folded."""
    texts = {c: new[c].dtype == TEXT for c in new}
    unlike = {c: folded(new[c]) != folded(old[c]) if texts[c] else new[c] != old[c] for c in new}
    return pd.DataFrame(unlike, index=new.index) & ~(new.isna() & old.isna())


def _open(rows: pd.DataFrame) -> pd.DataFrame:
    """Cell by cell: does it say nothing yet? A blank, and a sex that is `unknown`."""
    says_nothing = rows.isna()
    if "sex" in rows:
        says_nothing["sex"] |= folded(rows["sex"]) == "unknown"
    return says_nothing


def _commit(
    records: Path,
    state: LedgerState,
    batch: Batch,
    tables: Mapping[str, pa.Table],
    superseded: Mapping[str, Iterable[int]],
) -> bool:
    """Write the files and take the next number; False, with nothing left behind, if another writer has it."""
    written: list[Piece] = []
    try:
        for name, table in tables.items():
            written.append(pieces.write(records, FORMS[name], table, [(batch, table.num_rows)]))
        replaced = {file: tuple((row, batch.id) for row in rows) for file, rows in superseded.items()}
        new = LedgerState(state.number + 1, {batch.id: batch}, tuple(written), replaced)
        return commit(records, new)
    except BaseException:
        if not is_taken(records, state.number + 1):  # else it may be this batch's: its files stay
            discard(records, files_of(LedgerState(pieces=tuple(written))))
        raise
