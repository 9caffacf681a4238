"""How growth and points scale with a holding's records, as ratios taken in one run.

    python -m tests.benchmarks.bench_standard [copies, 20] [rounds, 5]

One simulated holding against the same holding written down `copies` times with birds of its own each time
(goal: the time grows no faster than the records). Times are the least of several rounds.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import pandas as pd

from selection.records.flock import Flock, assemble
from selection.standard.growth import fit_growth
from selection.standard.points import score
from tests.simulated import Holding, simulate

SEED = 20261010


def copied(holding: Holding, copies: int) -> Flock:
    """The holding's forms `copies` times over, birds and clutches told apart by the copy's number."""
    forms = {}
    for name in ("birds", "clutches", "scores", "weights"):
        frame = holding.forms[name]
        labels = [c for c in ("bird", "clutch", "sire", "dam") if c in frame]
        each = [frame.assign(**{c: frame[c] + f"x{k}" for c in labels}) for k in range(copies)]
        forms[name] = pd.concat(each, ignore_index=True)
    return assemble(holding.standard, holding.plan, forms)


def least(work: Callable[[], object], rounds: int) -> float:
    """Seconds of the quickest of `rounds`."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def main(copies: int = 20, rounds: int = 5) -> None:
    holding = simulate(seed=SEED)
    small, large = copied(holding, 1), copied(holding, copies)
    print(f"{len(small.scores)} looks and {len(small.weights)} weighings, and {copies} times as many")
    growth = {id(flock): fit_growth(flock) for flock in (small, large)}
    for name, work in (
        ("growth", lambda flock: fit_growth(flock)),
        ("points", lambda flock: score(flock, growth[id(flock)])),
    ):
        one, many = (least(lambda f=flock, w=work: w(f), rounds) for flock in (small, large))  # type: ignore[misc]
        print(f"{name}: {one * 1000:.0f} ms; {many * 1000:.0f} ms, {many / one:.1f} times as long")


if __name__ == "__main__":
    main(*(int(x) for x in sys.argv[1:]))
