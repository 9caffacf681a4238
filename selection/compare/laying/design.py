"""From an egg basket to the laying model's arrays: kinds of hen, their effects, and what is known beforehand.

The effects are one step for each year of age, one deviation for each hatch year and one for each lot of hens.
A hen's laying season is her season less her hatch year: the first is the calendar year after she hatched, and
0 the autumn of her hatch year, when pullets come into lay.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import Floats
from selection.compare.laying.basket import FORTNIGHT, Basket
from selection.compare.laying.model import (
    FLATTER,
    HATCH,
    HENS,
    STEPS,
    Counts,
    Effects,
    Index,
    LayingSpread,
)
from selection.merit.published import YEARLY_LAYING

HENS_SD = 0.10
"""How much hens of one hatch year differ in hen-day rate, as a standard deviation. Common practice, no source: only the
middle of what is believed, integrated over with what the counts say of it (`Weight.hens`)."""
HATCH_SD = 0.025
"""How much hatch years differ at one age beyond the published decline's own spread: the middle of what is believed, as
for hens (`Weight.hatch`). Common practice, no source; how intervals hold where both differ from it is
measured in `tests/benchmarks/simulate_laying.py`."""
CURVE_SD = 0.20
"""Change of the season curve in 28 days, logit scale. Common practice, no source."""
SHOCK_SD = 0.15
"""A fortnight's shock that all pens share, logit scale. Common practice, no source."""
AUTUMN_SD = 0.5
"""How far pullets in the autumn of their hatch year may be from their first full season, logit scale: wide."""
UNKNOWN_SD = 0.6
"""The same for the age of a hen whose hatch year is not known."""
_MONTH = 28

NOT_KNOWN = 0.0
"""The hatch year of hens whose hatch year is not known."""


@dataclass(frozen=True)
class Columns:
    """Where each effect stands among all: age steps 0..a−1, hatch years, hens' lots, age not known (or −1).

    Step 0 leads from the autumn of hatching to the first season, step j from season j to season j+1.
    """

    steps: int
    years: Floats
    lots: Index
    unknown: int

    @property
    def number(self) -> int:
        return self.steps + len(self.years) + len(self.lots) + (self.unknown >= 0)

    def rows(self, season: int, hatch_year: Floats, lot: Index) -> Floats:
        """Coefficients (n, G) of hens in a season: their age, hatch year and lot (−1: a hen never counted).

        A hatch year that was never counted has no column either; both then stand at their prior mean of 0.
        """
        x = np.zeros((len(lot), self.number))
        known = hatch_year != NOT_KNOWN
        age = np.where(known, season - hatch_year, 1)
        j = np.arange(self.steps)
        x[:, : self.steps] = (j >= 1) & (j[None] < age[:, None])
        x[age == 0, 0] = -1.0
        found = np.isin(hatch_year, self.years)
        x[np.flatnonzero(found), self.steps + np.searchsorted(self.years, hatch_year[found])] = 1.0
        mine = lot >= 0
        at = self.steps + len(self.years) + np.searchsorted(self.lots, lot[mine])
        x[np.flatnonzero(mine), at] = 1.0
        if self.unknown >= 0:
            x[~known, self.unknown] = 1.0
        return x


@dataclass(frozen=True)
class LayingDesign:
    """The model's arrays, and what their rows are.

    `seasons` (years counted) and `counts` side by side; `lots` and `hatch_years` of each season's kinds of hen;
    `of_pen` (c,) whether a cell is a pen's count; `fortnights` (f,) of the year behind each season's curve;
    `effects`, `prior` (spreads), `columns`; `first_rate` is the rate of a first season at which the published
    decline is taken.
    """

    seasons: tuple[int, ...]
    counts: tuple[Counts, ...]
    lots: tuple[Index, ...]
    hatch_years: tuple[Floats, ...]
    of_pen: tuple[npt.NDArray[np.bool_], ...]
    fortnights: tuple[Index, ...]
    effects: Effects
    prior: LayingSpread
    columns: Columns
    first_rate: float


def laying_design(basket: Basket) -> LayingDesign:
    """The arrays of every season counted; the basket must have at least one cell."""
    cells, lots = basket.cells, basket.lots
    exposure = basket.exposure.assign(season=cells["season"].to_numpy()[basket.exposure["cell"]])
    exposure["hatch_year"] = lots["hatch_year"].fillna(NOT_KNOWN).to_numpy()[exposure["lot"]]
    columns = _columns(exposure)
    rate = float(np.clip(cells["eggs"].sum() / exposure["hen_days"].sum(), 0.1, 0.9))
    first = _first_rate(rate, exposure)
    seasons = [_season(int(year), cells, of, columns) for year, of in exposure.groupby("season")]
    return LayingDesign(
        seasons=tuple(s[0] for s in seasons),
        counts=tuple(s[1] for s in seasons),
        lots=tuple(s[2] for s in seasons),
        hatch_years=tuple(s[3] for s in seasons),
        of_pen=tuple(s[4] for s in seasons),
        fortnights=tuple(s[5] for s in seasons),
        effects=_effects(columns, lots["hens"].to_numpy(), first),
        prior=prior_spread(rate),
        columns=columns,
        first_rate=first,
    )


