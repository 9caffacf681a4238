"""What the ledger holds: one small JSON file a batch, and the state that a row of them adds up to.

A batch is recorded the moment its manifest takes the next number in `records/batches/`: before that, none of
its rows is seen, after it, all are. Manifests are read in order and folded into a :class:`State`; one that is
torn, foreign or from a newer version is named in `State.set_aside` and the rest is read without it.
The format is described in FORMAT.md.
"""

from __future__ import annotations

import hashlib
import json
import re
import uuid
from collections.abc import Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from selection.records import durable
from selection.records.tables import FORMS

VERSION = 1
FORMAT = "selection ledger"
BATCHES, MEETINGS, KEYS = "batches", "meetings", "keys"
NUMBERED = re.compile(r"(\d{8})\.json")
TWIN = "{:08d}.twin"
DATA = re.compile(r"([a-z]+)/[0-9a-z][0-9a-z-]*\.parquet")


class SetAsideWarning(UserWarning):
    """A file of the ledger cannot be used; the text names it and says why. Everything else was read."""


class DamagedError(Exception):
    """A file that is not what it should be; the text says why, in words that follow its name."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Rows that were recorded together."""

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
    """One table kept with a meeting: the meeting's day, the table's name, and its file."""

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


def add(first: State, later: State) -> State:
    """`first` with what `later` brought."""
    superseded = dict(first.superseded)
    for file, rows in later.superseded.items():
        superseded[file] = superseded.get(file, ()) + rows
    return State(
        later.number,
        {**first.batches, **later.batches},
        first.pieces + later.pieces,
        superseded,
        first.meetings + later.meetings,
        first.set_aside + later.set_aside,
    )


def read_state(records: Path) -> State:
    """The state of the ledger in the folder `records`; an empty one where there is none yet.

    Raises RecordsError where the folder cannot be read at all.
    """
    with durable.in_words(records):
        listed = _listed(records / BATCHES)
        while True:
            state, gaps = _folded(records, *listed)
            again = _listed(records / BATCHES) if gaps else listed
            if (
                again == listed
            ):  # else a listing taken while another manifest was added may lack one before it
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
        elif not plain or not re.fullmatch(r"\d{8}\.twin", path.name):
            foreign.append(SetAside(f"{BATCHES}/{path.name}", "not a file of this ledger", lost=False))
    return numbers, foreign


def _folded(records: Path, numbers: list[int], foreign: list[SetAside]) -> tuple[State, bool]:
    """Manifests from the newest that holds a whole state onwards, added up, and whether any is missing."""
    later: list[State] = []
    whole = False
    for number in reversed(numbers):
        state, whole = _read(records, number)
        later.append(state)
        if whole:
            break
    later.reverse()
    number = later[0].number if whole else 1
    total, gaps = State(set_aside=tuple(foreign)), False
    for state in later:
        missing = [
            SetAside(_name(n), "the file is missing, and its batch with it")
            for n in range(number, state.number)
        ]
        total = add(add(total, State(state.number, set_aside=tuple(missing))), state)
        number, gaps = state.number + 1, gaps or bool(missing)
    return total, gaps


def _name(number: int) -> str:
    return f"{BATCHES}/{number:08d}.json"


def _read(records: Path, number: int) -> tuple[State, bool]:
    """One manifest as a state of its own, and whether it holds everything before it too."""
    try:
        return _parsed((records / _name(number)).read_bytes(), number)
    except DamagedError as damage:
        found = SetAside(_name(number), str(damage))
    except OSError as error:
        found = SetAside(_name(number), f"cannot be read: {error.strerror}")
    try:
        state, whole = _parsed((records / BATCHES / TWIN.format(number)).read_bytes(), number)
    except (OSError, DamagedError):
        return State(number, set_aside=(found,)), False
    mended = SetAside(found.file, f"{found.why}; its twin was read instead, nothing is lost", lost=False)
    return add(state, State(number, set_aside=(mended,))), whole


def _parsed(data: bytes, number: int) -> tuple[State, bool]:
    body = _body(data)
    try:
        return _state(body, number), bool(body["whole"])
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise DamagedError("not written as this ledger writes; restore it from a copy") from error


def _body(data: bytes) -> dict[str, Any]:
    """The manifest's content, once its format, version and checksum are right."""
    try:
        body = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise DamagedError("torn or cut short; restore it from a copy") from error
    if not isinstance(body, dict) or body.get("format") != FORMAT:
        raise DamagedError("not a file of this ledger")
    if body.get("version") != VERSION:
        found = body.get("version")
        raise DamagedError(
            f"written as version {found}, and this library reads up to {VERSION}; use a newer one"
        )
    if body.pop("checksum", None) != _checksum(body):
        raise DamagedError("its checksum is wrong, so it was changed or torn; restore it from a copy")
    return body


