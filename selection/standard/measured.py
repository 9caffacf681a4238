"""Traits measured rather than judged by eye: weight, and any other (width of shank, length of keel …).

A weight is a log deviation from the growth curve in the model, grams at an age for points. Any other has its own unit,
at an age or without, with those who measure as judges.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd

from selection.answer import Floats
from selection.records.flock import Flock
from selection.records.rings import looked_up
from selection.records.settings.reading import Measured, Section
from selection.standard.agreement import fit_levels
from selection.standard.bands import State, by_age, classes, older, points_of
from selection.standard.growth import CARRIED_ON, Growth

NEAR_WEEKS = 4.0
"""A measurement so many weeks from the section's age counts as one at that age."""
_GROWN_WEEKS = 20.0
"""Age from which measurements count for a section without an age, where a bird has such."""
USUAL_SPREAD = 0.08
"""Standard deviation of a measured trait, a share of its band's middle (common practice, no source)."""
USUAL_ERROR = 0.03
"""Standard deviation of one measurement about the bird's own, as such a share, where no bird was measured twice."""
_USUAL_REPEATABILITY = 0.8
"""How alike two measurements of a bird are, where none was measured twice (common practice, no source)."""
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(9)


@dataclass(frozen=True, slots=True)
class Gauged:
    """A trait of the measures form; `sections` are those awarded from it at one age (none: beyond the points).

    The other attributes are those of :class:`selection.standard.traits.Trait`.
    """

    key: str
    name: str
    title: str
    unit: str
    trait: str
    prior: Measured
    sections: tuple[Section, ...] = ()

    by_eye: ClassVar[bool] = False
    hangs: ClassVar[bool] = False
    logs: ClassVar[bool] = False
    record: ClassVar[str] = "measurement "

    @property
    def middle(self) -> float:
        """Mean of the middles of the bands; missing beyond the points."""
        edges = [edge for s in self.sections[:1] for band in s.band.values() for edge in band]
        return float(np.mean(edges)) if edges else np.nan

    @property
    def usual_variance(self) -> float:
        """Total variance where nothing else is known; beyond the points the unit is anyone's guess: 1."""
        return (USUAL_SPREAD * self.middle) ** 2 if self.sections else 1.0

    @property
    def reach(self) -> float:
        """Breeding values beyond this are as good as never seen."""
        return 8 * float(np.sqrt(self.usual_variance))

    @property
    def to_record(self) -> str:
        """All by one person."""
        at = next((f", best near {s.at_weeks:g} weeks of age" for s in self.sections if s.at_weeks), "")
        return f"let one person measure {self.trait} of all of them{at}: measures form"

    @property
    def band_called(self) -> str:
        """How its band is called in a sentence."""
        return f"{self.trait} band"

    def rows(self, flock: Flock, growth: Growth) -> pd.DataFrame:
        """One row a measurement that counts, with who measured; of unnamed chicks too."""
        form = self._form(flock)
        if self.sections:
            wanted = _wanted(form, self.sections[0])
            form = form[wanted | ~_any_of_bird(form, wanted)]
        return form[["bird", "clutch", "sex", "n", "on", "judge", "value"]].assign(sd=1.0)

    def seen(self, section: Section, flock: Flock, growth: Growth) -> pd.DataFrame:
        """Every bird's own measurements (index: bird): group, value, se, points, points_se, state, why.

        Levels of those who measured are taken off as judges' are. A young bird's measurement off the section's
        age is carried along by the change with age that all birds show, and `why` says so; of an older one
        nothing is then said.
        """
        birds = flock.birds.drop_duplicates("bird").set_index("bird")
        past = older(flock)
        group = pd.Series(classes(section, birds["sex"], past), birds.index)
        form = self._form(flock)
        form = form[form["bird"].isin(birds.index)]
        form = form.assign(group=looked_up(form["bird"], group))
        wanted = _wanted(form, section)
        any_way = section.at_weeks is None and not by_age(section)
        carried = ~_any_of_bird(form, wanted) & (any_way | ~form["past"])
        moved = _moved(form, section).where(carried, 0.0)
        form = form.assign(value=form["value"] + moved, moved=moved.abs() > 0)[wanted | carried]
        level, error = self._levels(form)
        own = form.assign(value=form["value"] - level).groupby("bird").agg(
            value=("value", "mean"), n=("value", "size"), moved=("moved", "any")
        )  # fmt: skip
        own = own.reindex(birds.index)
        value, moved = own["value"].to_numpy(float), own["moved"].eq(True).to_numpy()
        se = error / np.sqrt(own["n"].to_numpy(float))
        points = points_of(section, group.to_numpy(), value)
        told = {"group": group, "value": value, "se": se, "points": points}
        table = pd.DataFrame(told, birds.index).rename_axis("bird")
        table["points_se"] = _spread(section, group.to_numpy(), value, se, points)
        measured = birds.index.isin(self._form(flock)["bird"])
        state = np.where(moved, State.CARRIED, np.where(np.isnan(value), State.SILENT, State.OWN))
        state = np.where(measured, state, State.NEVER)
        return table.assign(state=state, why=[self._why(section, State(one)) for one in state])

    def _why(self, section: Section, state: State) -> str:
        """The state in words."""
        near = f"near {section.at_weeks:g} weeks" if section.at_weeks else ""
        when = f"since {section.grown_weeks:g} weeks of age" if by_age(section) else near
        words = {
            State.NEVER: "never measured",
            State.SILENT: f"not measured {when}: nothing is said of the band",
            State.CARRIED: f"not measured {near}; carried there by the birds' change with age",
        }
        return words.get(state, "")

    def offset(self, section: Section, growth: Growth, sex: str) -> float:
        """What the model's number for `sex` is counted from: nought, it is in the trait's own unit."""
        return 0.0

    def _form(self, flock: Flock) -> pd.DataFrame:
        """The trait's rows of the measures form, with age_weeks (missing: not known) and past (its first season)."""
        form = flock.measures[flock.measures["trait"].str.casefold() == self.trait.casefold()]
        form = form[form["value"].notna()]
        birds = flock.birds.drop_duplicates("bird").set_index("bird")
        clutches = flock.clutches.set_index("clutch")["hatched_on"]
        hatched = looked_up(form["bird"], birds["hatched"]).fillna(looked_up(form["clutch"], clutches))
        past = looked_up(form["bird"], older(flock)).eq(True)
        return form.assign(age_weeks=(form["on"] - hatched).dt.days / 7, past=past)

    def _levels(self, form: pd.DataFrame) -> tuple[Floats, float]:
        """The measurer's level in each row, and the standard deviation of one measurement about the bird's own."""
        year = form["on"].dt.year.astype(str)
        who = form["judge"].fillna("").str.casefold()
        found = fit_levels(
            form["value"],
            form["bird"].to_numpy(dtype=str),
            (year + " " + form["group"].astype(str)).to_numpy(dtype=str),
            (year + " " + who).to_numpy(dtype=str),
            (form["on"].dt.strftime("%Y-%m-%d") + " " + who).to_numpy(dtype=str),
            _USUAL_REPEATABILITY,
        )
        usual = USUAL_ERROR * self.middle
        return found.level, usual if np.isnan(found.residual_sd) else found.residual_sd


