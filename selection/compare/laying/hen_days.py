"""Which hens stood in which pen on which day: the pens and birds forms as intervals of days.

Days are whole numbers since 1 January 1970, intervals are half open, [start, end). A hen stands in one pen a
day: where spells overlap, the later one holds from its first day on. Hens of one hatch year whose whole history
of pens is the same, and who have no records of their own, cannot be told apart by any count; they form one
*lot*, so that a pen of a thousand hens costs no more than a pen of ten.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.records.flock import Flock

LAYING_AGE = 18 * 7
"""Days from hatching before which a pullet is no hen-day."""

WHOLE_FLOCK = ""
"""The pen of counts that name none: every hen of the holding."""

Days = npt.NDArray[np.int64]


def day_number(dates: pd.Series) -> pd.Series:
    """Days since 1 January 1970 as whole numbers, with missing days missing (Int64)."""
    days = (dates - pd.Timestamp(0)).dt.days
    return days.astype("Int64")


def hens_of(flock: Flock) -> pd.DataFrame:
    """The flock's hens: bird (as typed), key (case-folded), hatch_year, alive, and her days [start, end).

    She counts from 18 weeks of age or the day she came, whichever is later, up to and with her last day. A hen
    of unknown hatch date counts as grown. Male birds and birds of unknown sex are left out.
    """
    birds = flock.birds[flock.birds["sex"] == "female"]
    grown = day_number(birds["hatched"]) + LAYING_AGE
    came = day_number(birds["came_on"])
    start = pd.concat([grown, came], axis=1).max(axis=1).fillna(-(10**6))
    end = (day_number(birds["gone_on"]) + 1).fillna(_tomorrow(flock))
    return pd.DataFrame(
        {
            "bird": birds["bird"],
            "key": birds["bird"].str.casefold(),
            "hatch_year": birds["hatch_year"],
            "alive": birds["alive"],
            "start": start.astype("int64"),
            "end": end.astype("int64"),
        }
    ).reset_index(drop=True)


def spells_of(flock: Flock, hens: pd.DataFrame, whole_flock: bool) -> pd.DataFrame:
    """Every hen's spells as a laying hen: bird, key, hatch_year, pen (case-folded), start, end.

    With `whole_flock` each hen also has one spell in :data:`WHOLE_FLOCK`, for counts that name no pen.
    """
    pens = pd.DataFrame(
        {
            "key": flock.pens["bird"].str.casefold(),
            "pen": flock.pens["pen"].str.casefold(),
            "from": day_number(flock.pens["from"]).astype("int64"),
            "to": day_number(flock.pens["to"]).fillna(_tomorrow(flock)).astype("int64"),
        }
    ).sort_values(["key", "from"], kind="stable")
    following = pens.groupby("key")["from"].shift(-1)
    pens["to"] = np.minimum(pens["to"], following.fillna(np.inf)).astype("int64")
    spells = pens.merge(hens, on="key")
    spells["start"] = np.maximum(spells["start"], spells["from"])
    spells["end"] = np.minimum(spells["end"], spells["to"])
    if whole_flock:
        spells = pd.concat([spells, hens.assign(pen=WHOLE_FLOCK)], ignore_index=True)
    kept = spells["start"] < spells["end"]
    columns = ["bird", "key", "hatch_year", "pen", "start", "end"]
    return spells.loc[kept, columns].reset_index(drop=True)


def lots_of(spells: pd.DataFrame, hens: pd.DataFrame, recorded: pd.Index) -> pd.Series:
    """The lot of each hen with a spell or records (whole numbers from 0, by key): alike in hatch year and spells.

    A hen in `recorded` (keys of hens with egg records of their own) is a lot by herself.
    """
    stood = spells["pen"] + "|" + spells["start"].astype(str) + "|" + spells["end"].astype(str)
    history = stood.groupby(spells["key"]).agg(";".join)
    history = history.reindex(history.index.union(recorded), fill_value="")
    year = hens.set_index("key")["hatch_year"].reindex(history.index).astype(str)
    alone = history.index.where(history.index.isin(recorded), "")
    return pd.Series(pd.factorize(year + ";" + history + ";" + alone)[0], index=history.index)


def hens_on(spells: pd.DataFrame, pens: pd.Series, days: pd.Series) -> Days:
    """How many hens stood in each pen on each day; `pens` (case-folded) and `days` side by side."""
    counts = np.zeros(len(days), dtype="int64")
    for here, places in _by_pen(spells, pens):
        when = days.to_numpy()[places]
        counts[places] = np.searchsorted(np.sort(here["start"]), when, "right")
        counts[places] -= np.searchsorted(np.sort(here["end"]), when, "right")
    return counts


def changes_before(spells: pd.DataFrame, pens: pd.Series, days: pd.Series) -> Days:
    """How many times the hens of each pen had changed up to each day: equal numbers, the same hens."""
    runs = np.zeros(len(days), dtype="int64")
    for here, places in _by_pen(spells, pens):
        runs[places] = np.searchsorted(np.unique(here[["start", "end"]]), days.to_numpy()[places], "right")
    return runs


def present(spells: pd.DataFrame, days: pd.DataFrame) -> tuple[Days, Days]:
    """Every spell on every counted day: positions in `spells` and in `days` (pen, day), side by side.

    `days` must be sorted by pen and day, without duplicates. Linear in hen-days.
    """
    pieces = [(np.empty(0, dtype="int64"), np.empty(0, dtype="int64"))]
    position = np.arange(len(spells))
    for here, places in _by_pen(spells.assign(position=position), days["pen"]):
        when = days["day"].to_numpy()[places]
        first = np.searchsorted(when, here["start"], "left")
        number = np.searchsorted(when, here["end"], "left") - first
        within = np.arange(number.sum()) - np.repeat(np.cumsum(number) - number, number)
        pieces.append(
            (np.repeat(here["position"].to_numpy(), number), places[within + np.repeat(first, number)])
        )
    spell, place = (np.concatenate(side) for side in zip(*pieces, strict=True))
    return spell, place


def _by_pen(spells: pd.DataFrame, pens: pd.Series) -> Iterator[tuple[pd.DataFrame, Days]]:
    """For each pen: the spells there, and the positions in `pens` that name it."""
    here = dict(tuple(spells.groupby("pen")))
    for pen, places in pd.Series(range(len(pens))).groupby(pens.to_numpy()).indices.items():
        if pen in here:
            yield here[str(pen)], places


def _tomorrow(flock: Flock) -> int:
    """The day after the plan's: where an interval that is still open ends."""
    return (pd.Timestamp(flock.plan.on) - pd.Timestamp(0)).days + 1