def _checksum(body: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def _state(body: Mapping[str, Any], number: int) -> State:
    batches = {
        b["id"]: Batch(b["id"], _moment(b["recorded_at"]), b["source"], b["correction"])
        for b in body["batches"]
    }
    return State(
        number,
        batches,
        tuple(_piece(entry) for entry in body["files"]),
        {
            _inside(file): tuple((int(row), str(by)) for row, by in rows)
            for file, rows in body["superseded"].items()
        },
        tuple(Meeting(**{**entry, "file": _inside(entry["file"])}) for entry in body["meetings"]),
    )


def _moment(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError("a moment without its time zone")
    return moment


def _piece(entry: Mapping[str, Any]) -> Piece:
    form, file = entry["form"], _inside(entry["file"])
    parts = tuple((str(batch), int(start), int(stop)) for batch, start, stop in entry["parts"])
    ranges = {str(c): (str(low), str(high)) for c, (low, high) in entry["ranges"].items()}
    if form not in FORMS or file.split("/")[0] != form:
        raise ValueError(f"no form {form}")
    rows, size, sha256, index = (
        int(entry["rows"]),
        int(entry["size"]),
        str(entry["sha256"]),
        str(entry["index"]),
    )
    return Piece(form, file, rows, size, sha256, parts, ranges, index)


def _inside(file: str) -> str:
    """`file` if it is a plain name below `records/`: no manifest can lead a reader elsewhere."""
    found = DATA.fullmatch(file)
    if not found or found[1] not in (*FORMS, MEETINGS):
        raise ValueError(f"{file} is not a place for data")
    return file


def fresh_file(folder: str, batch: str) -> str:
    """A data file's place that no other attempt at this or any batch uses."""
    label = re.sub(r"[^0-9a-z]", "", batch.casefold())[:12] or "batch"
    return f"{folder}/{label}-{uuid.uuid4().hex[:8]}.parquet"


def commit(records: Path, new: State, *, whole: bool = False) -> bool:
    """Take the number `new.number` for this content, which makes it seen.

    False, with its data files taken away again, if another writer took the number first. `whole` says that
    `new` holds everything before it too.
    """
    data = _written(new, whole)
    if not durable.claim(records / _name(new.number), data):
        if not whole:
            discard(records, files_of(new))
        return False
    if whole:
        durable.publish(records / BATCHES / TWIN.format(new.number), data)
    return True


def is_taken(records: Path, number: int) -> bool:
    """Has any writer taken this number?"""
    return (records / _name(number)).exists()


def discard(records: Path, files: Iterable[str]) -> None:
    """Take away data files that no manifest names; what cannot be taken away does no harm."""
    for file in files:
        with suppress(OSError):
            (records / file).unlink(missing_ok=True)


def _written(state: State, whole: bool) -> bytes:
    body: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "whole": whole,
        "batches": [_entry(b, recorded_at=b.recorded_at.isoformat()) for b in state.batches.values()],
        "files": [_entry(p, ranges=dict(p.ranges)) for p in state.pieces],
        "superseded": {file: [list(pair) for pair in rows] for file, rows in state.superseded.items()},
        "meetings": [_entry(m) for m in state.meetings],
    }
    body = json.loads(json.dumps(body))
    return json.dumps({**body, "checksum": _checksum(body)}).encode()


def _entry(record: Any, **changed: Any) -> dict[str, Any]:
    return {name: getattr(record, name) for name in record.__slots__} | changed


def files_of(state: State) -> Iterable[str]:
    """Every data file that `state` names, and the index that it may have."""
    for piece in state.pieces:
        yield piece.file
        yield index_file(piece.file)
    yield from (meeting.file for meeting in state.meetings)


def index_file(file: str) -> str:
    """The place of the index of a form's data file (see keyindex.py); small files have none."""
    return f"{KEYS}/{file.replace('/', '-').removesuffix('.parquet')}.keys"


def is_left_over(file: str, known: Collection[str]) -> bool:
    """Was `file` (a place under `records/`) left by a writer that died before its batch was recorded?"""
    hidden = re.fullmatch(r"[a-z]+/\..*\.tmp", file)
    ours = re.fullmatch(r"[a-z]+/[0-9a-z]{1,12}-[0-9a-f]{8}\.parquet|keys/[-0-9a-z]+\.keys", file)
    return bool(hidden or (ours and file not in known))
