"""Reading and writing the ledger's Parquet files, one at a time, so that a bad one never stops the rest."""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from selection.records import durable
from selection.records.manifest import Batch, DamagedError, Meeting, Piece, SetAside, State, fresh_file
from selection.records.tables import Form
from selection.records.typed import BATCH, LEDGER, NTH, RECORDED_AT, frame_of, joined, key_parts, schema_of

ROWS_A_GROUP = 32_768
"""Rows a row group holds: small enough that a look-up by day reads little, large enough to scan fast."""

STAMPS = {BATCH: pa.large_string(), RECORDED_AT: pa.timestamp("us", tz="UTC")}


def only(state: State, batches: Collection[str]) -> State:
    """`state` with nothing but these batches, and what they superseded."""
    pieces = []
    for piece in state.pieces:
        parts = tuple(part for part in piece.parts if part[0] in batches)
        if parts:
            pieces.append(_with_parts(piece, parts))
    superseded = {f: tuple(r for r in rows if r[1] in batches) for f, rows in state.superseded.items()}
    kept = {name: batch for name, batch in state.batches.items() if name in batches}
    meetings = tuple(m for m in state.meetings if m.batch in batches)
    return State(state.number, kept, tuple(pieces), superseded, meetings, state.set_aside)


def _with_parts(piece: Piece, parts: tuple[tuple[str, int, int], ...]) -> Piece:
    return Piece(piece.form, piece.file, piece.rows, piece.size, piece.sha256, parts, piece.ranges)


def read(
    records: Path, state: State, form: Form, *, missing_ok: bool = False
) -> tuple[pa.Table, list[SetAside]]:
    """The standing rows of a form, and the files that had to be left out.

    Rows that a file which cannot be read was to supersede stand again. Raises FileNotFoundError for a file
    that is not there unless `missing_ok`.
    """
    damaged: list[SetAside] = []
    tables: list[tuple[Piece, pa.Table]] = []
    for piece in state.of(form.name):
        try:
            tables.append((piece, whole(records, piece, form)))
        except FileNotFoundError:
            if not missing_ok:
                raise
            damaged.append(SetAside(piece.file, "the file is missing; restore it from a copy"))
        except DamagedError as damage:
            damaged.append(SetAside(piece.file, str(damage)))
    readable = {batch for piece, _ in tables for batch, _, _ in piece.parts}
    standing = [_standing(piece, table, state, readable) for piece, table in tables]
    return pa.concat_tables([schema_of(form).empty_table(), *standing], promote_options="default"), damaged


def _standing(piece: Piece, table: pa.Table, state: State, readable: Collection[str]) -> pa.Table:
    """The rows of one file that no later row supersedes."""
    gone = [row for row, by in state.superseded.get(piece.file, ()) if by in readable]
    covered = sum(stop - start for _, start, stop in piece.parts)
    if not gone and covered == table.num_rows:
        return table
    mask = np.zeros(table.num_rows, dtype=bool)
    for _, start, stop in piece.parts:
        mask[start:stop] = True
    mask[gone] = False
    return table.filter(pa.array(mask))


def opened(records: Path, piece: Piece | Meeting) -> pq.ParquetFile:
    """The file, once it has the size (and the number of rows) that its manifest says.

    Raises DamagedError with the reason, FileNotFoundError where it is missing.
    """
    path = records / piece.file
    if not path.resolve().is_relative_to(records):
        raise DamagedError("leads out of the flock, and is not followed")
    if (size := path.stat().st_size) != piece.size:
        raise DamagedError(f"{size} bytes long, and {piece.size} were recorded; restore it from a copy")
    try:
        file = pq.ParquetFile(path, page_checksum_verification=True)
    except (pa.ArrowException, OSError) as error:
        raise damage(error) from error
    if isinstance(piece, Piece) and file.metadata.num_rows != piece.rows:
        raise DamagedError(
            f"{file.metadata.num_rows} rows, and {piece.rows} were recorded; restore it from a copy"
        )
    return file


