"""How each hatch year lays, this season and by age, from the egg basket; and what it cannot tell.

What a rate and its interval mean
---------------------------------
`eggs` are the counted eggs, shared between the hatch years of a pen by the fitted model, and `rate` is eggs ÷
hen-days: the shares add up to what was counted, and a hatch year alone in its pens has exactly its counted eggs.
The interval (`low`, `high`; 90 %) is a claim about the *hatch year*: the rate that hens of that hatch year would
have had on those days, had there been many of them and no odd days. So it is widened by

- the sharing out, where hatch years stood together,
- the noise of the counts, their over-dispersion measured on whole fortnights, which uses up day-to-day correlation,
- shocks that last for days in all pens alike,
- and hens' own differences: four hens are a small sample of their hatch year. How far hens differ is integrated over
  what is believed of it and what the counts say: hens recorded singly or moved, and pens that differ by more than
  their ages.

`by_age` gives beside it `these_low`, `these_high`: the rate of the very hens that stood there, without the last.

Two hatch years are told apart where the counts leave less than half of the prior variance of their contrast, as
those hens were. Where they are not, each row rests on the counts and the published decline together, and a joint
row tells what they laid together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import pandas as pd

from selection.answer import Answer, Kind, Note, Progress, facts, notes
from selection.compare.laying.ages import Expected, curve_of, day_of, decline_of, expect
from selection.compare.laying.basket import Basket, count, hens_of
from selection.compare.laying.design import NOT_KNOWN, LayingDesign, laying_design
from selection.compare.laying.model import Fit, LayingSpread, Weight, fit_rates
from selection.compare.laying.rows import COUNTS, egg_weights, groups_of, joint, own_rates, pens_laid, rows_of
from selection.errors import RecordsError
from selection.merit.candidates import Call, called
from selection.records.flock import Flock

MOST_OF_A_YEAR = 330
"""Days between first and last count from which a season is nearly a year."""


def _say(table: pd.DataFrame, decline: pd.DataFrame, due: pd.DataFrame, of: Call = str) -> tuple[str, ...]:
    """The last season's rows, the decline with age, and who is due to go."""
    last = table[(table["season"] == table["season"].max()) & ~joint(table)]
    return (
        *(_rate(row) for row in last.to_dict("records")),
        *(_step(row) for row in decline.to_dict("records")),
        *_due(due, of),
    )


def _rate(row: dict) -> str:
    years = named(row["hatch_year"])
    hens = f"{row['hens']} hen{'s' * (row['hens'] != 1)} of {years}"
    rests = "" if row["rests_on"] == COUNTS else "; it rests on the counts and the published decline together"
    return (
        f"{row['season']}: {hens} laid {row['rate']:.2f} eggs a hen-day ({row['low']:.2f} to "
        f"{row['high']:.2f}) on {row['hen_days']} counted hen-days{rests}."
    )


def named(hatch_years: str) -> str:
    """Hatch years of a row in words: `2023+2024+2025` is 2023, 2024 and 2025."""
    *first, last = hatch_years.split("+")
    return f"{', '.join(first)} and {last}" if first else last


def _step(row: dict) -> str:
    later, earlier = row["step"].split(" after ")
    speaks = (
        "so the counts say" if row["told"] == "yes" else "mostly the published value: the counts add little"
    )
    return (
        f"In laying season {later} hens lay {row['decline']:.2f} of season {earlier}'s rate ({row['low']:.2f} to "
        f"{row['high']:.2f}; published {row['published']:.2f} ± {row['published_sd']:.2f}); {speaks}."
    )


def _due(due: pd.DataFrame, of: Call) -> list[str]:
    """The hens of the highest age, and what is expected of them."""
    oldest = due[due["laying_season"] == due["laying_season"].max()] if len(due) else due
    if oldest.empty:
        return []
    rates = [f"{rate:.2f}" for rate in (oldest["rate"].min(), oldest["rate"].max())]
    season = int(oldest["laying_season"].iloc[0])
    return [
        f"Due to go first by age: {', '.join(str(of(bird)) for bird in oldest['bird'])}; in laying season {season} "
        f"next year {' to '.join(dict.fromkeys(rates))} eggs a hen-day are expected."
    ]


def cannot_say(table: pd.DataFrame, cells: pd.DataFrame, own: pd.DataFrame, worth: bool) -> tuple[str, ...]:
    """What the counts cannot tell, and why."""
    last = table[table["season"] == table["season"].max()]
    return (
        FAIR,
        *(
            f"{row['season']}: {named(row['hatch_year'])} cannot be told apart (together {row['rate']:.2f} eggs a "
            f"hen-day, {row['low']:.2f} to {row['high']:.2f}): {row['why']}."
            for row in last[joint(last)].to_dict("records")
        ),
        *_short(cells),
        *_not_known(table),
        *_merit(own, worth),
    )


