"""What lies far from the usual: a judge's points from that judge's others, a weight from the bird's others.

Nothing here refuses a row: what is unusual is taken, and the breeder is asked to look again. What is usual is
what stands on record, the rows handed in included.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from selection.errors import Finding
from selection.records.forms.schema import folded
from selection.records.intake.known import Known, findings
from selection.records.rings import folded_colour
from selection.records.settings.reading import WEIGHT

LOOKS = 8
"""Looks of one judge under which nothing is called unusual."""
TIMES_THE_USUAL = 6.0
"""Half of a judge's looks lie so near the middle one; this many times as far is far: four standard deviations
of normal scores."""
LEAST_POINTS = 2.0
"""Points nearer than this are never far, however alike a judge scores."""

LEAST_GRAMS = 10
"""No bird weighs less, not on the day it hatches (common practice, no source)."""
EASE = 1.5
"""A bird loses no third of its weight from one weighing to another, nor gains half as much again beyond its
growth (common practice, no source)."""
GROWN_DAYS = 210.0
"""A bird grows to this age, its weight no faster than the square of its age (common practice, no source)."""
MATES, NEAR, TIMES_MATES = 6, 0.15, 2.0
"""So many weighings of one sex, their ages within this share of the bird's, tell the weight to expect; it is
questioned beyond so many times more or less (common practice, no source)."""
FAR_UNDER, FAR_OVER = 5, 2
"""So many times under or over anything that the standard gives points for, a weight is questioned."""


def points_of_judge(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """Points, or an old card's total, far from what that judge usually gives."""
    looks = known.with_usual("scores")
    each = folded(rows["judge"])
    looks = looks[folded(looks["judge"]).isin(each)]
    judges = folded(looks["judge"])
    found = []
    for name in (*(c.name for c in known.in_force.section_columns()), "total"):
        share = looks[name] / _most(name, looks["on"], known)
        middle = share.groupby(judges).median()
        near = (share - judges.map(middle)).abs().groupby(judges).median()
        most = _most(name, rows["on"], known)
        usual, half, number = (
            each.map(middle) * most,
            each.map(near) * most,
            each.map(share.groupby(judges).count()),
        )
        far = (rows[name] - usual).abs() > np.maximum(TIMES_THE_USUAL * half, LEAST_POINTS)
        words = (
            f"taken, but far from the judge's usual: half of {{}}'s {{}} looks on record lie within {{}} of {{}} "
            f"points, and this over {TIMES_THE_USUAL:g} times as far; look again"
        )
        told = (rows["judge"], number, half.round(2), usual.round(2))
        found += findings("scores", rows, far & (number >= LOOKS), name, words, *told, refused=False)
    return found


