"""What is offered: as what kind of sale, alone, in a lot or as a trio, and what to ask for it."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import Floats
from selection.decide.fates import fates
from selection.decide.prices.costs import CostsToDate
from selection.decide.prices.market import Market, looked_at
from selection.decide.prices.money import Currency, total, unnamed_chicks
from selection.decide.wording import each
from selection.errors import RecordsError
from selection.merit.candidates import Call, bars
from selection.merit.relationship.kinship import degree
from selection.merit.relationship.pedigree import Pedigree
from selection.merit.relationship.worst_case import WorstCase
from selection.records.flock import Flock
from selection.records.forms.columns import SOLD_AS

if TYPE_CHECKING:
    from selection.decide.verdicts.verdicts import Verdicts
    from selection.merit.ranking import Merit
    from selection.standard.points import Points


def for_sale(flock: Flock, verdicts: Verdicts, points: Points, merit: Merit | None = None) -> pd.DataFrame:
    """One row for each bird that stands at `sell`, and each unnamed chick, in the order of the flock's birds.

    Columns: bird (its key), known (it has a number), clutch, sex, weeks (age on the plan's day), points (of
    100), seen (some look was at it), candidate, own_ring, bars (why it is not for breeding, or blank),
    lot (label of the birds it goes with, or missing), and for each kind of sale the reason it may not be
    sold so, or blank.
    """
    nameless = unnamed_chicks(flock, flock.plan.season)
    every = pd.concat([flock.birds.assign(known=True), nameless], ignore_index=True)
    found = fates(flock, verdicts)
    goes = every["bird"].isin(found["bird"][found["stands"] == "sell"]) | ~every["known"]
    birds = every[goes & every["alive"]].reset_index(drop=True)
    of_100, barred = looked_at(points), _bars(flock, merit)
    birds = birds[["bird", "known", "clutch", "sex", "origin_of"]].assign(
        weeks=(pd.Timestamp(flock.plan.on) - birds["hatched"]).dt.days / 7,
        points=birds["bird"].map(of_100),
        seen=birds["bird"].isin(of_100.index),
        candidate=birds["bird"].isin(verdicts.table["bird"]),
        own_ring=birds["bird"].isin(_own_ringed(flock)) & birds["known"],
        bars=[barred.get(bird, "") for bird in birds["bird"]],
    )
    birds["lot"] = [_lot(row) for row in each(birds)]
    for kind in SOLD_AS:
        birds[kind] = [_why_not(kind, row) for row in each(birds)]
    return birds


def _own_ringed(flock: Flock) -> pd.Series:
    """Birds that wear a ring of their own: one on the right leg, or a numbered one.

    Where the holding puts none on the birds of the season, each is known by its number.
    """
    worn = flock.rings[flock.rings["removed_on"].isna()]
    own = worn["bird"][(worn["leg"] == "right") | worn["mark"].notna()]
    season = flock.birds["bird"][flock.birds["hatch_year"] == flock.plan.season]
    return own if own.isin(season).any() else flock.birds["bird"]


def _bars(flock: Flock, merit: Merit | None) -> dict[str, str]:
    """Why a bird is barred from breeding: a serious fault that anyone saw, or the meeting's own bar."""
    barred = {str(bird): str(why) for bird, why in bars(flock).items()}
    if merit is not None:
        ranked = merit.ranking.dropna(subset="bar")
        barred |= {b: why for b, why in zip(ranked["bird"], ranked["bar"], strict=True) if why}
    return barred


def _lot(bird: Any) -> str | None:
    """Label of the birds it goes with: nobody can tell them apart, or nobody needs to."""
    sister = bird.sex == "female" and bird.origin_of == "bought-in" and not bird.candidate
    nameless = not (bird.own_ring or bird.seen)
    if not isinstance(bird.clutch, str) or not (sister or nameless):
        return None
    sexes = {"female": "pullets", "male": "cockerels"}
    return f"{sexes.get(bird.sex, 'chicks')} of {bird.clutch}"


def _why_not(kind: str, bird: Any) -> str:
    """Why `bird` may not be sold as `kind`; blank where it may."""
    if kind == "layer" and bird.sex != "female":
        return "only a hen lays" if bird.sex == "male" else "its sex is not known"
    if kind != "breeding":
        return ""
    if bird.bars:
        return f"barred from breeding: {bird.bars}"
    if bird.sex not in ("male", "female"):
        return "its sex is not known"
    if not (bird.seen or bird.candidate):
        return "no judge has seen it"
    if not (bird.own_ring or bird.seen):
        return "it wears no ring of its own"
    return ""


