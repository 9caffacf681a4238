"""What becomes of the birds: losses, summer sales, the past meetings' rough choice, who stands next year."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from demo import breed
from demo.history import Bird, History, Sold, Stand, day


@dataclass
class Breeders:
    """Who stands in the breeding pen, and the cock held back in case."""

    cock: Bird
    reserve: Bird | None
    hens: list[Bird]


# -- before the meeting ------------------------------------------------------------------------------------


def lose_chicks(h: History, chicks: list[Bird]) -> None:
    """Early deaths (before anyone could sex the chick) and a few later ones."""
    for chick, u in zip(chicks, h.rng.random(len(chicks)), strict=True):
        if u < 0.06:
            chick.gone, chick.why, chick.sexed = chick.hatched + int(h.rng.integers(1, 36)), "died", False
        elif u < 0.09:
            chick.gone, chick.why = chick.hatched + int(h.rng.integers(60, 130)), "died"


def sell_in_summer(h: History, season: int, chicks: list[Bird]) -> None:
    """Bought-in pullets go as layers, home-bred cockerels to the table; the last meeting finds a few left."""
    if h.options.scored == "all":
        return  # they are wanted for the looks
    leave = {False: 0, True: 0}
    if season == h.options.last:
        leave = {False: h.options.leftovers, True: max(h.options.leftovers - 1, 0)}
    goes = [b for b in chicks if b.why is None and b.bought != b.male]
    for bird in (goes[i] for i in h.rng.permutation(len(goes))):
        if leave[bird.male]:
            leave[bird.male] -= 1
            bird.ringed = bird.male
        elif bird.male:
            _to_table(h, bird, day(season, 7, 1) + int(h.rng.integers(0, 60)))
        else:
            on = max(day(season, 6, 20) + int(h.rng.integers(0, 66)), bird.hatched + 63)
            bird.ringed = on > bird.hatched + 84
            sell(h, bird, on, "layer")


def _to_table(h: History, bird: Bird, on: int) -> None:
    if h.rng.random() < 0.4:
        sell(h, bird, on, "table")
    else:
        bird.gone, bird.why = on, "killed"


def sell(h: History, bird: Bird, on: int, sold_as: str, lot: str | None = None) -> None:
    """Mark the bird sold."""
    bird.gone, bird.why = on, "sold"
    h.sold.append(Sold(bird, on, sold_as, lot))


# -- the meeting -------------------------------------------------------------------------------------------


def meet(h: History, season: int, chicks: list[Bird], breeders: Breeders) -> Breeders:
    """Choose by the rough raw totals, write the decisions down, sell the rest; next year's breeders."""
    alive = [b for b in chicks if b.why is None]
    cockerels = _by_total(b for b in alive if b.male and b.bought)
    pullets = _by_total(b for b in alive if not b.male and not b.bought)
    new, cock = pullets[: h.options.new_pullets], cockerels[0] if cockerels else breeders.cock
    _name(h, cock)
    reserve = next((b for b in cockerels[1:2] if b.fault is None), None)
    _decide(h, season, cockerels, cockerels[:1], reserve)
    _decide(h, season, pullets, new, None)
    kept = [cock, reserve, *new]
    _sell_in_autumn(h, season, [b for b in (*cockerels, *pullets) if b not in kept])
    for bird in (b for b in alive if b.why is None and b not in kept):
        on = day(season, 10, 20) + int(h.rng.integers(0, 20))
        sell(h, bird, on, "table" if bird.male else "layer")
    if cock is not breeders.cock and breeders.cock.why is None:
        breeders.cock.gone, breeders.cock.why = day(season, 11, 15), "given"
        _leave_pen(h, breeders.cock)
    _house_pullets(h, season, new)
    return Breeders(cock, reserve, [*_standing(h, season, breeders.hens, len(new)), *new])


def _by_total(birds: Iterable[Bird]) -> list[Bird]:
    """Best rough total first; barred birds last, and before them those never scored."""
    return sorted(birds, key=lambda b: (b.fault is not None, -np.nan_to_num(b.total, nan=-1.0), b.bird))


