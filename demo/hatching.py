"""Springs: suppliers' pens, eggs set, chicks hatched, and whose chicks they truly are."""

from __future__ import annotations

import numpy as np

from demo import breed
from demo.history import Bird, History, day

EGG_DAYS, COCK_DAYS = 10, 21
STORED_SPERM = 0.5
"""A day served by a cock that has left weighs this much beside one that stands there (common practice)."""
USUAL_PEN = (1, 6)
"""Cocks and hens of a supplier's pen that may go untold."""


def hatch_season(h: History, season: int) -> list[Bird]:
    """Set and hatch the season's clutches; every chick of them."""
    o = h.options
    for male in (True, False):
        h.seasons[season, male] = h.rng.standard_normal(len(h.model.sd)) * 0.25 * h.model.sd
    chicks: list[Bird] = []
    for k, source in enumerate(_sources(h)):
        stock = supplier_stock(h, source, season)
        clutch = _set(h, season, f"B{k + 1}", source)
        clutch |= _told(h, *stock)
        chicks += _hatch(h, season, clutch, *map(_even, stock))
    first = None
    for k in range(o.home_bred):
        joins = first if o.mixed and k == 1 and season == o.first + 1 else None
        clutch = _set(h, season, f"H{k + 1}", None, joins=joins)
        chicks += _hatch(h, season, clutch, *_home_parents(h, clutch))
        first = first or clutch
    return chicks


def late_clutch(h: History, season: int) -> None:
    """A broody hen's few late eggs: one chick still too young to sex lives to the meeting."""
    clutch = _set(h, season, f"H{h.options.home_bred + 1}", None, late=True)
    chicks = _hatch(h, season, clutch, *_home_parents(h, clutch))
    for chick in chicks:
        chick.sexed, chick.ringed, chick.fault = False, False, None
    for chick in chicks[1:]:
        chick.gone, chick.why = chick.hatched + int(h.rng.integers(2, 30)), "died"


# -- parents ------------------------------------------------------------------------------------------------


def _sources(h: History) -> list[str]:
    """The season's suppliers' pens, each once while they last."""
    pens = breed.SUPPLIERS[: h.options.suppliers] + breed.SECOND_PENS * (h.options.suppliers >= 4)
    chosen = h.rng.choice(pens, size=h.options.bought_in, replace=h.options.bought_in > len(pens))
    return [str(source) for source in chosen]


def supplier_stock(h: History, source: str, spring: int) -> tuple[np.ndarray, np.ndarray]:
    """Rows of the supplier's cocks and hens that spring.

    Any one of them is the same bird in two springs with probability `same_pen`, whichever two: a bird is one
    of the k it was before with probability p/(1 + (k − 1)·p) each, else new.
    """
    if (source, spring) not in h.springs:
        numbers = _pen_numbers(h, source)
        cocks, hens = (
            np.array([_slot(h, source, side, i) for i in range(count)])
            for side, count in zip(("cock", "hen"), numbers, strict=True)
        )
        h.springs[source, spring] = cocks, hens
    return h.springs[source, spring]


def _pen_numbers(h: History, source: str) -> tuple[int, int]:
    """How many cocks and hens stand in the supplier's pen, the same every spring."""
    known = [(len(cocks), len(hens)) for (pen, _), (cocks, hens) in h.springs.items() if pen == source]
    if known:
        return known[0]
    return USUAL_PEN if h.rng.random() < 0.5 else (int(h.rng.integers(1, 3)), int(h.rng.integers(4, 9)))


def _slot(h: History, source: str, side: str, i: int) -> int:
    earlier = h.slots.setdefault((source, side, i), [])
    p, k = h.options.same_pen, len(earlier)
    if k and h.rng.random() < k * p / (1 + (k - 1) * p):
        row = earlier[int(h.rng.integers(k))]
    else:
        row = int(h.descent.founders(1, h.origin_effect(source.split("/")[0]))[0])
    earlier.append(row)
    return row


def _told(h: History, cocks: np.ndarray, hens: np.ndarray) -> dict[str, int | None]:
    """What the supplier said of the pen: anything unusual always, the usual one clutch in three."""
    told = (len(cocks), len(hens)) != USUAL_PEN or h.rng.random() < 0.3
    return {"cocks": len(cocks) if told else None, "hens": len(hens) if told else None}


Shares = tuple[np.ndarray, np.ndarray]
"""Rows of possible parents and the probability of each."""


def _even(rows: np.ndarray) -> Shares:
    return rows, np.full(len(rows), 1 / len(rows))


