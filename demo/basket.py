"""The egg basket: pens counted from mid June to early October, hens of several hatch years in each."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from demo import breed
from demo.history import History, Stand, day

FIRST_RATE = 0.58
"""A first-year hen's rate in early July, before hatch year, season and the hen herself."""
SLOPE = 0.25
"""Change of a rate near one half for a change of one on the logit."""
WANDER, WANDER_SD = 0.6, 0.25
"""A pen's good and bad days on the logit: share kept from day to day, standard deviation."""


@dataclass
class Basket:
    """`rows` of the eggs form; what lay behind them: `hens`, and `rates` by season and hatch year."""

    rows: list[dict] = field(default_factory=list)
    hens: list[dict] = field(default_factory=list)
    rates: list[dict] = field(default_factory=list)


@dataclass
class PenSeason:
    """One pen's summer: `rate`, `eggs` (days, hens), zero where a hen was not there.

    `counted` days have a row; `gathered` ones do not, but their eggs are in the next day's row.
    """

    pen: str
    days: np.ndarray
    hens: list[Stand]
    rate: np.ndarray
    eggs: np.ndarray
    counted: np.ndarray
    gathered: np.ndarray


def lay(h: History) -> Basket:
    """Every season's egg counts and the truth behind them."""
    layers = [s for s in h.pens if s.pen in breed.LAYING_PENS and not s.bird.male]
    hens = {s.bird.bird: s.bird for s in layers}
    own = {label: h.rng.standard_normal() * h.options.hen_sd / SLOPE for label in hens}
    years = sorted({hen.year for hen in hens.values()})
    hatch = {year: h.rng.standard_normal() * h.options.hatch_year_sd for year in years}
    basket = Basket()
    basket.hens = [
        {"bird": label, "hatch_year": hen.year, "hen": own[label], "hatch_year_effect": hatch[hen.year]}
        for label, hen in hens.items()
    ]
    deviation = {label: own[label] + hatch[hen.year] for label, hen in hens.items()}
    share = h.options.known_layers
    known = list(hens)[1 :: round(1 / share)] if share else []
    for season in range(h.options.first, h.options.last + 1):
        good = h.rng.standard_normal() * 0.1
        pens = [_pen_season(h, season, pen, layers, deviation, good) for pen in breed.LAYING_PENS]
        pens = [pen for pen in pens if pen.hens]
        for pen in pens:
            basket.rows += _rows(h, pen) + _own_rows(h, pen, known)
        basket.rates += _tally(season, pens)
    return basket


def _pen_season(
    h: History, season: int, pen: str, layers: list[Stand], deviation: dict[str, float], good: float
) -> PenSeason:
    """Rates and eggs of one pen's counting season."""
    days = np.arange(day(season, 6, 15), day(season, 10, 6))
    hens = [s for s in layers if s.pen == pen and s.since <= days[-1] and (s.until or days[-1]) > days[0]]
    base = np.array([_logit_rate(h, season, s.bird.year) + deviation[s.bird.bird] for s in hens])
    curve = 0.25 - 1.1 * np.maximum((days - day(season, 7, 1)) / 96, -0.2) ** 2
    logit = (curve + _wander(h.rng, len(days)) + good)[:, None] + base
    here = np.array([(days >= s.since) & (days < (s.until or days[-1] + 1)) for s in hens]).T
    rate = here / (1 + np.exp(-logit)) if hens else np.zeros((len(days), 0))
    eggs = h.rng.random(rate.shape) < rate
    laid = (rate > 0).any(axis=1)
    counted = _counted(h, len(days)) & laid
    gathered = ~counted & laid & np.r_[counted[1:], False] & (h.rng.random(len(days)) < 0.25)
    return PenSeason(pen, days, hens, rate, eggs, counted, gathered)


def _logit_rate(h: History, season: int, year: int) -> float:
    rate = FIRST_RATE * h.options.age_decline ** max(season - year - 1, 0)
    return float(np.log(rate / (1 - rate)))


def _wander(rng: np.random.Generator, days: int) -> np.ndarray:
    """A first-order autoregression with standard deviation WANDER_SD."""
    mood = rng.standard_normal(days)
    for t in range(1, days):
        mood[t] = WANDER * mood[t - 1] + np.sqrt(1 - WANDER**2) * mood[t]
    return WANDER_SD * mood


def _counted(h: History, days: int) -> np.ndarray:
    """Which days have a row of their own: odd days missing, and every other season a whole week."""
    counted = h.rng.random(days) >= h.options.uncounted
    if h.options.uncounted and h.rng.random() < 0.5:
        start = int(h.rng.integers(0, days - 7))
        counted[start : start + 7] = False
    return counted


def _rows(h: History, pen: PenSeason) -> list[dict]:
    """The pen's rows of the form, some with the eggs' weight."""
    total = pen.eggs.sum(axis=1)
    weighed = h.rng.random(len(total)) < 0.12
    rows = []
    for t in np.flatnonzero(pen.counted):
        both = t > 0 and pen.gathered[t - 1]
        eggs = int(total[t] + total[t - 1] * both)
        row = {"on": int(pen.days[t]), "pen": pen.pen, "eggs": eggs, "days": 2 if both else None}
        if eggs and weighed[t]:
            row["grams"] = round(58 * eggs + h.rng.standard_normal() * 3.5 * eggs**0.5)
        rows.append(row)
    return rows


def _own_rows(h: History, pen: PenSeason, known: list[str]) -> list[dict]:
    """Days on which a hen whose eggs are told apart was looked out for; part of her pen's count."""
    rows = []
    watched = pen.counted & ~np.r_[False, pen.gathered[:-1]] & (h.rng.random(len(pen.days)) < 0.5)
    for k, stand in enumerate(pen.hens):
        if stand.bird.bird in known:
            rows += [
                {"on": int(pen.days[t]), "pen": pen.pen, "bird": stand.bird.bird, "eggs": int(pen.eggs[t, k])}
                for t in np.flatnonzero(watched & (pen.rate[:, k] > 0))
            ]
    return rows


def _tally(season: int, pens: list[PenSeason]) -> list[dict]:
    """By hatch year: counted hen-days, the eggs that were truly theirs, and their mean true rate."""
    years = sorted({s.bird.year for pen in pens for s in pen.hens})
    rows = []
    for year in years:
        days, eggs, rate = 0, 0, 0.0
        for pen in pens:
            known = pen.counted | pen.gathered
            of = [k for k, s in enumerate(pen.hens) if s.bird.year == year]
            rates = pen.rate[known][:, of]
            days, rate = days + int((rates > 0).sum()), rate + float(rates.sum())
            eggs += int(pen.eggs[known][:, of].sum())
        if days:
            rows.append(
                {"season": season, "hatch_year": year, "hen_days": days, "eggs": eggs, "rate": rate / days}
            )
    return rows
