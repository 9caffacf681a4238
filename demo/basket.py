"""The egg basket: pens counted from mid June to early October, hens of several hatch years in each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo import breed
from demo.years import History, day

FIRST_RATE = 0.58
"""A first-year hen's rate in early July, before hatch year, year and the hen herself."""
WANDER, WANDER_SD = 0.6, 0.25
"""The pen's good and bad days on the logit: share kept from day to day, standard deviation."""


@dataclass
class Basket:
    """`rows` of the eggs form; `hens` and `rates`: what truly lay behind them, by hen and by hatch year."""

    rows: list[dict]
    hens: list[dict]
    rates: list[dict]


def lay(h: History) -> Basket:
    """Every season's egg counts and the truth behind them."""
    o, rng = h.options, h.rng
    by_label = {b.bird: b for b in h.birds}
    basket = Basket([], [], [])
    laid = [row for row in h.pens if row[0] in breed.LAYING_PENS]
    keepers = {
        bird: rng.standard_normal() * o.hen_sd / 0.25 for bird in dict.fromkeys(row[1] for row in laid)
    }
    years = {y: rng.standard_normal() * o.hatch_year_sd for y in sorted({by_label[b].year for b in keepers})}
    basket.hens = [
        {
            "bird": bird,
            "hatch_year": by_label[bird].year,
            "hen": own,
            "hatch_year_effect": years[by_label[bird].year],
        }
        for bird, own in keepers.items()
    ]
    for season in range(o.first, o.first + o.seasons):
        good = rng.standard_normal() * 0.1
        tallies: dict[int, list[float]] = {}
        for pen in breed.LAYING_PENS:
            rows = [
                row for row in laid if row[0] == pen and row[2] < day(season, 10, 5) and _stays(row, season)
            ]
            base = np.array([_base(o.age_decline, season, by_label[r[1]].year) for r in rows])
            own = np.array([keepers[r[1]] + years[by_label[r[1]].year] for r in rows])
            if rows:
                hatch = [by_label[r[1]].year for r in rows]
                basket.rows += _pen_season(h, season, pen, rows, base + own + good, hatch, tallies)
        basket.rates += [
            {"season": season, "hatch_year": y, "hen_days": t[0], "eggs": t[1], "rate": t[2] / t[0]}
            for y, t in sorted(tallies.items())
        ]
    return basket


def _stays(row: list, season: int) -> bool:
    return row[3] is None or row[3] > day(season, 6, 15)


def _base(decline: float, season: int, year: int) -> float:
    rate = FIRST_RATE * decline ** max(season - year - 1, 0)
    return float(np.log(rate / (1 - rate)))


def _pen_season(
    h: History, season: int, pen: str, rows: list[list], base: np.ndarray, hatch: list[int], tallies: dict
) -> list[dict]:
    """One pen's counts of one season; adds counted hen-days, eggs and summed rates by hatch year to `tallies`."""
    rng = h.rng
    days = np.arange(day(season, 6, 15), day(season, 10, 6))
    since = (days - day(season, 7, 1))[:, None]
    curve = 0.25 - 1.1 * np.maximum(since / 96, -0.2) ** 2
    mood = _wander(rng, len(days))[:, None]
    rate = 1 / (1 + np.exp(-(base[None, :] + curve + mood)))
    rate *= [[r[2] <= d and (r[3] is None or d < r[3]) for r in rows] for d in days]
    eggs = rng.random(rate.shape) < rate
    rate[rng.random(len(days)) < h.options.uncounted] = np.nan
    counted = ~np.isnan(rate[:, 0]) & ((rate > 0).any(axis=1) | np.isnan(rate[:, 0]))
    for k, year in enumerate(hatch):
        t = tallies.setdefault(year, [0, 0, 0.0])
        here = counted & (rate[:, k] > 0)
        t[0] += int(here.sum())
        t[1] += int(eggs[here, k].sum())
        t[2] += float(rate[here, k].sum())
    return _rows(h, pen, days, eggs.sum(axis=1), counted)


def _wander(rng: np.random.Generator, days: int) -> np.ndarray:
    z = rng.standard_normal(days)
    mood = np.empty(days)
    mood[0] = z[0]
    for t in range(1, days):
        mood[t] = WANDER * mood[t - 1] + np.sqrt(1 - WANDER**2) * z[t]
    return WANDER_SD * mood


def _rows(h: History, pen: str, days: np.ndarray, eggs: np.ndarray, counted: np.ndarray) -> list[dict]:
    weighed = h.rng.random(len(days)) < 0.12
    grams = np.round(eggs * 58 + h.rng.standard_normal(len(days)) * 3.5 * np.sqrt(eggs))
    return [
        {
            "on": int(days[t]),
            "pen": pen,
            "eggs": int(eggs[t]),
            "grams": grams[t] if weighed[t] and eggs[t] else None,
        }
        for t in np.flatnonzero(counted)
    ]
