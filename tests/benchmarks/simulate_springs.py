"""Whether next spring comes true: chances of enough birds, and the merit of the best that choosing finds.

    python -m tests.benchmarks.simulate_springs enough [holdings] [seed]
    python -m tests.benchmarks.simulate_springs merit [holdings] [seed]

`enough`: holdings of five sources whose eggs fare otherwise than the model holds: now and then a whole clutch is
chilled or shaken, suppliers differ more, and the rest varies less. Of each source the fewest eggs said to be enough
with 0.9 are set; printed is how often they were.

`merit`: whole invented holdings of known truth are ranked; next spring's chicks are bred from the suppliers' true birds
and the best cock with the best hens, and the best found is held against the interval that was stated for it.

Measured: of 991 springs set by `enough` (200 holdings, seed 1; chance stated .907 on average) 89.4 % were enough; of
520 springs of `merit` (30 holdings, seed 1) the best found lay within its 90 % interval in 90.2 %.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from demo.hatching import supplier_stock
from demo.history import History, Options
from demo.holding import simulate
from demo.truth import merit as true_merit
from demo.years import live
from selection.answer import TAILS
from selection.decide.spring.stock import (
    OWN_EGGS,
    SPRING_DRAWS,
    USUAL,
    Blood,
    Rearing,
    Source,
    broods,
    learn_rearing,
    learn_stage,
)
from selection.decide.spring.ways import best_found
from selection.merit.ranking import rank

CLUTCH = 12
SURE = 0.9
CHILLED, LEFT = 0.08, 0.35
"""Chance that a clutch goes wrong as a whole at hatching, and the share of its hatch that is then left."""
MOST = 72


def true_chances(rng: np.random.Generator, sources: int) -> dict[str, np.ndarray]:
    """Each source's own mean chance at each stage: suppliers differ by 0.6 on the logit."""
    return {
        stage: expit(logit(usual) + rng.normal(0, 0.3) + 0.6 * rng.standard_normal(sources))
        for stage, usual in USUAL.items()
    }


def spring(
    rng: np.random.Generator, chances: dict[str, np.ndarray], source: int, eggs: int
) -> list[dict[str, int]]:
    """What becomes of so many eggs, clutch by clutch, in the world that the model does not know."""
    clutches = []
    while eggs > 0:
        left = of = min(eggs, CLUTCH)
        counts = {"eggs_set": of}
        for stage, chance in chances.items():
            p = np.clip(chance[source] + rng.uniform(-0.08, 0.08), 0.02, 0.98)
            if stage == "hatched" and rng.random() < CHILLED:
                p *= LEFT
            left = int(rng.binomial(left, p))
            counts[stage] = left
        clutches.append(counts)
        eggs -= of
    return clutches


def comes_true(
    rng: np.random.Generator, years: int = 5, sources: int = 5, springs: int = 1
) -> Iterator[tuple[float, float]]:
    """Of one holding, by source: the chance stated for the fewest eggs that are enough, and in which share of so
    many springs they were.
    """
    chances = true_chances(rng, sources)
    past = [
        (s, c)
        for _ in range(years)
        for s in range(sources)
        for c in spring(rng, chances, s, CLUTCH)
        if s == 0 or rng.random() < 0.5
    ]
    frame = pd.DataFrame([{"source": str(s), **counts} for s, counts in past])
    pairs = (("fertile", "eggs_set"), ("hatched", "fertile"), ("reared", "hatched"))
    stages = {
        name: learn_stage({s: (rows[name], rows[of]) for s, rows in frame.groupby("source")}, USUAL[name])
        for name, of in pairs
    }
    rearing = Rearing(stages, (1.0, 99.0), {}, CLUTCH)
    for source in range(sources):
        wanted = int(rng.integers(3, 7))
        brood = broods(rearing, str(source), MOST, SPRING_DRAWS, rng)
        enough = (np.cumsum(brood.candidates(True), axis=1) >= wanted).mean(axis=0)
        if not (enough >= SURE).any():
            continue
        eggs = int(np.argmax(enough >= SURE)) + 1
        found = 0
        for _ in range(springs):
            reared = sum(c["reared"] for c in spring(rng, chances, source, eggs))
            found += int(rng.binomial(reared, 0.5 * 0.99) >= wanted)
        yield float(enough[eggs - 1]), found / springs


