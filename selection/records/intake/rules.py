"""Checks across rows, forms and what is on record; each form's rules are tried on all its rows at once.

A rule takes the rows of one form and what is :class:`Known`, and returns findings: faults that refuse a row,
and warnings that leave it in. Rules see only rows whose cells could be read. What is merely
unusual for this holding (weights, judges, colours) is a remark.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from difflib import get_close_matches
from functools import partial

import numpy as np
import pandas as pd

from selection.errors import Finding
from selection.records.forms.columns import FORMS
from selection.records.forms.schema import folded
from selection.records.intake import (
    rules_of_breeding as breeding,
    rules_of_season as eggs,
    rules_of_season as season,
)
from selection.records.intake.known import OnRecord, findings
from selection.records.rings import folded_colour, looked_up
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
_GROWN_DAYS = 210.0
"""A bird grows to this age, its weight no faster than the square of its age (common practice, no source)."""
MATES, NEAR, TIMES_MATES = 6, 0.15, 2.0
"""So many weighings of one sex, their ages within this share of the bird's, tell the weight to expect; it is
questioned beyond so many times more or less (common practice, no source)."""
FAR_UNDER, FAR_OVER = 5, 2
"""So many times under or over anything that the standard gives points for, a weight is questioned."""


def points_of_judge(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """Points, or an old card's total, far from what that judge usually gives."""
    looks = known.with_usual("scores")
    each = folded(rows["judge"])
    looks = looks[folded(looks["judge"]).isin(each)]
    judges = folded(looks["judge"])
    found = []
    for name in (*(c.name for c in known.in_force.section_columns()), "total"):
        if rows[name].isna().all():
            continue
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


