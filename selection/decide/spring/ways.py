"""The ways to next spring's chicks: whose eggs are to be had, at what price, and what comes of each egg.

Each way is followed egg by egg in the same draws: what hatches and lives, its sex, its merit, and which candidate
choosing would find. So more eggs never give fewer birds, and what one egg more buys is seen without noise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from selection.answer import TAILS, Floats, Kind, Note
from selection.decide.matings.matings import Matings
from selection.decide.prices.costs import CostsToDate
from selection.decide.spring.stock import SPRING_DRAWS, Blood, Rearing, Source, broods
from selection.decide.wording import counted
from selection.merit.candidates import YOUNG
from selection.records.flock import Flock
from selection.records.settings.plan import Offer, SpringPlan as Asked

EGGS_A_HEN = 20
"""Hatching eggs of a hen in six weeks of spring: common practice, no source; limits what own pens can set."""
BOUGHT, OWN = "bought-in", "home-bred"


@dataclass(frozen=True)
class Way:
    """One source of eggs, followed to the meeting in every draw (draws × eggs, all of the first so many eggs).

    serves: groups whose `from` takes its origin; cockerels, pullets: candidates so far; best: merit of the best that
    choosing finds, the mean over the groups it serves (missing where one has no candidate yet); chicks (eggs,):
    expected chicks reared; inbreeding: F of its chicks' chicks with the hens here; price: of an egg (missing: not on
    record); bill: of a chick reared; rests_on: what it rests on, in words.
    """

    source: Source
    serves: tuple[str, ...]
    cockerels: npt.NDArray[np.int16]
    pullets: npt.NDArray[np.int16]
    best: npt.NDArray[np.float32]
    chicks: Floats
    inbreeding: float
    price: float
    bill: float
    rests_on: tuple[str, ...]

    @property
    def most(self) -> int:
        """The most eggs it was followed to."""
        return self.cockerels.shape[1]

    def count(self, group: str) -> npt.NDArray[np.int16]:
        """Candidates so far of a group (draws × eggs)."""
        return self.cockerels if YOUNG[group] == "male" else self.pullets

    def enough(self, wanted: Mapping[str, int]) -> Floats:
        """Chance (eggs,) of so many at least in all the groups it serves."""
        there = np.ones(self.cockerels.shape, dtype=bool)
        for group in self.serves:
            there &= self.count(group) >= wanted[group]
        return there.mean(axis=0)

    def cost(self) -> Floats:
        """Money (eggs,): the eggs, and the bills of the chicks they give."""
        return np.arange(1, self.most + 1) * self.price + self.chicks * self.bill

    @cached_property
    def merit_best(self) -> Floats:
        """Expected merit (eggs,) of the best found, given that there is one."""
        found = np.isfinite(self.best)
        total = np.where(found, self.best, 0.0).sum(axis=0, dtype=float)
        return np.where(found.any(axis=0), total / np.maximum(found.sum(axis=0), 1), np.nan)

    def merit_range(self, at: npt.NDArray[np.intp]) -> Floats:
        """Interval (2 × places) of the merit of the best found, at these places."""
        some = np.isfinite(self.best[:, at]).any(axis=0)
        ends = np.full((2, len(at)), np.nan)
        ends[:, some] = np.nanquantile(self.best[:, at[some]], TAILS, axis=0)
        return ends


def offers_of(flock: Flock, asked: Asked) -> tuple[list[Offer], list[Note]]:
    """The plan's offers; where it names none, the past suppliers."""
    if asked.offers:
        return list(asked.offers), []
    bought = flock.clutches[(flock.clutches["origin"] == BOUGHT) & flock.clutches["source"].notna()]
    past = [Offer(str(source)) for source in sorted(bought["source"].unique())]
    if not past:
        text = "The plan names no offer of eggs and no supplier is on record: only own eggs are set side by side."
    else:
        text = "The plan names no offer of eggs: past suppliers stand for them, at the last prices on record."
    return past, [Note(Kind.ASSUMED, None, text)]


def bought_from(flock: Flock, offer: Offer) -> Source:
    """A supplier as a source of eggs; how many stand in the pen as offered, else as last told."""
    same = flock.clutches["source"].str.casefold() == offer.source.casefold()
    told = flock.clutches[same.fillna(False)].sort_values("set_on", kind="stable")
    name = str(told["source"].iloc[-1]) if len(told) else offer.source
    given = {"cocks": offer.cocks, "hens": offer.hens}
    last = {side: told[side].dropna().astype(float).tolist()[-1:] or [np.nan] for side in given}
    cocks, hens = (last[side][0] if number is None else float(number) for side, number in given.items())
    return Source(name, BOUGHT, cocks, hens)


def own_pens(pens: Matings) -> list[Source]:
    """The pens proposed, each cock with his hens."""
    put = pens.allotment.table.dropna(subset=["cock"])
    return [
        Source(
            f"own: {cock}",
            OWN,
            sires=(str(cock),),
            dams=tuple(rows["hen"]),
            title=f"the pen of {pens.call(str(cock))}",
        )
        for cock, rows in put.groupby("cock", sort=False)
    ]


