"""The rings of the coming season: which pairs are free, which rings are to be looked at or changed, and why.

A pair is free when no living bird wears it. Sizes come from `ring_sizes`: the sources disagree, so a ring smaller
than any of them gives is to be changed, and one smaller than some of them is to be checked.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from selection.records.flock import Flock
from selection.records.forms.schema import folded
from selection.records.rings import FEW, folded_colour, living, looked_up, single_colours, worn
from selection.records.settings.reading import WEIGHT

SOURCES = {
    "Wood Enterprises": "wood-enterprises.com/bandette1.html: spiral rings, sizes in sixteenths of an inch",
    "How to Mark Chickens": "homesteady.com/how-8645028-mark-chickens.html",
    "Bird Venue": "birdvenue.com/homegrown-flock/chickens/what-size-leg-bands-for-chickens",
    "Chook Manor": "chookmanor.co.nz/blogs/news/what-size-leg-rings-do-i-need",
}
CLOSED = "put on at about 4 to 6 weeks (poultrykeeper.com/keeping-chickens/poultry-leg-rings)"
GROWN_UP_WEEKS = 26.0
"""Weeks after which a bird is taken as grown: common practice, no source."""
LIFETIME = 1000.0
INCH = 25.4

_ROWS = [  # source, sex, build, from and to week, inner diameter in mm
    ("How to Mark Chickens", "any", "large", 0, 4, INCH / 4),
    ("How to Mark Chickens", "any", "large", 4, 13, 3 * INCH / 8),
    ("How to Mark Chickens", "any", "large", 13, GROWN_UP_WEEKS, 7 * INCH / 16),
    ("How to Mark Chickens", "any", "large", GROWN_UP_WEEKS, LIFETIME, 9 * INCH / 16),
    ("Bird Venue", "any", "large", 0, 2, 5),
    ("Bird Venue", "any", "large", 2, 8, 10),
    ("Bird Venue", "any", "bantam", GROWN_UP_WEEKS, LIFETIME, 11),
    ("Bird Venue", "any", "large", GROWN_UP_WEEKS, LIFETIME, 16),
    ("Wood Enterprises", "any", "large", 4, 13, 6 * INCH / 16),
    ("Wood Enterprises", "any", "large", 9, 17, 7 * INCH / 16),
    ("Wood Enterprises", "female", "large", GROWN_UP_WEEKS, LIFETIME, 9 * INCH / 16),
    ("Wood Enterprises", "male", "large", GROWN_UP_WEEKS, LIFETIME, 11 * INCH / 16),
    ("Chook Manor", "any", "bantam", GROWN_UP_WEEKS, LIFETIME, 12),
    ("Chook Manor", "female", "large", GROWN_UP_WEEKS, LIFETIME, 16),
    ("Chook Manor", "male", "large", GROWN_UP_WEEKS, LIFETIME, 20),
]

_KINDS = [  # kind, growing birds, grown birds, what to know
    (
        "spiral",
        "suits",
        "suits",
        "gives a little and is easily changed, but may be lost or wind tight: look weekly",
    ),
    ("clip", "not by itself", "suits", "do not count on it to spring open: it has cut into legs (reported)"),
    ("flat", "while changed in time", "suits", "easily read and sits well; does not give at all"),
    ("closed", "only in the grown bird's size", "suits", f"cannot be changed, only cut off; {CLOSED}"),
]

RING_CAUTIONS = (
    "Look at growing birds' rings weekly at least: an outgrown ring injures (common practice).",
    "Do not count on a clip to spring open (common practice).",
    "A ring should turn and slide freely and not slip over the foot; if the leg is swollen or broken, take the "
    "ring off at once and ask a veterinary surgeon.",
)


def size_table() -> pd.DataFrame:
    """The published sizes: source, sex (`any`), build (`large`, `bantam`), from_weeks, to_weeks, size_mm, where.

    Weeks are of age, the last not included.
    """
    columns = ["source", "sex", "build", "from_weeks", "to_weeks", "size_mm"]
    table = pd.DataFrame(_ROWS, columns=columns).round({"size_mm": 1})
    return table.assign(where=table["source"].map(SOURCES))


def kind_table() -> pd.DataFrame:
    """Which kinds suit whom: kind, growing, grown, note. Common practice, no source, unless the note names one."""
    return pd.DataFrame(_KINDS, columns=["kind", "growing", "grown", "note"])


def sizes_at(weeks: float, sex: str, build: str) -> tuple[float, float] | None:
    """The least and the greatest size (mm) published for a bird of that age; None where no source speaks of it."""
    table = size_table()
    sexes = {sex, "any"} if sex in ("male", "female") else {"male", "female", "any"}
    aged = (table["from_weeks"] <= weeks) & (weeks < table["to_weeks"])
    rows = table[aged & table["sex"].isin(sexes) & (table["build"] == build)]
    return None if rows.empty else (float(rows["size_mm"].min()), float(rows["size_mm"].max()))


__all__ = ["GROWN_UP_WEEKS", "RING_CAUTIONS", "RingPlan", "ring_plan", "worn_rings"]

UNCHANGED_WEEKS = 12.0
"""A ring put on a bird younger than this and never changed is looked at once the bird is grown."""
NOMINAL = 0.5
"""Sizes are nominal: nine sixteenths of an inch (14.3 mm) are sold as 14 mm (common practice)."""
BANTAM_GRAMS = 1500.0
"""A standard that asks less than this of grown cocks is a bantam's: common practice, no source."""


