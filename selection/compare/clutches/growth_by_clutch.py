"""Growth clutch by clutch, single birds visible: the numbers behind the chart, with the standard's band.

A clutch's curve is its sex's curve times what its chicks have in common, drawn towards the others as in the
comparison of clutches: it rests on all weighings, and says nothing beyond the ages that were weighed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.compare.clutches.comparison import ClutchComparison
from selection.compare.clutches.traits import is_weight
from selection.records.flock import Flock
from selection.standard.bands import SEXED, weighed_sections, young_class
from selection.standard.growth import Growth

BEYOND = 4.0
"""Weeks that a curve is drawn beyond the last weighing of its clutch and sex (method)."""


@dataclass(frozen=True)
class GrowthByClutch:
    """What the chart of growth shows.

    `weighings`: one row a weighing of the season's chicks: bird (missing for unnamed chicks), clutch, sex, age_weeks,
    grams, expected (grams, of its sex), left, right (ring colours on the plan's day, missing where none).
    `curves`: clutch, sex, age_weeks, grams. `band`, one row a weighed section and sex: sex, at_weeks, low, high (full
    points), none_below, none_above.
    """

    weighings: pd.DataFrame
    curves: pd.DataFrame
    band: pd.DataFrame
    sentences: tuple[str, ...]
    cannot: tuple[str, ...]


def growth_by_clutch(flock: Flock, growth: Growth, compared: ClutchComparison) -> GrowthByClutch:
    """Weighings, clutch curves and the standard's band for the plan's season."""
    weighings = _weighings(flock, growth)
    band = _band(flock)
    return GrowthByClutch(
        weighings,
        _curves(growth, compared, weighings),
        band,
        _sentences(growth, compared, band),
        _cannot(flock, weighings),
    )


def rings_on(flock: Flock) -> pd.DataFrame:
    """The ring colours each bird wears on the plan's day: index bird, columns left and right."""
    on = flock.rings[flock.rings["removed_on"].isna()].sort_values("fitted_on", kind="stable")
    last = on.drop_duplicates(["bird", "leg"], keep="last")
    return last.pivot(index="bird", columns="leg", values="colour").reindex(columns=["left", "right"])


def _weighings(flock: Flock, growth: Growth) -> pd.DataFrame:
    seen = growth.deviations
    hatched = (seen["on"] - pd.to_timedelta(seen["age_weeks"] * 7, unit="D")).dt.year
    own = seen[(hatched == flock.plan.season) & seen["sex"].isin(["male", "female"])].reset_index(drop=True)
    clutch = dict(zip(flock.birds["bird"], flock.birds["clutch"], strict=True))
    expected = growth.expected(own["sex"], own["age_weeks"])
    rings = rings_on(flock).reindex(own["bird"]).reset_index(drop=True)
    return pd.DataFrame(
        {
            "bird": own["bird"],
            "clutch": own["bird"].map(clutch).where(own["bird"].notna(), own["clutch"]),
            "sex": own["sex"],
            "age_weeks": own["age_weeks"],
            "grams": expected * np.exp(own["log_deviation"].to_numpy(float)),
            "expected": expected,
            "left": rings["left"],
            "right": rings["right"],
        }
    )


def _curves(growth: Growth, compared: ClutchComparison, weighings: pd.DataFrame) -> pd.DataFrame:
    """Each clutch's curve in each sex, by weeks, as far as it was weighed."""
    levels = compared.clutches
    levels = levels[is_weight(levels) & (levels["sex"] != "both")] if len(levels) else levels
    parts = []
    for row in levels.itertuples():
        own = weighings[
            (weighings["clutch"].str.casefold() == row.clutch.casefold()) & (weighings["sex"] == row.sex)
        ]
        if own.empty:
            continue
        weeks = np.arange(0.0, own["age_weeks"].max() + BEYOND)
        above = row.level / growth.expected(row.sex, compared.weeks)
        grams = growth.expected(row.sex, weeks) * above
        parts.append(pd.DataFrame({"clutch": row.clutch, "sex": row.sex, "age_weeks": weeks, "grams": grams}))
    return (
        pd.concat(parts, ignore_index=True)
        if parts
        else pd.DataFrame(columns=["clutch", "sex", "age_weeks", "grams"])
    )


def _band(flock: Flock) -> pd.DataFrame:
    """The standard's bands of each sex, section after section; empty where it measures no weight."""
    rows = [
        (sex, section.at_weeks, *section.band[group], *section.none[group])
        for section in weighed_sections(flock.standard)
        for sex in SEXED
        if (group := young_class(section, sex)) in section.band
    ]
    return pd.DataFrame(rows, columns=["sex", "at_weeks", "low", "high", "none_below", "none_above"])


def _sentences(growth: Growth, compared: ClutchComparison, band: pd.DataFrame) -> tuple[str, ...]:
    """Where each clutch stands beside each band at its age; a clutch keeps its distance from the curve of its sex."""
    if compared.clutches.empty:
        return ()
    levels = compared.clutches[is_weight(compared.clutches)].merge(band, on="sex", suffixes=("", "_full"))
    said = []
    for row in levels.itertuples():
        chicks = "cockerels" if row.sex == "male" else "pullets"
        there = growth.expected(row.sex, row.at_weeks) / growth.expected(row.sex, compared.weeks)
        level, low, high = (float(there) * grams for grams in (row.level, row.low, row.high))
        where = "below" if level < row.low_full else "above" if level > row.high_full else "inside"
        said.append(
            f"{row.clutch} {chicks} at {row.at_weeks:g} weeks: {level:.0f} g ({low:.0f} to {high:.0f}), "
            f"{where} the standard's {row.low_full:.0f} to {row.high_full:.0f} g."
        )
    return tuple(said)


def _cannot(flock: Flock, weighings: pd.DataFrame) -> tuple[str, ...]:
    """Clutches of the season never weighed."""
    form = flock.clutches
    year = form["hatched_on"].fillna(form["set_on"] + pd.Timedelta(days=21)).dt.year
    weighed = set(weighings["clutch"].str.casefold())
    missing = [
        label for label in form.loc[year == flock.plan.season, "clutch"] if label.casefold() not in weighed
    ]
    return (f"No weighing of {', '.join(missing)}: no curve is drawn.",) if missing else ()
