"""Published sizes of leg rings by age, and which kinds suit growing and grown birds.

The sources are poultry keepers and suppliers, read as web pages; none measured legs, and they disagree by up to
half as much again. They are kept side by side, and what follows from them is a range, never one size.
"""

from __future__ import annotations

import pandas as pd

SOURCES = {
    "Wood Enterprises": "wood-enterprises.com/bandette1.html: spiral rings, sizes in sixteenths of an inch",
    "How to Mark Chickens": "homesteady.com/how-8645028-mark-chickens.html",
    "Bird Venue": "birdvenue.com/homegrown-flock/chickens/what-size-leg-bands-for-chickens",
    "Chook Manor": "chookmanor.co.nz/blogs/news/what-size-leg-rings-do-i-need",
}
CLOSED = "put on at about 4 to 6 weeks (poultrykeeper.com/keeping-chickens/poultry-leg-rings)"
GROWN = 26.0
"""Weeks after which a bird is taken as grown: common practice, no source."""
LIFETIME = 1000.0
INCH = 25.4

_ROWS = [  # source, sex, build, from and to week, inner diameter in mm
    ("How to Mark Chickens", "any", "large", 0, 4, INCH / 4),
    ("How to Mark Chickens", "any", "large", 4, 13, 3 * INCH / 8),
    ("How to Mark Chickens", "any", "large", 13, GROWN, 7 * INCH / 16),
    ("How to Mark Chickens", "any", "large", GROWN, LIFETIME, 9 * INCH / 16),
    ("Bird Venue", "any", "large", 0, 2, 5),
    ("Bird Venue", "any", "large", 2, 8, 10),
    ("Bird Venue", "any", "bantam", GROWN, LIFETIME, 11),
    ("Bird Venue", "any", "large", GROWN, LIFETIME, 16),
    ("Wood Enterprises", "any", "large", 4, 13, 6 * INCH / 16),
    ("Wood Enterprises", "any", "large", 9, 17, 7 * INCH / 16),
    ("Wood Enterprises", "female", "large", GROWN, LIFETIME, 9 * INCH / 16),
    ("Wood Enterprises", "male", "large", GROWN, LIFETIME, 11 * INCH / 16),
    ("Chook Manor", "any", "bantam", GROWN, LIFETIME, 12),
    ("Chook Manor", "female", "large", GROWN, LIFETIME, 16),
    ("Chook Manor", "male", "large", GROWN, LIFETIME, 20),
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

CAUTIONS = (
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
