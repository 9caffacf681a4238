"""Time of the laying answer against the number of seasons: 10 pens counted every day.

Run as a script from the project's root: ``python tests/benchmarks/bench_laying.py``. Prints seconds for 5, 10 and 20
seasons (73,000 counts), and the ratio to half as many: about 2 is linear.
"""

from __future__ import annotations

import time
from datetime import date

import numpy as np
import pandas as pd

from selection.compare.laying.laying import laying
from selection.records.flock import Flock, assemble
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Standard

PENS = 10
RATE = 0.55
HENS = 4
"""Pullets that each pen takes in every year; each stays three years."""


def flock_of(seasons: int, rng: np.random.Generator) -> Flock:
    """Pens that take in pullets every January, hatched the April before, and part with the oldest."""
    years = range(2001, 2001 + seasons)
    birds, pens = [], []
    for pen in range(PENS):
        for year in range(1998, 2001 + seasons - 1):
            for k in range(HENS):
                bird = f"{year}-{pen}-{k}"
                birds.append((bird, "female", f"{year}-04-10"))
                leaves = pd.Timestamp(year + 4, 1, 1) + pd.Timedelta(days=int(rng.integers(-60, 60)))
                pens.append((f"pen {pen}", bird, pd.Timestamp(year + 1, 1, 1), leaves))
    days = pd.date_range(f"{years[0]}-01-01", f"{years[-1]}-12-31")
    eggs = pd.DataFrame(
        {"on": np.tile(days, PENS), "pen": np.repeat([f"pen {p}" for p in range(PENS)], len(days))}
    )
    stood = pd.DataFrame(pens, columns=["pen", "bird", "from", "to"])
    for pen, of in stood.groupby("pen"):
        hens = np.searchsorted(np.sort(of["from"]), days, "right") - np.searchsorted(
            np.sort(of["to"]), days, "right"
        )
        eggs.loc[eggs["pen"] == pen, "eggs"] = rng.binomial(hens, RATE).astype(float)
    forms = {
        "birds": pd.DataFrame(birds, columns=["bird", "sex", "hatched_on"]),
        "pens": stood,
        "eggs": eggs,
    }
    return assemble(Standard("invented", ()), Plan(date(years[-1], 12, 31), years[-1], {}), forms)


def main() -> None:
    before = float("nan")
    print("seasons   counts   seconds   ratio")
    for seasons in (5, 10, 20):
        flock = flock_of(seasons, np.random.default_rng(seasons))
        start = time.perf_counter()
        laying(flock)
        took = time.perf_counter() - start
        print(f"{seasons:7d} {len(flock.eggs):8d} {took:9.2f} {took / before:7.2f}", flush=True)
        before = took


if __name__ == "__main__":
    main()
