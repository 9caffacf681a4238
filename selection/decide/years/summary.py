"""The runs of the years ahead as tables: by year, by policy, beside formulas, and under the ceiling."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from selection.answer import REACH, TAILS, Kind, Note
from selection.decide.years import theory
from selection.decide.years.breeding import Genetics
from selection.decide.years.policies import Policy, Season
from selection.decide.years.prospects import Course
from selection.merit.published import INBREEDING_ADVICE, INBREEDING_DEPRESSION
from selection.records.flock import Flock

RISES = 2e-3
"""A rate of inbreeding a generation that is not clearly above this is no rise."""
PARTS = 10
"""Parts of the runs whose rates of inbreeding are compared."""


def blood_of(base: str) -> str:
    """What the quantity is called that says how much of the blood is from `base`."""
    return f"blood of {base}"


def year_table(
    policies: Sequence[Policy], courses: Sequence[Course], bases: Sequence[str], with_merit: bool
) -> pd.DataFrame:
    """Tidy: policy, year (1 = next year's chicks), quantity, mean, low, high."""
    parts = []
    for policy, course in zip(policies, courses, strict=True):
        quantities = {"merit": course.merit} if with_merit else {}
        quantities["inbreeding"] = course.inbreeding
        shares = np.moveaxis(course.blood, 2, 0)
        quantities |= {blood_of(name): share for name, share in zip(bases, shares, strict=True)}
        parts += [_by_year(policy.name, name, values) for name, values in quantities.items()]
    return pd.concat(parts, ignore_index=True)


def _by_year(policy: str, quantity: str, values: np.ndarray) -> pd.DataFrame:
    low, high = np.quantile(values, TAILS, axis=0)
    year = np.arange(1, values.shape[1] + 1)
    mean = values.mean(axis=0)
    return pd.DataFrame(
        {"policy": policy, "year": year, "quantity": quantity, "mean": mean, "low": low, "high": high}
    )


def summary_table(
    policies: Sequence[Policy], courses: Sequence[Course], depression: float, with_merit: bool
) -> pd.DataFrame:
    """One row a policy: what it ends with, gain a year, generation, rate of inbreeding, N_e.

    The end is the mean over the policy's last cycle (of cocks every other year: the last two years); its
    `…_error` is the Monte Carlo standard error of that mean over the runs (missing for a single run).
    `depression`: points lost for each unit of F.
    """
    rows = []
    for policy, course in zip(policies, courses, strict=True):
        cycle = len(policy.cock_from)
        merit, F = (v[:, -cycle:].mean(axis=1) for v in (course.merit, course.inbreeding))
        rate, error = _rate(course, cycle)
        rises = not rate - REACH * error <= RISES
        row: dict[str, Any] = {"policy": policy.name, "meaning": policy.meaning}
        row |= _with_band("merit", merit if with_merit else np.full(1, np.nan))
        row["less_depression"] = row["merit"] - depression * F.mean()
        row["gain_a_year"] = gain_a_year(course) if with_merit else np.nan
        row |= _with_band("inbreeding", F)
        row |= {"generation": generation_years(course), "rate": rate}
        row["effective_size"] = 1 / (2 * rate) if rises else np.nan
        row["home_blood"] = course.blood[:, -cycle:, 0].mean()
        row["says"] = _says(rate, rises)
        rows.append(row)
    return pd.DataFrame(rows)


def _with_band(name: str, values: np.ndarray) -> dict[str, Any]:
    low, high = np.quantile(values, TAILS)
    error = values.std(ddof=1) / np.sqrt(len(values)) if len(values) > 1 else np.nan
    return {name: values.mean(), f"{name}_low": low, f"{name}_high": high, f"{name}_error": error}


def generation_years(course: Course) -> float:
    """Generation interval: the mean age of cocks and hens when their chicks hatch, over years and runs."""
    return float((course.cock_age.mean() + course.hen_age.mean()) / 2)


def gain_a_year(course: Course) -> float:
    """Slope of the mean merit of the chicks on the year; missing for a single year."""
    merit = course.merit.mean(axis=0)
    return float(np.polyfit(np.arange(len(merit)), merit, 1)[0]) if len(merit) > 1 else float("nan")


def rate_of_inbreeding(F: np.ndarray, generation: float, cycle: int = 1) -> float:
    """ΔF a generation from mean F by year: 1 − F falls by (1 − ΔF) each generation (Wright 1931).

    Taken over the later half of the years, when the birds there were at the start no longer tell, from means
    over whole cycles of the policy. Missing for fewer than two such means.
    """
    smooth = np.convolve(1 - F, np.full(cycle, 1 / cycle), mode="valid")
    late = np.log(np.maximum(smooth[len(smooth) // 2 :], 1e-9))
    if len(late) < 2:
        return float("nan")
    return float(-np.expm1(np.polyfit(np.arange(len(late)), late, 1)[0] * generation))


def _rate(course: Course, cycle: int) -> tuple[float, float]:
    """Rate of inbreeding a generation, and its Monte Carlo error from parts of the runs (0 for too few runs)."""
    F, generation = course.inbreeding, generation_years(course)
    rate = rate_of_inbreeding(F.mean(axis=0), generation, cycle)
    if len(F) < 2 * PARTS:
        return rate, 0.0
    parts = [rate_of_inbreeding(f.mean(axis=0), generation, cycle) for f in np.array_split(F, PARTS)]
    return rate, float(np.std(parts, ddof=1) / np.sqrt(PARTS))


def _says(rate: float, rises: bool) -> str:
    if np.isnan(rate):
        return "too few years to tell whether inbreeding rises"
    if not rises:
        return "inbreeding does not clearly rise, so that an effective size would mean nothing"
    return (
        f"inbreeding rises by {100 * rate:.1f} % a generation, as in a closed flock of {1 / (2 * rate):.0f}"
    )


def closed_table(
    policies: Sequence[Policy],
    courses: Sequence[Course],
    season: Season,
    genetics: Genetics | None,
    relationship: float,
) -> pd.DataFrame:
    """The formulas of closed flocks beside the runs: one row a closed policy.

    effective_size, rate: N_e = 4·N_m·N_f/(N_m + N_f) and 1/(2·N_e) with the birds that stand (Wright 1931);
    intensity_cocks, intensity_hens: order statistics of sibs whose mean relationship is given; accuracy: of
    one look among such sibs; response: R a year in points (missing where nothing is known of merit);
    rate_runs and gain_runs: what the runs did.
    """
    rows = []
    for policy, course in zip(policies, courses, strict=True):
        if not policy.closed:
            continue
        size = theory.effective_size(policy.cocks, policy.hens)
        row: dict[str, Any] = {
            "policy": policy.name,
            "cocks": policy.cocks,
            "hens": policy.hens,
            "effective_size": size,
        }
        row |= {"rate": theory.inbreeding_rate(size)}
        row |= _response(policy, course, season, genetics, relationship)
        row["rate_runs"] = rate_of_inbreeding(
            course.inbreeding.mean(axis=0), generation_years(course), len(policy.cock_from)
        )
        row["gain_runs"] = gain_a_year(course) if genetics else np.nan
        rows.append(row)
    return pd.DataFrame(rows)


def _response(
    policy: Policy, course: Course, season: Season, genetics: Genetics | None, relationship: float
) -> dict[str, float]:
    """Intensity, accuracy and response a year of a closed policy."""
    places = ((policy.cocks, season.cockerels), (policy.pullets, season.pullets))
    i = [theory.intensity_of_sibs(min(best, of), of, relationship) for best, of in places]
    found = {"intensity_cocks": i[0], "intensity_hens": i[1], "accuracy": np.nan, "response": np.nan}
    if genetics is None:
        return found
    variance = (1 - relationship) * genetics.additive_sd**2
    found["accuracy"] = float(np.sqrt(variance / (variance + genetics.noise)))
    ages = (float(course.cock_age.mean()), float(course.hen_age.mean()))
    accuracies = (found["accuracy"], found["accuracy"])
    found["response"] = theory.response_a_year((i[0], i[1]), accuracies, genetics.additive_sd, ages)
    return found


def ceiling_table(policies: Sequence[Policy], courses: Sequence[Course], level: float) -> pd.DataFrame:
    """Policies that buy cocks every year: year, merit (mean, low, high), expected, suppliers, limit, share.

    expected: :func:`theory.open_flock` with the gains the runs show; suppliers: their mean level; limit: what
    merit tends to, whatever the start; missing level: an empty table.
    """
    parts = []
    for policy, course in zip(policies, courses, strict=True):
        if set(policy.cock_from) == {"bought-in"}:
            frame = _by_year(policy.name, "merit", course.merit).drop(columns="quantity")
            gains = float(np.nanmean(course.cock_gain)), float(course.pullet_gain.mean())
            years = course.merit.shape[1]
            first = float(course.merit[:, 0].mean())
            frame["expected"] = theory.open_flock(first, level, *gains, hen_ages(policy).tolist(), years - 1)
            frame["suppliers"] = level
            frame["limit"] = level + sum(gains)
            parts.append(frame)
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def hen_ages(policy: Policy) -> np.ndarray:
    """Share of hens of each age, 1, 2, … years, once the flock has followed the policy for long."""
    full, rest = divmod(policy.hens, policy.pullets)
    counts = [policy.pullets] * full + ([rest] if rest else [])
    return np.array(counts) / policy.hens


_CLOSE = 0.1
"""Mean F of the chicks above which it is said what inbreeding does beside merit."""
_MEASURED = 0.25
"""F up to which the published losses were measured (Bernier, Taylor and Gunns 1951, Hilgardia 20(21))."""
OUTSIDE = {"hatchability": "hatchability", "egg number": "eggs"}
"""Published losses that merit does not hold, and what they are called here."""


def about_policies(summary: pd.DataFrame, closed: pd.DataFrame, years: int) -> tuple[Note, ...]:
    """One note a policy, then the closed policies' formulas and why the others have none."""
    said = [Note(Kind.POLICY, row["policy"], _policy(row, years)) for _, row in summary.iterrows()]
    said += [Note(Kind.FOUND, row["policy"], _by_formula(row)) for _, row in closed.iterrows()]
    if len(summary) > len(closed):
        text = (
            "That formula holds for a closed flock; with bought-in blood it would frighten wrongly, so that for "
            "the other policies there are the runs alone."
        )
        said.append(Note(Kind.FOUND, None, text))
    return tuple(said)


def _by_formula(row: pd.Series) -> str:
    return (
        f"by formula N_e is {row['effective_size']:.1f} and the rate of inbreeding "
        f"{100 * row['rate']:.1f} % a generation; the runs, which begin with the birds there are, "
        + (
            f"give {100 * row['rate_runs']:.1f} %."
            if np.isfinite(row["rate_runs"])
            else "are too short to tell."
        )
    )


def _policy(row: pd.Series, years: int) -> str:
    merit = ""
    if np.isfinite(row["merit"]):
        merit = f"merit {row['merit']:+.1f} ({row['merit_low']:+.1f} to {row['merit_high']:+.1f}), "
    if row["merit"] - row["less_depression"] > 0.05:
        merit += f"{row['less_depression']:+.1f} after the published depression, "
    return (
        f"after {years} years {merit}inbreeding {row['inbreeding']:.3f} "
        f"({row['inbreeding_low']:.3f} to {row['inbreeding_high']:.3f}), "
        f"{100 * row['home_blood']:.0f} % of the blood from the home founders; {row['says']}."
    )


def how_near(summary: pd.DataFrame, runs: int) -> tuple[str, ...]:
    """How far the means of so many runs may be from those of very many (90 %), at the most over policies."""
    if runs < 2 or summary.empty:
        return ()
    merit, F = (REACH * summary[f"{name}_error"].max() for name in ("merit", "inbreeding"))
    points = f"{merit:.1f} points of merit and " if np.isfinite(merit) else ""
    return (f"From {runs:,} runs the means are known to {points}{F:.3f} of F (90 %).",)


def beside_merit(summary: pd.DataFrame) -> tuple[str, ...]:
    """What merit leaves out of policies that end above F of 0.1: published losses of eggs and of chicks."""
    lost = {p.trait: p for p in INBREEDING_DEPRESSION if p.trait in OUTSIDE}
    said = []
    for row in summary[summary["inbreeding"] > _CLOSE].itertuples():
        falls = " and ".join(
            f"{OUTSIDE[name]} by {-10 * row.inbreeding * p.value:.0f} %" for name, p in lost.items()
        )
        beyond = f"; nobody has measured beyond F {_MEASURED:g}" if row.inbreeding > _MEASURED else ""
        said.append(
            f"{row.policy}: its merit is counted as if inbreeding did not matter to the eye, and leaves out what "
            f"it does to hatching and laying. By the published figures F {row.inbreeding:.2f} would lower "
            f"{falls} ({lost['hatchability'].cited}){beyond}."
        )
    return tuple(said)


def about_ceiling(ceiling: pd.DataFrame) -> tuple[str, ...]:
    """Where a fresh cock every year leads, whatever the flock is today."""
    if ceiling.empty:
        return ()
    first = ceiling.iloc[0]
    limit, level = (round(first[name], 1) for name in ("limit", "suppliers"))  # the parts add up as printed
    return (
        f"{first['policy']}: merit tends to {limit:+.1f}, whatever the flock is today: the suppliers' "
        f"level ({level:+.1f} against today's living birds) and what choosing among their "
        f"cockerels and the home pullets adds ({limit - level:+.1f}). Gains do not add "
        "up from year to year, as they do where the cock is home-bred.",
    )


def advice(summary: pd.DataFrame) -> tuple[str, ...]:
    """The published advice on the rate of inbreeding, and which policies are above it."""
    most, better, _ = INBREEDING_ADVICE
    above = summary.loc[summary["rate"] > most.value, "policy"].tolist()
    who = f"Above it: {', '.join(above)}." if above else "No policy is above it."
    return (
        f"FAO advises to hold the rate of inbreeding below {100 * most.value:g} % a generation, better "
        f"{100 * better.value:g} % (as given by {most.cited}). {who}",
    )


def what_was_assumed(flock: Flock, season: Season) -> tuple[str, ...]:
    """What a season is taken to be like, and what is held constant."""
    said = [
        f"A season is taken as the mean of the last {season.seasons}: {season.cockerels} home-bred cockerels "
        f"and {season.pullets} pullets to choose from"
        + (f", {season.bought} bought-in cockerels of {season.clutches} clutches." if season.sources else ".")
    ]
    if season.sources:
        said.append(
            "Suppliers are taken to stay at the level their chicks have shown here, and each of their birds "
            f"to be the last spring's with chance {flock.plan.same_pen:g}."
        )
    return tuple(said)
