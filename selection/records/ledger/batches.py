"""The row of manifests: reading it gives the ledger's state, taking its next number records a batch.

A batch is recorded the moment its manifest takes the next number in `records/batches/`: before that, none of
its rows is seen, after it, all are. A number is taken once and for all.
"""

from __future__ import annotations

import hashlib
import json
import re
import uuid
from collections.abc import Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from selection.records.forms.columns import FORMS
from selection.records.ledger import durable

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
class MeetingOnDisk:
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
class LedgerState:
    """Everything a reader needs to know before opening a data file; `number` is the last manifest's."""

    number: int = 0
    batches: Mapping[str, Batch] = field(default_factory=dict)
    pieces: tuple[Piece, ...] = ()
    superseded: Superseded = field(default_factory=dict)
    meetings: tuple[MeetingOnDisk, ...] = ()
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


def added_up(states: Iterable[LedgerState]) -> LedgerState:
    """One state of several, each later one adding to those before."""
    number, batches, superseded = 0, dict[str, Batch](), dict[str, list[tuple[int, str]]]()
    pieces, meetings, set_aside = list[Piece](), list[MeetingOnDisk](), list[SetAside]()
    for state in states:
        number = max(number, state.number)
        batches |= state.batches
        pieces += state.pieces
        meetings += state.meetings
        set_aside += state.set_aside
        for file, rows in state.superseded.items():
            superseded.setdefault(file, []).extend(rows)
    gone = {file: tuple(rows) for file, rows in superseded.items()}
    return LedgerState(number, batches, tuple(pieces), gone, tuple(meetings), tuple(set_aside))


def fresh_file(folder: str, batch: str) -> str:
    """A data file's place that no other attempt at this or any batch uses."""
    label = re.sub(r"[^0-9a-z]", "", batch.casefold())[:12] or "batch"
    return f"{folder}/{label}-{uuid.uuid4().hex[:8]}.parquet"


def index_file(file: str) -> str:
    """The place of the index of a form's data file (see key_index.py); small files have none."""
    return f"{KEYS}/{file.replace('/', '-').removesuffix('.parquet')}.keys"


def files_of(state: LedgerState) -> Iterable[str]:
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


_VERSION = 1
FORMAT = "selection ledger"
DATA = re.compile(r"([a-z]+)/[0-9a-z][0-9a-z-]*\.parquet")


def written(state: LedgerState, *, whole: bool) -> bytes:
    """The manifest that says what `state` brings; `whole`: it is everything there is."""
    body: dict[str, Any] = {
        "format": FORMAT,
        "version": _VERSION,
        "whole": whole,
        "batches": [_entry(b, recorded_at=b.recorded_at.isoformat()) for b in state.batches.values()],
        "files": [_entry(p, ranges=dict(p.ranges)) for p in state.pieces],
        "superseded": {file: [list(pair) for pair in rows] for file, rows in state.superseded.items()},
        "meetings": [_entry(m) for m in state.meetings],
    }
    return sealed(json.loads(json.dumps(body)))


def sealed(body: Mapping[str, Any]) -> bytes:
    """A manifest's content with its checksum."""
    return json.dumps({**body, "checksum": _checksum(body)}).encode()


def _entry(record: Any, **changed: Any) -> dict[str, Any]:
    return {name: getattr(record, name) for name in record.__slots__} | changed


