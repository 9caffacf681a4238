"""Writers killed at random moments: is an acknowledged batch ever lost, a flock unreadable, half a batch seen?

    python tests/benchmarks/crash_ledger.py [kills, 1000] [seed, 1]

A writer records batch after batch (weighings and measurements together), corrects some and merges files now
and then, and acknowledges each batch through a pipe once it is recorded. It is killed with SIGKILL after a
random time, and two are at work at a time. Another process reads the flock meanwhile, and again when both are
dead. The test suite runs the same with few kills. Needs `fork` (Linux, macOS).
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path

import pandas as pd

from selection.records.ledger.appending import append, compact, read_rows

ROWS = 7
LONGEST = 0.15  # seconds a writer lives after its first batch: a few more


@dataclass
class Outcome:
    """What was seen over all kills; the last three are what must stay empty."""

    kills: int = 0
    acknowledged: int = 0
    unacknowledged: int = 0
    lost: list[str] = field(default_factory=list)
    unreadable: list[str] = field(default_factory=list)
    halves: list[str] = field(default_factory=list)


def batch_of(number: int) -> dict[str, pd.DataFrame]:
    """The rows of batch `number`: its number is each row's bird, so that they can be counted."""
    on = pd.Series(pd.date_range("2026-01-01", periods=ROWS)).astype("datetime64[s]")
    rows = pd.DataFrame({"on": on, "bird": str(number)})
    return {"weights": rows.assign(grams=1000.0), "measures": rows.assign(trait="shank width", value=1.0)}


def write(flock: Path, first: int, acknowledge: Callable[[int], None], seed: int) -> None:
    """Record batches from `first` on until killed; every third is corrected, files are merged now and then."""
    chance = random.Random(seed)
    number = first
    while True:
        append(flock, batch_of(number), source="crash", batch=f"b{number}")
        acknowledge(number)
        if chance.random() < 0.3:
            changed = {form: frame.assign(note="corrected") for form, frame in batch_of(number).items()}
            append(flock, changed, source="crash", correction=True)
        if chance.random() < 0.4:
            compact(flock)
        number += 1


def seen(flock: Path) -> tuple[dict[str, int], dict[str, int]]:
    """Rows by batch in both forms. Weighings are read first: what is seen there must be in the other form."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        forms = [read_rows(flock, form) for form in ("weights", "measures")]
    counts = [frame["bird"].value_counts().to_dict() for frame in forms]
    return counts[0], counts[1]


def look(flock: Path) -> str:
    """What a reader finds, for the parent: `batch:rows` of both forms, or the error."""
    if not flock.exists():
        return "|"
    try:
        weights, measures = seen(flock)
    except Exception as error:  # whatever it is, the parent must hear of it
        return f"!{error!r}"
    return "|".join(",".join(f"{b}:{n}" for b, n in counts.items()) for counts in (weights, measures))


def forked(work: Callable[[int], None]) -> tuple[int, int]:
    """Start `work` in a child, which is given the writing end of a pipe; its process id and the reading end."""
    reading, writing = os.pipe()
    child = os.fork()
    if child:
        os.close(writing)
        return child, reading
    try:
        os.close(reading)
        work(writing)
    except BaseException as error:  # never run the parent's code in the child
        os.write(2, f"{error!r}\n".encode())
        os._exit(1)
    os._exit(0)


def heard(reading: int) -> bytes:
    """Everything that came through a pipe, up to its end."""
    with os.fdopen(reading, "rb") as pipe:
        return pipe.read()


def report_of(flock: Path) -> str:
    """`look` in a process of its own: the parent stays free of threads, so that forking it is safe."""
    child, reading = forked(lambda writing: _send(writing, look(flock)))
    report = heard(reading).decode()
    os.waitpid(child, 0)
    return report


def _send(writing: int, text: str) -> None:
    with os.fdopen(writing, "wb") as pipe:
        pipe.write(text.encode())


def judge(report: str, acknowledged: set[int], outcome: Outcome, *, at_rest: bool) -> None:
    """Hold one report against what was acknowledged before it was begun."""
    if report.startswith("!") or "|" not in report:
        outcome.unreadable.append(report)
        return
    weights, measures = (
        {b: int(n) for b, n in (pair.split(":") for pair in part.split(",") if pair)}
        for part in report.split("|")
    )
    outcome.lost += [str(b) for b in acknowledged if str(b) not in weights or str(b) not in measures]
    outcome.halves += [f"{b}: {n} rows" for c in (weights, measures) for b, n in c.items() if n != ROWS]
    outcome.halves += [f"{b}: one form" for b in weights if b not in measures]
    if at_rest:
        outcome.halves += [f"{b}: one form" for b in measures if b not in weights]
        outcome.unacknowledged = len(weights) - len(acknowledged)


def run(flock: Path, kills: int, seed: int) -> Outcome:
    """Kill `kills` writers, two at work at a time; read the flock while they are, and in peace after each pair."""
    outcome, chance, known = Outcome(), random.Random(seed), set[int]()
    while outcome.kills < kills:
        writers = [_started(flock, (outcome.kills + i) * 1000) for i in range(2)]
        early = [
            os.read(pipe, 1) if chance.random() < 0.9 else b"" for _, pipe in writers
        ]  # or in its first batch
        if chance.random() < 0.2:
            judge(report_of(flock), set(known), outcome, at_rest=False)
        for child, _ in writers:
            time.sleep(chance.random() * LONGEST)
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
        for first, (_, pipe) in zip(early, writers, strict=True):
            known |= {int(line) for line in (first + heard(pipe)).decode().split()}
        outcome.kills += len(writers)
        judge(report_of(flock), known, outcome, at_rest=True)
    outcome.acknowledged = len(known)
    return outcome


def _started(flock: Path, first: int) -> tuple[int, int]:
    """A writer at work on batches from `first` on: its process id, and where its acknowledgements are heard."""
    return forked(lambda pipe: write(flock, first, lambda n: os.write(pipe, f"{n}\n".encode()), first))


def main(kills: int = 1000, seed: int = 1) -> None:
    """Kill, and say what was seen: in words, and as one line of JSON for the test suite."""
    with tempfile.TemporaryDirectory() as scratch:
        outcome = run(Path(scratch) / "flock", kills, seed)
    print(f"{outcome.kills} writers killed, {outcome.acknowledged} batches acknowledged,")
    print(f"{outcome.unacknowledged} more recorded whole but never acknowledged.")
    print(f"acknowledged and lost: {len(outcome.lost)}   unreadable: {len(outcome.unreadable)}", end="   ")
    print(f"half batches seen: {len(outcome.halves)}")
    print(json.dumps(asdict(outcome)))


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
