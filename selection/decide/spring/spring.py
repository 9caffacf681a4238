"""Next spring: how many eggs to set and to buy, and from whom, to have birds worth choosing from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.answer import SEED, TAILS, Answer, Kind, Note
from selection.decide.matings.matings import Matings, stay
from selection.decide.prices.costs import CostsToDate
from selection.decide.prices.money import Currency
from selection.decide.spring.stock import Blood, learn_rearing
from selection.decide.spring.ways import (
    EGGS_A_HEN,
    Way,
    bill_of_a_chick,
    bought_from,
    offers_of,
    own_pens,
    price_of,
    price_of_own,
    way_of,
    worth_following,
)
from selection.decide.verdicts.verdicts import Verdicts
from selection.decide.wording import in_hundred, listed, points_of_merit
from selection.merit.candidates import YOUNG
from selection.merit.ranking import Merit
from selection.records.flock import Flock
from selection.records.settings.plan import MOST_INBREEDING, Plan, SpringPlan as Asked

SPRING_COLUMNS = [
    *("source", "origin", "for", "eggs", "cockerels", "cockerels_low", "cockerels_high"),
    *("pullets", "pullets_low", "pullets_high", "enough", "merit_best", "merit_best_low", "merit_best_high"),
    *("inbreeding", "cost", "cost_a_candidate", "chosen", "why"),
]
"""Columns of spring.csv."""
TIMES = 4
"""Birds to choose from for each that is kept or in reserve, where the plan does not say."""
_ROWS = 24
"""Numbers of eggs shown of one way, about; the least that is enough is always among them."""

CHEAPEST = ("the cheapest that is enough",)


@dataclass(frozen=True)
class Wish:
    """What next spring is to give: candidates `wanted` by group, with the chance `sure`, for at most `budget` a way.

    `origins`: those that each group may come from (empty: any); `budget` None: no ceiling; `most_inbreeding`: F of
    chicks above which it is said.
    """

    wanted: Mapping[str, int]
    origins: Mapping[str, tuple[str, ...]]
    sure: float = 0.9
    budget: float | None = None
    most_inbreeding: float = MOST_INBREEDING

    def serves(self, origin: str) -> tuple[str, ...]:
        """The groups that birds of an origin are for."""
        return tuple(g for g in self.wanted if not self.origins[g] or origin in self.origins[g])

    @property
    def needed(self) -> set[str]:
        """Origins that some group takes alone; empty: any one origin serves all groups."""
        return {self.origins[g][0] for g in self.wanted if len(self.origins[g]) == 1}


@dataclass(frozen=True, repr=False)
class Spring(Answer):
    """The ways to next spring side by side.

    table: spring.csv, one row a way and number of eggs; steps: what the last of so many eggs buys: source, eggs,
    enough, merit_best, cost (differences from one egg fewer); ways: what both were worked out from.
    """

    TITLE = "Next spring"
    CSV = "spring"
    TABLES = ("table", "steps")

    table: pd.DataFrame
    steps: pd.DataFrame
    wish: Wish
    currency: Currency
    ways: tuple[Way, ...]
    notes: tuple[Note, ...]


def next_spring(
    flock: Flock, merit: Merit, verdicts: Verdicts, pens: Matings, costs: CostsToDate, seed: int = SEED
) -> Spring:
    """Set the ways to next spring side by side: eggs on offer and own pens, as the plan's `[spring]` asks.

    Parameters
    ----------
    flock : Flock
        The flock on the meeting's day.
    merit : Merit
        Its ranking.
    verdicts : Verdicts
        What the meeting proposes.
    pens : Matings
        Who is put to whom: the own pens that may lay the eggs.
    costs : CostsToDate
        The season's bills on the birds that carry them; no bill, no cost of rearing.
    seed : int
        Of every draw: the same records give the same table.

    Returns
    -------
    Spring
        One row a way and number of eggs. Without offers in the plan every past supplier counts as one, at the last
        price on record; without `choose_from` four birds are wanted for each that is kept or in reserve.

    Examples
    --------
    >>> from selection import matings, next_spring, prices
    >>> costs = prices(flock, verdicts, merit=merit).costs
    >>> ways = next_spring(flock, merit, verdicts, matings(flock, merit, verdicts), costs).table
    >>> bool(ways.groupby("source")["enough"].is_monotonic_increasing.all())
    True
    """
    asked, wish, rng = flock.plan.spring or Asked(), wish_of(flock.plan), np.random.default_rng(seed)
    offers, notes = offers_of(flock, asked)
    terms = [(bought_from(flock, o), o.most, price_of(flock, o)) for o in offers]
    terms += [(s, EGGS_A_HEN * len(s.dams), price_of_own(flock)) for s in own_pens(pens)]
    terms = [(s, most, price) for s, most, price in terms if wish.serves(s.origin)]
    staying = stay(flock, verdicts)
    hens = staying.loc[(staying["sex"] == "female") & (staying["role"] != "reserve"), "bird"]
    blood, rearing = Blood(flock, merit, [s for s, _, _ in terms], list(hens), rng), learn_rearing(flock)
    bill, year = bill_of_a_chick(costs, flock.plan.season)
    most_wanted = max(wish.wanted.values(), default=0)
    ways = []
    for source, most, price in terms:
        followed = min(most, worth_following(source, rearing, most_wanted)) if source.sires else most
        ways.append(way_of(source, wish.serves(source.origin), blood, rearing, followed, (price, bill), rng))
    notes += _assumed(flock.plan, blood, year, any(not rearing.clutches.get(w.source.key) for w in ways))
    return choose_way(ways, wish, Currency(flock.plan.currency), notes)


def wish_of(plan: Plan) -> Wish:
    """What the plan asks of next spring, of the groups of young birds that it keeps."""
    asked = plan.spring or Asked()
    young = {group: keep for group, keep in plan.keep.items() if group in YOUNG}
    every = {g: asked.choose_from.get(g, TIMES * (keep.number + keep.reserve)) for g, keep in young.items()}
    wanted = {group: number for group, number in every.items() if number > 0}
    origins = {group: young[group].origins for group in wanted}
    return Wish(wanted, origins, asked.sure, most_inbreeding=plan.most_inbreeding)


def choose_way(ways: Sequence[Way], wish: Wish, currency: Currency, notes: Sequence[Note] = ()) -> Spring:
    """The ways under a wish: the table, the cheapest that is enough marked; `notes` go below what is found."""
    chosen = _chosen(ways, wish)
    parts = [_rows(way, wish, chosen.get(way.source.name)) for way in ways]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=SPRING_COLUMNS)
    met = {way.source.origin for way in ways if way.source.name in chosen}
    failing = (wish.needed - met) if wish.needed else (set() if met else {w.source.origin for w in ways})
    short = {origin: _short(origin, ways, wish) for origin in sorted(failing)}
    table["why"] = [
        f"{short[origin]}; {why}" if origin in short else why
        for why, origin in zip(table["why"], table["origin"], strict=True)
    ]
    steps = pd.concat([_steps(way, wish) for way in ways], ignore_index=True) if ways else pd.DataFrame()
    said = _found(ways, wish, chosen, currency)
    said += [Note(Kind.CANNOT, f"{origin} eggs", f"{text}.") for origin, text in short.items()]
    return Spring(table[SPRING_COLUMNS], steps, wish, currency, tuple(ways), (*said, *notes))


def _chosen(ways: Sequence[Way], wish: Wish) -> dict[str, int]:
    """Source → eggs of the cheapest that is enough, one for each origin needed; without prices the fewest eggs."""
    best: dict[str, tuple[float, int, str]] = {}
    for way in ways:
        cost = way.cost()
        good = way.enough(wish.wanted) >= wish.sure
        if wish.budget is not None:
            good &= ~(cost > wish.budget)
        if not good.any():
            continue
        eggs = int(np.argmax(good)) + 1
        price = float(cost[eggs - 1]) if np.isfinite(cost[eggs - 1]) else np.inf
        origin = way.source.origin if wish.needed else ""
        best[origin] = min(best.get(origin, (np.inf, 10**9, "")), (price, eggs, way.source.name))
    return {name: eggs for origin, (_, eggs, name) in best.items() if origin in (wish.needed or {""})}


def _rows(way: Way, wish: Wish, chosen: int | None) -> pd.DataFrame:
    """The way's rows: about `ROWS` numbers of eggs, with the least that is enough and the one chosen."""
    enough, cost, at = way.enough(wish.wanted), way.cost(), _shown(way, wish, chosen) - 1
    table = pd.DataFrame({"eggs": at + 1})
    for name, counts in (("cockerels", way.cockerels), ("pullets", way.pullets)):
        low, high = np.quantile(counts[:, at], TAILS, axis=0)
        table = table.assign(**{name: counts[:, at].mean(axis=0), f"{name}_low": low, f"{name}_high": high})
    best, (low, high) = way.merit_best[at], way.merit_range(at)
    candidates = sum(way.count(group)[:, at].mean(axis=0) for group in way.serves)
    return table.assign(
        source=way.source.name, origin=way.source.origin, **{"for": ";".join(way.serves)},
        enough=enough[at], merit_best=best, merit_best_low=low, merit_best_high=high,
        inbreeding=way.inbreeding, cost=cost[at], cost_a_candidate=cost[at] / np.maximum(candidates, 1e-9),
        chosen=["yes" if n == chosen else "" for n in at + 1],
        why=["; ".join((*CHEAPEST, *way.rests_on) if n == chosen else way.rests_on) for n in at + 1],
    )[SPRING_COLUMNS]  # fmt: skip


