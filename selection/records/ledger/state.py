"""What the ledger holds, as plain records: batches, the files with their rows, meetings, what was left out."""

from __future__ import annotations

import re
import uuid
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

BATCHES, MEETINGS, KEYS = "batches", "meetings", "keys"
"""Folders of the ledger beside those of the forms."""


class SetAsideWarning(UserWarning):
    """A file of the ledger cannot be used; the text names it and says why. Everything else was read."""


class DamagedError(Exception):
    """A file that is not what it should be; the text says why, in words that follow its name."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Rows that were recorded together: when (UTC), from which file handed in, and whether to correct others."""

    id: str
    recorded_at: datetime
    source: str
    correction: bool = False


@dataclass(frozen=True, slots=True)
class Piece:
    """One immutable Parquet file: its form, place under `records/`, size and checksum.

    `parts` says which rows came with which batch: (batch id, first row, row after the last). `ranges` holds
    the least and greatest text of each key column (see `typed.key_parts`), `index` a small file's key index
    (base64; that of a large one lies beside it), so that most files need not be opened to know they lack
    a key.
    """

    form: str
    file: str
    rows: int
    size: int
    sha256: str
    parts: tuple[tuple[str, int, int], ...]
    ranges: Mapping[str, tuple[str, str]]
    index: str = ""


@dataclass(frozen=True, slots=True)
class Meeting:
    """One table kept with a meeting: the meeting's day, the table's name, its batch, its file."""

    on: str
    table: str
    batch: str
    file: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class SetAside:
    """A file that was left out, and why; `lost` tells whether rows are missing for it."""

    file: str
    why: str
    lost: bool = True

    def __str__(self) -> str:
        return f"{self.file}: {self.why}"


Superseded = Mapping[str, tuple[tuple[int, str], ...]]
"""By file: (row, id of the batch whose row stands in its place)."""


@dataclass(frozen=True, slots=True)
class State:
    """Everything a reader needs to know before opening a data file; `number` is the last manifest's."""

    number: int = 0
    batches: Mapping[str, Batch] = field(default_factory=dict)
    pieces: tuple[Piece, ...] = ()
    superseded: Superseded = field(default_factory=dict)
    meetings: tuple[Meeting, ...] = ()
    set_aside: tuple[SetAside, ...] = ()

    @property
    def last(self) -> str:
        """The id of the last batch; empty for a new ledger."""
        return [*self.batches][-1] if self.batches else ""

    def last_meeting(self, on: str) -> str:
        """The batch of the last meeting kept for a day; empty if there is none."""
        return next((m.batch for m in reversed(self.meetings) if m.on == on), "")

    def of(self, form: str) -> list[Piece]:
        """The files of one form, in the order they were recorded."""
        return [piece for piece in self.pieces if piece.form == form]


def added_up(states: Iterable[State]) -> State:
    """One state of several, each later one adding to those before."""
    number, batches, superseded = 0, dict[str, Batch](), dict[str, list[tuple[int, str]]]()
    pieces, meetings, set_aside = list[Piece](), list[Meeting](), list[SetAside]()
    for state in states:
        number = max(number, state.number)
        batches |= state.batches
        pieces += state.pieces
        meetings += state.meetings
        set_aside += state.set_aside
        for file, rows in state.superseded.items():
            superseded.setdefault(file, []).extend(rows)
    gone = {file: tuple(rows) for file, rows in superseded.items()}
    return State(number, batches, tuple(pieces), gone, tuple(meetings), tuple(set_aside))


def fresh_file(folder: str, batch: str) -> str:
    """A data file's place that no other attempt at this or any batch uses."""
    label = re.sub(r"[^0-9a-z]", "", batch.casefold())[:12] or "batch"
    return f"{folder}/{label}-{uuid.uuid4().hex[:8]}.parquet"


def index_file(file: str) -> str:
    """The place of the index of a form's data file (see key_index.py); small files have none."""
    return f"{KEYS}/{file.replace('/', '-').removesuffix('.parquet')}.keys"


def files_of(state: State) -> Iterable[str]:
    """Every data file that `state` names, and the index that it may have."""
    for piece in state.pieces:
        yield piece.file
        yield index_file(piece.file)
    yield from (meeting.file for meeting in state.meetings)


def is_left_over(file: str, known: Collection[str]) -> bool:
    """Was `file` (a place under `records/`) left by a writer that died before its batch was recorded?"""
    hidden = re.fullmatch(r"[a-z]+/\..*\.tmp", file)
    ours = re.fullmatch(r"[a-z]+/[0-9a-z]{1,12}-[0-9a-f]{8}\.parquet|keys/[-0-9a-z]+\.keys", file)
    return bool(hidden or (ours and file not in known))