def damage(error: Exception) -> Exception:
    """What a failed read means: the file is missing, or it is DamagedError."""
    if isinstance(error, FileNotFoundError):
        return error
    return DamagedError("torn or changed, its content cannot be read; restore it from a copy")


def whole(records: Path, piece: Piece, form: Form) -> pa.Table:
    """The whole of one file, the ledger's own columns but NTH left out."""
    file = opened(records, piece)
    try:
        return _conforming(form, file.read(columns=_columns(file)))
    except (pa.ArrowException, OSError) as error:
        raise damage(error) from error


def _columns(file: pq.ParquetFile) -> list[str]:
    return [c for c in file.schema_arrow.names if not c.startswith(LEDGER) or c == NTH]


def _conforming(form: Form, table: pa.Table) -> pa.Table:
    """`table` under the form's schema; DamagedError where it is some other table."""
    sections = [c for c in table.column_names if c not in form.names and c != NTH]
    if sections and form.name != "scores":
        raise DamagedError(f"has columns that the form lacks: {', '.join(sections)}")
    fields = [field for field in schema_of(form, sections) if field.name in table.column_names]
    if table.schema.equals(pa.schema(fields)):
        return table
    return table.select([f.name for f in fields]).cast(pa.schema(fields))


def find(
    records: Path, state: State, piece: Piece, form: Form, wanted: pd.DataFrame
) -> tuple[pa.Table, np.ndarray, np.ndarray]:
    """The standing rows of one file under the keys `wanted` (frame of `typed.key_parts`).

    Returns the rows, their numbers in the file, and for each the position in `wanted` that it answers. Only
    row groups whose range of days can hold a wanted key are read. Raises DamagedError.
    """
    nothing = schema_of(form).empty_table(), np.empty(0, dtype=int), np.empty(0, dtype=int)
    if not _overlaps(piece, wanted):
        return nothing
    try:
        file = opened(records, piece)
        groups = _groups(file, form, wanted)
        rows, which = _matches(file, groups, form, wanted)
        gone = [row for row, _ in state.superseded.get(piece.file, ())]
        standing = ~np.isin(rows, gone)
        rows, which = rows[standing], which[standing]
        if not len(rows):
            return nothing
        return _taken(file, form, rows), rows, which
    except (pa.ArrowException, OSError) as error:
        raise damage(error) from error


def _overlaps(piece: Piece, wanted: pd.DataFrame) -> bool:
    """Can the file hold any wanted key, by the least and greatest of each key column?"""
    able = np.ones(len(wanted), dtype=bool)
    for column, (low, high) in piece.ranges.items():
        able &= (wanted[column].to_numpy() >= low) & (wanted[column].to_numpy() <= high)
    return bool(able.any())


def _day_column(form: Form) -> str | None:
    """The key column that is a day, where the form has one."""
    return next((c for c in form.key if form.column(c).kind == "date"), None)


def _groups(file: pq.ParquetFile, form: Form, wanted: pd.DataFrame) -> list[int]:
    """The row groups whose days can hold a wanted key; all of them where nothing tells."""
    every = range(file.metadata.num_row_groups)
    day = _day_column(form)
    if day is None:
        return list(every)
    days = np.sort(wanted[day].to_numpy(dtype=str))
    column = file.schema_arrow.names.index(day)
    return [g for g in every if _may_hold(file.metadata.row_group(g).column(column).statistics, days)]


def _may_hold(statistics: pq.Statistics | None, days: np.ndarray) -> bool:
    if statistics is None or not statistics.has_min_max or days[0] == "":
        return True
    low, high = np.searchsorted(days, [str(statistics.min)])[0], str(statistics.max)
    return bool(low < len(days) and days[low] <= high)


def _matches(
    file: pq.ParquetFile, groups: list[int], form: Form, wanted: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray]:
    """Numbers of the rows under a wanted key, and the position in `wanted` of each."""
    index = pd.Index(joined(wanted))
    starts = np.cumsum(
        [0] + [file.metadata.row_group(g).num_rows for g in range(file.metadata.num_row_groups)]
    )
    rows, which = [np.empty(0, dtype=int)], [np.empty(0, dtype=int)]
    columns = [c for c in (*form.key, "clutch", "sex", NTH) if c in file.schema_arrow.names]
    for group in groups:
        table, near = _near(file.read_row_group(group, columns=list(dict.fromkeys(columns))), form, wanted)
        place = index.get_indexer(joined(key_parts(form, frame_of(form, table))))
        rows.append(starts[group] + near[place >= 0])
        which.append(place[place >= 0])
    return np.concatenate(rows), np.concatenate(which)


