"""Reading and writing the ledger's Parquet files, one at a time, so that a bad one never stops the rest."""

from __future__ import annotations

import hashlib
from base64 import b64decode, b64encode
from bisect import bisect_left
from collections.abc import Collection, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from zlib import crc32

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from selection.records.forms.columns import Form
from selection.records.forms.schema import (
    BATCH,
    LEDGER,
    NTH,
    RECORDED_AT,
    frame_of,
    joined,
    key_parts,
    schema_of,
)
from selection.records.ledger import durable
from selection.records.ledger.batches import (
    Batch,
    DamagedError,
    LedgerState,
    MeetingOnDisk,
    Piece,
    SetAside,
    fresh_file,
    index_file,
)

SPREAD = np.uint64(
    0x9E3779B97F4A7C15
)  # 2^64 over the golden ratio (Knuth, multiplicative hashing; from memory)
_HALF = np.uint64(32)
LOW_HALF = np.uint64(0xFFFFFFFF)


def hashes(parts: pd.DataFrame) -> np.ndarray:
    """A 32-bit hash of each row of `typed.key_parts`, in the upper half of a uint64."""
    total = np.zeros(len(parts), dtype=np.uint64)
    for column in parts:
        codes, distinct = pd.factorize(parts[column])
        sums = np.array([crc32(text.encode()) for text in distinct], dtype=np.uint64)
        total = (total ^ sums[codes]) * SPREAD
    return total >> _HALF << _HALF


def _index_of(parts: pd.DataFrame) -> np.ndarray:
    """The index of a file with these keys, row by row."""
    return np.sort(hashes(parts) | np.arange(len(parts), dtype=np.uint64))