def price_of(flock: Flock, offer: Offer) -> float:
    """An egg's price as offered, else the last on record of that supplier, else of any bought-in clutch."""
    if offer.price is not None:
        return float(offer.price)
    bought = flock.clutches[(flock.clutches["origin"] == BOUGHT) & (flock.clutches["eggs_set"] > 0)]
    bills = flock.costs[flock.costs["item"] == "eggs"].sort_values("on", kind="stable")
    of_clutch = bills.dropna(subset=["clutch"]).merge(bought[["clutch", "source", "eggs_set"]], on="clutch")
    own = of_clutch[of_clutch["source"].str.casefold() == offer.source.casefold()]
    for rows in (own, of_clutch):
        if len(rows):
            last = rows[rows["clutch"] == rows["clutch"].iloc[-1]]
            return float(last["amount"].sum() / last["eggs_set"].iloc[-1])
    open_bills = bills[bills["clutch"].isna()]
    for year in sorted(open_bills["on"].dt.year.unique(), reverse=True):
        eggs = bought.loc[bought["set_on"].dt.year == year, "eggs_set"].sum()
        if eggs:
            return float(open_bills.loc[open_bills["on"].dt.year == year, "amount"].sum() / eggs)
    return float("nan")


def price_of_own(flock: Flock) -> float:
    """What an own egg would have brought: the last season's egg money over the eggs sold; 0 where none is on record."""
    sold = flock.income[(flock.income["item"] == "eggs") & (flock.income["n"] > 0)]
    last = sold[sold["on"].dt.year == sold["on"].dt.year.max()]
    return float(last["amount"].sum() / last["n"].sum()) if len(last) else 0.0


def bill_of_a_chick(costs: CostsToDate, season: int) -> tuple[float, int | None]:
    """The bills of a chick reared, eggs left out and those lost carried, with the season they are of.

    The plan's season, else the last before it with bills on chicks; 0 and None where there is none.
    """
    for year in sorted((y for y in costs.seasons if y <= season), reverse=True):
        shares = costs.seasons[year].shares
        reared = shares[shares["reared"].astype(bool)] if len(shares) else shares
        spent = sum(
            float(total) - float(eggs) for total, eggs in zip(reared["total"], reared["eggs"], strict=True)
        )
        if len(reared) and spent > 0:
            return spent / len(reared), year
    return 0.0, None


def worth_following(source: Source, rearing: Rearing, wanted: int) -> int:
    """Eggs beyond which a source gives more than twice the birds wanted of one sex, and a clutch for chance."""
    return int(2 * wanted / max(0.5 * rearing.mean(source.key), 1e-3)) + 2 * rearing.usual_clutch


def way_of(
    source: Source,
    serves: tuple[str, ...],
    blood: Blood,
    rearing: Rearing,
    most: int,
    money: tuple[float, float],
    rng: np.random.Generator,
) -> Way:
    """Follow up to `most` eggs of a source in every draw; `money`: the price of an egg, the bill of a chick reared."""
    brood = broods(rearing, source.key, most, SPRING_DRAWS, rng)
    stock = blood.stock_of(source)
    merit = blood.merit(stock.chicks(most, rng))
    seen = merit + np.sqrt(blood.noise) * rng.standard_normal(merit.shape)
    best = [best_found(merit, seen, brood.candidates(YOUNG[group] == "male")) for group in serves]
    clutches = rearing.clutches.get(source.key, 0)
    rests = [_rests_on(source, clutches, stock.known)]
    if np.isnan(money[0]):
        rests.append("no price of an egg is on record")
    cockerels, pullets = (np.cumsum(brood.candidates(male), axis=1, dtype=np.int16) for male in (True, False))
    return Way(
        source, serves, cockerels, pullets, np.mean(best, axis=0, dtype=np.float32),
        np.cumsum(brood.reared.mean(axis=0)), stock.inbreeding, *money, tuple(rests),
    )  # fmt: skip


def _rests_on(source: Source, clutches: int, known: bool) -> str:
    """What a way's merit and rearing rest on, in words."""
    of = f"{clutches} clutch{'' if clutches == 1 else 'es'}"
    if source.sires:
        return f"{counted(len(source.dams), 'hen')} with the cock; rearing rests on {of} of own eggs"
    if clutches:
        return f"merit and rearing rest on {of} of this supplier"
    if known:
        return "merit rests on this supplier's other birds; no clutch of it is on record"
    return "never bought from: merit, hatch and rearing as suppliers are held to be before any is known"


def best_found(merit: Floats, seen: Floats, there: npt.NDArray[np.bool_]) -> Floats:
    """Merit of the candidate that looks best among the first so many eggs (draws × eggs), missing before the first.

    `seen` is what choosing sees of each, `there` whether the egg gave a candidate; all draws × eggs.
    """
    running = np.maximum.accumulate(np.where(there, seen, -np.inf), axis=1)
    first = there & (seen == running)
    at = np.maximum.accumulate(np.where(first, np.arange(merit.shape[1]), 0), axis=1)
    return np.where(np.isfinite(running), np.take_along_axis(merit, at, axis=1), np.nan)