def in_market(birds: pd.DataFrame, kind: str, season: int) -> pd.DataFrame:
    """`birds` as offers of one kind for `selection.decide.prices.market.Market`: each alone, or with its lot."""
    label = birds["lot"].where(birds["lot"].notna(), "\x1f" + birds["bird"])
    return pd.DataFrame(
        {
            "sale": pd.factorize(label)[0],
            "bird": birds["bird"],
            "sold_as": kind,
            "sex": birds["sex"],
            "weeks": birds["weeks"],
            "points": birds["points"],
            "season": season,
            "size": label.groupby(label).transform("size").astype(float),
        }
    ).astype({"season": np.int64})


MARGIN = Decimal("0.25")
"""Added to cost where no sale tells a price: common practice, no source."""
_ENOUGH = 3
"""A kind sold so often is preferred to one sold once or twice, whatever it brought then."""
_AGES = (0.7, 1.5)
"""Well younger than the youngest sold so, or well older than the oldest, is another trade."""
_DRAWS = 4_000
FIRST_CHOICE = ("breeding", "layer", "pet", "table")
"""What a bird is offered as where no sale tells which brings more."""


def price_kinds(birds: pd.DataFrame, market: Market) -> pd.DataFrame:
    """What each bird would bring as each kind of sale (see `Prices.kinds`).

    `sales` is how many of the kind the holding has sold, `weight` the same with the plan's usual price counted in
    (0 where its `price` is missing); `usual` whether birds of that sex and about that age are known to go so;
    `why_not` why the bird may not be sold so, or blank.
    Birds of one lot are offered together, and what bars one bars all.
    """
    parts = [_priced_as(kind, birds, market) for kind in SOLD_AS]
    return pd.concat(parts, ignore_index=True)


def _priced_as(kind: str, birds: pd.DataFrame, market: Market) -> pd.DataFrame:
    offers = in_market(birds, kind, market.season)
    sales, weight = market.sold(kind), market.weight(kind)
    said = pd.DataFrame({"price": [], "low": [], "high": []}, dtype=float)
    if weight and len(offers):
        said = market.price(offers)
    own = said.reindex(offers["sale"]).reset_index(drop=True)
    return own.assign(
        bird=birds["bird"],
        sold_as=kind,
        sales=sales,
        weight=weight,
        usual=_usual(kind, birds, market),
        why_not=birds[kind].groupby(offers["sale"]).transform("max"),
    )


def _usual(kind: str, birds: pd.DataFrame, market: Market) -> npt.NDArray[np.bool_]:
    """Whether birds of that sex and about that age have been sold so; a missing age is no objection.

    A kind never sold goes by the plan's usual price, of any bird.
    """
    if kind in market.usual and not market.sold(kind):
        return np.ones(len(birds), dtype=bool)
    sold = market.kinds[market.kinds["sold_as"] == kind].set_index("sex").reindex(birds["sex"])
    weeks = birds["weeks"].to_numpy(dtype=float)
    youngest, oldest = (sold[c].to_numpy(dtype=float) for c in ("youngest", "oldest"))
    outside = (weeks < _AGES[0] * youngest) | (weeks > _AGES[1] * oldest)
    return sold["sales"].notna().to_numpy() & ~outside


def choose(birds: pd.DataFrame, kinds: pd.DataFrame) -> list[str | None]:
    """The kind of sale that brings each bird most, among those the holding knows best.

    Best known is a kind sold `ENOUGH` times, to birds of its sex and age; then one sold once or twice to
    such; then one sold at all; a usual price of the plan counts as sales. Where none is known, the first of
    `FIRST_CHOICE` that is open to it; None where nothing is known of any kind.
    """
    if not kinds["weight"].any():
        return [None] * len(birds)
    allowed = kinds[kinds["why_not"] == ""]
    sold, usual = allowed["weight"], allowed["usual"]
    tier = np.select([usual & (sold >= _ENOUGH), usual & (sold > 0), sold > 0], [0, 1, 2], 3)
    place = allowed["sold_as"].map({kind: i for i, kind in enumerate(FIRST_CHOICE)})
    ranked = allowed.assign(tier=tier, dear=-allowed["price"].fillna(0.0), place=place)
    first = ranked.sort_values(["tier", "dear", "place"], kind="stable").drop_duplicates("bird")
    return list(first.set_index("bird")["sold_as"].loc[birds["bird"]])


