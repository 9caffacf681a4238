"""What was seen of chicks in their first year, one trait at a time, ready for comparing clutches.

Looks stay one row each, with judge and day; the weighings of a bird are drawn together into one deviation from
its sex's curve, weighed by how much each says. A bird that was not seen has no row.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from selection.merit.observations import OLDEST_WEEKS, Observations
from selection.records.flock import Flock
from selection.standard.growth import Growth
from selection.standard.points import Points

WEIGHT = "weight"
POINTS = "points"
MOSTLY = 0.75
DTYPES = {
    "trait": "str", "bird": "str", "value": "float64", "sex": "str", "clutch": "str", "season": "int64",
    "judge": "str", "day": "str", "pen": "str", "age_weeks": "float64", "n": "float64", "scale": "float64",
}  # fmt: skip
"""Columns of the rows. `scale`: residual variance relative to one chick's; `judge`, `day`: missing where nobody
judges; `age_weeks`: missing where age is in the curve already."""


def typed(rows: pd.DataFrame) -> pd.DataFrame:
    """`rows` with exactly the columns of `DTYPES`, missing ones blank."""
    return rows.reindex(columns=list(DTYPES)).astype(DTYPES)


def chick_rows(flock: Flock, seen: Observations, growth: Growth, totals: pd.DataFrame) -> pd.DataFrame:
    """Rows of all traits (columns of `DTYPES`): sections judged by eye, `points`, `weight`, measured traits.

    `totals`: rows like those of `seen`, one a look, with its total in points. Values are in points, in the
    trait's own unit, or, for weight, log deviations.
    """
    if seen.rows.empty:
        return _one_a_bird(flock, growth)
    eye = seen.rows[seen.rows["series"].isin([*seen.by_eye, *(m.name for m in flock.standard.measured)])]
    looks = pd.concat([eye, totals.assign(series=POINTS)], ignore_index=True)
    looks = looks[looks["clutch"].notna() & (looks["age_weeks"] < OLDEST_WEEKS)]
    looks = looks.rename(columns={"series": "trait"}).assign(scale=lambda f: 1 / f["n"])
    looks["pen"] = _pen_on(looks, flock)
    return pd.concat([typed(looks), _one_a_bird(flock, growth)], ignore_index=True)


def look_totals(flock: Flock, seen: Observations, points: Points) -> tuple[pd.DataFrame, str]:
    """Totals of looks as rows like those of `seen`, all of the same sections, and which these are, in words.

    The measured section is counted where at least three in four of the looks at chicks have it; looks that lack
    a section are then left out, never counted as 0. Cards that give a total alone are left out.
    """
    eye = [s.name for s in flock.standard.by_eye]
    if seen.rows.empty:
        return seen.rows, ""
    about = seen.rows[seen.rows["series"].isin(eye)].drop_duplicates("record").set_index("record")
    totals = points.looks.set_index("look " + points.looks["row"].astype(str))
    totals = totals[~totals["on_card"] & totals[eye].notna().all(axis=1) & totals.index.isin(about.index)]
    whole = sum(s.points for s in flock.standard.sections)
    complete = totals["seen"] == whole
    with_size = bool(len(totals)) and complete.mean() >= MOSTLY
    by_eye = totals[eye].sum(axis=1) - totals["costs"]
    value = totals["total"][complete] if with_size else by_eye
    basis = (
        f"of {whole:g}"
        if with_size
        else f"of the {sum(s.points for s in flock.standard.by_eye):g} judged by eye"
    )
    rows = about.drop(columns=["value"]).join(value.rename("value"), how="inner")
    return rows.reset_index(), basis


def _one_a_bird(flock: Flock, growth: Growth) -> pd.DataFrame:
    """Each bird's log deviation from all its weighings by generalised least squares, and its error."""
    seen = growth.deviations[growth.deviations["age_weeks"] < OLDEST_WEEKS]
    birds = flock.birds.drop_duplicates("bird").set_index("bird")
    clutch = seen["bird"].map(birds["clutch"]).where(seen["bird"].notna(), seen["clutch"])
    seen = seen.assign(clutch=clutch)[clutch.notna()]
    who = seen["bird"].fillna("row " + seen["row"].astype(str))
    rows = []
    for bird, part in seen.groupby(who, sort=False):
        value, error = _drawn_together(part, growth)
        first = part.iloc[0]
        rows.append(
            {
                "trait": WEIGHT,
                "bird": bird,
                "value": value,
                "sex": first["sex"],
                "clutch": str(first["clutch"]).casefold(),
                "season": (first["on"] - pd.Timedelta(weeks=first["age_weeks"])).year,
                "n": first["n"],
                "scale": (1 + error / growth.between_sd**2) / first["n"],
            }
        )
    return typed(pd.DataFrame(rows))


def _drawn_together(part: pd.DataFrame, growth: Growth) -> tuple[float, float]:
    """The best mean of one bird's deviations and its error variance, residuals fading with time."""
    ages, sd = part["age_weeks"].to_numpy(), part["residual_sd"].to_numpy()
    gaps = np.abs(ages[:, None] - ages[None])
    R = sd[:, None] * sd[None] * np.exp(-gaps / growth.decay_weeks) + 1e-8 * np.eye(len(sd))
    weights = np.linalg.solve(R, np.ones(len(sd)))
    return float(weights @ part["log_deviation"].to_numpy() / weights.sum()), float(1 / weights.sum())


def _pen_on(rows: pd.DataFrame, flock: Flock) -> pd.Series:
    """The pen each chick stood in when it was seen; missing where no pen is on record."""
    stood = flock.pens[["pen", "bird", "from", "to"]].merge(
        rows[["bird", "on"]].rename_axis("row").reset_index(), on="bird"
    )
    here = stood[(stood["from"] <= stood["on"]) & ~(stood["to"] <= stood["on"])]
    return here.drop_duplicates("row").set_index("row")["pen"].reindex(rows.index)