@dataclass(frozen=True)
class Wanted:
    """Keys to look up: each as one text, its hash, and the least and greatest text of each key column."""

    keys: np.ndarray
    hashes: np.ndarray
    ranges: Mapping[str, tuple[str, str]]

    @classmethod
    def of(cls, parts: pd.DataFrame) -> Wanted:
        """The keys of a frame of `typed.key_parts`."""
        return cls(joined(parts).to_numpy(), hashes(parts), ranges_of(parts))

    def may_be_in(self, ranges: Mapping[str, tuple[str, str]]) -> bool:
        """Can a file whose key columns lie in `ranges` hold any of these keys?"""
        if not len(self.keys):
            return False
        return all(
            low <= self.ranges[c][1] and self.ranges[c][0] <= high for c, (low, high) in ranges.items()
        )

    def look_up(self, index: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Rows that may stand under these keys, and for each the position of the key it may answer."""
        first = np.searchsorted(index, self.hashes)
        many = np.searchsorted(index, self.hashes | LOW_HALF, side="right") - first
        which = np.repeat(np.arange(len(many)), many)
        within = np.arange(len(which)) - np.repeat(np.cumsum(many) - many, many)
        return (index[first[which] + within] & LOW_HALF).astype(np.int64), which


def ranges_of(parts: pd.DataFrame) -> dict[str, tuple[str, str]]:
    """The least and greatest text of each key column; empty where there is no row."""
    return {str(c): (parts[c].min(), parts[c].max()) for c in parts} if len(parts) else {}


ROWS_A_GROUP = 32_768
"""Rows a row group holds: small enough that fetching a few rows reads little, large enough to scan fast."""

MISSING = "the file is missing; restore it from a copy"

INDEXED = 512
"""A file with so many rows has the index of its keys beside it; a smaller one has it in its manifest."""


def only(state: LedgerState, batches: Collection[str]) -> LedgerState:
    """`state` with nothing but these batches, and what they superseded."""
    pieces = []
    for piece in state.pieces:
        parts = tuple(part for part in piece.parts if part[0] in batches)
        if parts:
            pieces.append(replace(piece, parts=parts))
    superseded = {f: tuple(r for r in rows if r[1] in batches) for f, rows in state.superseded.items()}
    kept = {name: batch for name, batch in state.batches.items() if name in batches}
    meetings = tuple(m for m in state.meetings if m.batch in batches)
    return LedgerState(state.number, kept, tuple(pieces), superseded, meetings, state.set_aside)


def read(
    records: Path, state: LedgerState, form: Form, *, missing_ok: bool = False
) -> tuple[pa.Table, list[SetAside]]:
    """The standing rows of a form, and the files that had to be left out.

    Rows that a file which cannot be read was to supersede stand again. Raises FileNotFoundError for a file
    that is not there unless `missing_ok`.
    """
    wanted = state.of(form.name)
    if len(wanted) > 1:
        with ThreadPoolExecutor() as pool:  # a file of its own for each thread: decoding is most of the work
            found = list(pool.map(lambda piece: _table_or_why(records, piece, form, missing_ok), wanted))
    else:
        found = [_table_or_why(records, piece, form, missing_ok) for piece in wanted]
    damaged = [answer for answer in found if isinstance(answer, SetAside)]
    tables = [
        (piece, table) for piece, table in zip(wanted, found, strict=True) if isinstance(table, pa.Table)
    ]
    readable = {batch for piece, _ in tables for batch, _, _ in piece.parts}
    standing = [_standing(piece, table, state, readable) for piece, table in tables]
    return pa.concat_tables([schema_of(form).empty_table(), *standing], promote_options="default"), damaged


def _table_or_why(records: Path, piece: Piece, form: Form, missing_ok: bool) -> pa.Table | SetAside:
    """The whole of one file, or why it is left out."""
    try:
        return whole_piece(records, piece, form)
    except FileNotFoundError:
        if not missing_ok:
            raise
        return SetAside(piece.file, MISSING)
    except DamagedError as damage:
        return SetAside(piece.file, str(damage))


def _standing(piece: Piece, table: pa.Table, state: LedgerState, readable: Collection[str]) -> pa.Table:
    """The rows of one file that no later row supersedes."""
    gone = [
        row for row, by in state.superseded.get(piece.file, ()) if by in readable and row < table.num_rows
    ]
    covered = sum(stop - start for _, start, stop in piece.parts)
    if not gone and covered == table.num_rows:
        return table
    mask = np.zeros(table.num_rows, dtype=bool)
    for _, start, stop in piece.parts:
        mask[start:stop] = True
    mask[gone] = False
    return table.filter(pa.array(mask))


def opened(records: Path, piece: Piece | MeetingOnDisk) -> pq.ParquetFile:
    """The file, once it has the size (and the number of rows) that its manifest says.

    Raises DamagedError with the reason, FileNotFoundError where it is missing.
    """
    path = sized(records, piece)
    try:
        file = pq.ParquetFile(_source(path), page_checksum_verification=True)
    except (pa.ArrowException, OSError) as error:
        raise damage(error) from error
    if isinstance(piece, Piece) and file.metadata.num_rows != piece.rows:
        raise DamagedError(
            f"{file.metadata.num_rows} rows, and {piece.rows} were recorded; restore it from a copy"
        )
    return file


def _source(path: Path) -> Path | pa.BufferReader:
    """The file as Arrow opens it: by its name, or by its bytes where a folder's name is no text."""
    try:
        str(path).encode()
    except UnicodeEncodeError:
        return pa.BufferReader(path.read_bytes())
    return path


def sized(records: Path, piece: Piece | MeetingOnDisk) -> Path:
    """The path of a file that lies within the flock and has its size. Raises as :func:`opened`."""
    path = records / piece.file
    if not path.resolve().is_relative_to(records):
        raise DamagedError("leads out of the flock, and is not followed")
    if (size := path.stat().st_size) != piece.size:
        raise DamagedError(f"{size} bytes long, and {piece.size} were recorded; restore it from a copy")
    return path


def kept_bytes(records: Path, meeting: MeetingOnDisk) -> bytes:
    """A kept meeting's table as it lies there, once it is what was kept to the last bit. Raises as :func:`opened`."""
    data = sized(records, meeting).read_bytes()
    if hashlib.sha256(data).hexdigest() != meeting.sha256:
        raise DamagedError("changed since it was kept, its checksum is wrong; restore it from a copy")
    return data


def damage(error: Exception) -> Exception:
    """What a failed read means: the file is missing, or it is DamagedError."""
    if isinstance(error, FileNotFoundError):
        return error
    if isinstance(error, PermissionError):
        return DamagedError(f"cannot be read: {durable.reason(error)}")
    return DamagedError("torn or changed, its content cannot be read; restore it from a copy")


def whole_piece(records: Path, piece: Piece, form: Form) -> pa.Table:
    """The whole of one file, the ledger's own columns but NTH left out."""
    file = opened(records, piece)
    try:
        large = piece.rows > ROWS_A_GROUP  # a thread for each column costs more than it saves in a small file
        return _conforming(form, file.read(columns=_columns(file), use_threads=large))
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
    records: Path, state: LedgerState, piece: Piece, form: Form, wanted: Wanted, *, superseded: bool = False
) -> tuple[pa.Table, np.ndarray, np.ndarray]:
    """The standing rows of one file under the keys `wanted`, or those `superseded`.

    Returns the rows, their numbers in the file, and for each the position of the key that it answers. Only
    the row groups that hold such rows are read. Raises DamagedError.
    """
    rows = which = np.empty(0, dtype=np.int64)
    if wanted.may_be_in(piece.ranges) and (piece.file in state.superseded or not superseded):
        rows, which = wanted.look_up(_index(records, piece, form))
    if not len(rows):
        return schema_of(form).empty_table(), rows, which
    asked = (_stands(state, piece, rows) != superseded) & (rows < piece.rows)
    rows, which = rows[asked], which[asked]
    try:
        table = _taken(opened(records, piece), form, rows)
    except (pa.ArrowException, OSError) as error:
        raise damage(error) from error
    true = joined(_keys(form, table)).to_numpy() == wanted.keys[which]
    return table.filter(pa.array(true)), rows[true], which[true]


