"""The years ahead in words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from selection.decide.policies import Season
from selection.merit.published import INBREEDING_ADVICE
from selection.records.flock import Flock

REACH = 1.645
"""Standard errors to either side of a 90 % interval."""


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
            "N_e and its rate of inbreeding hold for a closed flock; with bought-in blood they would "
            "frighten wrongly, and merit tends to the suppliers' level, whatever is selected."
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
