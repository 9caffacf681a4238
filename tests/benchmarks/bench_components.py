"""How long the variance components of one clutch effect take, beside statsmodels, on one machine in one run.

    python -m tests.benchmarks.bench_components

One fixed sex effect and one random clutch effect, ten birds a clutch, on 160, 2,000 and 20,000 birds, then an animal
model with six effects on 400 records. Each time is the best of three (statsmodels: of one). The likelihoods are
printed side by side: they must agree. For comparison, lme4 took 0.11 s and statsmodels 1.95 s at 20,000 birds on a
machine of 2 cores.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy.sparse import csc_array, csr_array

from selection.merit.relationship.pedigree import from_parents
from selection.merit.variances.components import Components, Effect, fit_components

SIZES = (160, 2_000, 20_000)


def levels(codes: np.ndarray, name: str) -> Effect:
    """An effect with one level for each code."""
    n = len(codes)
    return Effect(name, csr_array((np.ones(n), (np.arange(n), codes)), shape=(n, int(codes.max()) + 1)))


def clutches(birds: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weights, sex and clutch of so many birds; a tenth of the variance lies between clutches."""
    clutch, sex = np.arange(birds) // 10, rng.integers(0, 2, birds)
    return rng.normal(size=clutch.max() + 1)[clutch] + sex + 3 * rng.normal(size=birds), sex, clutch


def ours(y: np.ndarray, sex: np.ndarray, clutch: np.ndarray) -> Components:
    return fit_components(y, np.column_stack([np.ones(len(y)), sex]), [levels(clutch, "clutch")])


def theirs(y: np.ndarray, sex: np.ndarray, clutch: np.ndarray) -> float:
    """statsmodels' REML log-likelihood."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    X = np.column_stack([np.ones(len(y)), sex])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return float(MixedLM(y, X, groups=clutch).fit(reml=True, method="powell").llf)


def best_of(runs: int, work: Callable[[], object]) -> tuple[float, object]:
    """The shortest of so many runs in seconds, and what it gave."""
    times, answer = [], None
    for _ in range(runs):
        start = time.perf_counter()
        answer = work()
        times.append(time.perf_counter() - start)
    return min(times), answer


def animal_model(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, list[Effect]]:
    """400 looks at 250 chicks of 30 clutches: breeding value, permanent bird, clutch, brooder, judge's day, look."""
    clutch = np.arange(250) // 8
    founders = [{"bird": f"f{i}", "sire": None, "dam": None} for i in range(70)]
    chicks = [
        {"bird": f"c{i}", "sire": f"f{c % 30}", "dam": f"f{30 + rng.integers(0, 40)}"}
        for i, c in enumerate(clutch)
    ]
    pedigree = from_parents(pd.DataFrame(founders + chicks))
    place = pedigree.positions([c["bird"] for c in chicks])
    bird = rng.integers(0, 250, 400)
    y = rng.normal(size=250)[bird] + rng.normal(size=clutch.max() + 1)[clutch[bird]] + rng.normal(size=400)
    design = csr_array((np.ones(400), (np.arange(400), place[bird])), shape=(400, len(pedigree.birds)))
    effects = [
        Effect("breeding value", design, csc_array(pedigree.inverse())),
        levels(bird, "bird"),
        levels(clutch[bird], "clutch"),
        levels(clutch[bird] // 8, "brooder"),
        levels(rng.integers(0, 12, 400), "day"),
        levels(np.arange(400) // 3, "look"),
    ]
    return y, np.column_stack([np.ones(400), rng.integers(0, 2, 400)]), effects


def main() -> None:
    rng = np.random.default_rng(1)
    rows = []
    for birds in SIZES:
        data = clutches(birds, rng)
        own, fitted = best_of(3, lambda data=data: ours(*data))
        other, likelihood = best_of(1, lambda data=data: theirs(*data))
        rows.append((birds, own, other, other / own, fitted.log_likelihood, likelihood))
    table = pd.DataFrame(
        rows, columns=["birds", "seconds", "statsmodels", "ratio", "log-likelihood", "statsmodels' own"]
    )
    print(table.to_string(index=False, float_format=lambda x: f"{x:.4f}"))
    growth = np.log(table["seconds"].iloc[-1] / table["seconds"].iloc[-2]) / np.log(SIZES[-1] / SIZES[-2])
    print(f"cost grows as birds^{growth:.2f} between {SIZES[-2]:,} and {SIZES[-1]:,}")
    y, X, effects = animal_model(rng)
    seconds, fitted = best_of(3, lambda: fit_components(y, X, effects))
    print(
        f"animal model, 400 records, 6 effects: {seconds * 1000:.0f} ms, {fitted.iterations} steps, {fitted.message}"
    )


if __name__ == "__main__":
    main()
