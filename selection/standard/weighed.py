"""Weight as a trait: log deviations from the growth curve in the model, grams at an age for points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd

from selection.records.flock import Flock
from selection.records.settings.reading import Section
from selection.standard.bands import Floats, State, by_age, classes, older, points_of
from selection.standard.growth import CARRIED_ON, Growth

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

    def slope(self, section: Section) -> float:
        """Points for each unit of log weight on the rising side of the band, mean of the classes."""
        return float(np.mean([_rise(section, group) for group in section.band]))


def _rise(section: Section, group: str) -> float:
    full, none = section.band[group][0], section.none[group][0]
    return section.points / np.log(full / none) if none > 0 else section.points


def _spread_of_weight(section: Section, group: np.ndarray, grams: Floats, se: Floats, points: Floats) -> Floats:
    """Root mean square of points about `points`, over what is not known of the weight (Gauss–Hermite)."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    possible = grams[:, None] * np.exp(np.outer(se / grams, nodes))
    off = points_of(section, group[:, None], possible) - points[:, None]
    return np.sqrt(off**2 @ (weights / weights.sum()))
