"""Invented seasons of laying whose truth is known.

A hen's chance of an egg is logistic in a season curve, her age, her hatch year's deviation and her own; a shock
of the day (shared by the pens) and one of the pen, both first-order autoregressive, come on top. Pens are
filled unevenly, hens move, die and come into lay, days go uncounted.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.records.flock import Flock, assemble
from selection.records.settings import Plan, Standard

FIRST = 2021
HATCHED = (4, 10)
"""Month and day on which every hatch year's chicks hatch."""


@dataclass(frozen=True)
class World:
    """What an invented holding is like; standard deviations of rates are at a rate of one half to two thirds."""

    seasons: int = 1
    pens: int = 2
    hens: tuple[int, int] = (6, 12)
    hatch_years: int = 3
    days: int = 150
    starts: tuple[int, int] = (3, 15)
    rate: float = 0.65
    decline: float = 0.80
    decline_sd: float = 0.08
    hatch_sd: float = 0.05
    hens_sd: float = 0.10
    curve_sd: float = 0.20
    shock_sd: float = 0.25
    pen_shock_sd: float = 0.25
    memory: float = 0.6
    uncounted: float = 0.1
    gap: int = 14
    moves: int = 3
    deaths: int = 1
    unevenness: float = 0.5
    own_records: float = 0.0


@dataclass(frozen=True)
class Simulated:
    """A flock and, for each season and hatch year, its true rates on the counted hen-days.

    `truth`: season, hatch_year, hen_days, rate (of the hatch year: mean over hens there might have been, no
    shocks), rate_these (of the hens there were, no shocks).
    """

    flock: Flock
    truth: pd.DataFrame = field(repr=False)


def simulate(world: World, rng: np.random.Generator) -> Simulated:
    """One holding's seasons drawn from `world`."""
    slope = 1 / (world.rate * (1 - world.rate))
    sd_hens = world.hens_sd * slope
    years = np.arange(FIRST - world.hatch_years, FIRST + world.seasons - 1)
    deviation = dict(zip(years.tolist(), rng.normal(0, world.hatch_sd * slope, len(years)), strict=True))
    ages = _age_effects(world, rng)
    birds, pens, eggs, truth = [], [], [], []
    own_of: dict[str, float] = {}
    total = int(rng.integers(world.hens[0], world.hens[1] + 1))
    for season in range(FIRST, FIRST + world.seasons):
        stood = _stand(world, season, total, rng, own_of, sd_hens)
        start = pd.Timestamp(season, *world.starts)
        curve = _curve(world, rng)
        counted = _counted(world, rng)
        for row in stood:
            pens.append(
                (
                    row["pen"],
                    row["bird"],
                    start + pd.Timedelta(days=row["from"]),
                    start + pd.Timedelta(days=row["to"]),
                )
            )
        eggs += _lay(world, season, start, stood, curve, counted, ages, deviation, own_of, rng)
        truth.append(_truth(world, season, stood, curve, counted, ages, deviation, own_of, sd_hens))
    for bird in own_of:
        birds.append((bird, "female", f"{bird.split('-')[0]}-H1"))
    clutches = [
        (f"{y}-H1", "home-bred", pd.Timestamp(y, *HATCHED) - pd.Timedelta(days=21), pd.Timestamp(y, *HATCHED))
        for y in years
    ]
    flock = assemble(
        Standard("invented", ()),
        Plan(date(FIRST + world.seasons - 1, 12, 31), FIRST + world.seasons - 1, {}),
        {
            "clutches": pd.DataFrame(clutches, columns=["clutch", "origin", "set_on", "hatched_on"]),
            "birds": pd.DataFrame(birds, columns=["bird", "sex", "clutch"]),
            "pens": pd.DataFrame(pens, columns=["pen", "bird", "from", "to"]),
            "eggs": pd.DataFrame(eggs, columns=["on", "pen", "bird", "eggs"]),
        },
    )
    return Simulated(flock, pd.concat(truth, ignore_index=True))