def of_days(
    records: Path, state: LedgerState, piece: Piece, form: Form, column: str, days: list[str]
) -> pa.Table:
    """The standing rows of one file whose `column` is one of `days` (ISO dates, in order), with `typed.NTH`.

    Row groups without such a day are not read. Raises DamagedError.
    """
    low, high = piece.ranges.get(column, ("", "\uffff"))
    if not any(low <= day <= high for day in days):
        return schema_of(form).empty_table()
    try:
        file = opened(records, piece)
        groups = [g for g in range(file.metadata.num_row_groups) if _may_hold(file, g, column, days)]
        table, rows = _of_groups(file, form, groups)
    except (pa.ArrowException, OSError) as error:
        raise damage(error) from error
    wanted = pc.is_in(table[column], value_set=pa.array(days).cast(pa.date32()))
    return table.filter(pc.and_(wanted, pa.array(_stands(state, piece, rows))))


def last_rows(records: Path, state: LedgerState, piece: Piece, form: Form, most: int) -> pa.Table:
    """The last standing rows of one file, `most` at most, with `typed.NTH`. Raises DamagedError."""
    try:
        file = opened(records, piece)
        first = file.metadata.num_row_groups
        while first and sum(_sizes(file)[first:]) < most:
            first -= 1
        table, rows = _of_groups(file, form, list(range(first, file.metadata.num_row_groups)))
    except (pa.ArrowException, OSError) as error:
        raise damage(error) from error
    table = table.filter(pa.array(_stands(state, piece, rows)))
    return table.slice(max(table.num_rows - most, 0))


def _sizes(file: pq.ParquetFile) -> list[int]:
    """How many rows each row group holds."""
    return [file.metadata.row_group(g).num_rows for g in range(file.metadata.num_row_groups)]


def _of_groups(file: pq.ParquetFile, form: Form, groups: list[int]) -> tuple[pa.Table, np.ndarray]:
    """The rows of these row groups, and their numbers in the file."""
    starts = np.cumsum([0, *_sizes(file)])
    rows = [np.arange(starts[g], starts[g + 1]) for g in groups]
    table = _conforming(form, file.read_row_groups(groups, columns=_columns(file)))
    return table, np.concatenate([np.empty(0, dtype=int), *rows])


def _stands(state: LedgerState, piece: Piece, rows: np.ndarray) -> np.ndarray:
    """Which rows of a file, by number, no later row supersedes."""
    return ~np.isin(rows, [row for row, _ in state.superseded.get(piece.file, ())])


def _may_hold(file: pq.ParquetFile, group: int, column: str, days: list[str]) -> bool:
    """Can a row group hold one of `days`, by its statistics?"""
    told = file.metadata.row_group(group).column(file.schema_arrow.names.index(column)).statistics
    if told is None or not told.has_min_max:
        return True
    place = bisect_left(days, str(told.min))
    return place < len(days) and days[place] <= str(told.max)


