"""Is everything that is recorded whole, and does it hang together?

Files are held against their checksums, keys must be single, and every row is tried again by the rules that took
it in, now that all later rows are known: references, ring clashes, parents. Last comes the stock-take: birds
that count as living though nothing has been seen of them for a year.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from selection.answer import Progress
from selection.errors import Finding, SelectionError
from selection.records.flock import Flock, assemble
from selection.records.forms.columns import FORMS, Form
from selection.records.forms.schema import folded, frame_of, keys_of, standing, whole
from selection.records.intake.known import OnRecord
from selection.records.intake.rules import check_rows as tried, remark
from selection.records.ledger import pieces
from selection.records.ledger.appending import read_table, records_of
from selection.records.ledger.batches import (
    BATCHES,
    KEYS,
    MEETINGS,
    DamagedError,
    LedgerState,
    MeetingOnDisk,
    Piece,
    files_of,
    index_file,
    is_left_over,
    read_state,
)
from selection.records.ledger.kept import read_settings
from selection.records.settings.plan import InForce, plan_of, standards_of

A_YEAR = pd.Timedelta(days=365)
MOST_LINES = 20
"""Lines of one kind that are written out."""
SEEN_ON = {
    "rings": ("fitted_on", "removed_on"),
    "pens": ("from", "to"),
    "scores": ("on",),
    "weights": ("on",),
    "measures": ("on",),
    "eggs": ("on",),
    "decisions": ("on",),
    "birds": ("hatched", "came_on"),
}
"""Days on which a row says that its bird was there."""


@dataclass(frozen=True)
class Check:
    """What was verified and what was found.

    `faults` are wrong and want mending; `remarks` are worth a look; `unseen` is the stock-take (bird, last_seen,
    form). `rows` counts the standing rows of each form, `verified` says what was gone through.
    """

    rows: Mapping[str, int]
    faults: tuple[str, ...]
    remarks: tuple[str, ...]
    unseen: pd.DataFrame
    verified: tuple[str, ...]

    @property
    def status(self) -> int:
        """0: nothing is wrong; 1: there are faults."""
        return int(bool(self.faults))

    def text(self) -> str:
        """The outcome for a terminal."""
        parts = (
            ("Gone through", self.verified),
            ("Faults" if self.faults else "No faults", self.faults),
            ("Worth a look", self.remarks),
            (
                "On record as living, and not seen for a year",
                [_unseen_in_words(row) for row in self.unseen.itertuples()],
            ),
        )
        return "\n".join(
            "\n  ".join([title, *_short(lines)]) for title, lines in parts if lines or title == "No faults"
        )


def check(flock_path: str | Path, progress: Progress | None = None) -> Check:
    """Verify the flock at `flock_path`: checksums, keys, references, ring clashes, pedigree, settings.

    `progress` is told each form's name and the share of the forms gone through. Nothing is
    changed. Raises RecordsError where there is no flock or its folder cannot be read.
    """
    records = records_of(flock_path)
    forms = _standing_rows(flock_path)
    state = read_state(records)
    faults, remarks = _files(records, state)
    faults += [line for name, form in FORMS.items() for line in _keys(form, forms[name])]
    in_force, flock = _settings(flock_path, forms, faults)
    if in_force is not None:
        found = _rules(forms, in_force, progress)
        faults += [line for line, refused in found if refused]
        remarks += [line for line, refused in found if not refused]
    unseen = stock_take(flock) if flock is not None else _NOBODY
    return Check(
        {name: len(frame) for name, frame in forms.items()}, tuple(faults), tuple(remarks), unseen,
        _verified(state, forms, in_force, flock),
    )  # fmt: skip


def _standing_rows(flock_path: str | Path) -> dict[str, pd.DataFrame]:
    """The standing rows of each form, with the number that tells rows for unnamed chicks apart."""
    return {
        name: standing(form, frame_of(form, read_table(flock_path, name)[0])) for name, form in FORMS.items()
    }


def _files(records: Path, state: LedgerState) -> tuple[list[str], list[str]]:
    """Files that are not what their manifests say (faults), and files that no manifest names (remarks)."""
    faults = [str(found) for found in state.set_aside if found.lost]
    remarks = [str(found) for found in state.set_aside if not found.lost]
    entries: list[Piece | MeetingOnDisk] = [*state.pieces, *state.meetings]
    for entry in entries:
        faults += [f"{entry.file}: {why}" for why in _wrong_with(records, entry)]
    known = set(files_of(state))
    for folder in (*FORMS, MEETINGS, KEYS, BATCHES):
        for path in sorted((records / folder).glob("*")):
            file = f"{folder}/{path.name}"
            if is_left_over(file, known):
                remarks.append(
                    f"{file}: left by a writer that was stopped; it holds nothing that was recorded"
                )
            elif folder != BATCHES and file not in known:
                remarks.append(f"{file}: not a file of this ledger")
    return faults, remarks


def _wrong_with(records: Path, entry: Piece | MeetingOnDisk) -> Iterator[str]:
    try:
        pieces.opened(records, entry)
    except FileNotFoundError:
        yield "the file is missing; restore it from a copy"
        return
    except DamagedError as damage:
        yield str(damage)
        return
    if hashlib.sha256((records / entry.file).read_bytes()).hexdigest() != entry.sha256:
        yield "its checksum is wrong, so it was changed since; restore it from a copy"
    elif isinstance(entry, Piece):
        yield from _wrong_index(records, entry)


def _wrong_index(records: Path, piece: Piece) -> Iterator[str]:
    path = records / index_file(piece.file)
    if not piece.index and path.exists():
        kept = np.fromfile(path, dtype="<u8")
        if not np.array_equal(kept, pieces.made_index(records, piece, FORMS[piece.form])):
            yield f"its index {index_file(piece.file)} is damaged; remove that file, the rows themselves are whole"


def _keys(form: Form, frame: pd.DataFrame) -> list[str]:
    """A fault for each key that stands twice."""
    twice = frame[keys_of(form, frame).duplicated()]
    return [
        f"{form.name}, {_key_words(form, row)}: this key stands twice, and the last row counts; hand it in as it "
        f"should be with --correct"
        for row in twice.to_dict("records")
    ]


def _key_words(form: Form, row: Mapping[str, object]) -> str:
    """The key of a row in words: `2026-09-01 Ann 26-01`."""
    parts = [row[c] for c in form.key if not pd.isna(row[c])]
    if form.chicks and pd.isna(row["bird"]):
        parts += [row[c] for c in ("clutch", "sex") if not pd.isna(row[c])]
    return " ".join(str(p.date()) if isinstance(p, pd.Timestamp) else str(p) for p in parts)


def _settings(
    flock_path: str | Path, forms: Mapping[str, pd.DataFrame], faults: list[str]
) -> tuple[InForce | None, Flock | None]:
    """The standards in force and the flock on the plan's day; what is wrong with them goes to `faults`."""
    in_force = flock = None
    try:
        texts = read_settings(flock_path)
        in_force = standards_of(texts)
        flock = assemble(in_force.latest, plan_of(texts, in_force.latest), forms)
    except SelectionError as error:
        faults += str(error).splitlines()
    return in_force, flock


