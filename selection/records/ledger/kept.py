"""What the ledger keeps beside the forms: settings, earlier standards, and each meeting's tables."""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from selection.errors import RecordsError
from selection.records.ledger import durable, pieces
from selection.records.ledger.batches import (
    MEETINGS,
    Batch,
    DamagedError,
    LedgerState,
    MeetingOnDisk,
    SetAside,
    SetAsideWarning,
    commit,
    discard,
    fresh_file,
    is_taken,
    read_state,
)
from selection.records.ledger.lookup import records_of

STANDARD, PLAN, STANDARDS = "standard.toml", "plan.toml", "standards"
ADOPTED = re.compile(r"(\d{4}-\d{2}-\d{2})(?:\.(\d+))?\.toml")


@dataclass(frozen=True, slots=True)
class Settings:
    """The texts of the settings: `standard` and `plan` as they are now (None where there is none yet).

    `standards` holds every standard adopted so far with its day, in order; looks before the second one's day
    are judged by the first, and so on.
    """

    standard: str | None
    plan: str | None
    standards: tuple[tuple[date, str], ...]


def write_settings(
    flock_path: str | Path, standard_text: str | None, plan_text: str | None, on: date
) -> None:
    """Adopt a standard and a plan from the day `on` (None: leave that one as it is).

    A standard that differs from the last adopted one is kept for good under `records/standards/`. Each file
    changes in one step. Raises RecordsError where the disk does not take it.
    """
    root = Path(flock_path).resolve()
    with durable.disk_faults(flock_path):
        if standard_text is not None:
            _keep_standard(records_of(flock_path) / STANDARDS, standard_text, on)
            _put(root / STANDARD, standard_text)
        if plan_text is not None:
            _put(root / PLAN, plan_text)


def _put(path: Path, text: str) -> None:
    data = text.encode()
    if not path.exists() or path.read_bytes() != data:
        durable.publish(path, data)


def _keep_standard(folder: Path, text: str, on: date) -> None:
    """Keep the text under its day unless it is the last one kept; a second of one day takes a number."""
    adopted = _adopted(folder)
    if adopted and adopted[-1][1] == text:
        return
    again = 0
    while not durable.claim(folder / (f"{on}.toml" if not again else f"{on}.{again}.toml"), text.encode()):
        again += 1


def adopt_earlier(flock_path: str | Path, forms: Path) -> None:
    """Give a new flock the dated standards that an export has in its folder `standards/`.

    A flock that has a standard keeps its own. Raises RecordsError where a file cannot be read or written.
    """
    folder = forms / STANDARDS
    if folder.is_dir() and read_settings(flock_path).standard is None:
        for day, text in _adopted(folder):
            write_settings(flock_path, text, None, day)


def _adopted(folder: Path) -> list[tuple[date, str]]:
    """Every standard kept, with its day, in the order of adoption."""
    names = [found for path in folder.glob("*.toml") if (found := ADOPTED.fullmatch(path.name))]
    ordered = sorted(names, key=lambda found: (found[1], int(found[2] or 0)))
    return [(date.fromisoformat(f[1]), _text(folder / f[0])) for f in ordered]


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise RecordsError(f"{path}: not UTF-8 text; save it as UTF-8") from error


def read_settings(flock_path: str | Path) -> Settings:
    """The settings of a flock as texts; RecordsError where a file there cannot be read."""
    root = Path(flock_path).resolve()
    with durable.disk_faults(flock_path):
        standard, plan = (_text(root / n) if (root / n).exists() else None for n in (STANDARD, PLAN))
        return Settings(standard, plan, tuple(_adopted(records_of(flock_path) / STANDARDS)))


def keep_meeting(
    flock_path: str | Path, on: date, frames: Mapping[str, pd.DataFrame], recorded_at: datetime | None = None
) -> str:
    """Keep a meeting's tables (`ranking`, `verdicts`, …) with its day, all or none; the id they are kept by.

    The same tables of the same day are kept once. A meeting held again on that day is kept beside the first,
    and is the one that :func:`read_meetings` gives. Raises RecordsError for a table that cannot be stored or
    a disk that does not take it.
    """
    data = {name: stored(name, frame) for name, frame in frames.items()}
    return keep_tables(flock_path, on, data, recorded_at)


def keep_tables(
    flock_path: str | Path, on: date, data: Mapping[str, bytes], recorded_at: datetime | None = None
) -> str:
    """As :func:`keep_meeting`, from tables that are :func:`stored` already."""
    records = records_of(flock_path)
    digest = hashlib.sha256(b"".join(name.encode() + data[name] for name in data)).hexdigest()
    moment = recorded_at or datetime.now(UTC)
    batch = Batch(
        f"meeting-{on}-{digest[:16]}", moment.replace(tzinfo=moment.tzinfo or UTC), f"meeting of {on}"
    )
    with durable.disk_faults(flock_path):
        while (state := read_state(records)).last_meeting(str(on)) != batch.id:
            _keep(records, state, batch, str(on), data)
    return batch.id


