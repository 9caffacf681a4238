"""How a meeting grows with the flock: seconds and memory of every part, from some 300 birds on record to 10,000.

Each size is held in a process of its own, so that its peak of memory is its own. `record`, `check` and the pack are
timed as commands; the pack's size is told. The last line is the slope of log seconds on log birds.

    python -m tests.benchmarks.bench_scale [small middle large]

`--bytes middle` holds one size with 1, 2 and 8 threads, other hash seeds, time zones and locales, and tells which
tables differ by a byte.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from demo.holding import simulate
from tests.test_same_bytes import tables

SIZES: dict[str, dict[str, int]] = {
    "small": {"seasons": 6},
    "middle": {"seasons": 10, "bought_in": 6, "home_bred": 15, "hens": 25, "new_pullets": 12},
    "large": {"seasons": 20, "bought_in": 12, "home_bred": 41, "hens": 60, "new_pullets": 30},
}
"""Options of the simulated holdings: 297, 2,000 and 10,000 birds; 28, 110 and 280 candidates."""


def held(flock: Path, out: Path) -> dict[str, float]:
    """Seconds of each step of a meeting that is held and written, with the peak of memory in MB."""
    from selection.decide.meeting import hold, write_tables
    from selection.records.flock import read_flock

    told, last = {}, [time.perf_counter(), "read"]

    def next_step(step: str, share: float) -> None:
        now = time.perf_counter()
        told[last[1]] = told.get(last[1], 0.0) + now - last[0]
        last[:] = [now, step.split(":")[0]]

    start = time.perf_counter()
    meeting = hold(read_flock(flock), progress=next_step)
    next_step("write", 1.0)
    write_tables(meeting, out)
    next_step("", 1.0)
    whole = {"birds": float(len(meeting.flock.birds)), "candidates": float(len(meeting.merit.ranking))}
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return whole | {"hold": time.perf_counter() - start, "peak MB": peak} | told


def _command(*words: str) -> tuple[float, str]:
    """Seconds of a command, and what it gave."""
    start = time.perf_counter()
    done = subprocess.run([sys.executable, *words], check=False, capture_output=True, text=True)
    return time.perf_counter() - start, done.stdout


def size(name: str, folder: Path) -> dict[str, float]:
    """One size: everything recorded, checked, held, and made a pack."""
    simulate(1, **SIZES[name]).write(folder / "forms")
    flock, out = str(folder / "flock"), str(folder / "out")
    told = {"record": _command("-m", "selection", "record", flock, str(folder / "forms"))[0]}
    told["check"] = _command("-m", "selection", "check", flock)[0]
    told |= json.loads(_command("-m", "tests.benchmarks.bench_scale", "--held", flock, out)[1])
    told["meeting"] = _command("-m", "selection", "meeting", flock, "--out", out)[0]
    told["pack MB"] = (folder / "out" / "meeting.html").stat().st_size / 1e6
    return told


def differing(name: str) -> list[str]:
    """Tables that are not the same bytes with other threads, hash seeds, time zones and locales."""
    with tempfile.TemporaryDirectory() as folder:
        forms = Path(folder) / "forms"
        simulate(1, **SIZES[name]).write(forms)
        ways = (("1", "UTC", "C"), ("2", "Pacific/Kiritimati", "C.UTF-8"), ("8", "America/Lima", "POSIX"))
        made = [
            tables(forms, Path(folder) / threads, threads, TZ=zone, LC_ALL=locale, PYTHONHASHSEED=threads)
            for threads, zone, locale in ways
        ]
    return sorted({file for other in made[1:] for file in made[0] if made[0][file] != other.get(file)})


def main() -> None:
    """Print a column a size, and the slopes."""
    if sys.argv[1:2] == ["--bytes"]:
        print(f"tables that differ: {', '.join(differing(sys.argv[2])) or 'none'}")
        return
    if sys.argv[1:2] == ["--held"]:
        print(json.dumps(held(Path(sys.argv[2]), Path(sys.argv[3]))))
        return
    columns = {}
    for name in sys.argv[1:] or SIZES:
        with tempfile.TemporaryDirectory() as folder:
            columns[name] = size(name, Path(folder))
        print(
            f"{name}: " + ", ".join(f"{key} {value:,.1f}" for key, value in columns[name].items()), flush=True
        )
    if len(columns) > 1:
        birds, seconds = (np.log([told[key] for told in columns.values()]) for key in ("birds", "hold"))
        print(f"seconds grow with birds to the power {np.polyfit(birds, seconds, 1)[0]:.2f}")


if __name__ == "__main__":
    main()