def _home_parents(h: History, clutch: dict) -> tuple[Shares, Shares]:
    """Chances of sires and dams in the clutch's pen, by the days each stood there while eggs were saved."""
    set_on = clutch["set_on"]
    first = set_on - EGG_DAYS
    sires: dict[int, float] = {}
    dams: dict[int, float] = {}
    for stand in (s for s in h.pens if s.pen == clutch["pen"] and s.since < set_on):
        until = stand.until or set_on
        days = max(min(until, set_on) - max(stand.since, first), 0)
        if stand.bird.male and first - COCK_DAYS < until <= first:
            days += STORED_SPERM * (min(until + COCK_DAYS, set_on) - first)
        parents = sires if stand.bird.male else dams
        if days:
            parents[stand.bird.row] = parents.get(stand.bird.row, 0) + days
    return _shares(sires), _shares(dams)


def _shares(days: dict[int, float]) -> Shares:
    return np.array(list(days)), np.array(list(days.values())) / sum(days.values())


# -- eggs and chicks ----------------------------------------------------------------------------------------


def _set(
    h: History, season: int, code: str, source: str | None, late: bool = False, joins: dict | None = None
) -> dict:
    """The form's row of a clutch set; one that `joins` another is set and reared with it, not told apart."""
    rng = h.rng
    label = f"{season % 100:02d}-{code}"
    set_on = day(season, 7, 28) if late else day(season, 3, 1) + int(rng.integers(0, 36))
    eggs = 3 if late else h.options.eggs
    fertile = int(rng.binomial(eggs, 0.88))
    hatched = max(int(rng.binomial(fertile, 0.88)), 1)
    row = {
        "clutch": label,
        "origin": "home-bred" if source is None else "bought-in",
        "source": source,
        "pen": None if source else breed.LAYING_PENS[0] if late else breed.BREEDING_PEN,
        "set_on": set_on,
        "hatched_on": set_on + 21 + int(rng.choice([-1, 0, 0, 0, 0, 1])),
        "eggs_set": eggs,
        "fertile": max(fertile, hatched),
        "hatched": hatched,
        "brooder": breed.LATE_BROODER if late else str(rng.choice(breed.BROODERS)),
        "note": str(rng.choice(breed.CLUTCH_NOTES)) if source and rng.random() < 0.25 else None,
    }
    if joins:
        row |= {key: joins[key] for key in ("set_on", "hatched_on", "brooder")}
        h.mixed |= dict.fromkeys((joins["clutch"], label), f"{joins['clutch']};{label}")
    h.clutches.append(row)
    return row


def _hatch(h: History, season: int, clutch: dict, sires: Shares, dams: Shares) -> list[Bird]:
    """The clutch's chicks, with all the effects they share and their own."""
    n, rng, label = clutch["hatched"], h.rng, clutch["clutch"]
    h.common[label] = h.draw(h.model.clutch)
    h.rearing[label] = f"{clutch['brooder']} {season}"
    if h.rearing[label] not in h.common:
        h.common[h.rearing[label]] = h.draw(h.model.brooder)
    rows = h.descent.chicks(rng.choice(sires[0], n, p=sires[1]), rng.choice(dams[0], n, p=dams[1]))
    permanent = rng.standard_normal((n, len(h.model.sd))) * np.sqrt(h.model.permanent)
    h.permanent |= dict(zip(rows, permanent, strict=True))
    chicks = []
    for row, male in zip(rows, rng.random(n) < 0.5, strict=True):
        bought = clutch["source"] is not None
        chick = Bird(h.number(season), row, bool(male), label, clutch["hatched_on"], season, bought)
        h.birds.append(chick)
        chicks.append(chick)
    _mark_faults(h, chicks)
    _mark_unseen(h, chicks)
    _mark_dams(h, chicks)
    return chicks


def _mark_faults(h: History, chicks: list[Bird]) -> None:
    serious = [f.name for f in breed.FAULTS if f.serious]
    for chick, u in zip(chicks, h.rng.random(len(chicks)), strict=True):
        if u < h.options.serious:
            chick.fault = str(h.rng.choice(serious))


def _mark_unseen(h: History, chicks: list[Bird]) -> None:
    if not h.options.unseen:
        return
    for chick, u in zip(chicks, h.rng.random(len(chicks)), strict=True):
        if u < h.options.unseen:
            chick.unseen = int(h.rng.integers(h.model.by_eye))


def _mark_dams(h: History, chicks: list[Bird]) -> None:
    """A home-bred chick now and then hatched from an egg whose hen was known."""
    label = {b.row: b.bird for b in h.birds}
    for chick, u in zip(chicks, h.rng.random(len(chicks)), strict=True):
        if not chick.bought and u < h.options.known_dams:
            chick.dam = label[h.descent.dam[chick.row]]