def _checksum(body: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def parsed(data: bytes, number: int) -> tuple[LedgerState, bool]:
    """What a manifest brings, and whether it is everything there is. Raises DamagedError."""
    body = _body(data)
    try:
        _must(isinstance(body["whole"], bool))
        return _state(body, number), body["whole"]
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise DamagedError("not written as this ledger writes; restore it from a copy") from error


def _body(data: bytes) -> dict[str, Any]:
    """The manifest's content, once its format, version and checksum are right."""
    try:
        body = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise DamagedError("torn or cut short; restore it from a copy") from error
    if not isinstance(body, dict) or body.get("format") != FORMAT:
        raise DamagedError("not a file of this ledger")
    if body.get("version") != _VERSION:
        found = body.get("version")
        raise DamagedError(
            f"written as version {found}, and this library reads up to {_VERSION}; use a newer one"
        )
    if body.pop("checksum", None) != _checksum(body):
        raise DamagedError("its checksum is wrong, so it was changed or torn; restore it from a copy")
    return body


def _state(body: Mapping[str, Any], number: int) -> LedgerState:
    batches = {batch.id: batch for batch in map(_batch, body["batches"])}
    pieces = tuple(_piece(entry, batches) for entry in body["files"])
    meetings = tuple(_meeting(entry, batches) for entry in body["meetings"])
    return LedgerState(number, batches, pieces, _superseded(body["superseded"], batches), meetings)


def _must(holds: bool) -> None:
    if not holds:
        raise ValueError("not as the ledger writes")


def _batch(entry: Mapping[str, Any]) -> Batch:
    moment = datetime.fromisoformat(entry["recorded_at"])
    _must(moment.tzinfo is not None)
    return Batch(str(entry["id"]), moment.astimezone(UTC), str(entry["source"]), bool(entry["correction"]))


def _piece(entry: Mapping[str, Any], batches: Mapping[str, Batch]) -> Piece:
    form, file, rows = entry["form"], _inside(entry["file"]), int(entry["rows"])
    _must(form in FORMS and file.split("/")[0] == form)
    parts = tuple((str(batch), int(start), int(stop)) for batch, start, stop in entry["parts"])
    edges = [0, *(stop for _, _, stop in parts)]
    _must([start for _, start, _ in parts] == edges[:-1] and edges == sorted(edges) and edges[-1] == rows)
    _must(all(batch in batches for batch, _, _ in parts))
    ranges = {str(c): (str(low), str(high)) for c, (low, high) in entry["ranges"].items()}
    _must(set(ranges) <= set(FORMS[form].key))
    return Piece(
        form, file, rows, int(entry["size"]), str(entry["sha256"]), parts, ranges, str(entry["index"])
    )


def _meeting(entry: Mapping[str, Any], batches: Mapping[str, Batch]) -> MeetingOnDisk:
    on, table, batch = str(entry["on"]), str(entry["table"]), str(entry["batch"])
    datetime.strptime(on, "%Y-%m-%d")
    _must(batch in batches)
    return MeetingOnDisk(on, table, batch, _inside(entry["file"]), int(entry["size"]), str(entry["sha256"]))


def _superseded(entries: Mapping[str, Any], batches: Mapping[str, Batch]) -> Superseded:
    found = {_inside(file): tuple((int(row), str(by)) for row, by in rows) for file, rows in entries.items()}
    _must(all(row >= 0 and by in batches for rows in found.values() for row, by in rows))
    return found


def _inside(file: str) -> str:
    """`file` if it is a plain name below `records/`: no manifest can lead a reader elsewhere."""
    found = DATA.fullmatch(file)
    _must(found is not None and found[1] in (*FORMS, MEETINGS))
    return file


NUMBERED = re.compile(r"(\d{8})\.json")
TWIN = re.compile(r"\d{8}\.twin")


def read_state(records: Path) -> LedgerState:
    """The state of the ledger in the folder `records`; an empty one where there is none yet.

    A manifest that is torn, foreign, from a newer version or missing is named in `set_aside`, and the rest is
    read without it. Raises RecordsError where the folder cannot be read at all.
    """
    with durable.disk_faults(records):
        listed = _listed(records / BATCHES)
        while True:
            state, gaps = _folded(records, *listed)
            # a listing taken while a manifest was added may have that one and lack one before it
            again = _listed(records / BATCHES) if gaps else listed
            if again == listed:
                return state
            listed = again


def _listed(folder: Path) -> tuple[list[int], list[SetAside]]:
    """The numbers of the manifests there are, and the files that are no manifests."""
    if not folder.exists():
        return [], []
    numbers, foreign = [], []
    for path in sorted(path for path in folder.iterdir() if not path.name.startswith(".")):
        plain = not path.is_symlink() and not path.is_dir()
        if plain and (found := NUMBERED.fullmatch(path.name)):
            numbers.append(int(found[1]))
        elif not plain or not TWIN.fullmatch(path.name):
            foreign.append(SetAside(f"{BATCHES}/{path.name}", "not a file of this ledger", lost=False))
    return numbers, foreign


def _folded(records: Path, numbers: list[int], foreign: list[SetAside]) -> tuple[LedgerState, bool]:
    """Manifests from the newest that holds a whole state onwards, added up, and whether any is missing."""
    later: list[LedgerState] = []
    whole = False
    for number in reversed(numbers):
        state, whole = _read(records, number)
        later.append(state)
        if whole:
            break
    later.reverse()
    present = {state.number for state in later}
    first, last = (later[0].number if whole else 1), max(present, default=0)
    missing = [
        SetAside(_name(n), "the file is missing, and its batch with it")
        for n in range(first, last)
        if n not in present
    ]
    return added_up([LedgerState(set_aside=(*foreign, *missing)), *later]), bool(missing)


def _read(records: Path, number: int) -> tuple[LedgerState, bool]:
    """One manifest as a state of its own, and whether it holds everything before it too."""
    path = records / _name(number)
    try:
        told = path.stat()
        return _parsed_once(path, told.st_mtime_ns, told.st_size, number)
    except DamagedError as damage:
        found = SetAside(_name(number), str(damage))
    except OSError as error:
        found = SetAside(_name(number), f"cannot be read: {durable.reason(error)}")
    try:
        state, whole = parsed((records / _twin(number)).read_bytes(), number)
    except (OSError, DamagedError):
        return LedgerState(number, set_aside=(found,)), False
    mended = SetAside(found.file, f"{found.why}; its twin was read instead, nothing is lost", lost=False)
    return added_up([state, LedgerState(set_aside=(mended,))]), whole


@lru_cache(maxsize=8192)
def _parsed_once(path: Path, changed: int, size: int, number: int) -> tuple[LedgerState, bool]:
    """A manifest as it stood when it was `changed` last; it never changes but by damage, so it is parsed once."""
    return parsed(path.read_bytes(), number)


def _name(number: int) -> str:
    return f"{BATCHES}/{number:08d}.json"


def _twin(number: int) -> str:
    return f"{BATCHES}/{number:08d}.twin"


def commit(records: Path, new: LedgerState, *, whole: bool = False) -> bool:
    """Take the number `new.number` for this content, which makes it seen.

    False, with its data files taken away again, if another writer took the number first. `whole` says that
    `new` holds everything before it too.
    """
    data = written(new, whole=whole)
    if not durable.claim(records / _name(new.number), data):
        if not whole:
            discard(records, files_of(new))
        return False
    if whole:
        durable.publish(records / _twin(new.number), data)
    return True


def is_taken(records: Path, number: int) -> bool:
    """Has any writer taken this number?"""
    return (records / _name(number)).exists()


def discard(records: Path, files: Iterable[str]) -> None:
    """Take away data files that no manifest names; what cannot be taken away does no harm."""
    for file in files:
        with suppress(OSError):
            (records / file).unlink(missing_ok=True)