def _rules(
    forms: Mapping[str, pd.DataFrame], in_force: InForce, progress: Progress | None
) -> list[tuple[str, bool]]:
    """What the rules of recording say of all rows now: in words, and whether it is a fault."""
    sections = in_force.section_columns()
    frames = {n: whole(FORMS[n], f, sections if n == "scores" else ()) for n, f in forms.items()}
    known = OnRecord(in_force, frames)
    said = []
    for i, (name, rows) in enumerate(frames.items(), 1):
        if progress:
            progress(f"checking {name}", i / len(frames))
        for found in (*tried(name, rows, known), *remark(name, rows, known)):
            said.append((f"{name}, {_place(FORMS[name], rows, found)}: {found.reason()}", found.refused))
    return said


def _place(form: Form, rows: pd.DataFrame, found: Finding) -> str:
    return "" if found.row is None else _key_words(form, rows.loc[found.row].to_dict())


def stock_take(flock: Flock) -> pd.DataFrame:
    """Birds that count as living on the plan's day though no form has seen them for a year.

    Columns bird, last_seen (NaT: never), form (where it was seen last). A bird counts as seen when it hatched.
    """
    alive = flock.birds.loc[flock.birds["alive"], "bird"]
    seen = pd.concat([_sightings(flock, form, day) for form, days in SEEN_ON.items() for day in days])
    last = seen.sort_values("last_seen", kind="stable").drop_duplicates("key", keep="last").set_index("key")
    table = pd.DataFrame({"bird": alive.to_numpy()}, index=folded(alive)).join(last).reset_index(drop=True)
    day = pd.Timestamp(flock.plan.on)
    unseen = table[~(table["last_seen"] >= day - A_YEAR)]
    return unseen.sort_values(["last_seen", "bird"], na_position="first").reset_index(drop=True)


_NOBODY = pd.DataFrame(
    {"bird": pd.Series(dtype="str"), "last_seen": pd.Series(dtype="M8[s]"), "form": pd.Series(dtype="str")}
)


def _sightings(flock: Flock, form: str, day: str) -> pd.DataFrame:
    rows = getattr(flock, form).dropna(subset=["bird", day])
    return pd.DataFrame({"key": folded(rows["bird"]), "last_seen": rows[day], "form": form})


def _unseen_in_words(row: Any) -> str:
    if pd.isna(row.last_seen):
        return f"{row.bird}: never seen on any form; enter gone_on if it has gone"
    return f"{row.bird}: last seen {row.last_seen.date()} on {row.form}; enter gone_on if it has gone"


def _verified(
    state: LedgerState, forms: Mapping[str, pd.DataFrame], in_force: InForce | None, flock: Flock | None
) -> tuple[str, ...]:
    rows = sum(map(len, forms.values()))
    said = [
        f"{len(state.batches)} batches in {len(state.pieces)} files: sizes, checksums, indexes",
        f"{rows:,} rows of {len(FORMS)} forms: one row a key",
    ]
    if in_force is not None:
        said.append(
            "every row by the rules of recording: references, days, ring pairs, parents, standards in force"
        )
    if flock is not None:
        said.append(
            f"{int(flock.birds['alive'].sum())} living birds: when they were last seen, up to {flock.plan.on}"
        )
    if state.meetings:
        said.append(f"{len({m.on for m in state.meetings})} meetings kept")
    return tuple(said)


def _short(lines: Iterable[str]) -> list[str]:
    lines = list(lines)
    more = [f"and {len(lines) - MOST_LINES} more"] if len(lines) > MOST_LINES else []
    return lines[:MOST_LINES] + more
