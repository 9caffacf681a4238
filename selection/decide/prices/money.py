"""Money without a float in sight: amounts as Decimals of a currency's smallest unit, shared out exactly.

Bills come in as the numbers that were typed. Here they become whole pence (or yen), are shared out by largest
remainder so that the shares add up to the bill, and are written with the currency's own number of decimals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.decide.wording import each
from selection.records.flock import Flock

NO_DECIMALS = "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF"
THREE_DECIMALS = "BHD IQD JOD KWD LYD OMR TND"
"""Minor units of ISO 4217, from memory; every currency not named here has two decimals."""
SYMBOLS = {"GBP": "£", "EUR": "€", "USD": "$", "JPY": "¥", "INR": "₹"}
"""Currencies whose sign stands before an amount in English text (Unicode CLDR, English, from memory)."""


@dataclass(frozen=True, slots=True)
class Currency:
    """A currency by its ISO 4217 code; `decimals` is how many its amounts are written with."""

    code: str

    @property
    def decimals(self) -> int:
        code = self.code.strip().upper()
        return 0 if code in NO_DECIMALS.split() else 3 if code in THREE_DECIMALS.split() else 2

    @property
    def unit(self) -> Decimal:
        """The smallest amount: 0.01 for GBP, 1 for JPY."""
        return Decimal(1).scaleb(-self.decimals)

    def amount(self, number: float | Decimal | str) -> Decimal:
        """`number` to the smallest unit, half to even. Raises ValueError for a number that is not finite."""
        exact = Decimal(str(number))
        if not exact.is_finite():
            raise ValueError(f"found {number}; expected an amount of money in {self.code}")
        return exact.quantize(self.unit, ROUND_HALF_EVEN)

    def whole(self, number: float | Decimal) -> Decimal:
        """`number` up to the next whole pound, euro or yen: what is asked for, not what is worked out."""
        return Decimal(str(number)).to_integral_value(ROUND_CEILING).quantize(self.unit)

    def about(self, number: float, rounding: str = ROUND_HALF_EVEN) -> Decimal:
        """`number` (above 0) to two figures, three where the first is 1: as much as a forecast can say.

        Never below the smallest unit.
        """
        exact = Decimal(str(number))
        step = exact.adjusted() - (2 if exact.normalize().as_tuple().digits[0] == 1 else 1)
        rounded = exact.quantize(max(Decimal(1).scaleb(step), self.unit), rounding)
        return max(rounded, self.unit).quantize(self.unit)

    def words(self, amount: float | Decimal) -> str:
        """The amount in its currency's own form, whole amounts without decimals: `£12.30`, `£36`, `12.30 CHF`.

        Where the plan names no currency the decimals alone tell that it is money: `9.00`.
        """
        exact = self.amount(amount)
        minus, told = "−" if exact < 0 else "", f"{abs(exact):,}"
        told = told.split(".")[0] if self.code.strip() and exact == exact.to_integral_value() else told
        sign = SYMBOLS.get(self.code.strip().upper()) or ("" if self.code.isalpha() else self.code.strip())
        return f"{minus}{sign}{told}" if sign else f"{minus}{told} {self.code}".rstrip()

    def share_out(self, total: Decimal, weights: npt.ArrayLike) -> list[Decimal]:
        """`total` shared in proportion to `weights` (n,), to the smallest unit, adding up to `total` exactly.

        Largest remainder: each share is rounded down, and the units left over go one each to the largest
        remainders, the first of equal ones first. Raises ValueError where no weight is above zero.
        """
        shares = np.asarray(weights, dtype=float)
        if not (np.isfinite(shares).all() and (shares >= 0).all() and shares.sum() > 0):
            raise ValueError("weights must be finite, none below zero and at least one above it")
        units = int((total / self.unit).to_integral_value())
        quota = abs(units) * (shares / shares.sum())
        floors = np.floor(quota + 1e-9)
        left = abs(units) - int(floors.sum())
        largest = np.argsort(-np.round(quota - floors, 9), kind="stable")
        floors[largest[:left]] += 1
        return [int(math.copysign(n, units)) * self.unit for n in floors]


def total(amounts: Sequence[Decimal], currency: Currency) -> Decimal:
    """Sum of `amounts`, written with the currency's decimals also where there are none."""
    return sum(amounts, Decimal(0)).quantize(currency.unit)


LOST = ("died", "lost")
"""Ways of going that leave a bird's cost to the others; one killed went to the table with its own."""
BROODED_DAYS = 42
"""Chicks need heat for about six weeks (common practice, no source)."""
UNNAMED = "{clutch}, unnamed {number}"
"""Key of a chick without a number of its own."""

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class BirdsHere:
    """The birds of a season, n of them; every array is in their order.

    `birds`: bird (its key), known (it has a number), clutch, sex, days (on the holding that season),
    from_day, to_day (ages in days at the first and the last of them; missing where it is not known when it
    hatched). `young`: hatched this season; `lost`: died or lost in it; `bought_in`: from bought-in eggs;
    `ringed`: had a ring put on in it; `brooded_days`: days under heat. `clutches`: see :func:`clutch_shares`.
    """

    birds: pd.DataFrame
    young: Flags
    lost: Flags
    bought_in: Flags
    ringed: Flags
    brooded_days: npt.NDArray[np.float64]
    clutches: pd.DataFrame

    @property
    def hatched_here(self) -> Flags:
        """Came out of a clutch on record."""
        return np.isin(np.arange(len(self.birds)), self.clutches["row"])

    @property
    def reared(self) -> Flags:
        """Hatched this season, and not lost in it."""
        return self.young & ~self.lost

    def share_in(self, clutch: str) -> npt.NDArray[np.float64]:
        """Each bird's share in `clutch`: 1, ½ in a mixed brood of two, or 0."""
        of_it = self.clutches[self.clutches["clutch"] == clutch]
        shares = np.zeros(len(self.birds))
        shares[of_it["row"]] = of_it["share"]
        return shares


