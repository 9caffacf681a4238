"""Checks across rows, forms and what is on record; each form's rules are tried on all its rows at once.

A rule takes the rows of one form and what is :class:`Known`, and returns findings: faults that refuse a row,
and warnings that leave it in. Rules see only rows whose cells could be read.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from difflib import get_close_matches
from functools import partial

import pandas as pd

from selection.errors import Finding
from selection.records.bird_dates import looked_up
from selection.records.forms.columns import FORMS
from selection.records.forms.schema import folded
from selection.records.intake import (
    rules_of_breeding as breeding,
    rules_of_season as eggs,
    rules_of_season as season,
    rules_of_usual as usual,
)
from selection.records.intake.known import Known, findings

Rule = Callable[[pd.DataFrame, Known], list[Finding]]

RULES: dict[str, tuple[Rule, ...]] = {
    "clutches": (breeding.one_label, breeding.hatch_figures, breeding.incubation),
    "birds": (breeding.own_days, breeding.parents, breeding.parents_older, breeding.no_loops),
    "rings": (breeding.ring_days, breeding.one_ring_a_leg, breeding.one_bird_a_pair),
    "pens": (breeding.stays,),
    "scores": (partial(season.names_somebody, "scores"), season.points),
    "weights": (partial(season.names_somebody, "weights"), season.weighs_something),
    "measures": (partial(season.names_somebody, "measures"),),
    "eggs": (eggs.hens_lay, eggs.known_pens),
    "sales": (season.lots,),
    "costs": (season.withdrawals,),
    "income": (),
    "decisions": (),
}

CELLS: dict[str, tuple[Rule, ...]] = {
    "scores": (season.quarters, season.fault_names),
    "measures": (season.trait_names,),
}
"""Rules that look at one cell by itself, and so can be tried where another cell of the row is at fault."""

REMARKS: dict[str, tuple[Rule, ...]] = {
    "clutches": (breeding.birds_entered, breeding.pen_of_clutch, breeding.origins),
    "rings": (breeding.few_pairs, usual.new_colours),
    "scores": (season.old_cards, usual.points_of_judge, usual.new_judges),
    "weights": (usual.weights,),
    "eggs": (eggs.hens_there, eggs.counted_once),
    "sales": (season.prices, season.sold_once),
}
SEEN = ("rings", "pens", "scores", "weights", "measures", "eggs", "decisions")
DAY_OF = {"rings": "fitted_on", "pens": "from"}
"""The day of a row that names a bird, where it is not `on`."""
MOST_NEAR = 40
"""Labels for which the nearest on record is looked for: it takes a moment each."""
ENTERED_ON = {"birds": "bird", "clutches": "clutch"}
LEAVING = {"birds": "gone_on", "sales": "on"}
"""The day on which a row says that its bird left."""


def check(form: str, rows: pd.DataFrame, known: Known) -> list[Finding]:
    """Everything found in `rows` of a form (with all its columns, under spreadsheet rows)."""
    if rows.empty:
        return []
    found = check_cells(form, rows, known)
    if form not in ("clutches", "birds", "costs", "income"):
        found += _days(form, rows, known, DAY_OF.get(form, "on"))
    for rule in RULES[form]:
        found += rule(rows, known)
    return found


def check_cells(form: str, rows: pd.DataFrame, known: Known) -> list[Finding]:
    """What is wrong with single cells of `rows`, whatever stands beside them."""
    found = _references(form, rows, known)
    for rule in CELLS.get(form, ()):
        found += rule(rows, known)
    return found


def _references(form: str, rows: pd.DataFrame, known: Known) -> list[Finding]:
    """Labels of birds and clutches must be known."""
    found = []
    own = FORMS[form].key[0] if form in ("clutches", "birds") else None
    for column in ("bird", "sire", "dam"):
        if column in rows.columns and column != own:
            unknown = rows[rows[column].notna() & ~folded(rows[column]).isin(known.birds.index)]
            found += _unknown("birds", form, unknown, column, unknown[column], known)
    if "clutch" in rows.columns and own != "clutch":
        each = rows.assign(label=rows["clutch"].str.split(";")).explode("label").dropna(subset="label")
        stray = each[~folded(each["label"]).isin(known.clutches.index)]
        first = stray[~stray.index.duplicated()]
        found += _unknown("clutches", form, first, "clutch", first["label"], known)
    return found


def _unknown(
    of: str, form: str, rows: pd.DataFrame, column: str, labels: pd.Series, known: Known
) -> list[Finding]:
    """A fault for each of `rows`, whose `labels` the form `of` does not have; whether it was refused there."""
    refused = folded(labels).isin(known.refused.get(of, frozenset()))
    words = f"its row of the {of} form was refused: mend that, and hand this in again"
    found = findings(form, rows, refused, column, words)
    one = ENTERED_ON[of]
    which = labels.map(f"{one} {{}}".format).where(labels != rows[column], f"such {one}")
    words = f"no {{}} is on record: {{}}enter it on the {of} form first, or mend the label"
    return found + findings(form, rows, ~refused, column, words, which, _nearest(labels, of, known))


def _nearest(labels: pd.Series, of: str, known: Known) -> pd.Series:
    """For each label the nearest on record in words, or nothing; for the first `MOST_NEAR` different ones."""
    there = known.birds["bird"] if of == "birds" else known.clutches["clutch"]
    near = {}
    for label in folded(labels).unique()[:MOST_NEAR]:
        close = get_close_matches(label, there.index, n=1, cutoff=0.7)
        near[label] = f"perhaps {there[close[0]]}; or " if close else ""
    return folded(labels).map(near).fillna("")


def _days(form: str, rows: pd.DataFrame, known: Known, column: str) -> list[Finding]:
    """Nothing is seen of a bird, or of a clutch's chicks, before it hatched."""
    day, bird = rows[column], known.of_birds(rows["bird"])
    words = "no day before {} hatched, {}"
    found = findings(form, rows, day < bird["earliest"], column, words, rows["bird"], bird["hatched"])
    if FORMS[form].chicks:
        hatched = known.of_clutches(rows["clutch"])["hatched_on"]
        early = rows["bird"].isna() & (day < hatched)
        found += findings(form, rows, early, column, words, rows["clutch"], hatched)
    return found


def remark(form: str, rows: pd.DataFrame, known: Known) -> list[Finding]:
    """What is worth another look in rows that were accepted, once everything handed in is known."""
    found: list[Finding] = []
    if rows.empty:
        return found
    if form in (*SEEN, "sales"):
        found += _while_away(form, rows, known, DAY_OF.get(form, "on"))
    for rule in REMARKS.get(form, ()):
        found += rule(rows, known)
    return found


def _while_away(form: str, rows: pd.DataFrame, known: Known, column: str) -> list[Finding]:
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