def _wanted(form: pd.DataFrame, section: Section) -> pd.Series:
    """Which measurements are of the age that the section asks for."""
    age = form["age_weeks"]
    at = age >= _GROWN_WEEKS if section.at_weeks is None else (age - section.at_weeks).abs() <= NEAR_WEEKS
    return at.where(~form["past"], age >= section.grown_weeks) if by_age(section) else at


def _any_of_bird(form: pd.DataFrame, wanted: pd.Series) -> pd.Series:
    """Whether any of the bird's (or of the chicks') measurements is wanted."""
    who = form["bird"].fillna(pd.Series("row " + form.index.astype(str), form.index))
    return wanted.groupby(who).transform("any")


def _moved(form: pd.DataFrame, section: Section) -> pd.Series:
    """What is to be added to each measurement to carry it to the section's age: the birds' change a week of age.

    Least squares within each class; none where the ages do not tell.
    """
    if section.at_weeks is None:
        return pd.Series(0.0, form.index)
    known = form[form["age_weeks"].notna() & ~form["past"]]
    off = known[["value", "age_weeks"]] - known.groupby("group")[["value", "age_weeks"]].transform("mean")
    spread = float((off["age_weeks"] ** 2).sum())
    slope = float((off["value"] * off["age_weeks"]).sum()) / spread if spread > 1.0 else 0.0
    return (slope * (section.at_weeks - form["age_weeks"])).fillna(0.0)


def _spread(section: Section, group: np.ndarray, value: Floats, se: Floats, points: Floats) -> Floats:
    """Root mean square of points about `points`, over what is not known of the value (Gauss–Hermite)."""
    possible = value[:, None] + np.outer(se, NODES)
    off = points_of(section, group[:, None], possible) - points[:, None]
    return np.sqrt(off**2 @ (WEIGHTS / WEIGHTS.sum()))


