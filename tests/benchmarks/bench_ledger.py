"""How fast the ledger reads and records with ten million weighings on record, as ratios taken in one run.

    python tests/benchmarks/bench_ledger.py [millions of rows, 10] [files, 20] [rounds, 5]

Two questions: reading everything against a bare pyarrow dataset scan of the same files (goal: at most 1.3),
and recording one page of 50 rows into the large flock against an empty one (goal: at most 1.5). Times are the
least of several rounds, the two sides taking turns, since other work on the machine only ever adds.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.dataset as ds

from selection.records.ledger import append, read_rows

DAYS = 3650
SEED = 20261010


def weighings(rng: np.random.Generator, rows: int, file: int) -> pd.DataFrame:
    """`rows` weighings of the file's own birds over ten years, days in no order, each bird once a day."""
    key = rng.choice(DAYS * 1000, size=rows, replace=False)
    on = np.datetime64("2016-01-01", "s") + (key % DAYS).astype("m8[D]")
    birds = np.char.add((key // DAYS + 1000).astype(str), f"-{file}")
    return pd.DataFrame(
        {"on": on, "bird": birds.astype(object), "grams": rng.integers(400, 4000, rows) * 1.0}
    )


def fill(flock: Path, rows: int, files: int) -> None:
    """A flock with `rows` weighings in `files` batches, a hundred of them corrected since."""
    rng = np.random.default_rng(SEED)
    for file in range(files):
        frame = weighings(rng, rows // files, file)
        append(flock, {"weights": frame}, source="benchmark")
    wrong = frame.head(100).assign(grams=1.0)
    append(flock, {"weights": wrong}, source="benchmark", correction=True)


def page(number: int) -> dict[str, pd.DataFrame]:
    """A page of 50 weighings: new birds, but day and numbers in the midst of those on record."""
    birds = [f"15{i:02d}-new-{number}" for i in range(50)]
    on = pd.Series([pd.Timestamp("2020-06-01")] * 50, dtype="datetime64[s]")
    return {"weights": pd.DataFrame({"on": on, "bird": birds, "grams": np.full(50, 2000.0)})}


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def read_against_scan(flock: Path, rounds: int) -> tuple[float, float]:
    """Least seconds of reading through the ledger and of a bare scan of the same files."""
    folder = flock / "records" / "weights"
    pairs = [
        (seconds(lambda: read_rows(flock, "weights")), seconds(lambda: ds.dataset(folder).to_table()))
        for _ in range(rounds)
    ]
    return min(p[0] for p in pairs), min(p[1] for p in pairs)


def record_against_empty(flock: Path, rounds: int, scratch: Path) -> tuple[float, float]:
    """Least seconds of recording a page into the large flock and into an empty one."""
    pairs = []
    for number in range(rounds * 4):
        empty = scratch / f"empty-{number}"
        into_large = seconds(lambda n=number: append(flock, page(n), source="page"))
        into_empty = seconds(lambda n=number, to=empty: append(to, page(n), source="page"))
        pairs.append((into_large, into_empty))
    return min(p[0] for p in pairs), min(p[1] for p in pairs)


def main(millions: float = 10, files: int = 20, rounds: int = 5) -> None:
    with tempfile.TemporaryDirectory() as name:
        scratch, rows = Path(name), int(millions * 1e6)
        flock = scratch / "large"
        fill(flock, rows, files)
        for what, goal, (ours, theirs) in (
            ("reading, against a bare scan", 1.3, read_against_scan(flock, rounds)),
            ("a page of 50 rows, against an empty flock", 1.5, record_against_empty(flock, rounds, scratch)),
        ):
            print(f"{what:45} {ours:8.4f} s {theirs:8.4f} s  ratio {ours / theirs:5.2f}  (goal {goal})")


if __name__ == "__main__":
    main(
        *(float(sys.argv[1]),)
        if len(sys.argv) == 2
        else (float(a) if i == 0 else int(a) for i, a in enumerate(sys.argv[1:]))
    )
