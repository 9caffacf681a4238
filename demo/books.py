"""The books of the holding: leg rings, prices paid, bills."""

from __future__ import annotations

from datetime import date

import numpy as np

from demo import breed
from demo.history import Bird, History, Sold, day

CHICK_RING, MALE_RING, FEMALE_RING, COCK_RING = 8, 16, 14, 20  # inner diameter, mm
SMALL, GROWN, FULL = 14, 72, 175  # days old at the first ring, the second, the cock's last

PRICES = {"breeding": 30.0, "layer": 17.0, "pet": 9.0, "table": 14.0}
"""Median price by kind of sale for an average pullet in the first season."""
INFLATION = 0.03
PRICE_SD = 0.22


# -- rings -------------------------------------------------------------------------------------------------


def rings(h: History, until: int) -> list[dict]:
    """Every ring put on and taken off: the left tells the clutch, the right the bird; colours come back."""
    worn: list[tuple[str, str, int | None]] = []  # left, right, the bird's last day
    left_of = _clutch_colours(h)
    order = [breed.COLOURS[i] for i in h.rng.permutation(len(breed.COLOURS))]
    rows: list[dict] = []
    for bird in sorted(h.birds, key=lambda b: (b.hatched, b.bird)):
        left = left_of[bird.clutch] if bird.clutch else breed.OLD_COLOUR
        rows += _rings_of(bird, left, worn, order, until)
    for row in rows:
        row["note"] = breed.RING_NOTE if row["removed_on"] and h.rng.random() < 0.03 else None
    return sorted(rows, key=lambda r: (r["bird"], r["fitted_on"], r["leg"]))


def _clutch_colours(h: History) -> dict[str, str]:
    """The left ring of each clutch, colours in turn; clutches never told apart share one."""
    start = int(h.rng.integers(len(breed.COLOURS)))
    of: dict[str, str] = {}
    for k, clutch in enumerate(h.clutches):
        written = h.mixed.get(clutch["clutch"], clutch["clutch"])
        of[written] = of[clutch["clutch"]] = of.get(written, breed.COLOURS[(start + k) % len(breed.COLOURS)])
    return of


def _rings_of(bird: Bird, left: str, worn: list, colours: list[str], until: int) -> list[dict]:
    """A chick's small ring, the grown pair, and a grown cock's wider pair; a bird bought grown comes bare."""
    last = until if bird.gone is None else min(bird.gone, until)
    small, grown, full = (max(bird.hatched + age, bird.came or 0) for age in (SMALL, GROWN, FULL))
    if last < small:
        return []
    if last < grown:
        return [_ring(bird, "left", left, CHICK_RING, small)]
    size = MALE_RING if bird.male else FEMALE_RING
    rows = [] if bird.came else [_ring(bird, "left", left, CHICK_RING, small, grown)]
    rows.append(_ring(bird, "left", left, size, grown))
    if not bird.ringed:
        return rows
    right = _free_colour(left, grown, worn, colours)
    worn.append((left, right, bird.gone))
    rows.append(_ring(bird, "right", right, size, grown))
    if bird.male and last > full:
        for row in rows[-2:]:
            row["removed_on"] = full
        rows += [
            _ring(bird, leg, colour, COCK_RING, full) for leg, colour in (("left", left), ("right", right))
        ]
    return rows


def _free_colour(left: str, on: int, worn: list, colours: list[str]) -> str:
    """The first colour, then pair of colours, that makes a ring pair no living bird wears."""
    taken = {right for other, right, gone in worn if other == left and (gone is None or gone >= on)}
    singles = [c for c in colours if c not in taken]
    if singles:
        return singles[0]
    return next(p for p in (f"{a}/{b}" for a in colours for b in colours if a != b) if p not in taken)


def _ring(bird: Bird, leg: str, colour: str, size: float, fitted: int, removed: int | None = None) -> dict:
    kind = "spiral" if size == CHICK_RING else "flat"
    row = {"bird": bird.bird, "leg": leg, "colour": colour, "kind": kind, "size_mm": size}
    return row | {"fitted_on": fitted, "removed_on": removed}


# -- money -------------------------------------------------------------------------------------------------


