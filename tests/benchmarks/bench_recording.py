"""How long it takes to record forms, as a multiple of reading the same files with plain pandas.

Run from the project's folder: `python -m tests.benchmarks.bench_recording [rows]`. Prints one line for the first
recording of `rows` weighings (100,000 unless given), and one for handing the same sheet in again.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from selection.records.intake.recording import record
from tests.records import small


def forms(rows: int) -> dict[str, small.Rows]:
    """The small holding with 20 weighings each of as many birds as it takes."""
    made = small.forms()
    birds = [f"b{i}" for i in range(rows // 20)]
    days = pd.date_range("2021-02-01", periods=20, freq="30D").strftime("%Y-%m-%d")
    made["birds"] += [{"bird": bird, "sex": "female", "hatched_on": "2020"} for bird in birds]
    made["weights"] = [
        {"on": on, "bird": b, "grams": 2000 + i % 900} for i, b in enumerate(birds) for on in days
    ]
    return made


def seconds(work: Callable[[], object]) -> float:
    """Processor seconds that `work` takes."""
    start = time.process_time()
    work()
    return time.process_time() - start


def main(rows: int) -> None:
    """Print the two ratios."""
    with tempfile.TemporaryDirectory() as name:
        folder = small.write(Path(name) / "forms", forms(rows))
        flock = Path(name) / "flock"
        plain = seconds(lambda: [pd.read_csv(path) for path in folder.glob("*.csv")])
        first = seconds(lambda: record(flock, folder))
        again = seconds(lambda: record(flock, folder))
    print(
        f"{rows} weighings: recorded in {first / plain:.0f} times, handed in again {again / plain:.0f} times"
    )
    print(f"the time that plain pandas takes to read the files ({plain:.2f} s of processor time)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
