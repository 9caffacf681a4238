"""Home-bred birds by hatch year: what they were bred to be, and what rearing, season and judges made of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.answer import REACH
from selection.decide.review.intervals import FEWEST, Estimate
from selection.merit.ranking import Merit
from selection.records.flock import Flock

COLUMNS = [
    "hatch_year",
    "birds",
    "merit",
    "low",
    "high",
    "seen",
    "genetic",
    "rearing",
    "rearing_low",
    "rearing_high",
    "says",
]


@dataclass(frozen=True)
class HatchYears:
    """Home-bred chicks by hatch year.

    table: one row a hatch year, everything about the mean of the years listed, in points. merit, low, high:
    mean breeding value and its 90 % interval; seen: mean of the looks of their first season (worth × points as
    given, both sexes alike); genetic: the part of merit that those sections hold; rearing: seen − genetic,
    with its interval: rearing, season and judges together, missing with a word in `says` where fewer than five
    birds were looked at in full. gain: points of merit a hatch year (least squares over the years, with the
    posterior interval of just that slope); missing for fewer than three years.
    """

    table: pd.DataFrame
    gain: Estimate


def by_hatch_year(flock: Flock, merit: Merit) -> HatchYears:
    """Merit by hatch year, its gain, and apart from it what rearing, season and judges made of the birds."""
    nothing = HatchYears(pd.DataFrame(columns=COLUMNS), gain_of(np.zeros(0), np.zeros((0, 0)), []))
    if merit.known is None or merit.index is None:
        return nothing
    home = flock.birds[(flock.birds["origin_of"] == "home-bred") & flock.birds["clutch"].notna()]
    home = home[home["bird"].isin(merit.known.model.kinship.birds)]
    years = sorted(home["hatch_year"].dropna().unique())
    if len(years) < 2:
        return nothing
    of_year = [home.loc[home["hatch_year"] == y, "bird"].tolist() for y in years]
    worth, by_eye = _worths(flock, merit)
    value, covariance = _means(merit, of_year, worth)
    se = np.sqrt(np.diag(covariance))
    genetic, genetic_covariance = _means(merit, of_year, by_eye)
    seen, seen_se, counts = _seen(flock, home, years)
    rearing = seen - genetic
    off = rearing - np.nanmean(rearing) if np.isfinite(rearing).any() else rearing
    reach = REACH * np.sqrt(np.diag(genetic_covariance) + seen_se**2)
    says = [_says(n) for n in counts]
    table = pd.DataFrame(
        {
            "hatch_year": [int(y) for y in years], "birds": [len(b) for b in of_year], "merit": value,
            "low": value - REACH * se, "high": value + REACH * se, "seen": seen, "genetic": genetic,
            "rearing": off, "rearing_low": off - reach, "rearing_high": off + reach, "says": says,
        }
    )  # fmt: skip
    return HatchYears(table, gain_of(value, covariance, years))


def gain_of(merit: np.ndarray, covariance: np.ndarray, years: list[float]) -> Estimate:
    """Least-squares slope of mean merit (Y,) on the year, its interval from the means' covariance (Y × Y)."""
    if len(years) < 3:
        return Estimate(np.nan, np.nan, np.nan, len(years), "too few to say: fewer than three hatch years")
    off = np.array(years) - np.mean(years)
    weights = off / (off @ off)
    value, reach = float(weights @ merit), float(REACH * np.sqrt(weights @ covariance @ weights))
    return Estimate(value, value - reach, value + reach, len(years))


def _worths(flock: Flock, merit: Merit) -> tuple[np.ndarray, np.ndarray]:
    """Worth of each trait (T,), a banded one by its slope, and that of the sections judged by eye alone."""
    assert merit.known is not None and merit.index is not None
    worth = merit.index.line()
    return worth, np.where([t.by_eye for t in merit.known.model.observations.asked], worth, 0.0)


def _means(merit: Merit, groups: list[list[str]], worth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean of worth × breeding values of each group about the mean of all groups, and their covariance."""
    assert merit.known is not None
    known, count = merit.known, len(worth)
    place, birds = known.solution.slices["genetic"], known.model.kinship.birds
    picked = np.zeros((len(known.solution.effects), len(groups)))
    for g, group in enumerate(groups):
        at = place.start + birds.get_indexer(group)[:, None] * count + np.arange(count)
        picked[at, g] = worth / len(group)
    picked -= picked.mean(axis=1, keepdims=True)
    return picked.T @ known.solution.effects, known.solution.spread(picked)


def _seen(flock: Flock, home: pd.DataFrame, years: list[float]) -> tuple[np.ndarray, np.ndarray, list[int]]:
    """Mean of first-season looks of each year about their mean, its standard error, and the birds seen in full."""
    worth = {s.name: flock.plan.worth.get(s.name, 1.0) for s in flock.standard.by_eye}
    names = [name for name, value in worth.items() if value]
    given = flock.scores[names].astype(float).to_numpy() @ np.array([worth[name] for name in names])
    looks = flock.scores[["on", "bird"]].assign(seen=given).dropna()
    looks = looks.merge(home[["bird", "sex", "hatch_year"]], on="bird")
    looks = looks[looks["on"].dt.year == looks["hatch_year"]]
    birds = looks.groupby(["hatch_year", "sex", "bird"], as_index=False)["seen"].mean()
    # cocks and pullets are judged apart: every year counts both sexes alike
    birds["seen"] -= birds.groupby("sex")["seen"].transform("mean")
    of = birds.groupby("hatch_year")["seen"].agg(["mean", "std", "size"]).reindex(years)
    few = ~(of["size"] >= FEWEST)
    mean, se = of["mean"].mask(few).to_numpy(), (of["std"] / np.sqrt(of["size"])).mask(few).to_numpy()
    return (
        mean - np.nanmean(mean) if np.isfinite(mean).any() else mean,
        se,
        of["size"].fillna(0).astype(int).tolist(),
    )


def _says(count: int) -> str:
    if count < FEWEST:
        return f"too few to say what rearing did: {count} looked at in full, of at least {FEWEST}"
    return ""