def propose_offers(
    birds: pd.DataFrame,
    kinds: pd.DataFrame,
    costs: CostsToDate,
    market: Market,
    currency: Currency,
    asking: Mapping[str, Decimal | float],
) -> pd.DataFrame:
    """One row a sale proposed (see `Prices.offers`)."""
    label = birds["lot"].where(birds["lot"].notna() & birds["lot"].duplicated(keep=False), birds["bird"])
    _refuse_asking(asking, set(label), currency)
    of_bird = kinds.set_index(["bird", "sold_as"])
    rows = []
    for offer, members in birds.groupby(label, sort=False):
        kind = members["sold_as"].iloc[0]
        said = of_bird.loc[(members["bird"].iloc[0], kind)] if isinstance(kind, str) else None
        floor = _together([costs.birds.get(bird) for bird in members["bird"]], currency)
        row: dict[str, Any] = {
            "offer": offer,
            "birds": tuple(members["bird"]),
            "size": len(members),
            "sold_as": kind,
            "floor": floor,
            **_worth(said, len(members), floor, currency),
        }
        own = asking.get(str(offer))
        row["asking"], row["remark"] = _asked(row, None if own is None else currency.amount(own), currency)
        rows.append(row)
    columns = ["offer", "birds", "size", "sold_as", "floor", "price", "low", "high", "asking", "remark"]
    return pd.DataFrame(rows, columns=columns).astype({c: object for c in columns if c != "size"})


def _worth(
    said: pd.Series | None, size: int, floor: Decimal | None, currency: Currency
) -> dict[str, Decimal | None]:
    """Price, low and high of an offer: the market's, else cost and a margin without a range; none without a market."""
    if said is None:
        return dict.fromkeys(("price", "low", "high"))
    if said["weight"] > 0:
        ways = {"price": ROUND_HALF_EVEN, "low": ROUND_FLOOR, "high": ROUND_CEILING}
        return {c: currency.about(said[c] * size, way) for c, way in ways.items()}
    return {"price": currency.amount(floor * (1 + MARGIN)) if floor else None, "low": None, "high": None}


def _asked(offer: Mapping[str, Any], own: Decimal | None, currency: Currency) -> tuple[Decimal | None, str]:
    """What to ask and what to say of it: whole pounds, not under the floor unless nobody would pay that."""
    price, floor, high = offer["price"], offer["floor"], offer["high"]
    if own is not None:
        return own, _own_remark(own, offer, currency)
    if price is None:
        return None, "no price can be said"
    if floor is not None and high is not None and floor > high:
        return currency.whole(price), "nobody is likely to pay what it cost"
    if floor is not None and price < floor:
        return currency.whole(floor), "asks its cost: the market's middle is lower"
    return currency.whole(price), ""


def _own_remark(own: Decimal, offer: Mapping[str, Any], currency: Currency) -> str:
    said = ["the breeder's own price"]
    if offer["floor"] is not None and own < offer["floor"]:
        said.append(f"{currency.words(offer['floor'] - own)} under what it cost")
    if offer["high"] is not None and not offer["low"] <= own <= offer["high"]:
        said.append(f"outside {currency.words(offer['low'])} to {currency.words(offer['high'])}")
    return "; ".join(said)


def _refuse_asking(asking: Mapping[str, Decimal | float], known: set[str], currency: Currency) -> None:
    """Raise one RecordsError for all asking prices that cannot be."""
    faults = []
    least = currency.words(currency.unit)
    for offer, amount in asking.items():
        where, number = f"asking price of {offer}", Decimal(str(amount))
        if not number.is_finite() or number < currency.unit:
            faults.append(
                f"{where}: found {amount}; expected at least {least} (record a bird given away as given)"
            )
        if offer not in known:
            faults.append(f"{where}: not among what goes ({', '.join(sorted(known)) or 'nothing'})")
    if faults:
        raise RecordsError("\n".join(faults))


def joint_draws(
    birds: pd.DataFrame, offers: pd.DataFrame, market: Market, rng: np.random.Generator
) -> Floats | None:
    """Joint draws of what each offer brings in all (DRAWS × offers); None where one rests on no sale."""
    if offers.empty or market.regression is None or offers["low"].isna().any():
        return None
    rows = in_market(birds, "breeding", market.season).assign(sold_as=birds["sold_as"])
    return market.draws(rows, rng, _DRAWS) * offers["size"].to_numpy(dtype=float)


def _together(amounts: list[Decimal | None], currency: Currency) -> Decimal | None:
    """Sum of the amounts, None where one of them is not known."""
    known = [amount for amount in amounts if amount is not None]
    return total(known, currency) if len(known) == len(amounts) else None


_COLUMNS = [
    "cock",
    "hen",
    "other_hen",
    "inbreeding",
    "inbreeding_most",
    "hens_related",
    "price",
    "low",
    "high",
    "apart",
    "why",
]


