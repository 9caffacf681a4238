"""Money without a float in sight: amounts as Decimals of a currency's smallest unit, shared out exactly.

Bills come in as the numbers that were typed. Here they become whole pence (or yen), are shared out by largest
remainder so that the shares add up to the bill, and are written with the currency's own number of decimals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

import numpy as np
import numpy.typing as npt

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
