"""Invented seasons of laying whose truth is known.

A hen's chance of an egg is logistic in a season curve, her age, her hatch year's deviation and her own; a shock
of the day shared by all pens and one of the pen come on top, each a first-order autoregression. Pens are filled
unevenly, hens move, go and are recorded singly, and days go uncounted.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.records.flock import Flock, assemble
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Standard

Array = npt.NDArray[np.float64]
Rng = np.random.Generator

FIRST = 2021
HATCHED = (4, 10)
"""Month and day on which every hatch year's chicks hatch."""


@dataclass(frozen=True)
class World:
    """What an invented holding is like. `hatch_sd` and `hens_sd` are of rates, at `rate`; shocks of logits.

    `unevenness` is that of a Dirichlet by which a hatch year's hens are parted between the pens: small, each
    hatch year keeps to one pen; large, all pens are alike. `together` gives every pen every hatch year in the
    same numbers, without moves: nothing can tell them apart.
    """

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
    together: bool = False

    @property
    def slope(self) -> float:
        """Change of the logit with the rate, at `rate`."""
        return 1 / (self.rate * (1 - self.rate))


@dataclass(frozen=True)
class Simulated:
    """A flock and, for each season and hatch year, its true rates on the counted hen-days.

    `truth`: season, hatch_year, hen_days, rate (of the hatch year: the mean over hens and shocks there might have
    been), rate_these (of the hens there were, the mean over shocks).
    """

    flock: Flock
    truth: pd.DataFrame = field(repr=False)


@dataclass(frozen=True)
class Effects:
    """What holds for all seasons, on the logit scale: `age` by laying season from 1, `hatch` by year, `hen` by name."""

    age: Array
    hatch: dict[int, float]
    hen: dict[str, float]


@dataclass(frozen=True)
class Season:
    """One season: its curve (days,), which days each pen was counted (pens, days), and its hens' spells.

    `spells` are (bird, hatch year, pen, first day, day after the last), days from the season's first.
    """

    year: int
    curve: Array
    counted: npt.NDArray[np.bool_]
    spells: list[tuple[str, int, int, int, int]]

    def day(self, world: World, number: int) -> pd.Timestamp:
        return pd.Timestamp(self.year, *world.starts) + pd.Timedelta(days=int(number))


def simulate(world: World, rng: Rng) -> Simulated:
    """One holding's seasons drawn from `world`."""
    years = range(FIRST - world.hatch_years, FIRST + world.seasons - 1)
    hatch = {year: float(rng.normal(0, world.hatch_sd * world.slope)) for year in years}
    effects = Effects(_ages(world, rng), hatch, {})
    number = int(rng.integers(world.hens[0], world.hens[1] + 1))
    seasons, eggs, truth = [], [], []
    for year in range(FIRST, FIRST + world.seasons):
        season = Season(year, _curve(world, rng), _counted(world, rng), _spells(world, year, number, rng))
        for bird, *_ in season.spells:
            effects.hen.setdefault(bird, float(rng.normal(0, world.hens_sd * world.slope)))
        seasons.append(season)
        eggs += _lay(world, season, effects, rng)
        truth.append(_truth(world, season, effects))
    return Simulated(_flock(world, seasons, eggs, effects), pd.concat(truth, ignore_index=True))


def _ages(world: World, rng: Rng) -> Array:
    """Logit effect of each laying season, a decline drawn for each step."""
    steps = rng.normal(world.decline, world.decline_sd, world.hatch_years + world.seasons)
    rate = np.clip(world.rate * np.cumprod(np.concatenate([[1.0], steps])), 0.02, 0.97)
    logit = np.log(rate / (1 - rate))
    return logit - logit[0]


def _curve(world: World, rng: Rng) -> Array:
    """Season curve by day on the logit scale: a level, and straight lines between the months of a walk."""
    months = np.arange(0, world.days + 29, 28)
    walk = np.cumsum(rng.normal(0, world.curve_sd, len(months)))
    level = np.log(world.rate / (1 - world.rate)) + rng.normal(0, 0.2)
    return level + np.interp(np.arange(world.days), months, walk - walk.mean())


def _counted(world: World, rng: Rng) -> npt.NDArray[np.bool_]:
    """Single days missed here and there, and a gap in which nobody counted."""
    counted = rng.random((world.pens, world.days)) >= world.uncounted
    start = int(rng.integers(0, world.days - world.gap))
    counted[:, start : start + world.gap] = False
    return counted


def _spells(world: World, year: int, number: int, rng: Rng) -> list[tuple[str, int, int, int, int]]:
    """Hens of the last hatch years, at least one of each, put into pens; some move once, some go."""
    each = np.full(world.hatch_years, 1 / world.hatch_years)
    sizes = rng.multinomial(number - world.hatch_years, each) + 1
    if world.together:
        sizes = np.full(world.hatch_years, world.pens)
    spells = []
    for age, size in enumerate(sizes, start=1):
        share = rng.dirichlet(np.full(world.pens, world.unevenness))
        pens = np.arange(size) % world.pens if world.together else rng.choice(world.pens, size, p=share)
        spells += [(f"{year - age}-{k}", year - age, int(pen), 0, world.days) for k, pen in enumerate(pens)]
    return spells if world.together else _moved(world, spells, rng)


