"""What was decided on each bird: of the plan's season, and whatever still stands."""

from __future__ import annotations

import pandas as pd

from selection.records.flock import Flock
from selection.records.forms.schema import folded
from selection.records.rings import living

BEFORE = pd.DateOffset(months=6)
"""A meeting in the winter after its season still has the decisions of so long before it."""


def season_decisions(flock: Flock) -> pd.DataFrame:
    """The last decision on each bird in the plan's season: bird, on, decided, why.

    Those of the season's calendar year, and where the meeting falls in the winter after, those made then.
    """
    made = flock.decisions.sort_values("on", kind="stable")
    of_season = made["on"].dt.year == flock.plan.season
    if flock.plan.on.year > flock.plan.season:
        of_season |= made["on"] > pd.Timestamp(flock.plan.on) - BEFORE
    last = made[of_season].drop_duplicates("bird", keep="last")
    return last[["bird", "on", "decided", "why"]].reset_index(drop=True)


def standing_decisions(flock: Flock) -> pd.DataFrame:
    """The last decision of any season on each living bird: key (its folded label), bird, on, decided, why."""
    here = living(flock.birds[flock.birds["alive"]], pd.Timestamp(flock.plan.on))
    made = flock.decisions.dropna(subset=["bird", "decided"]).sort_values("on", kind="stable")
    last = made.assign(key=folded(made["bird"])).drop_duplicates("key", keep="last")
    last = last[last["key"].isin(here.index)]
    return last.assign(bird=last["key"].map(here))[["key", "bird", "on", "decided", "why"]]
