"""The holding's years, one after another: the order in which things happen."""

from __future__ import annotations

import numpy as np

from demo import breed
from demo.descent import Descent, draw_model
from demo.hatching import hatch_season, late_clutch, supplier_stock
from demo.history import Bird, History, Options, Stand, day
from demo.meetings import Breeders, house_flock, lose_chicks, meet, sell_in_summer, stand_breeders
from demo.seen import judge_season


def live(options: Options, rng: np.random.Generator) -> History:
    """The holding's whole history under these options."""
    o = options
    shares = (o.supplier, o.clutch, o.brooder, o.day, o.halo)
    model = draw_model(rng, o.heritability, o.correlation, *shares, off=o.off)
    room = (
        o.hens + 20 + (o.seasons + o.bought_hens) * ((o.bought_in + o.home_bred) * o.eggs + 12 * o.bought_in)
    )
    history = History(o, rng, model, Descent(model, rng, room))
    breeders = _found(history)
    for season in range(o.first, o.last + 1):
        breeders = _season(history, season, breeders)
    return history


def _found(h: History) -> Breeders:
    """The home founders: a cock and hens of the two years before the first season."""
    count = h.options.hens + 1
    rows = h.descent.founders(count, h.origin_effect("home"))
    for k, row in enumerate(rows):
        year = h.options.first - (1 if k <= count // 2 else 2)
        founder = Bird(h.number(year), row, k == 0, None, day(year, 4, 1), year, False)
        founder.name = breed.NAMES[k] if k < len(breed.NAMES) else None
        h.birds.append(founder)
        h.permanent[row] = h.draw(h.model.permanent)
    return Breeders(h.birds[0], None, h.birds[1:])


def _season(h: History, season: int, breeders: Breeders) -> Breeders:
    """One season from the breeding pen to the meeting; the breeders of the next."""
    stand_breeders(h, season, breeders)
    chicks = hatch_season(h, season)
    lose_chicks(h, chicks)
    sell_in_summer(h, season, chicks)
    house_flock(h, season, breeders)
    if season == h.options.first + h.options.seasons // 2:
        breeders.hens += [_buy_hen(h, season) for _ in range(h.options.bought_hens)]
    judge_season(h, season, chicks)
    if season < h.options.last:
        return meet(h, season, chicks, breeders)
    if h.options.late_chick:
        late_clutch(h, season)
    return breeders


def _buy_hen(h: History, season: int) -> Bird:
    """A hen of last year's hatch, bought grown from a supplier in September."""
    source = str(h.rng.choice(breed.SUPPLIERS[: h.options.suppliers]))
    cocks, hens = supplier_stock(h, source, season - 1)
    row = int(h.descent.chicks(h.rng.choice(cocks, 1), h.rng.choice(hens, 1))[0])
    h.permanent[row] = h.draw(h.model.permanent)
    came = day(season, 9, 5)
    hen = Bird(h.number(season), row, False, None, day(season - 1, 4, 1), season - 1, True)
    hen.source, hen.came = source, came
    h.birds.append(hen)
    until = None if season == h.options.last else day(season + 1, 1, 18)
    h.pens.append(Stand(breed.LAYING_PENS[0], hen, came, until))
    return hen