def birds_here(flock: Flock, season: int) -> BirdsHere:
    """Everyone on the holding for at least a day of calendar year `season`, up to the plan's day."""
    first = pd.Timestamp(season, 1, 1)
    last = min(pd.Timestamp(season, 12, 31), pd.Timestamp(flock.plan.on))
    every = pd.concat([flock.birds.assign(known=True), unnamed_chicks(flock, season)], ignore_index=True)
    came = every[["hatched", "came_on"]].max(axis=1)
    came = came.where(came > first, first)
    went = every["gone_on"].where(every["gone_on"] < last, last)
    days = (went - came).dt.days + 1
    here = every[days > 0].reset_index(drop=True)
    came, days = (s[days > 0].reset_index(drop=True) for s in (came, days))
    born = (came - here["hatched"]).dt.days
    young = (here["hatch_year"] == season).to_numpy()
    ringed = flock.rings["bird"][flock.rings["fitted_on"].between(first, last)]
    birds = here[["bird", "known", "clutch", "sex"]].assign(days=days, from_day=born, to_day=born + days - 1)
    return BirdsHere(
        birds=birds,
        young=young,
        lost=(here["gone_why"].isin(LOST) & (here["gone_on"] <= last)).to_numpy(),
        bought_in=(here["origin_of"] == "bought-in").to_numpy(),
        ringed=here["bird"].isin(ringed).to_numpy(),
        brooded_days=np.where(young, np.minimum(days, BROODED_DAYS), 0.0),
        clutches=clutch_shares(here["clutch"]),
    )


def clutch_shares(entries: pd.Series) -> pd.DataFrame:
    """Which clutches each entry of the birds form names: row (its position), clutch, share (equal ones)."""
    labels = entries.reset_index(drop=True).dropna().str.split(";").explode().str.strip()
    labels = labels[labels != ""]
    share = 1.0 / labels.groupby(level=0).transform("size")
    return pd.DataFrame({"row": labels.index, "clutch": labels.array, "share": share.to_numpy(dtype=float)})


def unnamed_chicks(flock: Flock, season: int) -> pd.DataFrame:
    """Chicks of `season` that looks or weighings speak for and that have no row of their own.

    One row a chick with the columns of a flock's birds and `known` False. As many of a clutch and sex as the
    fullest single look or weighing spoke for; never more than hatched and are not named.
    """
    seen = _spoken_for(flock, season)
    named = clutch_shares(flock.birds["clutch"]).groupby("clutch")["share"].sum()
    rows: list[dict[str, object]] = []
    for clutch in each(flock.clutches[flock.clutches["clutch"].isin(seen["clutch"])]):
        of_clutch = seen[seen["clutch"] == clutch.clutch]
        hatched = 0.0 if np.isnan(clutch.hatched) else clutch.hatched
        spare = max(int(hatched - named.get(clutch.clutch, 0.0)), 0)
        sexes = np.repeat(of_clutch["sex"].to_numpy(), of_clutch["n"].to_numpy(dtype=int))[:spare]
        rows += [_chick(clutch, str(sex), i) for i, sex in enumerate(sexes, start=1)]
    columns = [*flock.birds.columns, "known"]
    return pd.DataFrame(rows, columns=columns).astype({**flock.birds.dtypes, "known": bool})


def _spoken_for(flock: Flock, season: int) -> pd.DataFrame:
    """Most unnamed chicks that one judge or one weighing saw on one day: clutch, sex, n."""
    forms = [
        _unnamed(form, season).assign(form=i)
        for i, form in enumerate((flock.scores, flock.weights, flock.measures))
    ]
    rows = pd.concat(forms, ignore_index=True).reindex(
        columns=["clutch", "sex", "form", "on", "judge", "trait", "n"]
    )
    rows = rows.fillna({"sex": "unknown", "judge": "", "trait": "", "n": 1})
    once = rows.groupby(["clutch", "sex", "form", "on", "judge", "trait"])["n"].sum()
    return once.groupby(["clutch", "sex"]).max().reset_index()


def _unnamed(rows: pd.DataFrame, season: int) -> pd.DataFrame:
    """The rows of a form that speak for unnamed chicks of a clutch in `season`."""
    return rows[rows["bird"].isna() & rows["clutch"].notna() & (rows["on"].dt.year == season)]


def _chick(clutch: Any, sex: str, number: int) -> dict[str, object]:
    return {
        "bird": UNNAMED.format(clutch=clutch.clutch, number=number),
        "sex": sex,
        "clutch": clutch.clutch,
        "hatched": clutch.hatched_on,
        "hatch_year": clutch.hatched_on.year,
        "origin_of": clutch.origin,
        "source_of": clutch.source,
        "alive": True,
        "known": False,
    }