FAIR = (
    "Age, season and hatch year cannot all be told apart, for age is season less hatch year. Compare hatch years at "
    "one age, and their seasons differ as well; within one season, and their ages do. Which of the two made a "
    "difference is known only as far as the published decline is believed."
)
"""Which comparisons are fair; also the footing of the chart by age."""


def _short(cells: pd.DataFrame) -> list[str]:
    last = cells[cells["season"] == cells["season"].max()]
    first, end = last["first"].min(), last["last"].max()
    if (end - first).days + 1 >= MOST_OF_A_YEAR:
        return []
    return [
        f"Counted from {day_of(first)} to {day_of(end)} only: rates are of those days, and eggs a year are not worked "
        "out from them."
    ]


def _not_known(table: pd.DataFrame) -> list[str]:
    if not (table["age"].isna() & ~joint(table)).any():
        return []
    return ["Hens whose hatch year is not known stand in a row of their own; their age is not known either."]


def _merit(own: pd.DataFrame, worth: bool) -> list[str]:
    if len(own):
        return []
    why = "no hen has egg rows of her own, so that only hatch years are compared"
    return [f"Laying does not enter merit: {why}." if worth else f"No single hen's laying is known: {why}."]


LAYING_COLUMNS = (
    "season", "hatch_year", "age", "hens", "hen_days", "eggs", "rate", "low", "high", "separable", "rests_on", "why",
)  # fmt: skip
"""The columns of laying.csv."""


@dataclass(frozen=True)
class Ahead:
    """What looking ahead needs: the fit, its design, and the hens on record.

    `hens`: bird (as typed), hatch_year (NOT_KNOWN), lot (−1: never counted), size (hens of the lot), under the
    case-folded name. `first`, `last`: days counted in the last season.
    """

    fit: Fit
    design: LayingDesign
    hens: pd.DataFrame
    first: pd.Timestamp
    last: pd.Timestamp

    def expect(self, birds: Sequence[str]) -> Expected:
        """Eggs expected of `birds`; raises RecordsError naming those that are no hens on record."""
        keys = pd.Index([bird.strip().casefold() for bird in birds])
        strangers = [bird for bird, key in zip(birds, keys, strict=True) if key not in self.hens.index]
        if strangers or not len(keys):
            named = ", ".join(strangers) or "no bird"
            raise RecordsError(f"eggs are expected of hens on record; found {named}; look at the birds form")
        return expect(self.fit, self.design, self.hens.loc[keys.unique()], self.first, self.last)


