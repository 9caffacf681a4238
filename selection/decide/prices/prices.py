"""A price for every bird that goes, that the breeder can defend and explain.

The floor is what the bird has cost; the price is the median of what the holding's own market would give for
it, sold as whatever it may be sold as and brings most, with its 90 % interval. A kind
never sold is cost and a margin, and says so; without any sale or usual price no price is said.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from selection.answer import Answer, Note, facts
from selection.decide.prices.costs import CostShares, CostsToDate, accounts, cost_to_date, season, takings
from selection.decide.prices.market import Market, fit_market
from selection.decide.prices.money import Currency
from selection.decide.prices.offers import (
    MARGIN,
    choose,
    for_sale,
    joint_draws,
    make_trios,
    price_kinds,
    propose_offers,
)
from selection.decide.wording import counted, each
from selection.merit.candidates import Call, called
from selection.records.flock import Flock

if TYPE_CHECKING:
    from selection.decide.verdicts.verdicts import Verdicts
    from selection.merit.ranking import Merit
    from selection.standard.growth import Growth
    from selection.standard.points import Points

PRICE_COLUMNS = ["bird", "clutch", "sold_as", "cost", "price", "low", "high", "why"]


@dataclass(frozen=True, repr=False)
class Prices(Answer):
    """What the season's birds that go are worth, and on what that rests. Money is Decimal throughout.

    - `table`: prices.csv: bird (missing for a chick without a number), clutch, sold_as, cost (to date),
      price (median; of a bird in a lot its part), low, high (90 %), why. Missing: cannot be said.
    - `offers`: one row a sale proposed: offer (the bird, or the lot's label), birds (a tuple), size,
      sold_as, floor (cost together), price, low, high (together), asking, remark.
    - `kinds`: one row a bird and kind of sale: bird, sold_as, price, low, high (floats), sales, why_not.
    - `lots`: the offers of more than one bird; `trios`: see :func:`selection.decide.prices.offers.make_trios`.
    - `season`, `accounts`: see :mod:`selection.decide.prices.costs`.
    """

    TITLE = "Prices of the birds that go"
    CSV = "prices"
    TABLES = ("table", "offers", "kinds", "trios", "season", "accounts")

    currency: Currency
    table: pd.DataFrame
    offers: pd.DataFrame
    kinds: pd.DataFrame
    trios: pd.DataFrame
    season: pd.DataFrame
    accounts: pd.DataFrame
    costs: CostsToDate
    market: Market
    notes: tuple[Note, ...]

    @property
    def lots(self) -> pd.DataFrame:
        """The offers of more than one bird."""
        return self.offers[self.offers["size"] > 1].reset_index(drop=True)


def prices(
    flock: Flock,
    verdicts: Verdicts,
    points: Points | None = None,
    growth: Growth | None = None,
    merit: Merit | None = None,
    progress: Callable[[str, float], None] | None = None,
    *,
    asking: Mapping[str, Decimal | float] | None = None,
    rng: np.random.Generator | None = None,
) -> Prices:
    """Price the birds that go, as the plan's day sees them.

    Parameters
    ----------
    flock, verdicts : Flock and Verdicts
        The flock and its verdicts: who goes.
    points, growth : Points and Growth, optional
        What is already worked out of the same flock (None: worked out here).
    merit : Merit, optional
        Its ranking; without it there are no trios (they need the pedigree) and only serious faults bar from breeding.
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.
    asking : mapping of str to Decimal or float, optional
        The breeder's own asking prices, in the plan's currency, by bird or lot label.
    rng : Generator, optional
        Draws the season's total (None: seeded by the season).

    Returns
    -------
    Prices
        `table`: one row a bird that goes: bird, clutch, sold_as, cost, price, low, high (Decimal; missing where it
        cannot be said), why; `offers`: one row a sale proposed; `trios`, `season`, `accounts`.

    Raises
    ------
    RecordsError
        Naming every asking price that is not above 0 or is for a bird that does not go, and every recorded sale
        with an impossible price.

    Examples
    --------
    >>> from selection import prices
    >>> asked = prices(flock, verdicts, merit=merit)
    >>> set(asked.table["bird"].dropna()) <= set(flock.birds["bird"])
    True
    """
    step = progress or (lambda name, share: None)
    currency = Currency(flock.plan.currency)
    step("points and growth", 0.0)
    points, growth = _scored(flock, points, growth, merit)
    step("costs", 0.3)
    costs = cost_to_date(flock, growth)
    step("market", 0.5)
    market = fit_market(flock, points)
    birds = for_sale(flock, verdicts, points, merit)
    kinds = price_kinds(birds, market)
    birds = birds.assign(sold_as=choose(birds, kinds))
    step("season", 0.7)
    offers = propose_offers(birds, kinds, costs, market, currency, asking or {})
    draws = joint_draws(birds, offers, market, rng or np.random.default_rng(flock.plan.season))
    table = _table(birds, offers, costs, kinds, market, currency)
    taken = takings(flock)
    lines = season(flock, costs, taken, offers, draws)
    pedigree = merit.pedigree if merit else None
    said = Prices(
        currency=currency,
        table=table,
        offers=offers,
        kinds=kinds,
        trios=make_trios(birds, kinds, market, pedigree, flock.plan.most_inbreeding, currency, called(flock)),
        season=lines,
        accounts=accounts(flock, costs, taken, offers, draws),
        costs=costs,
        market=market,
        notes=facts(
            _sentences(flock, table, offers, kinds, lines, costs, market),
            _cannot(birds, table, costs.seasons[flock.plan.season], market),
        ),
    )
    step("prices", 1.0)
    return said


def _table(
    birds: pd.DataFrame,
    offers: pd.DataFrame,
    costs: CostsToDate,
    kinds: pd.DataFrame,
    market: Market,
    currency: Currency,
) -> pd.DataFrame:
    """prices.csv: one row for each bird that goes."""
    of = {bird: row for row in each(offers) for bird in row.birds}
    parts = {row.offer: _each(row, currency) for row in each(offers)}
    sales = kinds.set_index(["bird", "sold_as"])["sales"].to_dict()
    rows = []
    for bird in each(birds):
        offer = of[bird.bird]
        part = parts[offer.offer].pop()
        why = _why(bird, offer, int(sales.get((bird.bird, bird.sold_as), 0)), market, currency)
        number = bird.bird if bird.known else None
        rows.append((number, bird.clutch, bird.sold_as, costs.birds.get(bird.bird), *part, why))
    return pd.DataFrame(rows, columns=PRICE_COLUMNS).astype(object).where(lambda t: t.notna(), None)


def _each(offer: Any, currency: Currency) -> list[tuple[Decimal | None, ...]]:
    """Price, low and high of each bird of an offer; they add up to the offer's."""
    columns = [
        [None] * offer.size if amount is None else currency.share_out(amount, np.ones(offer.size))
        for amount in (offer.price, offer.low, offer.high)
    ]
    return list(zip(*columns, strict=True))[::-1]


def _why(bird: Any, offer: Any, sales: int, market: Market, currency: Currency) -> str:
    """What one price rests on, in a sentence."""
    said = []
    if market.regression is None:
        cost = (
            "cost to date is all that is known of it"
            if offer.floor is not None
            else "nor do bills tell its cost"
        )
        said.append(f"no sale on record and no usual price in the plan: no market to go by, {cost}")
    elif sales or bird.sold_as in market.usual:
        points = _points_words(bird) if bird.sold_as == "breeding" else ""
        age = f", {bird.weeks:.0f} weeks old" if bird.weeks == bird.weeks else ""
        rests = [f"{counted(sales, 'past sale')} as {bird.sold_as}"] if sales else []
        if bird.sold_as in market.usual:
            rests.append(f"the plan's usual price as {bird.sold_as}, {market.usual[bird.sold_as]:g}")
        said.append(f"{' and '.join(rests)}{points}{age}")
    elif offer.price is not None:
        said.append(
            f"never sold as {bird.sold_as} here: cost and {100 * MARGIN:.0f} %, no range can be given"
        )
    else:
        said.append(f"never sold as {bird.sold_as} here, and no bills tell its cost")
    if offer.size > 1:
        together = "" if offer.price is None else f" at {currency.words(offer.price)} together"
        said.append(f"in a lot of {offer.size}, {offer.offer}{together}")
    if bird.bars:
        said.append(f"not for breeding: {bird.bars}")
    if offer.remark and offer.price is not None:
        said.append(offer.remark)
    return "; ".join(said)


def _points_words(bird: Any) -> str:
    return f", {bird.points:.0f} points of 100" if bird.seen else ", though no judge has seen it"


def _scored(
    flock: Flock, points: Points | None, growth: Growth | None, merit: Merit | None
) -> tuple[Points, Growth]:
    """Points and growth as given, as the merit has them, or worked out."""
    from selection.standard.growth import fit_growth
    from selection.standard.points import score

    growth = growth or (merit.growth if merit else fit_growth(flock))
    return points or (merit.points if merit else score(flock, growth)), growth


def _sentences(
    flock: Flock,
    table: pd.DataFrame,
    offers: pd.DataFrame,
    kinds: pd.DataFrame,
    lines: pd.DataFrame,
    costs: CostsToDate,
    market: Market,
) -> tuple[str, ...]:
    currency, of = Currency(flock.plan.currency), called(flock)
    said = [*_of_season(table, lines, currency), *_worth_more(table, kinds, currency, of)]
    low = [
        str(of(row.offer)) if row.size == 1 else row.offer
        for row in each(offers)
        if row.price is not None and row.floor is not None and row.price < row.floor
    ]
    if low:
        said.append(f"Likely to bring less than they cost: {'; '.join(low)}.")
    return (*said, *market.sentences, *costs.seasons[flock.plan.season].sentences)


def _of_season(table: pd.DataFrame, lines: pd.DataFrame, currency: Currency) -> list[str]:
    if table.empty:
        return ["No bird goes."]
    of = {row.line: row for row in each(lines)}
    if of["the list"].amount is None:
        return [f"{counted(len(table), 'bird')} to go; what they bring cannot be said."]
    total = _ranged(of["the list"], currency)
    said = [
        f"{counted(len(table), 'bird')} to go as things stand, together likely for {total} (what all bring at "
        "once, not their middle prices added up)."
    ]
    sold = currency.words(of["sold so far"].amount)
    other = of["eggs and other income"].amount
    beside = f" and {currency.words(other)} of eggs and other income" if other else ""
    if of["spent"].amount is None:
        return [*said, f"{sold} of birds was sold so far; without bills what is left over cannot be said."]
    spent, left = currency.words(of["spent"].amount), _ranged(of["left over"], currency)
    return [*said, f"With {sold} sold so far{beside}, against {spent} spent, the season leaves {left}."]


def _ranged(line: Any, currency: Currency) -> str:
    said = currency.words(line.amount)
    return said if line.low is None else f"{said} ({currency.words(line.low)} to {currency.words(line.high)})"


def _worth_more(table: pd.DataFrame, kinds: pd.DataFrame, currency: Currency, call: Call) -> list[str]:
    """Birds that might go as breeders and bring more as something else."""
    of = kinds.set_index(["bird", "sold_as"])
    said = []
    known = table["bird"].notna() & table["sold_as"].notna()
    for row in each(table[known & (table["sold_as"] != "breeding")]):
        breeder, other = of.loc[(row.bird, "breeding")], of.loc[(row.bird, row.sold_as)]
        if breeder["why_not"] == "" and breeder["price"] < other["price"]:
            more, less = (currency.words(currency.about(kind["price"])) for kind in (other, breeder))
            said.append(
                f"{call(row.bird)} is worth more as {row.sold_as} ({more}) than as a breeder ({less})."
            )
    return said


def _cannot(birds: pd.DataFrame, table: pd.DataFrame, costs: CostShares, market: Market) -> tuple[str, ...]:
    said = [*market.cannot, *costs.cannot]
    nameless = int((~birds["known"]).sum())
    if nameless:
        said.append(
            f"{counted(nameless, 'chick')} without a number priced, because a look or a weighing speaks for them; "
            "whether all are still here is not on record"
        )
    unpriced = int(table["price"].isna().sum())
    if unpriced and market.regression is not None:
        said.append(f"{counted(unpriced, 'bird')} without a price: no market tells one")
    return tuple(dict.fromkeys(said))