LEAST_AGE = 0.5
"""A bird last weighed before this share of the section's age has no points for it: they would be a guess."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """Weight, for every section that is awarded from it; `name` is how tables call it, `prior` the first section.

    The other attributes are those of :class:`selection.standard.traits.Trait`.
    """

    name: str
    title: str
    prior: Section

    # no standard can give this name, since names are trimmed: a section may itself be called weight
    key: ClassVar[str] = " weight"
    unit: ClassVar[str] = "g"
    by_eye: ClassVar[bool] = False
    hangs: ClassVar[bool] = True
    logs: ClassVar[bool] = True
    reach: ClassVar[float] = 1.5
    usual_variance: ClassVar[float] = 0.01
    band_called: ClassVar[str] = "weight band"
    record: ClassVar[str] = "weighings of "

    @property
    def to_record(self) -> str:
        """All of an age, best the section's."""
        return f"weigh all of them, best near {self.prior.at_weeks:g} weeks of age: weights form"

    def rows(self, flock: Flock, growth: Growth) -> pd.DataFrame:
        """One row a weighing: its raw log deviation from the curve, with its residual's relative spread."""
        seen = growth.deviations.reset_index(drop=True)
        form = flock.weights.loc[seen["row"], ["bird", "clutch", "sex", "n", "on"]].reset_index(drop=True)
        usual = float(np.median(seen["residual_sd"])) if len(seen) else 1.0
        return form.assign(value=seen["log_deviation"], sd=seen["residual_sd"] / usual)

    def seen(self, section: Section, flock: Flock, growth: Growth) -> pd.DataFrame:
        """Every bird's weight at the section's age (index: bird): group, value, se, points, points_se, state, why.

        A young bird's is its curve's. An older one is held against the bands of cocks and hens by its own
        weighings since it was grown; where there are none such, against the band of its sex, by its curve, only
        if it was weighed near the section's age. Points are missing for a bird that cannot be held against a
        band, and of unknown sex; `why` says so.
        """
        assert section.at_weeks is not None
        past = older(flock).reindex(growth.birds["bird"]).to_numpy(dtype=bool)
        table = self._young(section, growth)
        if by_age(section):
            own = self._grown(section, growth)
            table = pd.concat([table[~past], own[past]]).reindex(table.index)
        else:
            near = abs(growth.deviations["age_weeks"] - section.at_weeks) <= CARRIED_ON
            table = self._unless(
                table, past & ~table.index.isin(growth.deviations.loc[near, "bird"]), section
            )
        group = classes(section, growth.birds["sex"], past)
        value, se = table["value"].to_numpy(float), table["se"].to_numpy(float)
        told = table["state"].isin([State.OWN, State.CARRIED])
        points = np.where(told, points_of(section, group, value), np.nan)
        spread = _spread_of_weight(section, group, value, se, points)
        return table.assign(group=group, points=points, points_se=spread).drop(columns="last_weeks")

    def _young(self, section: Section, growth: Growth) -> pd.DataFrame:
        """By bird: value at the section's age, se, state, why."""
        birds, weeks = growth.birds, section.at_weeks or 0.0
        at = growth.at_age(birds["bird"], weeks)
        last, often = birds["last_weeks"].to_numpy(), birds["weighings"].to_numpy()
        told = last >= LEAST_AGE * weeks
        state = np.where(weeks - last > CARRIED_ON, State.CARRIED, State.OWN)
        state = np.where(often == 0, State.NEVER, np.where(told, state, State.YOUNG))
        young = [f"last weighed at {x:.0f} weeks: too young to tell" for x in birds["last_weeks"]]
        why = at["why"].mask(~told & (birds["weighings"] > 0), young)
        return at.rename(columns={"grams": "value"}).assign(state=state, why=why).set_index("bird")

    def _grown(self, section: Section, growth: Growth) -> pd.DataFrame:
        """By bird: the mean of its own weighings since it was grown, se, state, why."""
        rows = growth.deviations[growth.deviations["age_weeks"] >= section.grown_weeks]
        own = rows.groupby("bird")["grams"].agg(["mean", "size"]).reindex(growth.birds["bird"])
        told, ever = own["mean"].notna().to_numpy(), (growth.birds["weighings"] > 0).to_numpy()
        state = np.where(told, State.OWN, np.where(ever, State.SILENT, State.NEVER))
        since = f"not weighed since {section.grown_weeks:g} weeks of age"
        never = np.where(ever, since, "never weighed")
        error = own["mean"] * growth.spread.late_sd / np.sqrt(own["size"])
        return pd.DataFrame(
            {"value": own["mean"], "se": error, "state": state, "why": np.where(told, "", never)}
        ).assign(last_weeks=growth.birds["last_weeks"].to_numpy())

    def _unless(self, table: pd.DataFrame, silent: np.ndarray, section: Section) -> pd.DataFrame:
        """`table` without what it says of the `silent` birds, which were not weighed near the section's age."""
        known = silent & (table["state"] != State.NEVER).to_numpy()
        why = table["why"].mask(
            known, f"not weighed near {section.at_weeks:g} weeks: nothing is said of the band"
        )
        blank = {column: table[column].mask(silent) for column in ("value", "se")}
        return table.assign(**blank, state=table["state"].mask(known, State.SILENT), why=why)

    def offset(self, section: Section, growth: Growth, sex: str) -> float:
        """What the model's number for `sex` is counted from: the log weight of the curve at the section's age."""
        assert section.at_weeks is not None
        return float(np.log(growth.expected(sex, section.at_weeks)))


def _spread_of_weight(
    section: Section, group: np.ndarray, grams: Floats, se: Floats, points: Floats
) -> Floats:
    """Root mean square of points about `points`, over what is not known of the weight (Gauss–Hermite)."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    possible = grams[:, None] * np.exp(np.outer(se / grams, nodes))
    off = points_of(section, group[:, None], possible) - points[:, None]
    return np.sqrt(off**2 @ (weights / weights.sum()))
