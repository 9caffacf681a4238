"""Laying by age and through the season: the yearly decline beside the published one, and the season curves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.answer import Floats
from selection.compare.laying.basket import FORTNIGHT, fortnight_of
from selection.compare.laying.design import NOT_KNOWN, LayingDesign
from selection.compare.laying.model import FLATTER, Fit, gradients
from selection.compare.laying.rows import APART, HenGroup, Z, rate_interval, shares
from selection.merit.published import YEARLY_LAYING


def decline_of(fit: Fit, design: LayingDesign) -> pd.DataFrame:
    """Each laying season's rate as a share of the season before, beside the published value.

    One row for each step between ages that were both counted: step (`2 after 1`), published, published_sd,
    decline, low, high, told (`yes` where the counts leave under half of the prior variance). The shares hold at the
    rate that the published decline gives at that age. A step stays near the published value where only its prior
    speaks: age, season and hatch year cannot all be told apart.
    """
    ages = {
        int(design.seasons[i] - year)
        for i, years in enumerate(design.hatch_years)
        for year in years[years != NOT_KNOWN]
    }
    rows = []
    for j in range(1, design.columns.steps):
        if j not in ages or j + 1 not in ages:
            continue
        before = design.first_rate * YEARLY_LAYING.mean ** (j - 1)
        sd = float(np.sqrt(fit.covariance[j, j]))
        logit = np.log(before / (1 - before)) + fit.effects[j] + sd * np.array([0.0, -Z, Z])
        share = 1 / (1 + np.exp(-logit)) / before
        rows.append(
            {
                "step": f"{j + 1} after {j}",
                "published": YEARLY_LAYING.mean,
                "published_sd": YEARLY_LAYING.sd,
                "decline": share[0],
                "low": share[1],
                "high": share[2],
                "told": "yes" if sd**2 < APART * fit.prior[j] else "no",
            }
        )
    columns = ["step", "published", "published_sd", "decline", "low", "high", "told"]
    return pd.DataFrame(rows, columns=columns)


def curve_of(fit: Fit, design: LayingDesign, groups: list[HenGroup]) -> pd.DataFrame:
    """The season curve of every row of the table, a fortnight at a time.

    season, hatch_year, from (first day of the fortnight), hen_days, eggs (shared out), counted (eggs ÷ hen-days,
    rough), rate (the model's, smooth), low, high (of these very hens). Fortnights without a count have no row.
    """
    pieces = [_curve(fit, design, group) for group in groups]
    return pd.concat(pieces, ignore_index=True)


def _curve(fit: Fit, design: LayingDesign, group: HenGroup) -> pd.DataFrame:
    part = fit.seasons[group.season]
    counts, f = part.counts, len(part.basis)
    mine = counts.hen_days * group.of[counts.kind]
    when = counts.fortnight[counts.cell]
    days, expected = np.bincount(when, mine, f), np.bincount(when, mine * part.rate, f)
    eggs = np.bincount(counts.fortnight, counts.eggs * shares(counts, part.rate, group.of), f)
    seen = days > 0
    mean = (np.arange(f)[seen, None] == counts.fortnight) / days[seen, None]
    own, shared = (mean @ side for side in gradients(counts, part.basis, part.rate, group.of))
    se = np.sqrt(np.maximum(fit.variances(group.season, own, shared), 0.0))
    rate = expected[seen] / days[seen]
    ends = [rate_interval(*of) for of in zip(rate, se, days[seen], strict=True)]
    first = pd.Timestamp(design.seasons[group.season], 1, 1)
    return pd.DataFrame(
        {
            "season": design.seasons[group.season],
            "hatch_year": group.label,
            "from": first + pd.to_timedelta(design.fortnights[group.season][seen] * FORTNIGHT, unit="D"),
            "hen_days": days[seen],
            "eggs": eggs[seen],
            "counted": eggs[seen] / days[seen],
            "rate": rate,
            "low": [low for low, _ in ends],
            "high": [high for _, high in ends],
        }
    )


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


def expect(
    fit: Fit, design: LayingDesign, hens: pd.DataFrame, first: pd.Timestamp, last: pd.Timestamp
) -> Expected:
    """Eggs expected of `hens` (bird, hatch_year or NOT_KNOWN, lot or −1, size of the lot) next season.

    `first` and `last` are the first and last day counted in the last season. Hens of one hatch year and lot are
    worked out once.
    """
    alike = hens.groupby(["hatch_year", "lot", "size"], sort=False)
    which, of = alike.ngroup().to_numpy(), alike.size().rename("number").reset_index()
    days = _days(design, first, last)
    part = days / days.sum()
    x = design.columns.rows(design.seasons[-1] + 1, of["hatch_year"].to_numpy(), of["lot"].to_numpy())
    rate, slope = _rates(fit, design, of, x, part)
    covariance = _covariance(fit, design, of, x, slope * part)
    herself = (slope @ part) ** 2 * fit.spread.hens**2
    lone = np.diag(covariance) + herself * (1 - _of_lot(of, 1))
    ends = [
        rate_interval(*each)
        for each in zip(rate @ part, np.sqrt(lone), np.full(len(of), days.sum()), strict=True)
    ]
    number = of["number"].to_numpy(dtype=float)
    noise = fit.spread.dispersion * float(number @ (rate * (1 - rate)) @ days)
    together = number @ covariance @ number + number @ (herself * (1 - _of_lot(of, number)))
    sd = float(np.sqrt(together * days.sum() ** 2 + noise))
    eggs, most = float(number @ rate @ days), float(number.sum() * days.sum())
    known = of["hatch_year"].where(of["hatch_year"] != NOT_KNOWN)
    table = pd.DataFrame(
        {
            "hatch_year": known,
            "laying_season": design.seasons[-1] + 1 - known,
            "eggs": rate @ days,
            "rate": rate @ part,
            "low": [low for low, _ in ends],
            "high": [high for _, high in ends],
        }
    ).iloc[which]
    table.insert(0, "bird", hens["bird"].to_numpy())
    table = table.sort_values("rate", kind="stable", ignore_index=True)
    return Expected(
        table, eggs, max(eggs - Z * sd, 0.0), min(eggs + Z * sd, most), int(days.sum()), first, last
    )


def _of_lot(of: pd.DataFrame, number: float | Floats) -> Floats:
    """Share of its lot that a number of hens is: their mean is that much known from the lot's (0: never counted)."""
    return np.where(of["lot"] >= 0, number / of["size"].to_numpy(dtype=float), 0.0)


def _days(design: LayingDesign, first: pd.Timestamp, last: pd.Timestamp) -> Floats:
    """Days from `first` to `last` by fortnight of the last season's curve; uncounted ones go to the nearest."""
    every = pd.Series(pd.date_range(first, last))
    known = design.fortnights[-1]
    nearest = np.abs(fortnight_of(every).to_numpy()[:, None] - known).argmin(axis=1)
    return np.bincount(nearest, minlength=len(known)).astype(float)


def _rates(
    fit: Fit, design: LayingDesign, of: pd.DataFrame, x: Floats, part: Floats
) -> tuple[Floats, Floats]:
    """Expected rate of each kind of hen and fortnight, (k, f), and its change with the logit.

    The mean over what is not known of her logit, so that a hen never counted is not flattered.
    """
    weight = np.tile(part, (len(of), 1))
    variance = np.diag(_covariance(fit, design, of, x, weight)) + fit.spread.hens**2 * (1 - _of_lot(of, 1))
    season = fit.seasons[-1]
    f = len(season.basis)
    logit = season.basis[:, :f] @ season.own[:f] + (x @ fit.effects)[:, None]
    rate = 1 / (1 + np.exp(-logit / np.sqrt(1 + FLATTER * variance)[:, None]))
    return rate, rate * (1 - rate)


def _covariance(fit: Fit, design: LayingDesign, of: pd.DataFrame, x: Floats, weight: Floats) -> Floats:
    """Covariance (k, k) of Σ over fortnights of weight (k, f) × logit, hens' differences within a lot left out.

    Beside what the fit leaves open: how years differ, and hatch years that were never counted.
    """
    season = fit.seasons[-1]
    f = len(season.basis)
    own = np.zeros((len(of), 2 * f))
    own[:, :f] = weight @ season.basis[:, :f]
    total = weight.sum(axis=1)
    year = of["hatch_year"].to_numpy()
    new = ~np.isin(year, design.columns.years) & (year != NOT_KNOWN)
    not_fitted = _years_sd(fit) ** 2 + fit.spread.hatch**2 * ((year[:, None] == year) & new)
    return fit.among(len(fit.seasons) - 1, own, total[:, None] * x) + np.outer(total, total) * not_fitted


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