def new_judges(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """A judge who is seen for the first time beside others on record: a new one, or a slip of the pen."""
    looks = known.with_usual("scores")
    number, here = folded(looks["judge"]).value_counts(), folded(rows["judge"]).value_counts()
    before = number.index[number > here.reindex(number.index).fillna(0)]
    names = looks["judge"][folded(looks["judge"]).isin(before)].drop_duplicates()
    if names.empty:
        return []
    new = ~folded(rows["judge"]).isin(before) & ~folded(rows["judge"]).duplicated()
    words = (
        f"taken, a judge who has no earlier look; on record: {', '.join(sorted(names))}. If one of these was meant, "
        "clear this row with (blank) and --correct, and hand it in under that name"
    )
    return findings("scores", rows, new, "judge", words, refused=False)


def new_colours(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """A ring colour that is written for the first time beside others on record: a new one, or a slip of the pen."""
    number, here = (_single(rings["colour"]).value_counts() for rings in (known.forms["rings"], rows))
    before = number.index[number > here.reindex(number.index).fillna(0)]
    each = _single(rows["colour"])
    new = each[~each.isin(before) & ~each.duplicated()]
    if not len(before):
        return []
    words = f"taken, a colour that no ring on record has: they are {', '.join(sorted(before))}; look again"
    return findings(
        "rings", rows, pd.Series(rows.index.isin(new.index), rows.index), "colour", words, refused=False
    )


def _single(colours: pd.Series) -> pd.Series:
    """The colours of single rings, two on one leg apart, under the rows' index."""
    return folded_colour(colours).str.split("/").explode()


def _most(section: str, days: pd.Series, known: Known) -> pd.Series:
    """The most that the standard of each day gives a section; blank where it has no such section."""
    if section == "total":
        return pd.Series(100.0, index=days.index)
    most = pd.Series(np.nan, index=days.index)
    for standard, here in known.in_force.spells(days):
        most[here] = {s.name.casefold(): s.points for s in standard.by_eye}.get(section.casefold(), np.nan)
    return most


def weights(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """Weights that can hardly be: kilograms, or far off the bird's own, its mates' or the standard's."""
    every = known.with_usual("weights")
    every = _aged(every[every["grams"] >= LEAST_GRAMS], known)
    asked = _aged(rows, known)
    light = asked["grams"] < LEAST_GRAMS
    words = "taken, but no bird weighs so little: kilograms? Then it is {} g; hand it in so with --correct"
    found = findings("weights", rows, light, "grams", words, (rows["grams"] * 1000).round(), refused=False)
    rest = asked[~light]
    for rule in (_own, _mates, _standards):
        more = rule(rows, rest, every, known)
        found += more
        rest = rest.drop(index=[f.row for f in more])
    return found


def _aged(weighings: pd.DataFrame, known: Known) -> pd.DataFrame:
    """Weighings with `key` (the folded bird), its `sex`, and `age` (days, up to GROWN_DAYS; NaN: not known).

    Where a bird's year alone is known it counts as hatched at the end of it: so it may still be growing.
    """
    bird = known.of_birds(weighings["bird"])
    hatched = bird["latest"].fillna(known.of_clutches(weighings["clutch"])["hatched_on"])
    age = (weighings["on"] - hatched).dt.days.clip(upper=GROWN_DAYS)
    return pd.DataFrame(
        {
            "key": folded(weighings["bird"]),
            "on": weighings["on"],
            "grams": weighings["grams"],
            "sex": bird["sex"].fillna(weighings["sex"]).fillna("unknown"),
            "age": age.where(age >= 0),
        },
        index=weighings.index,
    )


def _own(rows: pd.DataFrame, asked: pd.DataFrame, every: pd.DataFrame, known: Known) -> list[Finding]:
    """Far off what the bird weighed before, or after."""
    found: list[Finding] = []
    for when in ("backward", "forward"):
        asked = asked[(asked["key"] != "") & ~asked.index.isin([f.row for f in found])]
        other = _next_weighing(asked, every, when)
        growth = (asked["age"].clip(lower=1) / other["age"].clip(lower=1)) ** 2
        growth = growth.fillna(np.inf) if when == "backward" else growth.fillna(0.0)
        low = other["grams"] / EASE * np.minimum(growth, 1)
        high = other["grams"] * EASE * np.maximum(growth, 1)
        far = (asked["grams"] < low) | (asked["grams"] > high)
        words = (
            "taken, but far off the bird's own {} g of {}: it lost over a third between the two, or gained over "
            "half beyond its growing; look which is right"
        )
        told = (other["grams"], other["on"])
        found += findings("weights", rows.loc[asked.index], far, "grams", words, *told, refused=False)
    return found


def _next_weighing(asked: pd.DataFrame, every: pd.DataFrame, when: str) -> pd.DataFrame:
    """The last weighing of each bird before (the first after) the day asked; blank where there is none."""
    left = asked.sort_values("on", kind="stable")
    right = every.sort_values("on", kind="stable").assign(day=lambda frame: frame["on"])
    found = pd.merge_asof(
        left[["on", "key"]],
        right[["on", "key", "day", "grams", "age"]],
        on="on",
        by="key",
        direction=when,
        allow_exact_matches=False,
    )
    return found.drop(columns="on").rename(columns={"day": "on"}).set_axis(left.index).reindex(asked.index)


def _mates(rows: pd.DataFrame, asked: pd.DataFrame, every: pd.DataFrame, known: Known) -> list[Finding]:
    """Far off what birds of its sex weigh at its age."""
    usual = pd.DataFrame(np.nan, index=asked.index, columns=["grams", "number"])
    for sex, of_sex in asked.dropna(subset="age").groupby("sex"):
        pool = every if sex == "unknown" else every[every["sex"] == sex]
        pool = pool.dropna(subset="age").sort_values("age", kind="stable")
        ages, grams = pool["age"].to_numpy(), pool["grams"].to_numpy()
        for age, at in of_sex.groupby("age").groups.items():
            first, last = np.searchsorted(ages, (age * (1 - NEAR), age * (1 + NEAR) + 1e-9))
            if last - first >= MATES:
                usual.loc[at] = np.median(grams[first:last]), last - first
    times = asked["grams"] / usual["grams"]
    far = (times > TIMES_MATES) | (times < 1 / TIMES_MATES)
    words = "taken, but far off its mates': birds of its sex and age weigh about {} g, by {} weighings; look again"
    told = (usual["grams"].round(), usual["number"])
    return findings("weights", rows.loc[asked.index], far, "grams", words, *told, refused=False)


def _standards(rows: pd.DataFrame, asked: pd.DataFrame, every: pd.DataFrame, known: Known) -> list[Finding]:
    """Far off anything that the standard gives points for."""
    found = []
    by_weight = [s for s in known.in_force.latest.by_measure if s.measured == WEIGHT]
    for section in by_weight:
        low = min(pair[0] for pair in section.none.values())
        high = max(pair[1] for pair in section.none.values())
        grown = asked["age"] >= min(7 * (section.at_weeks or np.inf), GROWN_DAYS)
        far = (grown & (asked["grams"] < low / FAR_UNDER)) | (asked["grams"] > high * FAR_OVER)
        words = f"far off the {low:g} to {high:g} g that the standard gives points for; taken as it stands"
        found += findings("weights", rows.loc[asked.index], far, "grams", words, refused=False)
    return found
