"""The books of the holding: leg rings, prices paid, bills."""

from __future__ import annotations

import numpy as np

from demo import breed
from demo.years import Bird, History, day

CHICK_RING, MALE_RING, FEMALE_RING, COCK_RING = 8, 16, 14, 20  # inner diameter, mm
SMALL, GROWN, FULL = 14, 72, 175  # days old at the first ring, the second, the cock's last

PRICES = {"breeding": 30.0, "layer": 17.0, "pet": 9.0, "table": 14.0}
"""Median price by kind of sale for an average pullet in the first season."""
INFLATION = 0.03
PRICE_SD = 0.22


# -- rings ----------------------------------------------------------------------------------------------------


def rings(h: History, until: int) -> list[dict]:
    """Every ring put on and taken off: the left tells the clutch, the right the bird; colours come back."""
    worn: list[tuple[str, str, int, int | None]] = []  # left, right, fitted, the bird's last day
    rows: list[dict] = []
    left_of: dict[str, str] = {}
    start = int(h.rng.integers(len(breed.COLOURS)))
    for k, clutch in enumerate(h.clutches):
        left_of[clutch["clutch"]] = breed.COLOURS[(start + k) % len(breed.COLOURS)]
    order = h.rng.permutation(len(breed.COLOURS))
    for bird in sorted(h.birds, key=lambda b: (b.hatched, b.bird)):
        left = left_of[bird.clutch] if bird.clutch else "grey"
        rows += _rings_of(bird, left, worn, [breed.COLOURS[i] for i in order], until)
    return sorted(rows, key=lambda r: (r["bird"], r["fitted_on"], r["leg"]))


def _rings_of(bird: Bird, left: str, worn: list, colours: list[str], until: int) -> list[dict]:
    last = until if bird.gone is None else min(bird.gone, until)
    small, grown = bird.hatched + SMALL, bird.hatched + GROWN
    if last < small:
        return []
    if last < grown:
        return [_ring(bird, "left", left, CHICK_RING, small, None)]
    size = MALE_RING if bird.male else FEMALE_RING
    rows = [_ring(bird, "left", left, CHICK_RING, small, grown), _ring(bird, "left", left, size, grown, None)]
    if not bird.ringed:
        return rows
    right = _free_colour(left, grown, worn, colours)
    worn.append((left, right, grown, bird.gone))
    rows.append(_ring(bird, "right", right, size, grown, None))
    full = bird.hatched + FULL
    if bird.male and last > full:
        for row in rows[1:]:
            row["removed_on"] = full
        rows += [_ring(bird, leg, c, COCK_RING, full, None) for leg, c in (("left", left), ("right", right))]
    return rows


def _free_colour(left: str, on: int, worn: list, colours: list[str]) -> str:
    """The first colour, then pair of colours, that makes a ring pair no living bird wears."""
    taken = {right for l, right, fitted, gone in worn if l == left and (gone is None or gone >= on)}
    singles = [c for c in colours if c not in taken]
    if singles:
        return singles[0]
    return next(p for p in (f"{a}/{b}" for a in colours for b in colours if a != b) if p not in taken)


def _ring(bird: Bird, leg: str, colour: str, size: float, fitted: int, removed: int | None) -> dict:
    kind = "spiral" if size == CHICK_RING else "flat"
    return {
        "bird": bird.bird,
        "leg": leg,
        "colour": colour,
        "kind": kind,
        "size_mm": size,
        "fitted_on": fitted,
        "removed_on": removed,
    }


# -- money ----------------------------------------------------------------------------------------------------


def sales(h: History) -> list[dict]:
    """What each sold bird fetched: kind of sale, sex, points, the year's prices, and chance; a trio is one price."""
    lots: dict[str, list[dict]] = {}
    rows = [_sale(h, sold) for sold in h.sold]
    for row in rows:
        if row["lot"]:
            lots.setdefault(row["lot"], []).append(row)
    for members in lots.values():
        price = float(np.round(0.9 * sum(m["price"] for m in members)))
        for member in members:
            member["price"] = price
    return sorted(rows, key=lambda r: (r["on"], r["bird"]))


def _sale(h: History, sold: dict) -> dict:
    bird = sold["bird"]
    log_price = np.log(PRICES[sold["sold_as"]]) + INFLATION * (bird.year - h.options.first)
    log_price += 0.15 * bird.male * (sold["sold_as"] == "breeding")
    if sold["sold_as"] == "breeding" and not np.isnan(bird.total):
        log_price += 0.025 * (bird.total - 55)
    price = np.exp(log_price + PRICE_SD * h.rng.standard_normal())
    price = max(round(2 * float(price)) / 2, 1.0)
    return {
        "on": sold["on"],
        "bird": bird.bird,
        "sold_as": sold["sold_as"],
        "price": price,
        "lot": sold["lot"],
    }


def costs(h: History) -> list[dict]:
    """The bills: eggs by clutch, feed by the month, the rest by the season; prices rise each year."""
    rows: list[dict] = []
    for season in range(h.options.first, h.options.first + h.options.seasons):
        rise = (1 + INFLATION) ** (season - h.options.first)
        chicks = sum(b.year == season for b in h.birds)
        for clutch in (c for c in h.clutches if c["source"] and c["set_on"] // 1 >= day(season, 1, 1)):
            if clutch["set_on"] < day(season + 1, 1, 1):
                rows.append(
                    _bill(clutch["set_on"], "eggs", 2.5 * clutch["eggs_set"] * rise, clutch["clutch"])
                )
        for month in range(4, 11):
            amount = (8 + chicks * (0.25, 0.6, 0.9, 1.0, 0.9, 0.8, 0.2)[month - 4]) * rise
            rows.append(_bill(day(season, month, 4), "feed", amount * np.exp(0.08 * h.rng.standard_normal())))
        for month, item, amount in (
            (3, "power", 24),
            (4, "bedding", 21),
            (4, "rings", 13),
            (6, "treatment", 16.5),
            (7, "bedding", 24),
        ):
            rows.append(_bill(day(season, month, 12), item, amount * rise))
    return sorted(rows, key=lambda r: (r["on"], r["item"], r["clutch"] or ""))


def _bill(on: int, item: str, amount: float, clutch: str | None = None) -> dict:
    return {"on": on, "item": item, "amount": round(float(amount), 2), "clutch": clutch}