def new_judges(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
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


def new_colours(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
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


def _most(section: str, days: pd.Series, known: OnRecord) -> pd.Series:
    """The most that the standard of each day gives a section; blank where it has no such section."""
    if section == "total":
        return pd.Series(100.0, index=days.index)
    most = pd.Series(np.nan, index=days.index)
    for standard, here in known.in_force.spells(days):
        most[here] = {s.name.casefold(): s.points for s in standard.by_eye}.get(section.casefold(), np.nan)
    return most


def weights(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
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


def _aged(weighings: pd.DataFrame, known: OnRecord) -> pd.DataFrame:
    """Weighings with `key` (the folded bird), its `sex`, and `age` (days, up to GROWN_DAYS; NaN: not known).

    Where a bird's year alone is known it counts as hatched at the end of it: so it may still be growing.
    """
    bird = known.of_birds(weighings["bird"])
    hatched = bird["latest"].fillna(known.of_clutches(weighings["clutch"])["hatched_on"])
    age = (weighings["on"] - hatched).dt.days.clip(upper=_GROWN_DAYS)
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


def _own(rows: pd.DataFrame, asked: pd.DataFrame, every: pd.DataFrame, known: OnRecord) -> list[Finding]:
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


def _mates(rows: pd.DataFrame, asked: pd.DataFrame, every: pd.DataFrame, known: OnRecord) -> list[Finding]:
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


def _standards(
    rows: pd.DataFrame, asked: pd.DataFrame, every: pd.DataFrame, known: OnRecord
) -> list[Finding]:
    """Far off anything that the standard gives points for."""
    found = []
    by_weight = [s for s in known.in_force.latest.by_measure if s.measured == WEIGHT]
    for section in by_weight:
        low = min(pair[0] for pair in section.none.values())
        high = max(pair[1] for pair in section.none.values())
        grown = asked["age"] >= min(7 * (section.at_weeks or np.inf), _GROWN_DAYS)
        far = (grown & (asked["grams"] < low / FAR_UNDER)) | (asked["grams"] > high * FAR_OVER)
        words = f"far off the {low:g} to {high:g} g that the standard gives points for; taken as it stands"
        found += findings("weights", rows.loc[asked.index], far, "grams", words, refused=False)
    return found


Rule = Callable[[pd.DataFrame, OnRecord], list[Finding]]

RULES: dict[str, tuple[Rule, ...]] = {
    "clutches": (breeding.one_label, breeding.hatch_figures, breeding.incubation),
    "birds": (breeding.own_days, breeding.parents_fit, breeding.parents_older, breeding.no_loops),
    "rings": (breeding.ring_days, breeding.one_ring_a_leg, breeding.one_bird_a_pair),
    "pens": (breeding.stays,),
    "scores": (partial(season.names_somebody, "scores"), season.points),
    "weights": (partial(season.names_somebody, "weights"), season.weighs_something),
    "measures": (partial(season.names_somebody, "measures"),),
    "eggs": (eggs.hens_lay, eggs.known_pens),
    "sales": (season.lots,),
    "costs": (season.withdrawal_ends,),
    "income": (),
    "decisions": (),
}

_CELLS: dict[str, tuple[Rule, ...]] = {
    "scores": (season.quarters, season.fault_names),
    "measures": (season.trait_names,),
}
"""Rules that look at one cell by itself, and so can be tried where another cell of the row is at fault."""

REMARKS: dict[str, tuple[Rule, ...]] = {
    "clutches": (breeding.birds_entered, breeding.pen_of_clutch, breeding.origins),
    "rings": (breeding.few_pairs, new_colours),
    "scores": (season.old_cards, points_of_judge, new_judges),
    "weights": (weights,),
    "eggs": (eggs.hens_there, eggs.counted_once),
    "sales": (season.usual_prices, season.sold_once),
}
SEEN = ("rings", "pens", "scores", "weights", "measures", "eggs", "decisions")
DAY_OF = {"rings": "fitted_on", "pens": "from"}
"""The day of a row that names a bird, where it is not `on`."""
MOST_NEAR = 40
"""Labels for which the nearest on record is looked for: it takes a moment each."""
ENTERED_ON = {"birds": "bird", "clutches": "clutch"}
LEAVING = {"birds": "gone_on", "sales": "on"}
"""The day on which a row says that its bird left."""


def check_rows(form: str, rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """Everything found in `rows` of a form (with all its columns, under spreadsheet rows)."""
    if rows.empty:
        return []
    found = check_cells(form, rows, known)
    if form not in ("clutches", "birds", "costs", "income"):
        found += _days(form, rows, known, DAY_OF.get(form, "on"))
    for rule in RULES[form]:
        found += rule(rows, known)
    return found


def check_cells(form: str, rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """What is wrong with single cells of `rows`, whatever stands beside them."""
    found = _references(form, rows, known)
    for rule in _CELLS.get(form, ()):
        found += rule(rows, known)
    return found


def _references(form: str, rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """Labels of birds and clutches must be known."""
    found = []
    own = FORMS[form].key[0] if form in ("clutches", "birds") else None
    for column in ("bird", "sire", "dam"):
        if column in rows.columns and column != own:
            named = folded(rows[column])
            unknown = rows[(named != "") & ~named.isin(known.birds.index)]
            found += _unknown("birds", form, unknown, column, unknown[column], known)
    if "clutch" in rows.columns and own != "clutch" and rows["clutch"].notna().any():
        each = rows.assign(label=rows["clutch"].str.split(";")).explode("label").dropna(subset="label")
        stray = each[~folded(each["label"]).isin(known.clutches.index)]
        first = stray[~stray.index.duplicated()]
        found += _unknown("clutches", form, first, "clutch", first["label"], known)
    return found


def _unknown(
    of: str, form: str, rows: pd.DataFrame, column: str, labels: pd.Series, known: OnRecord
) -> list[Finding]:
    """A fault for each of `rows`, whose `labels` the form `of` does not have; whether it was refused there."""
    if rows.empty:
        return []
    refused = folded(labels).isin(known.refused.get(of, frozenset()))
    words = f"its row of the {of} form was refused: mend that, and hand this in again"
    found = findings(form, rows, refused, column, words)
    one = ENTERED_ON[of]
    which = labels.map(f"{one} {{}}".format).where(labels != rows[column], f"such {one}")
    words = f"no {{}} is on record: {{}} it on the {of} form first, or mend the label"
    return found + findings(form, rows, ~refused, column, words, which, _nearest(labels, of, known))


def _nearest(labels: pd.Series, of: str, known: OnRecord) -> pd.Series:
    """For each label what to do: the nearest on record (of the first `MOST_NEAR` labels), or to enter it."""
    there = known.birds["bird"] if of == "birds" else known.clutches["clutch"]
    near = {}
    for label in folded(labels).unique()[:MOST_NEAR]:
        close = get_close_matches(label, there.index, n=1, cutoff=0.7)
        near[label] = f"perhaps {there[close[0]]}; or enter" if close else "enter"
    return folded(labels).map(near).fillna("enter")


def _days(form: str, rows: pd.DataFrame, known: OnRecord, column: str) -> list[Finding]:
    """Nothing is seen of a bird, or of a clutch's chicks, before it hatched."""
    day, bird = rows[column], known.of_birds(rows["bird"])
    words = "no day before {} hatched, {}"
    found = findings(form, rows, day < bird["earliest"], column, words, rows["bird"], bird["hatched"])
    if FORMS[form].chicks:
        hatched = known.of_clutches(rows["clutch"])["hatched_on"]
        early = rows["bird"].isna() & (day < hatched)
        found += findings(form, rows, early, column, words, rows["clutch"], hatched)
    return found


def remark(form: str, rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """What is worth another look in rows that were accepted, once everything handed in is known."""
    found: list[Finding] = []
    if rows.empty:
        return found
    if form in (*SEEN, "sales"):
        found += _while_away(form, rows, known, DAY_OF.get(form, "on"))
    for rule in REMARKS.get(form, ()):
        found += rule(rows, known)
    return found


def _while_away(form: str, rows: pd.DataFrame, known: OnRecord, column: str) -> list[Finding]:
    """What is seen of a bird after it went, or before it came, is taken and reported."""
    birds, found = known.of_birds(rows["bird"]), []
    if form != "sales":  # a sale has its own rule
        words = "taken, but {} is on record as gone on {}: look whether both are right"
        late = rows[column] > birds["gone_on"]
        found = findings(form, rows, late, column, words, rows["bird"], birds["gone_on"], refused=False)
    words = "taken, but {} came only on {}: look whether both are right"
    early = rows[column] < birds["came_on"]
    return found + findings(form, rows, early, column, words, rows["bird"], birds["came_on"], refused=False)


def gone_before(form: str, rows: pd.DataFrame, earlier: Mapping[str, pd.DataFrame]) -> list[Finding]:
    """A going or a sale that lies before something `earlier` on record of the bird is taken and reported."""
    days = [
        earlier[seen].set_index(folded(earlier[seen]["bird"]))[DAY_OF.get(seen, "on")].rename(seen)
        for seen in SEEN
    ]
    last = pd.concat(days).groupby(level=0).max()
    seen_on = looked_up(folded(rows["bird"]), last)
    words = "taken, but on record {} was seen after that, on {}: look whether both are right"
    column = LEAVING[form]
    return findings(form, rows, seen_on > rows[column], column, words, rows["bird"], seen_on, refused=False)


def still_to_come(form: str, rows: pd.DataFrame, today: date, planned: date) -> list[Finding]:
    """A remark on rows dated after both `today` and the plan's day: the year may be a slip."""
    column = FORMS[form].dated_by
    if column is None:
        return []
    late = rows[rows[column] > pd.Timestamp(max(today, planned))]
    words = f"taken, and counted only from then on: that day is still to come, and lies after the plan's, {planned}"
    return findings(form, late, late[column].notna(), column, words, refused=False)
