"""How far two seeds differ: spread, from seed to seed, of every candidate's chances and merit.

    python -m tests.benchmarks.noise_between_seeds [seeds] [FORMS …]

The method asks for no more than 0.01 (sd) in any probability and 0.03 points in any merit.
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from selection import flock_from_forms
from selection.merit.candidates import candidates
from selection.merit.posterior import Known, draw
from selection.merit.ranking import chances, rank
from selection.merit.selection_index import SelectionIndex
from selection.records.flock import Flock

MOST_CHANCE, MOST_MERIT = 0.01, 0.03


def one_seed(flock: Flock, known: Known, index: SelectionIndex, seed: int) -> pd.DataFrame:
    """merit, p_best and p_kept of every unbarred candidate with this seed (index: bird)."""
    living = pd.Index(flock.birds.loc[flock.birds["alive"], "bird"])
    posterior = draw(known, living, index.weights, np.random.default_rng(seed))
    merit = pd.DataFrame(index.merit(posterior.draws), columns=living)
    parts = []
    for group, rows in candidates(flock).groupby("group"):
        of = merit[rows.loc[rows["bar"].isna(), "bird"]]
        off = of.sub(of.mean(axis=1), axis=0)
        best, kept = chances(off, flock.plan.keep[group].number)
        parts.append(pd.DataFrame({"merit": off.mean(), "p_best": best, "p_kept": kept}))
    return pd.concat(parts)


def noise(flock: Flock, seeds: int) -> dict[str, float]:
    """The greatest standard deviation between seeds of any candidate's merit, p_best and p_kept; seconds a draw."""
    first = rank(flock)
    assert first.known is not None and first.index is not None
    known, index = first.known, first.index
    start = time.perf_counter()
    runs = [one_seed(flock, known, index, seed) for seed in range(seeds)]
    seconds = (time.perf_counter() - start) / seeds
    spread = pd.concat(runs, keys=range(seeds)).groupby(level=1).std()
    return {**spread.max().to_dict(), "seconds": seconds}


def main() -> None:
    """Print the spreads of each holding given, of the demo by default."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    for forms in sys.argv[2:] or ["demo/forms"]:
        found = noise(flock_from_forms(forms), seeds)
        told = ", ".join(f"{name} {value:.4f}" for name, value in found.items())
        kept = max(found["p_best"], found["p_kept"]) <= MOST_CHANCE and found["merit"] <= MOST_MERIT
        print(f"{forms}: {told}: {'within' if kept else 'BEYOND'} {MOST_CHANCE} and {MOST_MERIT}")


if __name__ == "__main__":
    main()