def sales(h: History) -> list[dict]:
    """What each sold bird fetched: by kind of sale, sex, points, year and chance; a trio has one price."""
    lots: dict[str, list[dict]] = {}
    rows = [_sale(h, sold) for sold in h.sold]
    for row in rows:
        if row["lot"]:
            lots.setdefault(row["lot"], []).append(row)
    for members in lots.values():
        price = float(round(0.9 * sum(m["price"] for m in members)))
        for member in members:
            member["price"] = price
    return sorted(rows, key=lambda r: (r["on"], r["bird"]))


def _sale(h: History, sold: Sold) -> dict:
    bird = sold.bird
    log_price = np.log(PRICES[sold.sold_as]) + INFLATION * (date.fromordinal(sold.on).year - h.options.first)
    if sold.sold_as == "breeding":
        log_price += 0.15 * bird.male + 0.025 * (0 if np.isnan(bird.total) else bird.total - 55)
    price = max(round(2 * float(np.exp(log_price + PRICE_SD * h.rng.standard_normal()))) / 2, 1.0)
    if sold.sold_as == "pet" and h.rng.random() < 0.1:
        price = 0.0
    return {"on": sold.on, "bird": bird.bird, "sold_as": sold.sold_as, "price": price, "lot": sold.lot}


BILLS = (
    (3, "power", 24.0),
    (4, "bedding", 21.0),
    (4, "rings", 13.0),
    (6, "treatment", 16.5),
    (7, "bedding", 24.0),
)
"""Month, item and amount of the season's small bills, in the first season's prices."""
FEED = {4: 0.25, 5: 0.6, 6: 0.9, 7: 1.0, 8: 0.9, 9: 0.8, 10: 0.2}
"""What a chick of the season adds to the month's feed bill."""


def costs(h: History) -> list[dict]:
    """The bills: eggs by clutch, feed by the month, the rest by the season; prices rise each year."""
    rows: list[dict] = []
    for season in range(h.options.first, h.options.last + 1):
        rise = (1 + INFLATION) ** (season - h.options.first)
        chicks = sum(b.year == season for b in h.birds)
        for clutch in h.clutches:
            if clutch["source"] and date.fromordinal(clutch["set_on"]).year == season:
                rows.append(
                    _bill(clutch["set_on"], "eggs", 2.5 * clutch["eggs_set"] * rise, clutch["clutch"])
                )
        for month, each in FEED.items():
            amount = (8 + chicks * each) * rise * np.exp(0.08 * h.rng.standard_normal())
            rows.append(_bill(day(season, month, 4), "feed", amount))
        rows.append(_bill(day(season, 7, 4), "feed", 9.5 * rise) | {"line": "grit"})
        rows += [_bill(day(season, month, 12), item, amount * rise) for month, item, amount in BILLS]
    return sorted(rows, key=lambda r: (r["on"], r["item"], r["clutch"] or "", r["line"] or ""))


WITHDRAWAL = 7
"""Days that the label of the season's worming treatment says."""
TAKEN = ((6, "eggs", 24, 0.25), (7, "eggs", 36, 0.25), (8, "eggs", 30, 0.25), (9, "own table", 3, 13.0))
"""Month, item, how many and what each brought, beside the sale of birds, in the first season's prices."""


def income(h: History) -> list[dict]:
    """Eggs sold at the gate and birds eaten at home; prices rise each year."""
    rows: list[dict] = []
    for season in range(h.options.first, h.options.last + 1):
        rise = (1 + INFLATION) ** (season - h.options.first)
        for month, item, usual, each in TAKEN:
            number = max(1, round(usual * float(np.exp(0.3 * h.rng.standard_normal()))))
            amount = round(number * each * rise, 2)
            rows.append(
                {"on": day(season, month, 28), "item": item, "amount": amount, "n": number, "line": None}
            )
    return rows


def _bill(on: int, item: str, amount: float, clutch: str | None = None) -> dict:
    days = WITHDRAWAL if item == "treatment" else None
    row = {"on": on, "item": item, "amount": round(float(amount), 2), "clutch": clutch, "line": None}
    return row | {"withdrawal_days": days}