@dataclass(frozen=True)
class RingPlan:
    """What to ring with, and which rings need a hand.

    `pairs`: left, right, free (bool), worn_by, last_worn (day it was last worn by a bird now gone or re-ringed).
    `colours`: one row a left colour: left, free, worn, hatch_years (of living wearers), stock, short (bool).
    `due`: bird, leg, colour, kind, size_mm, age_weeks, due (`change`, `check`, `look weekly`), why.
    `sizes`, `kinds`: the tables this rests on. `sentences` say it in words; `cannot` what cannot be said.
    """

    pairs: pd.DataFrame
    colours: pd.DataFrame
    due: pd.DataFrame
    sizes: pd.DataFrame
    kinds: pd.DataFrame
    sentences: tuple[str, ...]
    cannot: tuple[str, ...]
    cautions: tuple[str, ...] = RING_CAUTIONS

    def text(self) -> str:
        """The plan for a terminal."""
        due = [f"{r.due}: {r.bird}, {r.leg} {r.colour}: {r.why}" for r in self.due.itertuples()]
        kinds = [
            f"{r.kind}: growing birds: {r.growing}; grown birds: {r.grown}; {r.note}"
            for r in self.kinds.itertuples()
        ]
        parts = (
            ("Free pairs", [*self.sentences, *_free_lines(self.pairs)]),
            ("Rings to change, to check, to look at weekly", due or ["none"]),
            ("Kinds (common practice, no source, unless named)", kinds),
            ("Sizes", _size_lines(self.sizes)),
            ("Mind", self.cautions),
            ("What cannot be said", self.cannot),
        )
        return "\n\n".join("\n  ".join([title, *lines]) for title, lines in parts if lines)


def ring_plan(flock: Flock, colours: Iterable[str] | Mapping[str, int] | None = None) -> RingPlan:
    """The plan for the season after `flock.plan.on`.

    `colours` are those in stock: names, or names with the number of rings left; without them, every colour
    that the flock has worn as a single ring. Pairs never worn come first, then those longest off.
    """
    stock = _stock(flock, colours)
    day = pd.Timestamp(flock.plan.on)
    present = living(flock.birds[flock.birds["alive"]], day)
    legs = worn(flock.rings, day)
    legs = legs[legs.index.isin(present.index)]
    pairs = _pairs(flock, list(stock), legs, present)
    by_left = _by_left(flock, pairs, legs, stock)
    due = _due(flock)
    return RingPlan(
        pairs, by_left, due, size_table(), kind_table(),
        _sentences(flock, pairs, by_left, due, legs, present),
        _cannot(flock, due, colours),
    )  # fmt: skip


def _stock(flock: Flock, colours: Iterable[str] | Mapping[str, int] | None) -> dict[str, float]:
    """Colours in stock, folded, with the number of rings left (NaN: not told)."""
    if colours is None:
        return dict.fromkeys(single_colours(flock.rings), np.nan)
    counts = colours if isinstance(colours, Mapping) else dict.fromkeys(colours, np.nan)
    return {c.strip().casefold(): float(n) for c, n in counts.items() if c.strip()}


def _pairs(flock: Flock, stock: Sequence[str], legs: pd.DataFrame, present: pd.Series) -> pd.DataFrame:
    """Every pair of the colours in stock, the free ones first."""
    wearer = {(row.left, row.right): present[row.Index] for row in legs.itertuples()}
    last = _last_worn(flock)
    pairs = pd.DataFrame(product(stock, stock), columns=["left", "right"])
    each = list(zip(pairs["left"], pairs["right"], strict=True))
    pairs["free"] = np.array([pair not in wearer for pair in each], dtype=bool)
    pairs["worn_by"] = [wearer.get(pair) for pair in each]
    pairs["last_worn"] = [last.get(pair, pd.NaT) for pair in each]
    pairs = pairs.astype({"worn_by": "str", "last_worn": "datetime64[s]"})
    order = ["free", "last_worn", "left", "right"]
    return pairs.sort_values(order, ascending=[False, True, True, True], na_position="first").reset_index(
        drop=True
    )


