"""Merging the ledger's small files into large ones, while others read and write.

The merged files are written beside the old ones; one manifest that holds the whole state then takes the next
number, and only after that do the old files go. A reader who was about to open one looks again. Manifests stay:
were a number free again, a slow writer could take it, and nobody would ever read what it recorded.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from itertools import groupby
from pathlib import Path

import pyarrow as pa

from selection.errors import RecordsError
from selection.records.forms.columns import FORMS
from selection.records.ledger import durable, pieces
from selection.records.ledger.batches import (
    BATCHES,
    KEYS,
    MEETINGS,
    DamagedError,
    Piece,
    State,
    commit,
    discard,
    files_of,
    is_left_over,
    read_state,
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
    with durable.in_words(records):
        merged = _merged(records, state, progress)
        while True:
            state = _sound(records)
            kept = _still_there(state, merged)
            new = replace(_with(state, kept), number=state.number + 1)
            if commit(records, new, whole=True):
                break
        vain = State(pieces=tuple(made for first, (_, made) in merged.items() if first not in kept))
        discard(records, {*files_of(state), *files_of(vain)} - set(files_of(new)))
        _tidy(records)
    return len(state.pieces) - len(new.pieces)


def _sound(records: Path) -> State:
    """The state, if all of it could be read: what is set aside now would be forgotten by a merge."""
    state = read_state(records)
    lost = [found for found in state.set_aside if found.lost and (records / found.file).exists()]
    if lost:
        raise RecordsError(
            f"{records}: not merged, for {'; '.join(map(str, lost))}. Mend or move it away first"
        )
    return state


def _still_there(state: State, merged: Merged) -> Merged:
    """The merged files whose old ones no other merge took away meanwhile."""
    files = {piece.file for piece in state.pieces}
    return {first: pair for first, pair in merged.items() if all(old.file in files for old in pair[0])}


def _runs(records: Path, state: State) -> Iterator[tuple[Piece, ...]]:
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


def _merged(records: Path, state: State, progress: Callable[[str, float], None] | None) -> Merged:
    """Write one file for each run of small ones. Nothing refers to it yet."""
    merged: Merged = {}
    runs = [run for run in _runs(records, state) if len(run) > 1]
    try:
        for done, run in enumerate(runs):
            form = FORMS[run[0].form]
            table = pa.concat_tables([pieces.whole(records, p, form) for p in run], promote_options="default")
            parts = [(state.batches[batch], stop - start) for p in run for batch, start, stop in p.parts]
            merged[run[0].file] = run, pieces.write(records, form, table, parts)
            if progress:
                progress("merging", (done + 1) / len(runs))
    except FileNotFoundError:  # another merge is at work: leave it to that one
        discard(records, files_of(State(pieces=tuple(made for _, made in merged.values()))))
        return {}
    except BaseException:
        discard(records, files_of(State(pieces=tuple(made for _, made in merged.values()))))
        raise
    return merged


def _is_readable(records: Path, piece: Piece) -> bool:
    try:
        pieces.whole(records, piece, FORMS[piece.form])
    except (DamagedError, FileNotFoundError):
        return False
    return True


def _with(state: State, merged: Merged) -> State:
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
