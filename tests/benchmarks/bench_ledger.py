"""How fast the ledger reads and records with ten million weighings on record, as ratios taken in one run.

    python tests/benchmarks/bench_ledger.py [millions of rows, 10] [files, 20] [rounds, 5]

Reading everything is held against a bare pyarrow dataset scan of the same columns of the same files (goal: at
most 1.3). A page of 50 weighings is recorded into the large flock and into one without weighings (goal: at most
1.5): once by the ledger alone, once by the whole of `record`, from the CSV file on. Every file holds days of ten
years in no order, so that none can be passed over. Times are the least of several rounds, the two sides taking
turns, since other work on the machine only ever adds.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.dataset as ds

from selection.records.forms.columns import FORMS
from selection.records.intake.recording import record
from selection.records.ledger.appending import append, read_rows
from tests.records import small

DAYS = 3650
FIRST = date(2016, 1, 1)
PAGE = 50
SEED = 20261010


def weighings(rng: np.random.Generator, rows: int, file: int) -> pd.DataFrame:
    """`rows` weighings of the file's own birds over ten years, days in no order, each bird once a day."""
    key = rng.choice(DAYS * 1000, size=rows, replace=False)
    on = np.datetime64(FIRST, "s") + (key % DAYS).astype("m8[D]")
    birds = np.char.add((key // DAYS + 1000).astype(str), f"-{file}")
    return pd.DataFrame(
        {"on": on, "bird": birds.astype(object), "grams": rng.integers(400, 4000, rows) * 1.0}
    )


def fill(flock: Path, rows: int, files: int) -> None:
    """`rows` weighings in `files` batches, a hundred of them corrected since."""
    rng = np.random.default_rng(SEED)
    for file in range(files):
        frame = weighings(rng, rows // files, file)
        append(flock, {"weights": frame}, source="benchmark")
    wrong = frame.head(100).assign(grams=1.0)
    append(flock, {"weights": wrong}, source="benchmark", correction=True)


def page(number: int) -> list[dict[str, object]]:
    """A page of weighings on one day in the midst of all others, of birds whose numbers lie among theirs."""
    on = FIRST + timedelta(days=400 + number)
    return [{"on": on.isoformat(), "bird": f"15{i:02d}-page", "grams": 2000 + i} for i in range(PAGE)]


def as_frame(rows: list[dict[str, object]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows).astype({"grams": "float64"})
    return frame.assign(on=pd.to_datetime(frame["on"]).astype("datetime64[s]"))


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def least(pairs: list[tuple[float, float]]) -> tuple[float, float]:
    return min(p[0] for p in pairs), min(p[1] for p in pairs)


def read_against_scan(flock: Path, rounds: int) -> tuple[float, float]:
    """Least seconds of reading through the ledger and of a bare scan."""
    folder, columns = flock / "records" / "weights", list(FORMS["weights"].names)

    def scan() -> object:
        return ds.dataset(folder).to_table(columns=columns)

    return least([(seconds(lambda: read_rows(flock, "weights")), seconds(scan)) for _ in range(rounds)])


def append_against_empty(large: Path, empty: Path, rounds: int) -> tuple[float, float]:
    """Least seconds of appending a page to the large flock and to the empty one, which stays empty."""
    pairs = []
    for number in range(rounds):
        rows = {"weights": as_frame(page(number))}
        fresh = Path(shutil.copytree(empty, empty.parent / f"append-{number}"))
        into_large = seconds(lambda r=rows: append(large, r, source="page"))
        pairs.append((into_large, seconds(lambda r=rows, to=fresh: append(to, r, source="page"))))
    return least(pairs)


def record_against_empty(large: Path, empty: Path, rounds: int) -> tuple[float, float]:
    """The same by `record`, from a CSV file."""
    pairs = []
    for number in range(rounds):
        sheet = small.write_csv(empty.parent / f"page-{number}" / "weights.csv", page(1000 + number))
        fresh = Path(shutil.copytree(empty, empty.parent / f"record-{number}"))
        into_large = seconds(lambda s=sheet: record(large, s))
        pairs.append((into_large, seconds(lambda s=sheet, to=fresh: record(to, s))))
    return least(pairs)


def main(millions: float = 10, files: float = 20, rounds: float = 5) -> None:
    """Fill the flocks, take the times, print them with their ratios."""
    with tempfile.TemporaryDirectory() as name:
        large, empty, rounds = Path(name) / "large", Path(name) / "empty", int(rounds)
        birds = [{"bird": row["bird"], "sex": "female", "hatched_on": "2015-04-01"} for row in page(0)]
        for flock in (large, empty):
            record(flock, small.write(Path(name) / "birds", {"birds": birds}))
        for number in range(rounds):
            (Path(name) / f"page-{number}").mkdir()
        fill(large, int(millions * 1e6), int(files))
        for what, goal, (ours, theirs) in (
            ("reading, against a bare scan", 1.3, read_against_scan(large, rounds)),
            ("appending a page, against an empty flock", 1.5, append_against_empty(large, empty, rounds)),
            ("recording a page, against an empty flock", 1.5, record_against_empty(large, empty, rounds)),
        ):
            print(f"{what:45} {ours:8.4f} s {theirs:8.4f} s  ratio {ours / theirs:5.2f}  (goal {goal})")


if __name__ == "__main__":
    main(*map(float, sys.argv[1:]))
