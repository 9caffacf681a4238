"""Everything that was seen of birds, as one long table of numbers for the mixed model.

A row of :class:`Observations` is one number: a section of one look, a total of an old show card, one
weighing's log deviation from its growth curve, one measurement. A bird that was not seen has no row: unscored
is never zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.merit.relationship.parentage import chick_group
from selection.records.bird_dates import looked_up
from selection.records.flock import Flock
from selection.records.settings.reading import Measured
from selection.standard.growth import Growth

OLDEST_WEEKS = 52.0
"""Age in weeks after which a look's age no longer counts: a grown bird."""

TOTAL = "total"
"""Series of old show cards that give a total alone: a sum over the sections judged by eye."""


LAYING = Measured("laying", "eggs in 100 hen-days", "Laying", like="egg number")
"""Laying as a trait: a hen's own records month by month, where the plan gives it a worth."""

MONTH = 30.0
"""Days of own records that count as one record of laying."""


@dataclass(frozen=True)
class Observations:
    """The numbers and what they were seen under.

    rows: one row a number, sorted by series: series (a trait or `total`), bird (id in the pedigree), value
    (points; log deviation for weight; the unit for a measured trait), on, season, sex, judge, day (judge and
    date), clutch, brooder (brooder and hatch year), age_weeks, n (chicks it speaks for), record (the look, or
    the bird whose weighings hang together), sd (of the residual relative to the series' own), week (weeks
    since 2000, for weighings).
    traits: the series that are traits, in the standard's order; by_eye: those judged by eye;
    decay_weeks: weeks in which the correlation of a bird's weighings falls to 1/e.
    """

    rows: pd.DataFrame
    traits: tuple[str, ...]
    by_eye: tuple[str, ...]
    weighed: str | None
    decay_weeks: float

    @property
    def series(self) -> tuple[str, ...]:
        """Traits, and `total` where there are old show cards."""
        cards = (self.rows["series"] == TOTAL).any()
        return (*self.traits, TOTAL) if cards else self.traits


def observe(flock: Flock, growth: Growth) -> Observations:
    """All observations of the flock up to the plan's day, of birds and of groups of unnamed chicks."""
    parts = [*_looks(flock), _weighings(flock, growth), _measures(flock), _own_eggs(flock)]
    rows = pd.concat([p for p in parts if len(p)], ignore_index=True) if any(map(len, parts)) else parts[0]
    if rows.empty:
        return Observations(pd.DataFrame({"series": [], "bird": []}), (), (), None, growth.decay_weeks)
    rows = _with_circumstances(rows, flock)
    order = (
        [s.name for s in flock.standard.sections] + [m.name for m in flock.standard.measured] + [LAYING.name]
    )
    seen = set(rows["series"])
    traits = tuple(name for name in order if name in seen)
    by_eye = tuple(s.name for s in flock.standard.by_eye if s.name in seen)
    place = {name: i for i, name in enumerate((*order, TOTAL))}
    rows = rows[rows["series"].isin(place)].sort_values(
        ["series", "record", "on"], key=lambda c: c.map(place) if c.name == "series" else c, kind="stable"
    )
    weighed = next((s.name for s in flock.standard.by_measure if s.name in seen), None)
    return Observations(rows.reset_index(drop=True), traits, by_eye, weighed, growth.decay_weeks)


def _looks(flock: Flock) -> list[pd.DataFrame]:
    """One row a section of a look, and one a total where a card has no sections."""
    looks = flock.scores.assign(bird=flock.scores["bird"].fillna(chick_group(flock.scores)))
    looks = looks.assign(record="look " + looks.index.astype(str), sd=1.0)[looks["bird"].notna()]
    sections = [s.name for s in flock.standard.by_eye]
    about = ["bird", "on", "judge", "n", "sex", "clutch", "record", "sd"]
    long = looks.melt(about, sections, "series", "value").dropna(subset="value")
    cards = looks[looks[sections].isna().all(axis=1) & looks["total"].notna()]
    return [long, cards[about].assign(series=TOTAL, value=cards["total"])]


def _weighings(flock: Flock, growth: Growth) -> pd.DataFrame:
    """One row a weighing: its raw log deviation from the curve, with its residual's relative spread."""
    name = next((s.name for s in flock.standard.by_measure), None)
    seen = growth.deviations
    if name is None or seen.empty:
        return pd.DataFrame()
    form = flock.weights.loc[seen["row"]].reset_index(drop=True)
    seen = seen.reset_index(drop=True)
    bird = form["bird"].fillna(chick_group(form))
    usual = float(np.median(seen["residual_sd"]))
    return pd.DataFrame(
        {
            "series": name,
            "bird": bird,
            "value": seen["log_deviation"],
            "on": form["on"],
            "n": form["n"],
            "sex": form["sex"],
            "clutch": form["clutch"],
            "record": "weighings of " + bird,
            "sd": seen["residual_sd"] / usual,
        }
    )