def make_trios(
    birds: pd.DataFrame,
    kinds: pd.DataFrame,
    market: Market,
    pedigree: Pedigree | None,
    most_inbreeding: float,
    currency: Currency,
    of: Call = str,
) -> pd.DataFrame:
    """Trios that may be offered instead of their birds singly; each bird is in one at most.

    `birds` and `kinds` as in :mod:`selection.decide.prices.prices`; only birds that go as breeders, one by one, take
    part. Columns: cock, hen, other_hen; inbreeding (F of the chicks, of the closer hen), inbreeding_most (its
    worst case); hens_related (relationship of the two hens); price, low, high (of the trio as a lot) and
    apart (its birds singly), Decimal, missing where no sale tells them; why. Empty without a
    pedigree.
    """
    breeders = birds[(birds["sold_as"] == "breeding") & birds["known"] & birds["lot"].isna()]
    alone = kinds[kinds["sold_as"] == "breeding"].set_index("bird")["price"].reindex(breeders["bird"])
    breeders = breeders.assign(alone=alone.to_numpy())
    best_first = breeders.sort_values(["alone", "points"], ascending=False, kind="stable")
    cocks = best_first[best_first["sex"] == "male"]
    hens = breeders[breeders["sex"] == "female"]
    if pedigree is None or cocks.empty or len(hens) < 2:
        return pd.DataFrame(columns=_COLUMNS)
    worst = WorstCase(pedigree, list(breeders["bird"]), of)
    chicks = np.array(
        [[worst.bound[worst.at[c], worst.at[h]] / 2 for h in hens["bird"]] for c in cocks["bird"]]
    )
    rows = [
        _trio(cocks.iloc[c], hens.iloc[pair], worst, pedigree, market, currency)
        for c, pair in match(chicks, most_inbreeding)
    ]
    return pd.DataFrame(rows, columns=_COLUMNS)


def match(inbreeding: np.ndarray, most: float) -> list[tuple[int, list[int]]]:
    """Two columns for as many rows of `inbreeding` (cocks × hens) as can be served, none above `most`.

    Earlier rows come first; among the ways to serve them all, the one with least inbreeding in all. Returns
    (row, [column, column]) pairs.
    """
    from scipy.optimize import linear_sum_assignment

    served: list[int] = []
    best = np.empty(0, dtype=int)
    cost = np.where(inbreeding <= most, inbreeding, 1e6)
    for row in range(len(cost)):
        wanted = [*served, row]
        if 2 * len(wanted) > cost.shape[1]:
            break
        places = np.repeat(wanted, 2)
        _, columns = linear_sum_assignment(cost[places])
        if cost[places, columns].max() < 1e6:
            served, best = wanted, columns
    return [(row, sorted(map(int, best[2 * i : 2 * i + 2]))) for i, row in enumerate(served)]


def _trio(
    cock: pd.Series,
    hens: pd.DataFrame,
    worst: WorstCase,
    pedigree: Pedigree,
    market: Market,
    currency: Currency,
) -> tuple:
    names = [str(hen) for hen in hens["bird"]]
    expected = pedigree.relationship([cock["bird"]], names)[0] / 2
    cases = [worst.pair(cock["bird"], hen) for hen in names]
    at_most = max(case.relationship for case in cases) / 2
    supposing = "; ".join(dict.fromkeys(word for case in cases for word in case.supposing[:1]))
    related, at_worst = degree(float(expected.max())), degree(at_most)
    doubt = "" if related == at_worst else f"; at worst {at_worst}"
    return (
        cock["bird"],
        *names,
        float(expected.max()),
        at_most,
        float(pedigree.relationship(names[:1], names[1:])[0, 0]),
        *_priced(pd.concat([cock.to_frame().T, hens]), market, currency),
        f"cock and hens {related}{doubt}" + (f", if {supposing}" if doubt and supposing else ""),
    )


def _priced(members: pd.DataFrame, market: Market, currency: Currency) -> list[Decimal | None]:
    """Price, low and high of a trio as one lot, and its birds singly; None where no sale tells them."""
    if not market.sold("breeding"):
        return [None] * 4
    offer = pd.DataFrame(
        {
            "sale": 0,
            "sold_as": "breeding",
            "sex": members["sex"],
            "weeks": members["weeks"].astype(float),
            "points": members["points"].astype(float),
            "season": market.season,
            "size": float(len(members)),
        }
    )
    said = market.price(offer).iloc[0] * len(members)
    together = [currency.about(said[c]) for c in ("price", "low", "high")]
    return [*together, currency.about(float(members["alone"].sum()))]
