"""The years ahead in words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from selection.decide.years.policies import Season
from selection.merit.published import INBREEDING_ADVICE, INBREEDING_DEPRESSION
from selection.records.flock import Flock

REACH = 1.645
"""Standard errors to either side of a 90 % interval."""
CLOSE = 0.1
"""Mean F of the chicks above which it is said what inbreeding does beside merit."""
MEASURED = 0.25
"""F up to which the published losses were measured (Bernier, Taylor and Gunns 1951, Hilgardia 20(21))."""
OUTSIDE = {"hatchability": "hatchability", "egg number": "eggs"}
"""Published losses that merit does not hold, and what they are called here."""


def about_policies(summary: pd.DataFrame, closed: pd.DataFrame, years: int) -> tuple[str, ...]:
    """One sentence a policy, then the closed policies' formulas and why the others have none."""
    said = [_policy(row, years) for _, row in summary.iterrows()]
    said += [
        f"{row['policy']}: by formula N_e is {row['effective_size']:.1f} and the rate of inbreeding "
        f"{100 * row['rate']:.1f} % a generation; the runs, which begin with the birds there are, "
        + (
            f"give {100 * row['rate_runs']:.1f} %."
            if np.isfinite(row["rate_runs"])
            else "are too short to tell."
        )
        for _, row in closed.iterrows()
    ]
    if len(summary) > len(closed):
        said.append(
            "That formula holds for a closed flock; with bought-in blood it would frighten wrongly, so that for "
            "the other policies there are the runs alone."
        )
    return tuple(said)


def _policy(row: pd.Series, years: int) -> str:
    merit = ""
    if np.isfinite(row["merit"]):
        merit = f"merit {row['merit']:+.1f} ({row['merit_low']:+.1f} to {row['merit_high']:+.1f}), "
    if row["merit"] - row["less_depression"] > 0.05:
        merit += f"{row['less_depression']:+.1f} after the published depression, "
    return (
        f"{row['policy']}: after {years} years {merit}inbreeding {row['inbreeding']:.3f} "
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
    for row in summary[summary["inbreeding"] > CLOSE].itertuples():
        falls = " and ".join(
            f"{OUTSIDE[name]} by {-10 * row.inbreeding * p.value:.0f} %" for name, p in lost.items()
        )
        beyond = f"; nobody has measured beyond F {MEASURED:g}" if row.inbreeding > MEASURED else ""
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
    return (
        f"{first['policy']}: merit tends to {first['limit']:+.1f}, whatever the flock is today: the suppliers' "
        f"level ({first['suppliers']:+.1f} against today's living birds) and what choosing among their "
        f"cockerels and the home pullets adds ({first['limit'] - first['suppliers']:+.1f}). Gains do not add "
        "up from year to year, as they do where the cock is home-bred.",
    )


def advice(summary: pd.DataFrame) -> tuple[str, ...]:
    """The published advice on the rate of inbreeding, and which policies are above it."""
    most, better = (row for row in INBREEDING_ADVICE if row.quantity.endswith("rate of inbreeding"))
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