def _last_worn(flock: Flock) -> dict[tuple[str, str], pd.Timestamp]:
    """The last day on which each pair was worn by a bird that wears it no longer."""
    rings = flock.rings.assign(key=folded(flock.rings["bird"]), colour=folded_colour(flock.rings["colour"]))
    rings = rings.assign(off=rings["removed_on"].fillna(_of_birds(flock, "gone_on", rings["key"])))
    sides = {
        leg: rings.loc[rings["leg"] == leg, ["key", "colour", "fitted_on", "off"]]
        for leg in ("left", "right")
    }
    both = sides["left"].merge(sides["right"], on="key", suffixes=("_left", "_right"))
    end = both[["off_left", "off_right"]].min(axis=1)
    start = both[["fitted_on_left", "fitted_on_right"]].max(axis=1)
    ended = both.assign(end=end)[end.notna() & (end >= start)]
    return ended.groupby(["colour_left", "colour_right"])["end"].max().to_dict()


def _of_birds(flock: Flock, column: str, keys: pd.Series) -> pd.Series:
    """What the birds form says of the birds with these folded labels, under the index of `keys`."""
    return looked_up(keys, flock.birds[column].set_axis(folded(flock.birds["bird"])))


def _by_left(
    flock: Flock, pairs: pd.DataFrame, legs: pd.DataFrame, stock: Mapping[str, float]
) -> pd.DataFrame:
    """One row a left colour in stock: how many pairs it still gives, who wears it, and whether it runs short."""
    years = _of_birds(flock, "hatch_year", pd.Series(legs.index, index=legs.index))
    worn_years = legs.assign(year=years).dropna(subset="year")
    rows = []
    for colour, left in stock.items():
        free = int(pairs.loc[pairs["left"] == colour, "free"].sum())
        of = sorted({f"{y:.0f}" for y in worn_years.loc[worn_years["left"] == colour, "year"]})
        short = free <= FEW * len(stock) or left <= FEW * len(stock)
        rows.append((colour, free, len(stock) - free, ", ".join(of), left, short))
    table = pd.DataFrame(rows, columns=["left", "free", "worn", "hatch_years", "stock", "short"])
    return table.astype({"short": bool})


def worn_rings(flock: Flock) -> pd.DataFrame:
    """The rings that living birds wear on the plan's day: the form's columns, and key (folded bird), age_weeks."""
    day = pd.Timestamp(flock.plan.on)
    present = living(flock.birds[flock.birds["alive"]], day)
    rings = flock.rings[flock.rings["fitted_on"] <= day].sort_values("fitted_on", kind="stable")
    rings = rings.assign(key=folded(rings["bird"])).drop_duplicates(["key", "leg"], keep="last")
    rings = rings[~(rings["removed_on"] <= day) & rings["key"].isin(present.index)]
    hatched = _of_birds(flock, "hatched", rings["key"])
    return rings.assign(
        age_weeks=(day - hatched).dt.days / 7, fitted_weeks=(rings["fitted_on"] - hatched).dt.days / 7
    )


def _due(flock: Flock) -> pd.DataFrame:
    """The rings that need a hand, most pressing first."""
    rings = worn_rings(flock)
    build = build_of(flock)
    rings["sex"] = _of_birds(flock, "sex", rings["key"])
    found = [_judged(ring, build) for ring in rings.itertuples()]
    columns = ["bird", "leg", "colour", "kind", "size_mm", "age_weeks"]
    due = rings[columns].assign(due=[d for d, _ in found], why=[w for _, w in found])
    due = due[due["due"] != ""]
    urgency = due["due"].map({"change": 0, "check": 1, "look weekly": 2})
    order = due.assign(urgency=urgency).sort_values(["urgency", "age_weeks", "bird", "leg"]).index
    return due.loc[order].reset_index(drop=True)


def build_of(flock: Flock) -> str:
    """`bantam` or `large`, by what the standard asks of grown cocks."""
    by_weight = [s.band for s in flock.standard.by_measure if s.measured == WEIGHT]
    bands = [band.get("male") or band.get("cock") for band in by_weight]
    return "bantam" if bands and bands[0] and bands[0][1] < BANTAM_GRAMS else "large"