def _moved(
    world: World, spells: list[tuple[str, int, int, int, int]], rng: Rng
) -> list[tuple[str, int, int, int, int]]:
    """The spells after moves to another pen, and after hens that went."""
    spells = list(spells)
    for k in rng.choice(len(spells), min(world.moves, len(spells)), replace=False):
        bird, hatched, pen, first, end = spells[k]
        day, other = int(rng.integers(20, world.days - 20)), int(rng.integers(world.pens))
        if other != pen:
            spells[k] = (bird, hatched, pen, first, day)
            spells.append((bird, hatched, other, day, end))
    last = [k for k, spell in enumerate(spells) if spell[4] == world.days]
    for k in rng.choice(last, min(world.deaths, len(last)), replace=False):
        bird, hatched, pen, first, end = spells[k]
        spells[k] = (bird, hatched, pen, first, int(rng.integers(first + 5, end + 1)))
    return spells


def _lay(world: World, season: Season, effects: Effects, rng: Rng) -> list[tuple]:
    """Rows of the eggs form: each counted day of each pen, and of each hen that was recorded singly."""
    shocks = _shocks(world, rng)
    laid = np.zeros((world.pens, world.days))
    birds = sorted({bird for bird, *_ in season.spells})
    singly = {bird for bird in birds if rng.random() < world.own_records}
    rows: list[tuple] = []
    for bird, hatched, pen, first, end in season.spells:
        logit = _logit(season, effects, hatched, first, end) + effects.hen[bird] + shocks[pen, first:end]
        eggs = rng.random(end - first) < 1 / (1 + np.exp(-logit))
        laid[pen, first:end] += eggs
        if bird in singly:
            days = np.flatnonzero(season.counted[pen, first:end])
            rows += [(season.day(world, first + k), f"pen {pen}", bird, float(eggs[k])) for k in days]
    for pen in range(world.pens):
        days = np.flatnonzero(season.counted[pen])
        rows += [(season.day(world, k), f"pen {pen}", None, laid[pen, k]) for k in days]
    return rows


def _logit(season: Season, effects: Effects, hatched: int, first: int, end: int) -> Array:
    """Season curve, age and hatch year of a spell, by day."""
    return season.curve[first:end] + effects.age[season.year - hatched - 1] + effects.hatch[hatched]


def _shocks(world: World, rng: Rng) -> Array:
    """Shocks by pen and day: the day's, and the pen's own."""
    pens = np.stack([_autoregression(world, world.pen_shock_sd, rng) for _ in range(world.pens)])
    return pens + _autoregression(world, world.shock_sd, rng)


def _autoregression(world: World, sd: float, rng: Rng) -> Array:
    values = rng.normal(0, sd, world.days)
    for t in range(1, world.days):
        values[t] = world.memory * values[t - 1] + np.sqrt(1 - world.memory**2) * values[t]
    return values


def _truth(world: World, season: Season, effects: Effects) -> pd.DataFrame:
    """True rates of each hatch year on its counted hen-days."""
    hens, shocks = (world.hens_sd * world.slope) ** 2, world.shock_sd**2 + world.pen_shock_sd**2
    rows = []
    for bird, hatched, pen, first, end in season.spells:
        logit = _logit(season, effects, hatched, first, end)[season.counted[pen, first:end]]
        of_any = mean_rate(logit, np.sqrt(hens + shocks)).sum()
        of_her = mean_rate(logit + effects.hen[bird], np.sqrt(shocks)).sum()
        rows.append((season.year, hatched, len(logit), of_any, of_her))
    frame = pd.DataFrame(rows, columns=["season", "hatch_year", "hen_days", "rate", "rate_these"])
    summed = frame.groupby(["season", "hatch_year"], as_index=False).sum()
    summed = summed[summed["hen_days"] > 0]
    return summed.assign(
        rate=summed["rate"] / summed["hen_days"], rate_these=summed["rate_these"] / summed["hen_days"]
    )


def mean_rate(logit: Array, sd: float) -> Array:
    """Mean of the logistic of a normal variable with mean `logit`, (d,), by Gauss-Hermite quadrature."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(15)
    return (1 / (1 + np.exp(-(logit[:, None] + sd * nodes)))) @ weights / weights.sum()


def _flock(world: World, seasons: list[Season], eggs: list[tuple], effects: Effects) -> Flock:
    """The forms that such a holding would hand in."""
    birds = [
        (bird, "female", f"{bird.split('-')[0]}-{HATCHED[0]:02}-{HATCHED[1]:02}") for bird in effects.hen
    ]
    pens = [
        (f"pen {pen}", bird, season.day(world, first), season.day(world, end))
        for season in seasons
        for bird, _, pen, first, end in season.spells
    ]
    last = FIRST + world.seasons - 1
    forms = {
        "birds": pd.DataFrame(birds, columns=["bird", "sex", "hatched_on"]),
        "pens": pd.DataFrame(pens, columns=["pen", "bird", "from", "to"]),
        "eggs": pd.DataFrame(eggs, columns=["on", "pen", "bird", "eggs"]),
    }
    return assemble(Standard("invented", ()), Plan(date(last, 12, 31), last, {}), forms)
