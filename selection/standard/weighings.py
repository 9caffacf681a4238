"""Weighings with the age and sex they were made at, and the reason beside each that cannot be used."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.records.bird_dates import looked_up
from selection.records.flock import Flock

Floats = npt.NDArray[np.float64]

TIMES_OFF = 5.0
"""A weight this many times over or under its curve is a slip of the pen."""


def weighings(flock: Flock) -> pd.DataFrame:
    """Every row of flock.weights: row (its index), bird, clutch, sex, n, on, grams, age_weeks, why.

    `why` is blank where the weighing can be used. Of a bird of which only the year of hatching is known, the
    weighings of that year are not: its age then is a guess. Unnamed chicks have their clutch's age.
    """
    rows = flock.weights[["bird", "clutch", "sex", "n", "on", "grams"]].rename_axis("row").reset_index()
    known = flock.birds.set_index("bird")
    named = rows["bird"].notna()
    by_clutch = flock.clutches.set_index("clutch")["hatched_on"]
    hatched = looked_up(rows["bird"], known["hatched"]).fillna(looked_up(rows["clutch"], by_clutch))
    rows["sex"] = looked_up(rows["bird"], known["sex"]).where(named, rows["sex"]).fillna("unknown")
    rows["n"] = rows["n"].fillna(1.0)
    rows["age_weeks"] = (rows["on"] - hatched).dt.days / 7.0
    bare = known["hatched_on"].str.fullmatch(r"\d{4}").fillna(False).astype(bool)
    guessed = rows["bird"].isin(bare.index[bare]) & (hatched.dt.year == rows["on"].dt.year)
    rows["why"] = np.select(
        [rows["grams"].isna(), hatched.isna(), rows["age_weeks"] < 0, guessed],
        [
            "no weight",
            "no hatch date",
            "before hatching",
            "still growing, and only the year of hatching known",
        ],
        "",
    )
    return rows


def without_odd(
    rows: pd.DataFrame, expected: Callable[[npt.ArrayLike, npt.ArrayLike], Floats]
) -> pd.DataFrame:
    """`rows` with a reason beside each usable weighing five times off `expected(sex, weeks)`, in grams."""
    times = (rows["grams"] / expected(rows["sex"], rows["age_weeks"])).to_numpy()
    under, over = times < 1 / TIMES_OFF, times > TIMES_OFF
    odd = (rows["why"] == "").to_numpy() & (under | over)
    why = rows["why"].to_numpy(dtype=object, copy=True)
    why[odd & under] = [f"{1 / t:,.0f} times under its curve: kilograms?" for t in times[odd & under]]
    why[odd & over] = [f"{t:,.0f} times over its curve: a slip of the pen?" for t in times[odd & over]]
    return rows.assign(why=why)


def about_left_out(left_out: pd.DataFrame) -> list[str]:
    """Weighings that were left out, in words: each odd one by name, the others by number."""
    odd = left_out["why"].str.contains(" times ")
    named = [
        f"Left out: {_whose(bird)}, {on:%Y-%m-%d}: {grams:g} g is {why}"
        for bird, on, grams, why in left_out.loc[odd, ["bird", "on", "grams", "why"]].itertuples(index=False)
    ]
    rest = left_out[~odd].groupby("why").size()
    return named + [f"Left out: {n} weighing{'s' if n > 1 else ''}: {why}." for why, n in rest.items()]


def _whose(bird: object) -> str:
    return bird if isinstance(bird, str) else "an unnamed chick"