def _shown(way: Way, wish: Wish, chosen: int | None) -> np.ndarray:
    """Numbers of eggs that stand in the table."""
    good = way.enough(wish.wanted) >= wish.sure
    first = [int(np.argmax(good)) + 1] if good.any() else []
    step = -(-way.most // _ROWS)
    return np.array(
        sorted({*range(step, way.most + 1, step), way.most, *first, *([chosen] if chosen else [])})
    )


def _steps(way: Way, wish: Wish) -> pd.DataFrame:
    """What the last of so many eggs adds: to the chance, to the merit of the best, to the cost."""
    figures = {"enough": way.enough(wish.wanted), "merit_best": way.merit_best, "cost": way.cost()}
    more = {
        name: np.diff(values, prepend=np.nan if name == "merit_best" else 0.0)
        for name, values in figures.items()
    }
    return pd.DataFrame({"source": way.source.name, "eggs": np.arange(1, way.most + 1), **more})


def _found(ways: Sequence[Way], wish: Wish, chosen: Mapping[str, int], currency: Currency) -> list[Note]:
    """What is chosen, in words, and what one egg more would buy."""
    said = []
    for way in (w for w in ways if w.source.name in chosen):
        eggs, name = chosen[way.source.name], way.source.said
        chance, cost, best = way.enough(wish.wanted)[eggs - 1], way.cost()[eggs - 1], way.merit_best[eggs - 1]
        money = f", for about {currency.words(round(cost))}" if np.isfinite(cost) else ""
        said.append(
            f"{_name(way)}: {eggs} eggs give {_wanted(way.serves, wish)} with a chance of {in_hundred(chance)}{money}; "
            f"the best found would stand about {points_of_merit(best)} from the flock's mean.{_close(way, wish)}"
        )
        if eggs < way.most:
            more = _steps(way, wish).iloc[eggs]
            price = (
                f" and costs {currency.words(round(more['cost'], 2))}" if np.isfinite(more["cost"]) else ""
            )
            said.append(
                f"{name}: one egg more adds {100 * more['enough']:.1f} in 100 to that chance and "
                f"{more['merit_best']:.2f} points to the best found{price}."
            )
    return [Note(Kind.FOUND, None, text) for text in said]


def _close(way: Way, wish: Wish) -> str:
    """Said where the way's cockerels are too close to the hens here."""
    if not way.inbreeding > wish.most_inbreeding:
        return ""
    return (
        f" Its own cockerels put to the hens here would give chicks of F {way.inbreeding:.3f}, above the plan's "
        f"{wish.most_inbreeding:g}: the cock comes from elsewhere."
    )


def _name(way: Way) -> str:
    return way.source.said if way.source.sires else f"{way.source.name} ({way.source.origin})"


def _wanted(serves: Sequence[str], wish: Wish) -> str:
    return listed(f"{wish.wanted[group]} {group}" for group in serves)


def _short(origin: str, ways: Sequence[Way], wish: Wish) -> str:
    """Why no way of an origin is enough, and what two together would give."""
    own = [way for way in ways if way.source.origin == origin]
    if not own:
        return "none are offered or proposed"
    best = max(own, key=lambda way: way.enough(wish.wanted)[-1])
    reach = best.enough(wish.wanted)[-1]
    within = f" within {wish.budget:g}" if wish.budget is not None and reach >= wish.sure else ""
    said = (
        f"no way is enough by itself{within}: {best.most} eggs of {best.source.said} give "
        f"{_wanted(best.serves, wish)} with a chance of {in_hundred(reach)}, and {in_hundred(wish.sure)} is asked"
    )
    if within or len(own) < 2:
        return said
    pair = _two(own, wish)
    if pair is None:
        return f"{said}; no two of these together are either"
    first, second, eggs = pair
    both = f"{first.most} eggs of {first.source.said} and {eggs} of {second.source.said}"
    return f"{said}; {both} together would be enough"


def _two(ways: Sequence[Way], wish: Wish) -> tuple[Way, Way, int] | None:
    """All eggs of one way with the fewest of another that are enough together, the cheapest such pair."""
    found = []
    for one in ways:
        for other in (way for way in ways if way is not one):
            there = np.ones(other.cockerels.shape, dtype=bool)
            for group in other.serves:
                there &= one.count(group)[:, -1:] + other.count(group) >= wish.wanted[group]
            good = there.mean(axis=0) >= wish.sure
            if good.any():
                eggs = int(np.argmax(good)) + 1
                cost = float(one.cost()[-1] + other.cost()[eggs - 1])
                found.append((cost if np.isfinite(cost) else np.inf, eggs, one, other))
    if not found:
        return None
    _, eggs, one, other = min(found, key=lambda pair: pair[:2])
    return one, other, eggs


def _assumed(plan: Plan, blood: Blood, billed: int | None, untried: bool) -> list[Note]:
    """What all of it rests on."""
    said = []
    if plan.spring is None or not plan.spring.choose_from:
        said.append(f"The plan does not say how many to choose from: {TIMES} for each kept or in reserve.")
    if not blood.looked_before:
        said.append(
            "This season's records say nothing of how well choosing sees: taken as one look at a usual section."
        )
    if billed is None:
        said.append("No bill of chicks is on record: costs are those of the eggs alone.")
    else:
        said.append(f"Rearing costs a chick what one reared cost in {billed}, with its share of those lost.")
    if untried:
        said.append(
            "A supplier never bought from is taken as suppliers are before any is known: its true level, hatch and "
            "rearing may be far from it."
        )
    said.append(
        "Half of the chicks are taken as cockerels; an own pen is taken to set at most "
        f"{EGGS_A_HEN} eggs a hen (common practice, no source)."
    )
    return [Note(Kind.ASSUMED, None, text) for text in said]
