"""What a season took and what it brings: bills, sales so far, and the list still to be sold."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pandas as pd

from selection.answer import TAILS
from selection.decide.prices.costs import CostsToDate
from selection.decide.prices.market import Array
from selection.decide.prices.money import Currency, total
from selection.decide.wording import each
from selection.records.flock import Flock
from selection.records.forms.columns import ITEMS, SOLD_AS

COLUMNS = ["season", "side", "item", "amount", "low", "high"]


def takings(flock: Flock) -> pd.DataFrame:
    """What recorded sales brought: season, sold_as, amount (Decimal).

    A lot's price counts once; the kinds of a mixed lot share it by birds.
    """
    currency = Currency(flock.plan.currency)
    rows = flock.sales.assign(lot=flock.sales["lot"].fillna("\x1f" + flock.sales["bird"]))
    mixed = rows.groupby(["on", "lot"])["sold_as"].transform("nunique") > 1
    once = rows[~mixed].drop_duplicates(["on", "lot"])
    parts = [(row.on.year, row.sold_as, currency.amount(row.price)) for row in each(once)]
    for _, lot in rows[mixed].groupby(["on", "lot"]):
        kinds = lot["sold_as"].value_counts()
        amounts = currency.share_out(currency.amount(lot["price"].iloc[0]), kinds.to_numpy())
        parts += [(lot["on"].iloc[0].year, *part) for part in zip(kinds.index, amounts, strict=True)]
    frame = pd.DataFrame(parts, columns=["season", "sold_as", "amount"])
    sums = frame.groupby(["season", "sold_as"])["amount"].agg(lambda a: total(list(a), currency))
    return sums.reset_index()


def accounts(
    flock: Flock, costs: CostsToDate, taken: pd.DataFrame, offers: pd.DataFrame, draws: Array | None
) -> pd.DataFrame:
    """Every season's bills and sales, and what the list should bring: the frame behind the picture.

    Columns: season, side (`spent`, `received`, `expected`), item (an item of costs, or a kind of sale),
    amount, low, high (Decimal; low and high, the 90 % interval, only where something is expected).
    `taken`, `offers` and `draws` are those of :func:`season`.
    """
    currency = Currency(flock.plan.currency)
    rows: list[tuple] = []
    for year, shares in costs.seasons.items():
        for item in ITEMS:
            bills = list(shares.bills["amount"][shares.bills["item"] == item])
            rows += [(year, "spent", item, total(bills, currency), None, None)] if bills else []
    rows += [(row.season, "received", row.sold_as, row.amount, None, None) for row in each(taken)]
    for kind in SOLD_AS:
        of_kind = (offers["sold_as"] == kind).to_numpy()
        if of_kind.any():
            rows.append((flock.plan.season, "expected", kind, *_expected(offers, draws, of_kind, currency)))
    return pd.DataFrame(rows, columns=COLUMNS)


def season(
    flock: Flock, costs: CostsToDate, taken: pd.DataFrame, offers: pd.DataFrame, draws: Array | None
) -> pd.DataFrame:
    """The season in five lines: line, amount, low, high (Decimal; missing where it cannot be said).

    Lines: `spent`, `sold so far`, `the list` (what goes now), `in all` (sold and list), `left over` (in all
    less spent). `taken`: :func:`takings`; `offers`: one row a sale proposed, with `price`; `draws`
    (n × offers): joint draws of what each offer brings in all, None where the list has no market to rest on.
    """
    currency = Currency(flock.plan.currency)
    shares = costs.seasons[flock.plan.season]
    spent = shares.total if len(shares.bills) else None
    sold = total(list(taken["amount"][taken["season"] == flock.plan.season]), currency)
    listed = _expected(offers, draws, np.ones(len(offers), dtype=bool), currency)
    in_all = [None if amount is None else amount + sold for amount in listed]
    left = [None if amount is None or spent is None else amount - spent for amount in in_all]
    lines = [
        ("spent", spent, None, None),
        ("sold so far", sold, None, None),
        ("the list", *listed),
        ("in all", *in_all),
        ("left over", *left),
    ]
    return pd.DataFrame(lines, columns=["line", "amount", "low", "high"]).astype(object)


def _expected(
    offers: pd.DataFrame, draws: Array | None, chosen: np.ndarray, currency: Currency
) -> tuple[Decimal | None, Decimal | None, Decimal | None]:
    """What the chosen offers bring together: median and 90 % interval of their joint sum, in whole pounds.

    Without draws the sum of their prices and no interval; None where one of them has no price.
    """
    if not chosen.any():
        nothing = currency.amount(0)
        return nothing, nothing, nothing
    if draws is None:
        amounts = list(offers["price"][chosen])
        return (None if any(a is None for a in amounts) else total(amounts, currency)), None, None
    low, middle, high = np.quantile(draws[:, chosen].sum(axis=1), [TAILS[0], 0.5, TAILS[1]])
    return currency.whole(middle), currency.whole(low), currency.whole(high)