def prior_spread(rate: float) -> LayingSpread:
    """The spreads held beforehand, on the logit scale at a holding's mean `rate`."""
    slope = rate * (1 - rate)
    hatch, hens = (
        sd / slope / np.sqrt(1 - FLATTER * min(sd / slope, 1.0) ** 2) for sd in (HATCH_SD, HENS_SD)
    )
    return LayingSpread(hatch=float(hatch), hens=float(hens), curve=CURVE_SD, shock=SHOCK_SD)


def _columns(exposure: pd.DataFrame) -> Columns:
    """The effects that the counted hens need; age steps reach one season beyond the last."""
    known = exposure[exposure["hatch_year"] != NOT_KNOWN]
    oldest = (known["season"] - known["hatch_year"]).max() if len(known) else 1
    steps = max(int(oldest), 1) + 1
    years, used = np.unique(known["hatch_year"]), np.unique(exposure["lot"])
    unknown = steps + len(years) + len(used) if len(known) < len(exposure) else -1
    return Columns(steps, years, used, unknown)


def _first_rate(rate: float, exposure: pd.DataFrame) -> float:
    """The first season's rate that gives the holding's mean rate under the published decline."""
    age = (exposure["season"] - exposure["hatch_year"]).where(exposure["hatch_year"] != NOT_KNOWN, 1)
    share = np.average(YEARLY_LAYING.mean ** np.maximum(age - 1, 0), weights=exposure["hen_days"])
    return float(np.clip(rate / share, 0.05, 0.9))


def age_steps(first_rate: float, steps: int) -> tuple[Floats, Floats]:
    """Prior mean and variance of the age steps on the logit scale, from the published yearly decline.

    A rate p that falls to δp moves by logit(δp) − logit(p), and that changes with δ by 1/(δ(1 − δp)). Step 0
    (the autumn of hatching) has no published value: mean 0, and wide.
    """
    p = first_rate * YEARLY_LAYING.mean ** np.arange(steps)
    after = np.log(p / (1 - p))
    mean = np.concatenate([[0.0], np.diff(after)])
    slope = 1 / (YEARLY_LAYING.mean * (1 - p[1:]))
    return mean, np.concatenate([[AUTUMN_SD**2], (slope * YEARLY_LAYING.sd) ** 2])


def _effects(columns: Columns, hens: npt.NDArray[np.int64], first_rate: float) -> Effects:
    mean, variance = age_steps(first_rate, columns.steps)
    years, lots = len(columns.years), len(columns.lots)
    extra = int(columns.unknown >= 0)
    return Effects(
        mean=np.concatenate([mean, np.zeros(years + lots), np.full(extra, mean[1])]),
        scale=np.concatenate(
            [variance, np.ones(years), 1 / hens[columns.lots], np.full(extra, UNKNOWN_SD**2)]
        ),
        family=np.repeat([STEPS, HATCH, HENS, STEPS], [columns.steps, years, lots, extra]),
    )


def _season(
    season: int, cells: pd.DataFrame, exposure: pd.DataFrame, columns: Columns
) -> tuple[int, Counts, Index, Floats, npt.NDArray[np.bool_], Index]:
    """One season's counts, with the lots, hatch years and fortnights behind their rows."""
    used, cell = np.unique(exposure["cell"], return_inverse=True)
    mine = cells.iloc[used]
    fortnights, fortnight = np.unique(mine["fortnight"], return_inverse=True)
    lots, first, kind = np.unique(exposure["lot"], return_index=True, return_inverse=True)
    hatch_years = exposure["hatch_year"].to_numpy()[first]
    x = columns.rows(season, hatch_years, lots)
    active = np.flatnonzero(np.any(x != 0, axis=0))
    hen_days = exposure["hen_days"].to_numpy(dtype=float)
    counts = Counts(
        eggs=mine["eggs"].to_numpy(dtype=float),
        most=np.bincount(cell, hen_days).astype(float),
        fortnight=fortnight,
        months=np.diff(fortnights) * (FORTNIGHT / _MONTH),
        cell=cell,
        kind=kind,
        hen_days=hen_days,
        x=x[:, active],
        columns=active,
    )
    return season, counts, lots, hatch_years, mine["of_pen"].to_numpy(dtype=bool), fortnights