def _measures(flock: Flock) -> pd.DataFrame:
    """One row a measurement of a trait that the standard names."""
    form = flock.measures
    names = {m.name.casefold(): m.name for m in flock.standard.measured}
    bird = form["bird"].fillna(chick_group(form))
    rows = form.assign(
        bird=bird,
        series=form["trait"].str.casefold().map(names),
        record="measurement " + form.index.astype(str),
        sd=1.0,
    )
    return rows.loc[
        rows["series"].notna() & rows["bird"].notna(),
        ["series", "bird", "value", "on", "judge", "n", "sex", "clutch", "record", "sd"],
    ]


def _own_eggs(flock: Flock) -> pd.DataFrame:
    """One row a hen and month of own records: eggs in 100 days, weighing as many records as there are months.

    The calendar month stands where looks have a judge, and a hen's year of life beside her sex: laying is
    compared within a season, month and age. Empty unless the plan gives laying a worth.
    """
    own = flock.eggs[flock.eggs["bird"].notna()]
    if not flock.plan.worth.get(LAYING.name) or own.empty:
        return pd.DataFrame()
    born = own["bird"].map(flock.birds.drop_duplicates("bird").set_index("bird")["hatch_year"])
    year = (own["on"].dt.year - born).map(
        lambda age: "of an age not told" if age != age else f"in year {age:.0f}"
    )
    own = own.assign(days=own["days"].fillna(1), year=year, month=own["on"].dt.strftime("%Y-%m"))
    rows = own.groupby(["bird", "year", "month"], as_index=False).agg(
        eggs=("eggs", "sum"), days=("days", "sum"), on=("on", "max")
    )
    return pd.DataFrame(
        {
            "series": LAYING.name,
            "bird": rows["bird"],
            "value": 100 * rows["eggs"] / rows["days"],
            "on": rows["on"],
            "judge": "month " + rows["on"].dt.strftime("%m"),
            "sex": "female " + rows["year"],
            "record": "eggs " + rows["bird"] + rows["month"],
            "sd": np.sqrt(MONTH / rows["days"]),
        }
    )


def _with_circumstances(rows: pd.DataFrame, flock: Flock) -> pd.DataFrame:
    """Add what each number was seen under: season, sex, judge's day, clutch, brooder, age."""
    birds = flock.birds.drop_duplicates("bird").set_index("bird")
    clutches = flock.clutches.assign(key=flock.clutches["clutch"].str.casefold()).set_index("key")
    named = rows["bird"].isin(birds.index)
    laid = rows["series"] == LAYING.name
    rows["n"] = rows["n"].fillna(1.0).where(~named, 1.0)
    rows["sex"] = (
        rows["bird"].map(birds["sex"]).where(~laid, rows["sex"]).fillna(rows["sex"]).fillna("unknown")
    )
    rows["clutch"] = _text(rows["bird"].map(birds["clutch"]).where(named, rows["clutch"])).str.casefold()
    first = first_label(rows["clutch"])
    hatched = looked_up(rows["bird"], birds["hatched"]).fillna(looked_up(first, clutches["hatched_on"]))
    rows["judge"] = _text(rows.get("judge", pd.Series(index=rows.index))).str.casefold()
    rows["season"] = rows["on"].dt.year
    rows["day"] = rows["judge"] + rows["on"].dt.strftime(" %Y-%m-%d")
    rows["brooder"] = _text(looked_up(first, clutches["brooder"])).str.casefold() + hatched.dt.year.map(
        " {:.0f}".format
    )
    rows["age_weeks"] = ((rows["on"] - hatched).dt.days / 7).clip(upper=OLDEST_WEEKS).fillna(OLDEST_WEEKS)
    rows["week"] = (rows["on"] - pd.Timestamp("2000-01-01")).dt.days / 7
    return rows


def first_label(labels: pd.Series) -> pd.Series:
    """The first of several labels parted by `;` (a mixed brood counts with its first clutch)."""
    return _text(labels).str.replace(r"\s*;.*", "", regex=True).str.strip()


def _text(cells: pd.Series) -> pd.Series:
    """Cells as text even where none is filled."""
    return cells.astype("str")
