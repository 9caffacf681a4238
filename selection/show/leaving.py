"""What a meeting leaves: its tables and its pack, all of them or none, and the record kept with the flock.

The kernel that holds the meeting hands its tables to the program that runs the notebook, which alone writes: so
nothing stands half written anywhere while the pages are still being drawn.
"""

from __future__ import annotations

import json
from base64 import b64decode, b64encode
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from selection.errors import RecordsError

if TYPE_CHECKING:
    from nbformat import NotebookNode

    from selection.decide.meeting import Meeting

HAND_OVER = "-"
"""In the place of a folder: the tables go to the program that runs the notebook."""
TYPE = "application/x-selection-tables"
PACK, EARLIER = "meeting.html", "meeting-earlier.html"


@dataclass(frozen=True)
class Tables:
    """A meeting's tables as they are written (by file name), those kept with the flock (by name), and its day."""

    on: date
    files: Mapping[str, bytes]
    kept: Mapping[str, bytes]


def tables_of(meeting: Meeting) -> Tables:
    """The tables of a meeting, ready to be written and kept."""
    from selection.decide.meeting import kept_tables, table_files
    from selection.records.ledger.kept import stored

    kept = {name: stored(name, frame) for name, frame in kept_tables(meeting).items()}
    return Tables(meeting.flock.plan.on, table_files(meeting), kept)


def leave(meeting: Meeting, out: str | Path) -> None:
    """Write the meeting's tables into the folder `out`, or hand them over where it is `-`."""
    if str(out) != HAND_OVER:
        from selection.decide.meeting import write_tables

        write_tables(meeting, Path(out))
        return
    from IPython.display import display

    tables = tables_of(meeting)
    parts = {
        part: {name: b64encode(data).decode() for name, data in getattr(tables, part).items()}
        for part in ("files", "kept")
    }
    display({TYPE: json.dumps({"on": str(tables.on), **parts})}, raw=True)


def handed_over(book: NotebookNode) -> Tables | None:
    """The tables that a notebook run so far has handed over; None where it did not come to that."""
    for cell in book.cells:
        for output in cell.get("outputs", []):
            if TYPE in output.get("data", {}):
                said = json.loads(output["data"][TYPE])
                files, kept = (
                    {name: b64decode(data) for name, data in said[part].items()} for part in ("files", "kept")
                )
                return Tables(date.fromisoformat(said["on"]), files, kept)
    return None


def publish(out: Path, tables: Tables, page: bytes | None) -> None:
    """Put the tables and the pack into `out`, made if it is not there; what stood there stays until all is written.

    Without a `page` an earlier pack is no longer this meeting's, and is renamed. Raises RecordsError where the disk
    does not take it: the folder is then as it was.
    """
    from selection.records.ledger import durable

    files = {**tables.files, **({} if page is None else {PACK: page})}
    try:
        durable.publish_all(out, files)
        if page is None and (out / PACK).exists():
            (out / PACK).replace(out / EARLIER)
    except OSError as error:
        why = durable.reason(error)
        raise RecordsError(
            f"the meeting cannot be written into {out}: {why}. Nothing there was changed; choose another --out"
        ) from error


def keep(flock: Path, tables: Tables) -> str | None:
    """Keep the meeting with the flock, for later seasons to look back on; in words why it cannot be, else None."""
    from selection.records.ledger.kept import keep_tables

    try:
        keep_tables(flock, tables.on, tables.kept)
    except RecordsError as error:
        return f"not kept with the flock for later seasons to look back on: {error}"
    return None
