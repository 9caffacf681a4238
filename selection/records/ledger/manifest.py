"""A manifest as text: the JSON in which one batch, or a whole state after a merge, is written down.

What is read may have been torn, changed or made up by anyone: nothing in it is used before it has been checked,
and no name in it can lead out of the flock. The format is described in FORMAT.md.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from selection.records.forms.columns import FORMS
from selection.records.ledger.state import MEETINGS, Batch, DamagedError, Meeting, Piece, State, Superseded

VERSION = 1
FORMAT = "selection ledger"
DATA = re.compile(r"([a-z]+)/[0-9a-z][0-9a-z-]*\.parquet")


def written(state: State, *, whole: bool) -> bytes:
    """The manifest that says what `state` brings; `whole`: it is everything there is."""
    body: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
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


def parsed(data: bytes, number: int) -> tuple[State, bool]:
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
    if body.get("version") != VERSION:
        found = body.get("version")
        raise DamagedError(
            f"written as version {found}, and this library reads up to {VERSION}; use a newer one"
        )
    if body.pop("checksum", None) != _checksum(body):
        raise DamagedError("its checksum is wrong, so it was changed or torn; restore it from a copy")
    return body


def _state(body: Mapping[str, Any], number: int) -> State:
    batches = {batch.id: batch for batch in map(_batch, body["batches"])}
    pieces = tuple(_piece(entry, batches) for entry in body["files"])
    meetings = tuple(_meeting(entry, batches) for entry in body["meetings"])
    return State(number, batches, pieces, _superseded(body["superseded"], batches), meetings)


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


def _meeting(entry: Mapping[str, Any], batches: Mapping[str, Batch]) -> Meeting:
    on, table, batch = str(entry["on"]), str(entry["table"]), str(entry["batch"])
    datetime.strptime(on, "%Y-%m-%d")
    _must(batch in batches)
    return Meeting(on, table, batch, _inside(entry["file"]), int(entry["size"]), str(entry["sha256"]))


def _superseded(entries: Mapping[str, Any], batches: Mapping[str, Batch]) -> Superseded:
    found = {_inside(file): tuple((int(row), str(by)) for row, by in rows) for file, rows in entries.items()}
    _must(all(row >= 0 and by in batches for rows in found.values() for row, by in rows))
    return found


def _inside(file: str) -> str:
    """`file` if it is a plain name below `records/`: no manifest can lead a reader elsewhere."""
    found = DATA.fullmatch(file)
    _must(found is not None and found[1] in (*FORMS, MEETINGS))
    return file