def _age_effects(world: World, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Logit effect of the first, second, … laying season, from a decline drawn for each step."""
    rates = [world.rate]
    for _ in range(world.hatch_years + world.seasons):
        rates.append(rates[-1] * rng.normal(world.decline, world.decline_sd))
    rate = np.clip(np.array(rates), 0.02, 0.97)
    return np.log(rate / (1 - rate)) - np.log(world.rate / (1 - world.rate))


def _stand(
    world: World, season: int, total: int, rng: np.random.Generator, own_of: dict[str, float], sd: float
) -> list[dict]:
    """Who stands in which pen from which day to which (exclusive), with moves and deaths."""
    years = [season - 1 - k for k in range(world.hatch_years)]
    sizes = np.maximum(
        1, rng.multinomial(total - world.hatch_years, np.ones(world.hatch_years) / world.hatch_years) + 1
    )
    stood = []
    for year, size in zip(years, sizes, strict=True):
        share = rng.dirichlet(np.full(world.pens, world.unevenness))
        for k in range(size):
            bird = f"{year}-{k}"
            if bird not in own_of:
                own_of[bird] = rng.normal(0, sd)
            stood.append(
                {
                    "bird": bird,
                    "year": year,
                    "pen": f"pen {rng.choice(world.pens, p=share)}",
                    "from": 0,
                    "to": world.days,
                }
            )
    for k in rng.choice(len(stood), min(world.moves, len(stood)), replace=False):
        day = int(rng.integers(20, world.days - 20))
        other = f"pen {rng.integers(world.pens)}"
        if other != stood[k]["pen"]:
            stood.append({**stood[k], "pen": other, "from": day})
            stood[k]["to"] = day
    for k in rng.choice(len(stood), min(world.deaths, len(stood)), replace=False):
        stood[k]["to"] = (
            int(rng.integers(stood[k]["from"] + 5, stood[k]["to"] + 1))
            if stood[k]["to"] - stood[k]["from"] > 10
            else stood[k]["to"]
        )
    return stood


def _curve(world: World, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Season curve by day on the logit scale: a level, and a smooth walk through monthly points."""
    months = np.arange(0, world.days + 29, 28)
    walk = np.cumsum(rng.normal(0, world.curve_sd, len(months)))
    level = np.log(world.rate / (1 - world.rate)) + rng.normal(0, 0.2)
    return level + np.interp(np.arange(world.days), months, walk - walk.mean())


def _counted(world: World, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Which days each pen was counted: (pens, days)."""
    counted = rng.random((world.pens, world.days)) >= world.uncounted
    if world.gap:
        start = int(rng.integers(0, world.days - world.gap))
        counted[:, start : start + world.gap] = False
    return counted


def _shocks(world: World, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Shocks by pen and day, (pens, days), on the logit scale."""

    def walk(sd: float) -> npt.NDArray[np.float64]:
        steps = rng.normal(0, sd * np.sqrt(1 - world.memory**2), world.days)
        out = np.empty(world.days)
        out[0] = rng.normal(0, sd)
        for t in range(1, world.days):
            out[t] = world.memory * out[t - 1] + steps[t]
        return out

    return walk(world.shock_sd) + np.stack([walk(world.pen_shock_sd) for _ in range(world.pens)])


def _logit_of(row: dict, season: int, curve: npt.NDArray, ages: npt.NDArray, deviation: dict) -> npt.NDArray:
    return curve[row["from"] : row["to"]] + ages[season - row["year"] - 1] + deviation[row["year"]]


def _lay(world, season, start, stood, curve, counted, ages, deviation, own_of, rng) -> list[tuple]:
    """Egg rows: one for each pen and counted day, and one for each recorded hen and counted day."""
    shocks = _shocks(world, rng)
    laid = np.zeros((world.pens, world.days))
    rows = []
    recorded = {b for b in sorted({r["bird"] for r in stood}) if rng.random() < world.own_records}
    for row in stood:
        pen = int(row["pen"].split()[1])
        logit = _logit_of(row, season, curve, ages, deviation) + own_of[row["bird"]]
        egg = rng.random(row["to"] - row["from"]) < 1 / (
            1 + np.exp(-logit - shocks[pen, row["from"] : row["to"]])
        )
        laid[pen, row["from"] : row["to"]] += egg
        if row["bird"] in recorded:
            for k in np.flatnonzero(counted[pen, row["from"] : row["to"]]):
                rows.append(
                    (start + pd.Timedelta(days=int(row["from"] + k)), row["pen"], row["bird"], float(egg[k]))
                )
    for pen in range(world.pens):
        for day in np.flatnonzero(counted[pen]):
            rows.append((start + pd.Timedelta(days=int(day)), f"pen {pen}", None, laid[pen, day]))
    return rows


def _truth(world, season, stood, curve, counted, ages, deviation, own_of, sd) -> pd.DataFrame:
    """True rates of each hatch year on its counted hen-days, each the mean over the shocks there might be."""
    shock = world.shock_sd**2 + world.pen_shock_sd**2
    rows = []
    for row in stood:
        there = counted[int(row["pen"].split()[1]), row["from"] : row["to"]]
        logit = _logit_of(row, season, curve, ages, deviation)[there]
        of_any = mean_rate(logit, np.sqrt(sd**2 + shock))
        of_her = mean_rate(logit + own_of[row["bird"]], np.sqrt(shock))
        rows.append((season, row["year"], there.sum(), of_any.sum(), of_her.sum()))
    frame = pd.DataFrame(rows, columns=["season", "hatch_year", "hen_days", "rate", "rate_these"])
    summed = frame.groupby(["season", "hatch_year"], as_index=False).sum()
    return summed.assign(
        rate=summed["rate"] / summed["hen_days"], rate_these=summed["rate_these"] / summed["hen_days"]
    )


def mean_rate(logit: npt.NDArray[np.float64], sd: float) -> npt.NDArray[np.float64]:
    """Mean of the logistic of a normal variable with mean `logit`, (d,), by Gauss-Hermite quadrature."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(15)
    return (1 / (1 + np.exp(-(logit[:, None] + sd * nodes)))) @ weights / weights.sum()
