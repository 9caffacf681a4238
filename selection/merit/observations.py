"""Everything that was seen of birds, as one long table of numbers for the mixed model.

A row of :class:`Observations` is one number: a section of one look, a total of an old show card, one
weighing's log deviation from its growth curve, one measurement. A bird that was not seen has no row: unscored
is never zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd

from selection.merit.relationship.parentage import chick_group
from selection.records.flock import Flock
from selection.records.rings import looked_up
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Measured, Standard
from selection.standard.growth import Growth
from selection.standard.traits import Trait, key_of, traits_of

OLDEST_WEEKS = 52.0
"""Age in weeks after which a look's age no longer counts: a grown bird."""

TOTAL = "total"
"""Series of old show cards that give a total alone: a sum over the sections judged by eye."""

MOST_SEEN, LEAST_SEASONS = 600, 3
"""Birds seen up to which every season's records are in the model, and the seasons that are in it in any case. On a
simulated flock of 1,996 birds in ten seasons, four of which are then counted, merits go with those from all ten by a
correlation of 0.98 to 0.997, standard errors are a tenth larger, and cover truth alike."""

_MONTH = 30.0
"""Days of own records that count as one record of laying."""


@dataclass(frozen=True, slots=True)
class _Laid:
    """Laying as a trait: a hen's own records month by month, where the plan gives it a worth."""

    name: str = "laying"
    title: str = "Laying"
    unit: str = "eggs in 100 hen-days"

    key: ClassVar[str] = "laying"
    prior: ClassVar[Measured] = Measured("laying", "eggs in 100 hen-days", "Laying", like="egg number")
    by_eye: ClassVar[bool] = False
    hangs: ClassVar[bool] = False
    usual_variance: ClassVar[float] = 15.0**2
    record: ClassVar[str] = "eggs "
    to_record: ClassVar[str] = "count a hen's own eggs: eggs form, with her number in column bird"

    def rows(self, flock: Flock, growth: Growth) -> pd.DataFrame:
        """One row a hen and month of own records; none unless the plan gives laying a worth."""
        return _own_eggs(flock)


LAYING = _Laid()


@dataclass(frozen=True)
class Observations:
    """The numbers and what they were seen under.

    rows: one row a number, sorted by series: series (a trait's key, or `total`), bird (id in the pedigree), value
    (points; log deviation for weight; the unit for a measured trait), on, season, sex, judge, day (judge and
    date), clutch, brooder (brooder and hatch year), age_weeks, n (chicks it speaks for), record (the look, or
    the bird whose weighings hang together), sd (of the residual relative to the series' own), week (weeks
    since 2000, for weighings).
    asked: the traits that have rows, or that old cards add up, in the standard's order;
    decay_weeks: weeks in which the correlation of a bird's weighings falls to 1/e; since: the first season counted
    where there are earlier ones that are not.
    """

    rows: pd.DataFrame
    asked: tuple[Trait, ...]
    decay_weeks: float
    since: int | None = None

    @property
    def traits(self) -> tuple[str, ...]:
        """Keys of the traits."""
        return tuple(t.key for t in self.asked)

    @property
    def names(self) -> dict[str, str]:
        """What each series is called in tables, by its key."""
        return {t.key: t.name for t in self.asked} | {TOTAL: TOTAL}

    @property
    def by_eye(self) -> tuple[str, ...]:
        """Keys of those judged by eye."""
        return tuple(t.key for t in self.asked if t.by_eye)

    @property
    def weighed(self) -> str | None:
        """The key of the trait whose values hang together within a bird, None where there is none."""
        return next((t.key for t in self.asked if t.hangs), None)

    @property
    def series(self) -> tuple[str, ...]:
        """Traits, and `total` where there are old show cards."""
        cards = (self.rows["series"] == TOTAL).any()
        return (*self.traits, TOTAL) if cards else self.traits


def model_traits(standard: Standard) -> tuple[Trait, ...]:
    """Every trait that the model may hold, in its order."""
    return (*traits_of(standard), LAYING)


def worths(standard: Standard, plan: Plan) -> dict[str, float]:
    """Points for each unit of every trait, by its key: 1 for a section by eye, 0 beside them, or as the plan says.

    A section awarded from a measurement has its worth by its band: not here.
    """
    found = {t.key: 1.0 if t.by_eye else 0.0 for t in model_traits(standard)}
    awarded = {s.name for s in standard.by_measure}
    given = {key_of(standard, name): value for name, value in plan.worth.items() if name not in awarded}
    return {key: given.get(key, usual) for key, usual in found.items()}


def observe(flock: Flock, growth: Growth) -> Observations:
    """All observations of the flock up to the plan's day, of birds and of groups of unnamed chicks."""
    traits = model_traits(flock.standard)
    parts = [*(_of_trait(t, flock, growth) for t in traits), _cards(flock)]
    rows = pd.concat([p for p in parts if len(p)], ignore_index=True) if any(map(len, parts)) else parts[0]
    if rows.empty:
        return Observations(pd.DataFrame({"series": [], "bird": []}), (), growth.decay_weeks)
    rows = _with_circumstances(rows, flock)
    seen = set(rows["series"])
    asked = tuple(t for t in traits if t.key in seen or (t.by_eye and TOTAL in seen))
    place = {t.key: i for i, t in enumerate(asked)} | {TOTAL: len(asked)}
    rows = rows.sort_values(
        ["series", "record", "on"], key=lambda c: c.map(place) if c.name == "series" else c, kind="stable"
    )
    return Observations(rows.reset_index(drop=True), asked, growth.decay_weeks)


