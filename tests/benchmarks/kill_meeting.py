"""A meeting killed at random moments, the writing of its pack among them.

    python -m tests.benchmarks.kill_meeting [times, 100]

Each time the process that holds the meeting is killed, and then: `out` must hold one meeting's files, whole (those of
the meeting before, or of this one); nothing may be left of it in the temporary directory; and the flock must read.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from selection.records.flock import read_flock
from selection.records.intake.recording import record
from selection.records.ledger.lookup import kept_left_out
from tests.simulated import simulate

PATIENCE = 30.0
"""Seconds within which what a killed meeting left must be gone."""


def files(out: Path) -> dict[str, bytes]:
    """Every file that a reader of `out` sees, by name."""
    return {path.name: path.read_bytes() for path in out.iterdir() if not path.name.startswith(".")}


def held(flock: Path, out: Path, temporary: Path, after: float | None, at_writing: bool) -> float:
    """Hold the meeting, killed `after` seconds (None: never) or once it begins to write; how long it took."""
    environment = {**os.environ, "TMPDIR": str(temporary), "PYTHONPATH": str(Path(__file__).parents[2])}
    line = [sys.executable, "-m", "selection", "meeting", str(flock), "--out", str(out)]
    began = time.monotonic()
    with subprocess.Popen(
        line, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        while process.poll() is None and after is not None:
            writing = at_writing and any(path.name.startswith(".") for path in out.iterdir())
            if writing or (not at_writing and time.monotonic() - began > after):
                time.sleep(random.random() * 0.02 if writing else 0)
                process.send_signal(signal.SIGKILL)
            time.sleep(0.001)
    return time.monotonic() - began


def main(times: int) -> None:
    """Kill so many meetings, every second one as it writes, and tell what was found."""
    random.seed(times)
    with tempfile.TemporaryDirectory() as folder:
        home, temporary = Path(folder), Path(folder) / "tmp"
        temporary.mkdir()
        simulate(5, seasons=2, bought_in=1, home_bred=2, hens=5, new_pullets=3, weighings=2).write(
            home / "forms"
        )
        record(home / "flock", home / "forms")
        usual = held(home / "flock", home / "out", temporary, None, False)
        whole = files(home / "out")
        mixed = left = 0
        for number in range(times):
            held(home / "flock", home / "out", temporary, random.random() * usual, number % 2 == 1)
            mixed += files(home / "out") != whole
            until = time.monotonic() + PATIENCE
            while any(temporary.iterdir()) and time.monotonic() < until:
                time.sleep(0.1)
            left += any(temporary.iterdir())
            read_flock(home / "flock")
        odd = len(kept_left_out(home / "flock"))
    print(
        f"{times} killed: {mixed} left other files than a meeting's, {left} left a folder, {odd} kept tables damaged"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