def best_inside(seed: int, springs: int = 3) -> Iterator[tuple[str, float, float, float, float]]:
    """Of one invented holding: source, expected merit of the best found, its interval, and what was found."""
    holding = simulate(seed)
    history = live(Options(), np.random.default_rng(seed))
    flock, rng = holding.flock(), np.random.default_rng(seed + 10**6)
    merit = rank(flock)
    known = merit.flock.dropna(subset=["merit_se"]).merge(flock.birds[["bird", "sex"]], on="bird")
    ranked = known.sort_values("merit", ascending=False)
    cock = ranked.loc[ranked["sex"] == "male", "bird"].iloc[0]
    hens = tuple(ranked.loc[ranked["sex"] == "female", "bird"].iloc[:5])
    bought = [Source(str(s), "bought-in") for s in flock.clutches["source"].dropna().unique()]
    sources = [*bought, Source(f"own: {cock}", "home-bred", sires=(cock,), dams=hens)]
    blood, rearing = Blood(flock, merit, sources, list(hens), rng), learn_rearing(flock)
    base = _true_base(history, holding)
    for source in sources:
        eggs = int(rng.integers(8, 25))
        chicks = blood.merit(blood.stock_of(source).chicks(eggs, rng))
        seen = chicks + np.sqrt(blood.noise) * rng.standard_normal(chicks.shape)
        there = broods(rearing, source.key, eggs, SPRING_DRAWS, rng).candidates(True)
        stated = best_found(chicks, seen, there)[:, -1]
        low, high = np.nanquantile(stated, TAILS)
        truth = _true_chicks(history, holding, source, (springs, eggs), rng) - base
        looked = truth + np.sqrt(blood.noise) * rng.standard_normal(truth.shape)
        lives = broods(rearing, source.key, eggs, springs, rng).candidates(True)
        for found in best_found(truth, looked, lives)[:, -1]:
            if np.isfinite(found):
                yield (
                    "own" if source.key == OWN_EGGS else "bought",
                    float(np.nanmean(stated)),
                    low,
                    high,
                    float(found),
                )


def _true_base(history: History, holding: object) -> float:
    rows = [b.row for b in history.birds if b.why is None]
    return float(_true_merit(history, holding, history.descent.value[rows]).mean())


def _true_merit(history: History, holding: object, values: np.ndarray) -> np.ndarray:
    frame = pd.DataFrame(values, columns=list(history.model.names))
    return np.asarray(true_merit(history, frame, holding.standard, holding.plan))


def _true_chicks(
    history: History, holding: object, source: Source, shape: tuple[int, int], rng: np.random.Generator
) -> np.ndarray:
    """True merit (springs × eggs) of chicks of a source's true birds next spring."""
    d = history.descent
    if source.sires:
        row = {b.bird: b.row for b in history.birds}
        sides = [[row[b] for b in birds] for birds in (source.sires, source.dams)]
    else:
        sides = list(supplier_stock(history, source.name, history.options.last + 1))
    halves = [0.5 * d.value[np.asarray(side)][rng.integers(len(side), size=shape)] for side in sides]
    chance = rng.standard_normal((*shape, len(history.model.names))) @ (np.sqrt(0.5) * d.root).T
    values = halves[0] + halves[1] + chance
    return _true_merit(history, holding, values.reshape(-1, values.shape[-1])).reshape(shape)


def main() -> None:
    """Run one of the two for so many holdings."""
    what = sys.argv[1] if len(sys.argv) > 1 else "enough"
    holdings = int(sys.argv[2]) if len(sys.argv) > 2 else (200 if what == "enough" else 40)
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    if what == "enough":
        found = [pair for i in range(holdings) for pair in comes_true(np.random.default_rng(seed + i))]
        stated, true = (np.array(column, dtype=float) for column in zip(*found, strict=True))
        print(f"{len(found)} springs: stated {stated.mean():.3f}, came true {true.mean():.3f}")
        return
    rows = []
    for i in range(holdings):
        rows += list(best_inside(seed + i))
        table = pd.DataFrame(rows, columns=["kind", "mean", "low", "high", "found"])
        inside = table["found"].between(table["low"], table["high"])
        kinds = ", ".join(f"{kind} {part.mean():.3f}" for kind, part in inside.groupby(table["kind"]))
        bias = (table["found"] - table["mean"]).groupby(table["kind"]).mean().round(2).to_dict()
        print(
            f"{i + 1} holdings, {len(table)} springs: inside {inside.mean():.3f} ({kinds}); found − stated {bias}",
            flush=True,
        )


if __name__ == "__main__":
    main()