def _index(records: Path, piece: Piece, form: Form) -> np.ndarray:
    """The index of a file: kept in its manifest or beside it, or else worked out from its key columns."""
    with suppress(OSError, ValueError):
        if piece.index:
            return np.frombuffer(b64decode(piece.index), dtype="<u8")
        if (records / index_file(piece.file)).stat().st_size == 8 * piece.rows:
            return np.memmap(records / index_file(piece.file), dtype="<u8", mode="r")
    return made_index(records, piece, form)


def made_index(records: Path, piece: Piece, form: Form) -> np.ndarray:
    """The index of a file, worked out from its key columns. Raises DamagedError."""
    try:
        file = opened(records, piece)
        return _index_of(_keys(form, file.read(columns=_key_columns(form, file.schema_arrow.names))))
    except (pa.ArrowException, OSError) as error:
        raise damage(error) from error


def _key_columns(form: Form, names: list[str]) -> list[str]:
    return [c for c in dict.fromkeys((*form.key, "clutch", "sex", NTH)) if c in names]


def _keys(form: Form, table: pa.Table) -> pd.DataFrame:
    return key_parts(form, frame_of(form, table.select(_key_columns(form, table.column_names))))


def _taken(file: pq.ParquetFile, form: Form, rows: np.ndarray) -> pa.Table:
    """The rows with these numbers, in this order, reading only their row groups."""
    sizes = _sizes(file)
    starts = np.cumsum([0, *sizes])
    groups = np.searchsorted(starts, rows, side="right") - 1
    used = np.unique(groups)
    table = file.read_row_groups(list(used), columns=_columns(file))
    offsets = dict(zip(used, np.concatenate([[0], np.cumsum(np.array(sizes)[used])]), strict=False))
    local = [offsets[g] + row - starts[g] for g, row in zip(groups, rows, strict=True)]
    return _conforming(form, table.take(pa.array(local)))


def write(records: Path, form: Form, table: pa.Table, parts: list[tuple[Batch, int]]) -> Piece:
    """Write rows of several batches, in order (`parts`: batch and its number of rows), as one new file.

    Raises OSError where the disk does not take it.
    """
    if len(parts) == 1 and table.num_rows > ROWS_A_GROUP and (day := day_column(form)):
        table = table.take(
            pc.sort_indices(table, sort_keys=[(day, "ascending")])
        )  # to find a day's rows fast
    keys = _keys(form, table)
    data = parquet_bytes(_stamped(table, parts))
    index = _index_of(keys).astype("<u8").tobytes()
    file, small = fresh_file(form.name, parts[-1][0].id), table.num_rows < INDEXED
    if not small:
        durable.publish(records / index_file(file), index)
    durable.publish(records / file, data)
    ends = np.cumsum([count for _, count in parts])
    return Piece(
        form=form.name,
        file=file,
        rows=table.num_rows,
        size=len(data),
        sha256=hashlib.sha256(data).hexdigest(),
        parts=tuple((b.id, int(end - n), int(end)) for (b, n), end in zip(parts, ends, strict=True)),
        ranges=ranges_of(keys),
        index=b64encode(index).decode() if small else "",
    )


def day_column(form: Form) -> str | None:
    """The key column that is a day, where the form has one."""
    return next((c for c in form.key if form.column(c).kind == "date"), None)


def _stamped(table: pa.Table, parts: list[tuple[Batch, int]]) -> pa.Table:
    """`table` with the batch and the moment of recording beside each row, for readers without the ledger."""
    counts = [count for _, count in parts]
    batches = np.repeat(np.array([b.id for b, _ in parts], dtype=object), counts)
    moments = np.repeat(np.array([b.recorded_at.replace(tzinfo=None) for b, _ in parts], "M8[us]"), counts)
    table = table.append_column(BATCH, pa.array(batches, type=pa.large_string()))
    return table.append_column(RECORDED_AT, pa.array(moments).cast(pa.timestamp("us", tz="UTC")))


def parquet_bytes(table: pa.Table) -> bytes:
    """`table` as a Parquet file whose pages each carry a checksum."""
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, row_group_size=ROWS_A_GROUP, write_page_checksum=True, compression="zstd")
    return sink.getvalue().to_pybytes()