def _judged(ring: Any, build: str) -> tuple[str, str]:
    """What is due of one ring, and why; nothing for a grown bird's ring that fits."""
    if ring.age_weeks != ring.age_weeks:
        return "check", "the bird's hatch day is not known, nor then its age"
    growing, kind = ring.age_weeks < GROWN_UP_WEEKS, ring.kind if isinstance(ring.kind, str) else ""
    at = GROWN_UP_WEEKS if kind == "closed" else ring.age_weeks
    sizes = sizes_at(at, ring.sex, build)
    if ring.size_mm == ring.size_mm and sizes:
        told = f"{ring.size_mm:g} mm at {ring.age_weeks:.0f} weeks; the sources give {_span(sizes)} mm"
        if ring.size_mm < sizes[0] - NOMINAL:
            return "change", told
        if ring.size_mm < sizes[1] - NOMINAL:
            return "check", f"{told}: too small by some of them"
    if growing and kind == "clip":
        return "check", "a clip on a growing bird: do not count on it to spring open"
    if growing:
        size = "" if ring.size_mm == ring.size_mm else "; its size is not recorded"
        return "look weekly", f"a growing bird of {ring.age_weeks:.0f} weeks{size}"
    if ring.fitted_weeks < UNCHANGED_WEEKS and kind != "closed" and ring.size_mm != ring.size_mm:
        return "check", f"put on at {ring.fitted_weeks:.0f} weeks, its size not recorded, and never changed"
    return "", ""


def _span(sizes: tuple[float, float]) -> str:
    return f"{sizes[0]:g}" if sizes[0] == sizes[1] else f"{sizes[0]:g} to {sizes[1]:g}"


def _sentences(
    flock: Flock,
    pairs: pd.DataFrame,
    by_left: pd.DataFrame,
    due: pd.DataFrame,
    legs: pd.DataFrame,
    present: pd.Series,
) -> tuple[str, ...]:
    said = [f"Of {len(pairs)} pairs of {len(by_left)} colours {int(pairs['free'].sum())} are free."]
    if by_left.empty:
        said = ["No colour has been worn yet and none was named, so there are no pairs: name those in stock."]
    if ringed := _ringed_in_season(flock):
        were = "bird was" if ringed == 1 else "birds were"
        words = f"{ringed} {were} given a ring of their own: so many pairs a season like it needs"
        said.append(f"Of those hatched in {flock.plan.season}, {words}.")
    short = by_left[by_left["short"]]
    said += [f"{row.left} on the left is running out: {_left_of(row)}." for row in short.itertuples()]
    pairless = len(present) - int(legs.notna().all(axis=1).sum())
    if pairless:
        said.append(
            "1 living bird wears no pair of rings, and goes by its number or its clutch alone."
            if pairless == 1
            else f"{pairless} living birds wear no pair of rings, and go by their number or their clutch alone."
        )
    changes = int((due["due"] == "change").sum())
    if changes:
        said.append(
            f"Smaller than any source gives for the bird's age, so change them now: {changes} of the rings."
        )
    return tuple(said)


def _ringed_in_season(flock: Flock) -> int:
    """How many birds of the season ever wore a ring on the right leg."""
    own = folded(flock.rings.loc[flock.rings["leg"] == "right", "bird"])
    young = flock.birds.loc[flock.birds["hatch_year"] == flock.plan.season, "bird"]
    return int(folded(young).isin(own).sum())


def _left_of(row: Any) -> str:
    rings = "" if row.stock != row.stock else f", {row.stock:.0f} rings in stock"
    years = f", worn by birds of {row.hatch_years}" if row.hatch_years else ""
    return f"{row.free} pairs free{rings}{years}"


def _cannot(flock: Flock, due: pd.DataFrame, colours: object) -> tuple[str, ...]:
    said = []
    if colours is None:
        said.append("Which colours are in stock: every colour worn so far was taken; name those in stock.")
    unknown = int(due["size_mm"].isna().sum())
    if unknown:
        said.append(f"Whether {unknown} of these rings fit: their size is not recorded.")
    said.append(
        "What size this breed's legs need: the sources give sizes by age and build, none by breed and leg."
    )
    return tuple(said)


def _free_lines(pairs: pd.DataFrame) -> list[str]:
    free = pairs[pairs["free"]]
    return [
        f"{left}: with {', '.join(rows['right'])} on the right"
        for left, rows in free.groupby("left", sort=True)
    ]


def _size_lines(sizes: pd.DataFrame) -> list[str]:
    def weeks(row: Any) -> str:
        return (
            "grown" if row.from_weeks >= GROWN_UP_WEEKS else f"{row.from_weeks:g} to {row.to_weeks:g} weeks"
        )

    return [
        f"{row.build}, {weeks(row)}{'' if row.sex == 'any' else f', {row.sex}'}: {row.size_mm:g} mm ({row.where})"
        for row in sizes.itertuples()
    ]
