"""What each bird has cost to date, to the penny, and the season's accounts: bills against takings.

A bill belongs to the season of its clutch, else to the calendar year of its date. What it is for says who
carries it: eggs the chicks reared of that clutch (of all bought-in clutches where the bill names none), feed
whoever ate it (the standing birds too, so that their share is off before the chicks are charged), rings the
birds ringed, power the chicks brooded, the rest by days on the holding. What fell to birds that died or were
lost is carried by the survivors of their kind, so that every bill ends on a bird that can be priced.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import TAILS, Floats
from selection.decide.prices.money import BirdsHere, Currency, birds_here, total
from selection.decide.wording import each
from selection.merit.published import FEED_INTAKE, feed_grams_a_day
from selection.records.flock import Flock
from selection.records.forms.columns import INCOME, ITEMS, SOLD_AS

if TYPE_CHECKING:
    from selection.standard.growth import Growth

METABOLIC = 0.75
_GROWN_DAYS = 364
"""From this age on a bird's intake is taken as constant."""
RESTS_ON = (
    "feed shared by intake at each age (" + "; ".join(dict.fromkeys(r.cited for r in FEED_INTAKE)) + ")"
)
"""Where the intake comes from, in words."""


def feed_eaten(birds: pd.DataFrame, growth: Growth) -> npt.NDArray[np.float64]:
    """Grams of feed each bird ate between two ages.

    `birds` (n rows): `bird`, `sex`, `from_day`, `to_day`, the ages in days between which it ate, the second
    included. A bird whose age is missing ate as a grown one for `days` days. A bird never weighed grew as
    its sex; a bird of unknown sex as the mean of both.
    """
    eaten = np.zeros(len(birds))
    sexes = birds["sex"].to_numpy()
    for sex in ("male", "female", "unknown"):
        at = np.flatnonzero(sexes == sex)
        so_far = _eaten_by_day(sex, growth)
        first, last = (birds[c].to_numpy(dtype=float)[at] for c in ("from_day", "to_day"))
        eaten[at] = np.where(
            np.isnan(last),
            birds["days"].to_numpy(dtype=float)[at] * (so_far[-1] - so_far[-2]),
            _by(so_far, last + 1) - _by(so_far, first),
        )
    deviation = growth.birds.set_index("bird")["deviation"].reindex(birds["bird"]).fillna(0.0)
    return eaten * np.exp(METABOLIC * deviation.to_numpy())


def _eaten_by_day(sex: str, growth: Growth) -> npt.NDArray[np.float64]:
    """Grams eaten by a bird of that sex before each day of age, 0 … GROWN_DAYS + 1 (cumulative)."""
    weeks = np.arange(_GROWN_DAYS + 1) / 7
    size = growth.expected(sex, weeks) / growth.expected("unknown", weeks)
    return np.concatenate([[0.0], np.cumsum(feed_grams_a_day(weeks) * size**METABOLIC)])


