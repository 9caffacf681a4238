"""The row of manifests: reading it gives the ledger's state, taking its next number records a batch.

A batch is recorded the moment its manifest takes the next number in `records/batches/`: before that, none of
its rows is seen, after it, all are. A number is taken once and for all.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from contextlib import suppress
from functools import lru_cache
from pathlib import Path

from selection.records.ledger import durable
from selection.records.ledger.manifest import parsed, written
from selection.records.ledger.state import BATCHES, DamagedError, SetAside, State, added_up, files_of

NUMBERED = re.compile(r"(\d{8})\.json")
TWIN = re.compile(r"\d{8}\.twin")


def read_state(records: Path) -> State:
    """The state of the ledger in the folder `records`; an empty one where there is none yet.

    A manifest that is torn, foreign, from a newer version or missing is named in `set_aside`, and the rest is
    read without it. Raises RecordsError where the folder cannot be read at all.
    """
    with durable.in_words(records):
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
    present = {state.number for state in later}
    first, last = (later[0].number if whole else 1), max(present, default=0)
    missing = [
        SetAside(_name(n), "the file is missing, and its batch with it")
        for n in range(first, last)
        if n not in present
    ]
    return added_up([State(set_aside=(*foreign, *missing)), *later]), bool(missing)


def _read(records: Path, number: int) -> tuple[State, bool]:
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
        return State(number, set_aside=(found,)), False
    mended = SetAside(found.file, f"{found.why}; its twin was read instead, nothing is lost", lost=False)
    return added_up([state, State(set_aside=(mended,))]), whole


@lru_cache(maxsize=8192)
def _parsed_once(path: Path, changed: int, size: int, number: int) -> tuple[State, bool]:
    """A manifest as it stood when it was `changed` last; it never changes but by damage, so it is parsed once."""
    return parsed(path.read_bytes(), number)


def _name(number: int) -> str:
    return f"{BATCHES}/{number:08d}.json"


def _twin(number: int) -> str:
    return f"{BATCHES}/{number:08d}.twin"


def commit(records: Path, new: State, *, whole: bool = False) -> bool:
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