@dataclass(frozen=True, repr=False)
class Laying(Answer):
    """The laying of a flock's hatch years. Rates are eggs a hen-day, intervals 90 %.

    - `table`: laying.csv: one row for each season and hatch year (age: its laying season, 1 the year after hatching,
      0 the autumn of it, missing where the hatch year is not known), and after them one for hatch years that cannot
      be told apart, together (`rows.joint` tells which: leave them out when adding up)
    - `by_age`: the hatch years' rows alone, hatch year by hatch year: laying_season (the age), and the columns of
      the table with these_low, these_high
    - `decline`: each laying season as a share of the one before, beside the published decline
    - `curve`: the season curve by fortnight, hatch years that cannot be told apart together
    - `days`: the calendar of counts: on, season, pen, counted, hens, eggs (missing: not counted)
    - `pens`: each pen's season: days counted of days, hen-days, eggs, hen_day and hen_housed rates
    - `own`: hens with records of their own: bird, season, days, broody, eggs, rate, expected (of her hatch year)
    - `weights`: mean egg weight and size grades by season and pen, where eggs were weighed
    - `due`: the living hens that laid here, lowest expected rate first: who is due to go
    - `spread`: what the fit found of the spreads, on the logit scale
    - `warnings`: days that do not add up; `sentences`: the answer; `cannot`: what cannot be said, and why
    """

    TITLE = "The laying of the hatch years"
    CSV = "laying"
    TABLES = ("table", "by_age", "decline", "curve", "days", "pens", "own", "weights", "due")

    table: pd.DataFrame
    by_age: pd.DataFrame
    decline: pd.DataFrame
    curve: pd.DataFrame
    days: pd.DataFrame
    pens: pd.DataFrame
    own: pd.DataFrame
    weights: pd.DataFrame
    due: pd.DataFrame
    notes: tuple[Note, ...]
    spread: LayingSpread | None
    _ahead: Ahead | None = field(repr=False)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Counts that do not add up."""
        return self.texts(Kind.WARNING)

    def next_season(self, birds: Sequence[str]) -> Expected:
        """Eggs expected next season of `birds`, on the days of the year between this season's counts.

        Pullets not yet counted are expected to lay as their age and hatch year. Raises RecordsError naming
        birds that are no hens on record, or where nothing was counted.
        """
        if self._ahead is None:
            raise RecordsError("no eggs were counted, so that nothing can be expected of next season")
        return self._ahead.expect(birds)


def laying(flock: Flock, progress: Progress | None = None, weight: Weight | None = None) -> Laying:
    """Work out the laying of every season counted up to the plan's day.

    Time is linear in the counted hen-days.

    Parameters
    ----------
    flock : Flock
        The flock; a day that was not counted is missing, never 0 eggs.
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.
    weight : Weight, optional
        What the prior spreads are worth against the counts (None: the defaults).

    Returns
    -------
    Laying
        `table`: one row for each season and hatch year, with eggs, hen-days, rate and its 90 % interval; `own`: hens
        with records of their own; `due`: who is due to go; `next_season(birds)`: the eggs to expect.

    Raises
    ------
    ModelError
        Where the fit does not settle.

    Examples
    --------
    >>> from selection import laying
    >>> found = laying(flock)
    >>> found.table[["season", "hatch_year", "rate", "low", "high"]].shape[1]
    5
    """
    tell = progress or (lambda step, share: None)
    tell("laying: hen-days", 0.0)
    basket = count(flock)
    if basket.cells.empty:
        return _nothing(basket)
    plan = laying_design(basket)
    tell("laying: fit", 0.1)
    fitted = fit_rates(
        plan.counts,
        plan.effects,
        plan.prior,
        weight or Weight(),
        lambda x: tell("laying: fit", 0.1 + 0.8 * x),
    )
    tell("laying: rows", 0.95)
    answer = _answer(flock, basket, plan, fitted)
    tell("laying: rows", 1.0)
    return answer


def _answer(flock: Flock, basket: Basket, plan: LayingDesign, fitted: Fit) -> Laying:
    groups = [group for i in range(len(plan.seasons)) for group in groups_of(fitted, plan, i)]
    rows = pd.DataFrame(
        [row for i in range(len(plan.seasons)) for row in rows_of(fitted, plan, basket.lots["hens"], i)]
    ).astype({"age": "Int64"})
    table = rows[list(LAYING_COLUMNS)]
    ahead = _look_ahead(flock, basket, plan, fitted)
    living = ahead.hens[ahead.hens["alive"] & (ahead.hens["lot"] >= 0)]
    due = ahead.expect(list(living["bird"])).hens if len(living) else pd.DataFrame(columns=["bird", "rate"])
    decline, pens = decline_of(fitted, plan), pens_laid(basket.days)
    own = own_rates(basket, fitted, plan)
    return Laying(
        table=table,
        by_age=_by_age(rows),
        decline=decline,
        curve=curve_of(fitted, plan, groups),
        days=basket.days,
        pens=pens,
        own=own,
        weights=egg_weights(basket.weighed),
        due=due,
        notes=(
            *notes(Kind.WARNING, basket.warnings),
            *facts(
                _say(table, decline, due, called(flock)),
                cannot_say(table, basket.cells, own, "laying" in flock.plan.worth),
            ),
        ),
        spread=fitted.spread,
        _ahead=ahead,
    )


def _by_age(rows: pd.DataFrame) -> pd.DataFrame:
    """The hatch years' rows by hatch year and age, joint rows left out."""
    single = rows[~joint(rows)].drop(columns=["why", "rests_on"]).rename(columns={"age": "laying_season"})
    single["laying_season"] = single["laying_season"].astype("float64")
    return single.sort_values(["hatch_year", "season"], ignore_index=True)


def _look_ahead(flock: Flock, basket: Basket, plan: LayingDesign, fitted: Fit) -> Ahead:
    hens = hens_of(flock)
    lots = basket.lots.explode("birds").rename_axis("lot").reset_index()
    lot = pd.Series(lots["lot"].to_numpy(), index=lots["birds"].str.casefold())
    counted = hens["key"].map(lot).where(lambda x: x.isin(plan.columns.lots), -1).fillna(-1).astype("int64")
    frame = pd.DataFrame(
        {
            "bird": hens["bird"],
            "hatch_year": hens["hatch_year"].fillna(NOT_KNOWN),
            "lot": counted,
            "size": counted.map(basket.lots["hens"]).fillna(1).astype("int64"),
            "alive": hens["alive"],
        }
    ).set_index(hens["key"])
    last = basket.cells[basket.cells["season"] == plan.seasons[-1]]
    return Ahead(fitted, plan, frame, last["first"].min(), last["last"].max())


def _nothing(basket: Basket) -> Laying:
    """The answer where no hen-day was counted."""
    nothing = pd.DataFrame()
    return Laying(
        table=pd.DataFrame(columns=list(LAYING_COLUMNS)),
        by_age=nothing,
        decline=nothing,
        curve=nothing,
        days=basket.days,
        pens=nothing,
        own=nothing,
        weights=egg_weights(basket.weighed),
        due=nothing,
        notes=(
            *notes(Kind.WARNING, basket.warnings),
            *facts(
                (), ["No eggs were counted in a pen that held a hen, so that nothing can be said of laying."]
            ),
        ),
        spread=None,
        _ahead=None,
    )