def _by(so_far: npt.NDArray[np.float64], day: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Grams eaten before `day` of age, going on at the grown bird's pace beyond the table."""
    beyond = np.clip(day - (len(so_far) - 1), 0, None) * (so_far[-1] - so_far[-2])
    return np.interp(day, np.arange(len(so_far)), so_far) + beyond


@dataclass(frozen=True)
class CostShares:
    """One season's bills on the birds that carry them.

    - `shares`: one row a bird, indexed by its key (its number; `clutch, unnamed 1` for a chick without one):
      `clutch`, `reared` (hatched this season and not lost), one column an item, `losses` (what it carries
      for birds that died; minus its own cost on a bird that died itself) and `total`, all Decimals. Item
      columns add up to the bills, `losses` to nothing, `total` to `total`.
    - `bills`: `item`, `clutch`, `amount` (Decimal)
    - `unallocated`: what no bird could carry, because there was none
    """

    season: int
    currency: Currency
    shares: pd.DataFrame
    bills: pd.DataFrame
    total: Decimal
    unallocated: Decimal
    sentences: tuple[str, ...]
    cannot: tuple[str, ...]


@dataclass(frozen=True)
class CostsToDate:
    """Cost of each bird over all its seasons: `birds` (key → Decimal, only birds of seasons with bills)."""

    birds: dict[str, Decimal]
    seasons: dict[int, CostShares]


def allocate(flock: Flock, season: int, growth: Growth | None = None) -> CostShares:
    """The bills of `season` up to the plan's day, shared out (records: costs, birds, clutches, rings).

    `growth` is :func:`selection.standard.growth.fit_growth` of the flock, worked out where it is not given.
    Bills are rounded to the currency's smallest unit; where that changes one, `cannot` says so.
    """
    currency = Currency(flock.plan.currency)
    bills, remarks = season_bills(flock, season, currency)
    here = birds_here(flock, season)
    parts, odd = _shared_out(bills, here, growth or _growth(flock), currency)
    parts["losses"] = _losses(list(zip(*parts.values(), strict=True)), here, currency)
    shares = pd.DataFrame(parts, index=here.birds["bird"])
    shares["total"] = shares.sum(axis=1).map(currency.amount) if len(shares) else []
    shares.insert(0, "clutch", here.birds["clutch"].to_numpy())
    shares.insert(1, "reared", here.reared)
    spent = total(list(bills["amount"]), currency)
    carried = total(list(shares["total"]), currency)
    remarks += odd + _what_cannot(season, bills, here, spent, currency)
    sentences = _sentences(season, shares, here, spent, currency) if carried else ()
    return CostShares(season, currency, shares, bills, spent, spent - carried, sentences, tuple(remarks))


def cost_to_date(flock: Flock, growth: Growth | None = None) -> CostsToDate:
    """Cost of each bird from its first season with bills to the plan's day."""
    years = set(bill_seasons(flock))
    growth = growth if growth is not None or not years else _growth(flock)
    seasons = {year: allocate(flock, year, growth) for year in sorted(years | {flock.plan.season})}
    birds: dict[str, Decimal] = {}
    for shares in seasons.values():
        if shares.total:
            for bird, cost in shares.shares["total"].items():
                birds[str(bird)] = birds.get(str(bird), Decimal(0)) + cost
    return CostsToDate(birds, seasons)


def season_bills(flock: Flock, season: int, currency: Currency) -> tuple[pd.DataFrame, list[str]]:
    """The season's bills added up by item and clutch (item, clutch, amount), and what to say of them."""
    rows = flock.costs[bill_seasons(flock) == season]
    known = set(flock.clutches["clutch"])
    sums: dict[tuple[str, str | None], Decimal] = {}
    remarks = []
    for row in each(rows):
        amount = currency.amount(row.amount)
        if amount != Decimal(str(row.amount)):
            bill = f"the bill of {row.amount:g} for {row.item} on {row.on:%Y-%m-%d}"
            remarks.append(f"{bill} is counted as {currency.words(amount)}")
        clutch = row.clutch if row.clutch in known else None
        if clutch is None and isinstance(row.clutch, str):
            remarks.append(
                f"clutch {row.clutch} of a bill for {row.item} is not on record: counted to the season"
            )
        sums[row.item, clutch] = sums.get((row.item, clutch), Decimal(0)) + amount
    bills = pd.DataFrame(
        [(*key, amount) for key, amount in sums.items()], columns=["item", "clutch", "amount"]
    )
    return bills.astype({"clutch": object}).where(bills.notna(), None), remarks


def bill_seasons(flock: Flock) -> pd.Series:
    """The season each row of costs belongs to: its clutch's hatch year, else the year of its date."""
    hatched = flock.clutches["hatched_on"].fillna(flock.clutches["set_on"] + pd.Timedelta(days=21)).dt.year
    years = pd.Series(hatched.to_numpy(), index=flock.clutches["clutch"])
    return flock.costs["clutch"].map(years).fillna(flock.costs["on"].dt.year).astype(int)


def _shared_out(
    bills: pd.DataFrame, here: BirdsHere, growth: Growth, currency: Currency
) -> tuple[dict[str, list[Decimal]], list[str]]:
    """Each item's amount on each bird, and remarks on bills that fall on others than they should."""
    parts = {item: [currency.amount(0)] * len(here.birds) for item in ITEMS}
    remarks = []
    causes = _causes(here, growth) if len(here.birds) else {}
    for bill in each(bills if causes else bills.head(0)):
        weights, remark = _carried_by(bill.item, bill.clutch, here, causes)
        added = currency.share_out(bill.amount, weights)
        parts[bill.item] = [so_far + part for so_far, part in zip(parts[bill.item], added, strict=True)]
        if remark:
            remarks.append(f"{currency.words(bill.amount)} for {bill.item}{remark}")
    return parts, remarks


def _causes(here: BirdsHere, growth: Growth) -> dict[str, npt.NDArray[np.float64]]:
    """For each item the measure by which birds carry it, one figure a bird."""
    days = here.birds["days"].to_numpy(dtype=float)
    return {
        "eggs": (here.reared & here.bought_in & here.hatched_here).astype(float),
        "feed": feed_eaten(here.birds, growth),
        "rings": here.ringed.astype(float),
        "power": here.brooded_days,
        "bedding": days,
        "treatment": days,
        "other": days,
    }


def _carried_by(
    item: str, clutch: str | None, here: BirdsHere, causes: dict[str, npt.NDArray[np.float64]]
) -> tuple[npt.NDArray[np.float64], str]:
    """Weights of a bill on the season's birds, and a remark where it falls on others than it should."""
    cause = here.reared.astype(float) if item == "eggs" and clutch is not None else causes[item]
    weights = cause if clutch is None else cause * here.share_in(clutch)
    if weights.sum() > 0:
        return weights, ""
    of = f" of clutch {clutch}" if clutch is not None else ""
    missing = {"eggs": "no chick was reared", "rings": "no ringing is on record"}.get(
        item, "no bird was here"
    )
    for others, name in (
        (here.reared, "the chicks reared this season"),
        (~here.lost, "the birds that are left"),
    ):
        if others.any():
            return others.astype(float), f"{of}: {missing}, so {name} carry it"
    return np.ones(len(here.birds)), f"{of}: no bird was left to carry it, so it stays with those lost"


def _losses(parts: list[tuple[Decimal, ...]], here: BirdsHere, currency: Currency) -> list[Decimal]:
    """What each bird carries for those lost, by their `parts`: chick for chick, grown for grown, else all."""
    own = [total(row, currency) for row in parts]
    moved = [currency.amount(0)] * len(own)
    for kind in (here.young, ~here.young):
        lost = np.flatnonzero(kind & here.lost)
        left = kind & ~here.lost
        left = left if left.any() else ~here.lost
        pool = total([own[i] for i in lost], currency)
        if not pool or not left.any():
            continue
        for i in lost:
            moved[i] -= own[i]
        for i, part in zip(np.flatnonzero(left), currency.share_out(pool, np.ones(left.sum())), strict=True):
            moved[i] += part
    return moved


def _what_cannot(
    season: int, bills: pd.DataFrame, here: BirdsHere, spent: Decimal, currency: Currency
) -> list[str]:
    if bills.empty:
        return [f"no bill is on record for {season}: what its birds cost cannot be said"]
    if here.birds.empty:
        return [f"{currency.words(spent)} was spent in {season}, and no bird is on record to carry it"]
    return []


def _sentences(
    season: int, shares: pd.DataFrame, here: BirdsHere, spent: Decimal, currency: Currency
) -> tuple[str, ...]:
    standing = total(list(shares["feed"][~here.young]), currency)
    lost = total([-x for x in shares["losses"] if x < 0], currency)
    young, grown, gone = (int(group.sum()) for group in (here.young, ~here.young, here.lost))
    carried = f"; {currency.words(lost)} of it for {gone} that died or were lost, carried by the rest"
    return (
        f"{currency.words(spent)} was spent in {season} on {young} birds hatched that season and "
        f"{grown} standing ones{carried if lost else ''}.",
        f"The standing birds ate {currency.words(standing)} of the feed; {RESTS_ON}.",
    )


def _growth(flock: Flock) -> Growth:
    from selection.standard.growth import fit_growth

    return fit_growth(flock)


_COLUMNS = ["season", "side", "item", "amount", "low", "high"]


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


def other_income(flock: Flock) -> pd.DataFrame:
    """What came in beside the sale of birds, eggs first: season (the year of its day), item, amount (Decimal)."""
    currency = Currency(flock.plan.currency)
    rows = flock.income.dropna(subset=["amount"])
    parts = [(row.on.year, row.item, currency.amount(row.amount)) for row in each(rows)]
    frame = pd.DataFrame(parts, columns=["season", "item", "amount"])
    sums = frame.groupby(["season", "item"])["amount"].agg(lambda a: total(list(a), currency)).reset_index()
    return sums.sort_values(["season", "item"], key=lambda c: c.map(_place), ignore_index=True)


def _place(value: object) -> object:
    """Items of income in the order of their form; seasons as they are."""
    return INCOME.index(value) if isinstance(value, str) else value


def accounts(
    flock: Flock, costs: CostsToDate, taken: pd.DataFrame, offers: pd.DataFrame, draws: Floats | None
) -> pd.DataFrame:
    """Every season's bills and sales, and what the list should bring: the frame behind the picture.

    Columns: season, side (`spent`, `received`, `expected`), item (of costs or of income, or a kind of sale),
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
    rows += [(row.season, "received", row.item, row.amount, None, None) for row in each(other_income(flock))]
    for kind in SOLD_AS:
        of_kind = (offers["sold_as"] == kind).to_numpy()
        if of_kind.any():
            rows.append((flock.plan.season, "expected", kind, *_expected(offers, draws, of_kind, currency)))
    return pd.DataFrame(rows, columns=_COLUMNS)


def season(
    flock: Flock, costs: CostsToDate, taken: pd.DataFrame, offers: pd.DataFrame, draws: Floats | None
) -> pd.DataFrame:
    """The season in a few lines: line, amount, low, high (Decimal; missing where it cannot be said).

    Lines: `spent`, `sold so far`, `eggs and other income`, `the list` (what goes now), `in all` (all that comes in),
    `left over` (in all less spent). `taken`: :func:`takings`; `offers`: one row a sale proposed, with `price`; `draws`
    (n × offers): joint draws of what each offer brings in all, None where the list has no market to rest on.
    """
    currency = Currency(flock.plan.currency)
    shares = costs.seasons[flock.plan.season]
    spent = shares.total if len(shares.bills) else None
    sold = total(list(taken["amount"][taken["season"] == flock.plan.season]), currency)
    beside = other_income(flock)
    other = total(list(beside["amount"][beside["season"] == flock.plan.season]), currency)
    listed = _expected(offers, draws, np.ones(len(offers), dtype=bool), currency)
    in_all = [None if amount is None else amount + sold + other for amount in listed]
    left = [None if amount is None or spent is None else amount - spent for amount in in_all]
    lines = [
        ("spent", spent, None, None),
        ("sold so far", sold, None, None),
        ("eggs and other income", other, None, None),
        ("the list", *listed),
        ("in all", *in_all),
        ("left over", *left),
    ]
    return pd.DataFrame(lines, columns=["line", "amount", "low", "high"]).astype(object)


def _expected(
    offers: pd.DataFrame, draws: Floats | None, chosen: np.ndarray, currency: Currency
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