def stored(name: str, frame: pd.DataFrame) -> bytes:
    """A meeting's table as it is kept: Parquet, at full precision. RecordsError where it cannot be."""
    if not re.fullmatch(r"[a-z][a-z_]*", name):
        raise RecordsError(f"a meeting's table is called by small letters alone, not {name!r}")
    try:
        return pieces.parquet_bytes(pa.Table.from_pandas(frame, preserve_index=False))
    except (pa.ArrowException, TypeError, ValueError) as error:
        raise RecordsError(f"the meeting's {name} cannot be kept: {error}") from error


def _keep(records: Path, state: LedgerState, batch: Batch, on: str, data: Mapping[str, bytes]) -> None:
    """One attempt at the next number; the caller looks whether it was got."""
    files = {name: fresh_file(MEETINGS, f"{on}{name}") for name in data}
    kept = tuple(
        MeetingOnDisk(on, name, batch.id, files[name], len(bytes_), hashlib.sha256(bytes_).hexdigest())
        for name, bytes_ in data.items()
    )
    try:
        for name, bytes_ in data.items():
            durable.publish(records / files[name], bytes_)
        commit(records, LedgerState(state.number + 1, {batch.id: batch}, meetings=kept))
    except BaseException:
        if not is_taken(records, state.number + 1):
            discard(records, files.values())
        raise


@dataclass(frozen=True, slots=True)
class KeptMeeting:
    """A meeting as it was kept: its day, and its tables by name."""

    on: date
    tables: Mapping[str, pd.DataFrame]


def what_is_read(flock_path: str | Path, settings: Settings) -> pd.DataFrame:
    """What a reader of the flock finds now, to be kept with a meeting: columns `what` and `text`.

    Rows: `recorded_at`, the moment of the last batch of forms (blank: none yet), and the texts of `standard` and
    `plan`. To be taken before anything is read, so that whatever is recorded meanwhile counts as changed since.
    """
    state = read_state(records_of(flock_path))
    held = {meeting.batch for meeting in state.meetings}
    moments = [batch.recorded_at for batch in state.batches.values() if batch.id not in held]
    last = max(moments).isoformat() if moments else None
    rows = {"recorded_at": last, "standard": settings.standard, "plan": settings.plan}
    return pd.DataFrame({"what": list(rows), "text": list(rows.values())}, dtype="str")


def last_meeting(flock_path: str | Path, on: date | None = None) -> KeptMeeting | None:
    """The last meeting kept of the day `on`, or where none is (or no day is given) the last of all; None if none is.

    A table that cannot be read is left out with a SetAsideWarning.
    """
    meetings = read_meetings(flock_path)
    if on in meetings:
        return KeptMeeting(on, meetings[on])
    state = read_state(records_of(flock_path))
    if not state.meetings:
        return None
    day = date.fromisoformat(state.meetings[-1].on)
    return KeptMeeting(day, meetings[day])


def read_meetings(
    flock_path: str | Path, only: Collection[str] | None = None
) -> dict[date, dict[str, pd.DataFrame]]:
    """Every meeting kept: by its day, its tables by name (`only` these: blank, all); of several of a day the last.

    A table that cannot be read is left out with a SetAsideWarning.
    """
    records = records_of(flock_path)
    state = read_state(records)
    meetings: dict[date, dict[str, pd.DataFrame]] = {}
    for meeting in state.meetings:
        wanted = only is None or meeting.table in only
        if wanted and meeting.batch == state.last_meeting(meeting.on):
            tables = meetings.setdefault(date.fromisoformat(meeting.on), {})
            try:
                tables[meeting.table] = meeting_table(records, meeting)
            except (DamagedError, FileNotFoundError) as error:
                why = str(error) if isinstance(error, DamagedError) else "the file is missing"
                warnings.warn(str(SetAside(meeting.file, why)), SetAsideWarning, stacklevel=2)
    return meetings


def meeting_table(records: Path, meeting: MeetingOnDisk) -> pd.DataFrame:
    """One table of a meeting as it was kept, days as datetime64[s]. Raises DamagedError, or FileNotFoundError."""
    try:
        frame = pq.read_table(io.BytesIO(pieces.kept_bytes(records, meeting))).to_pandas()
    except (pa.ArrowException, OSError) as error:
        raise pieces.damage(error) from error
    return frame.astype(dict.fromkeys(frame.select_dtypes("datetime"), "datetime64[s]"))
