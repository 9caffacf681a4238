"""Eggs to expect next season from given hens, on the days of the year between this season's first and last count.

The season is taken to be as this one was, give or take what years have differed by; the hens are a year older.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.compare.basket import fortnight_of
from selection.compare.laying_design import NOT_KNOWN, Design
from selection.compare.laying_model import FLATTER, Array, Fit
from selection.compare.laying_rows import Z, interval

YEARS_SD = 0.20
"""How far one year's season curve is from the next one's, logit scale. Common practice, no source."""
YEARS_WEIGHT = 4.0
"""How many differences between years that prior is worth."""


def day_of(when: pd.Timestamp) -> str:
    """A day of the year in words: 4 October."""
    return f"{when.day} {when:%B}"


@dataclass(frozen=True)
class Expected:
    """What is expected of some hens next season.

    `hens`: bird, hatch_year, laying_season, eggs, rate, low, high (of the rate), lowest rate first. `eggs`, `low`,
    `high`: of all together, with a 90 % prediction interval. `days` from `first` to `last` of the year are those meant.
    """

    hens: pd.DataFrame
    eggs: float
    low: float
    high: float
    days: int
    first: pd.Timestamp
    last: pd.Timestamp

    @property
    def sentence(self) -> str:
        """The expectation in words."""
        return (
            f"Of these {len(self.hens)} hens {self.eggs:.0f} eggs are expected next season "
            f"({self.low:.0f} to {self.high:.0f}) in the {self.days} days from {day_of(self.first)} to "
            f"{day_of(self.last)}, if none goes and the season is like this one; of the rest of the year this says "
            "nothing."
        )


def expect(fit: Fit, design: Design, hens: pd.DataFrame, first: pd.Timestamp, last: pd.Timestamp) -> Expected:
    """Eggs expected of `hens` (bird, hatch_year or NOT_KNOWN, lot or −1, size of the lot) next season.

    `first` and `last` are the first and last day counted in the last season.
    """
    season = design.seasons[-1] + 1
    x = design.columns.rows(season, hens["hatch_year"].to_numpy(), hens["lot"].to_numpy())
    days = _days(design, first, last)
    rate, slope = _rates(fit, design, hens, x, days)
    part = days / days.sum()
    covariance = _covariance(fit, design, hens, x, slope * part)
    ends = [
        interval(r, s, float(days.sum()))
        for r, s in zip(rate @ part, np.sqrt(np.diag(covariance)), strict=True)
    ]
    eggs = float((rate @ days).sum())
    noise = fit.spread.dispersion * float(((rate * (1 - rate)) @ days).sum())
    sd = float(np.sqrt(covariance.sum() * days.sum() ** 2 + noise))
    most = len(hens) * float(days.sum())
    age = (season - hens["hatch_year"]).where(hens["hatch_year"] != NOT_KNOWN)
    table = pd.DataFrame(
        {
            "bird": hens["bird"].to_numpy(),
            "hatch_year": hens["hatch_year"].where(hens["hatch_year"] != NOT_KNOWN).to_numpy(),
            "laying_season": age.to_numpy(),
            "eggs": rate @ days,
            "rate": rate @ part,
            "low": [low for low, _ in ends],
            "high": [high for _, high in ends],
        }
    ).sort_values("rate", kind="stable", ignore_index=True)
    return Expected(
        table, eggs, max(eggs - Z * sd, 0.0), min(eggs + Z * sd, most), int(days.sum()), first, last
    )


def _days(design: Design, first: pd.Timestamp, last: pd.Timestamp) -> Array:
    """Days from `first` to `last` by fortnight of the last season's curve; uncounted ones go to the nearest."""
    every = pd.Series(pd.date_range(first, last))
    known = design.fortnights[-1]
    nearest = np.abs(fortnight_of(every).to_numpy()[:, None] - known).argmin(axis=1)
    return np.bincount(nearest, minlength=len(known)).astype(float)


def _rates(fit: Fit, design: Design, hens: pd.DataFrame, x: Array, days: Array) -> tuple[Array, Array]:
    """Expected rate of each hen and fortnight, (q, f), and its change with the logit.

    The mean over what is not known of her logit, so that a hen never counted is not flattered.
    """
    part = np.tile(days / days.sum(), (len(hens), 1))
    variance = np.diag(_covariance(fit, design, hens, x, part))
    season = fit.seasons[-1]
    f = len(season.basis)
    logit = season.basis[:, :f] @ season.own[:f] + (x @ fit.effects)[:, None]
    rate = 1 / (1 + np.exp(-logit / np.sqrt(1 + FLATTER * variance)[:, None]))
    return rate, rate * (1 - rate)


def _covariance(fit: Fit, design: Design, hens: pd.DataFrame, x: Array, weight: Array) -> Array:
    """Covariance (q, q) of Σ over fortnights of weight (q, f) × logit, between the hens."""
    season = fit.seasons[-1]
    f = len(season.basis)
    own = np.zeros((len(hens), 2 * f))
    own[:, :f] = weight @ season.basis[:, :f]
    total = weight.sum(axis=1)
    known = fit.among(len(fit.seasons) - 1, own, total[:, None] * x)
    return known + np.outer(total, total) * _not_fitted(fit, design, hens)


def _not_fitted(fit: Fit, design: Design, hens: pd.DataFrame) -> Array:
    """Covariance (q, q) of the logits from what the counts had no say in: the year, new hatch years, single hens."""
    year = hens["hatch_year"].to_numpy()
    lot, size = hens["lot"].to_numpy(), hens["size"].to_numpy(dtype=float)
    new = ~np.isin(year, design.columns.years) & (year != NOT_KNOWN)
    hatch = (year[:, None] == year) & new
    herself = np.eye(len(hens)) - np.where((lot[:, None] == lot) & (lot >= 0), 1 / size, 0.0)
    return _years_sd(fit) ** 2 + fit.spread.hatch**2 * hatch + fit.spread.hens**2 * herself


def _years_sd(fit: Fit) -> float:
    """How far the levels of successive years are apart, held towards the prior."""
    levels = []
    for season in fit.seasons:
        counts = season.counts
        days = np.bincount(counts.fortnight[counts.cell], counts.hen_days, len(season.basis))
        levels.append(float(np.average(season.basis @ season.own, weights=days)))
    differences = np.diff(levels)
    squares = YEARS_WEIGHT * YEARS_SD**2 + float(np.sum(differences**2))
    return float(np.sqrt(squares / (YEARS_WEIGHT + len(differences))))