def _near(table: pa.Table, form: Form, wanted: pd.DataFrame) -> tuple[pa.Table, np.ndarray]:
    """The rows of a wanted day alone, and their numbers in the group: few are left to compare as text."""
    day = _day_column(form)
    if day is None or (wanted[day] == "").any():
        return table, np.arange(table.num_rows)
    days = pa.array(pd.to_datetime(wanted[day].unique()).date, type=pa.date32())
    mask = pc.is_in(table[day], value_set=days).to_numpy()
    return table.filter(pa.array(mask)), np.flatnonzero(mask)


def _taken(file: pq.ParquetFile, form: Form, rows: np.ndarray) -> pa.Table:
    """The rows with these numbers, in this order, reading only their row groups."""
    sizes = [file.metadata.row_group(g).num_rows for g in range(file.metadata.num_row_groups)]
    starts = np.concatenate([[0], np.cumsum(sizes)])
    groups = np.searchsorted(starts, rows, side="right") - 1
    used = np.unique(groups)
    table = file.read_row_groups(list(used), columns=_columns(file))
    offsets = dict(zip(used, np.concatenate([[0], np.cumsum(np.array(sizes)[used])]), strict=False))
    local = [offsets[g] + row - starts[g] for g, row in zip(groups, rows, strict=True)]
    return _conforming(form, table.take(pa.array(local)))


def write(records: Path, form: Form, table: pa.Table, batch: Batch) -> Piece:
    """Write one form's rows of a batch as a file of their own. Raises OSError where the disk is full.

    More rows than one row group holds are put in order of their day, so that a look-up by day reads little.
    """
    if (day := _day_column(form)) and table.num_rows > ROWS_A_GROUP:
        table = table.take(pc.sort_indices(table, sort_keys=[(day, "ascending")]))
    return write_parts(records, form, table, [(batch, table.num_rows)])


def write_parts(records: Path, form: Form, table: pa.Table, parts: list[tuple[Batch, int]]) -> Piece:
    """Write rows of several batches, in order (`parts`: batch and its number of rows), as one new file."""
    ranges = _ranges(form, table)
    counts = [count for _, count in parts]
    stamps = {
        BATCH: np.repeat(np.array([b.id for b, _ in parts], dtype=object), counts),
        RECORDED_AT: np.repeat(
            np.array([b.recorded_at.replace(tzinfo=None) for b, _ in parts], "M8[us]"), counts
        ),
    }
    for name, values in stamps.items():
        table = table.append_column(name, pa.array(values).cast(STAMPS[name]))
    data = parquet_bytes(table)
    file = fresh_file(form.name, parts[-1][0].id)
    durable.publish(records / file, data)
    ends = np.cumsum(counts)
    spans = tuple((b.id, int(end - n), int(end)) for (b, n), end in zip(parts, ends, strict=True))
    return Piece(form.name, file, table.num_rows, len(data), hashlib.sha256(data).hexdigest(), spans, ranges)


def parquet_bytes(table: pa.Table) -> bytes:
    """`table` as a Parquet file whose pages each carry a checksum."""
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, row_group_size=ROWS_A_GROUP, write_page_checksum=True, compression="zstd")
    return sink.getvalue().to_pybytes()


def _ranges(form: Form, table: pa.Table) -> dict[str, tuple[str, str]]:
    """The least and greatest text of each key column."""
    columns = [c for c in dict.fromkeys((*form.key, "clutch", "sex", NTH)) if c in table.column_names]
    parts = key_parts(form, frame_of(form, table.select(columns)))
    return {str(c): (parts[c].min(), parts[c].max()) for c in parts} if len(parts) else {}