def _decide(h: History, season: int, birds: list[Bird], keep: list[Bird], reserve: Bird | None) -> None:
    for bird in birds:
        decided = "keep" if bird in keep else "reserve" if bird is reserve else "sell"
        why = bird.fault if decided == "sell" else "best totals" if decided == "keep" else None
        h.decisions.append({"on": day(season, 10, 10), "bird": bird.bird, "decided": decided, "why": why})


def _sell_in_autumn(h: History, season: int, birds: list[Bird]) -> None:
    """Those not chosen: one trio to one buyer, good ones for breeding, the others as layers, pets or meat."""
    sound = [b for b in birds if b.fault is None]
    trio = [b for b in sound if b.male][:1] + [b for b in sound if not b.male][:2]
    if len(trio) == 3:
        for bird in trio:
            sell(h, bird, day(season, 10, 24), "breeding", lot=f"{season % 100:02d}-trio")
    for bird in (b for b in birds if b.why is None):
        on, u = day(season, 10, 20) + int(h.rng.integers(0, 25)), h.rng.random()
        if bird.fault is not None:
            sell(h, bird, on, "table" if bird.male else "layer")
        elif bird.male:
            sell(h, bird, on, "breeding" if u < 0.6 else "pet" if u < 0.75 else "table")
        else:
            sell(h, bird, on, "breeding" if u < 0.5 else "layer" if u < 0.95 else "pet")


# -- pens --------------------------------------------------------------------------------------------------


def stand_breeders(h: History, season: int, breeders: Breeders) -> None:
    """The breeding pen of the spring. A cock lost while eggs are saved is followed by the one held back."""
    start, end = day(season, 1, 20), day(season, 6, 10)
    stands = [Stand(breed.BREEDING_PEN, bird, start, end) for bird in (breeders.cock, *breeders.hens)]
    h.pens += stands
    if breeders.reserve is None:
        return
    if h.rng.random() < h.options.cock_changes:
        lost = day(season, 2, 24) + int(h.rng.integers(0, 28))
        breeders.cock.gone, breeders.cock.why, stands[0].until = lost, "died", lost
        breeders.cock = breeders.reserve
        _name(h, breeders.cock)
        h.pens.append(Stand(breed.BREEDING_PEN, breeders.cock, lost + 1, end))
    else:
        sell(h, breeders.reserve, day(season, 4, 8) + int(h.rng.integers(0, 20)), "breeding")


def house_flock(h: History, season: int, breeders: Breeders) -> None:
    """The summer: laying pens of mixed hatch years, the cock in the first, a hen's death now and then."""
    until = None if season == h.options.last else day(season + 1, 1, 18)
    h.pens.append(Stand(breed.LAYING_PENS[0], breeders.cock, day(season, 6, 12), until))
    for k, hen in enumerate(sorted(breeders.hens, key=lambda b: (b.year, b.bird))):
        if h.rng.random() < 0.05:
            hen.gone, hen.why = day(season, 7, 1) + int(h.rng.integers(0, 90)), "died"
        pen = breed.LAYING_PENS[k % len(breed.LAYING_PENS)]
        h.pens.append(Stand(pen, hen, day(season, 6, 12), hen.gone if hen.why else until))


def _house_pullets(h: History, season: int, pullets: list[Bird]) -> None:
    for k, pullet in enumerate(pullets):
        pen = breed.LAYING_PENS[k % len(breed.LAYING_PENS)]
        h.pens.append(Stand(pen, pullet, day(season, 10, 20), day(season + 1, 1, 18)))


def _standing(h: History, season: int, hens: list[Bird], new: int) -> list[Bird]:
    """The hens that stay: the oldest make room for the new pullets."""
    standing = sorted((b for b in hens if b.why is None), key=lambda b: b.year)
    over = max(len(standing) + new - h.options.hens, 0)
    for hen in standing[:over]:
        sell(h, hen, day(season, 11, 15), "layer")
        _leave_pen(h, hen)
    return standing[over:]


def _name(h: History, cock: Bird) -> None:
    """Give a cock that stands at the head of the flock a name, if he has none."""
    named = sum(b.name is not None and b.male for b in h.birds)
    cock.name = cock.name or breed.COCK_NAMES[(named - 1) % len(breed.COCK_NAMES)]


def _leave_pen(h: History, bird: Bird) -> None:
    """Close the bird's last stand on the day it went."""
    next(stand for stand in reversed(h.pens) if stand.bird is bird).until = bird.gone