def latest(observed: Observations) -> Observations:
    """The observations of as many latest seasons as `MOST_SEEN` birds were seen in, and of the last three in any case.

    Every season has its own level, so that an old one speaks of today's birds through their forebears alone.
    """
    rows = observed.rows
    if rows["bird"].nunique() <= MOST_SEEN:
        return observed
    birds = rows.groupby("season")["bird"].nunique().sort_index(ascending=False)
    within = (birds.cumsum() <= MOST_SEEN).to_numpy() | (np.arange(len(birds)) < LEAST_SEASONS)
    since = int(birds.index[within].min())
    rows = rows[rows["season"] >= since].reset_index(drop=True)
    series = set(rows["series"])
    asked = tuple(t for t in observed.asked if t.key in series or (t.by_eye and TOTAL in series))
    return Observations(rows, asked, observed.decay_weeks, since)


def _of_trait(trait: Trait, flock: Flock, growth: Growth) -> pd.DataFrame:
    """One trait's numbers; each is a record of its own unless those of a bird hang together."""
    rows = trait.rows(flock, growth)
    if rows.empty:
        return rows
    rows = rows.assign(series=trait.key, bird=rows["bird"].fillna(chick_group(rows)))
    rows["record"] = trait.record + (rows["bird"] if trait.hangs else rows.index.astype(str))
    return rows[rows["bird"].notna()]


def _cards(flock: Flock) -> pd.DataFrame:
    """One row a total where a card has no sections; none where no section is judged by eye, of which it is the sum."""
    scores = flock.scores if flock.standard.by_eye else flock.scores.iloc[:0]
    cards = scores[scores[[s.name for s in flock.standard.by_eye]].isna().all(axis=1) & scores[TOTAL].notna()]
    rows = cards[["bird", "clutch", "sex", "n", "on", "judge"]].assign(
        value=cards[TOTAL], sd=1.0, series=TOTAL
    )
    rows = rows.assign(bird=rows["bird"].fillna(chick_group(rows)), record="look " + rows.index.astype(str))
    return rows[rows["bird"].notna()]


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
            "bird": rows["bird"],
            "clutch": pd.Series(None, rows.index, dtype="str"),
            "n": 1.0,
            "value": 100 * rows["eggs"] / rows["days"],
            "on": rows["on"],
            "judge": "month " + rows["on"].dt.strftime("%m"),
            "sex": "female " + rows["year"],
            "sd": np.sqrt(_MONTH / rows["days"]),
        }
    ).set_axis(rows["bird"] + rows["month"])


def _with_circumstances(rows: pd.DataFrame, flock: Flock) -> pd.DataFrame:
    """Add what each number was seen under: season, sex, judge's day, clutch, brooder, age."""
    birds = flock.birds.drop_duplicates("bird").set_index("bird")
    named = rows["bird"].isin(birds.index)
    laid = rows["series"] == LAYING.key
    rows["n"] = rows["n"].fillna(1.0).where(~named, 1.0)
    rows["sex"] = (
        rows["bird"].map(birds["sex"]).where(~laid, rows["sex"]).fillna(rows["sex"]).fillna("unknown")
    )
    rows["clutch"] = _text(rows["bird"].map(birds["clutch"]).where(named, rows["clutch"])).str.casefold()
    hatched = looked_up(rows["bird"], birds["hatched"]).fillna(
        looked_up(first_label(rows["clutch"]), _by_label(flock)["hatched_on"])
    )
    rows["judge"] = _text(rows.get("judge", pd.Series(index=rows.index))).str.casefold()
    rows["season"] = rows["on"].dt.year
    rows["day"] = rows["judge"] + rows["on"].dt.strftime(" %Y-%m-%d")
    rows["brooder"] = brooder_years(flock, rows["clutch"], hatched)
    rows["age_weeks"] = ((rows["on"] - hatched).dt.days / 7).clip(upper=OLDEST_WEEKS).fillna(OLDEST_WEEKS)
    rows["week"] = (rows["on"] - pd.Timestamp("2000-01-01")).dt.days / 7
    return rows


def brooder_years(flock: Flock, clutch: pd.Series, hatched: pd.Series) -> pd.Series:
    """The level of brooder×season that each bird belongs to, as the model labels it; missing with its brooder.

    `clutch` is each bird's entry, folded, `hatched` its day, both under the same index.
    """
    brooder = _text(looked_up(first_label(clutch), _by_label(flock)["brooder"])).str.casefold()
    return brooder + hatched.dt.year.map(" {:.0f}".format)


def _by_label(flock: Flock) -> pd.DataFrame:
    """The clutches by their folded label."""
    return flock.clutches.assign(key=flock.clutches["clutch"].str.casefold()).set_index("key")


def first_label(labels: pd.Series) -> pd.Series:
    """The first of several labels parted by `;` (a mixed brood counts with its first clutch)."""
    return _text(labels).str.replace(r"\s*;.*", "", regex=True).str.strip()


def _text(cells: pd.Series) -> pd.Series:
    """Cells as text even where none is filled."""
    return cells.astype("str")
