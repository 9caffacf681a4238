"""What choosing gained in seasons of which no meeting was kept: who stayed, by what is known of them now."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import numpy as np
import pandas as pd

from selection.decide.review.hindsight import WINTERED
from selection.merit.candidates import YOUNG, bars
from selection.merit.ranking import Merit
from selection.records.flock import Flock

COLUMNS = ["season", "group", "birds", "stayed", "differential", "possible", "share", "says"]


def choosing(flock: Flock, merit: Merit, told: Iterable[int] = ()) -> pd.DataFrame:
    """One row an earlier season and group of young birds: columns COLUMNS, merit in points.

    Those are birds out of clutches on record, of the plan's sex and origins and never barred, there on the
    plan's day of that year; stayed: still there four months on. differential: mean merit now of those that
    stayed above that of all; possible: the same of as many of the highest merit now; share: the first over the
    second, missing where there was nothing to choose. `told`: seasons that a kept meeting tells of, left out.
    """
    if merit.known is None:
        return pd.DataFrame(columns=COLUMNS)
    # of birds from before the records, or bought grown, nobody wrote down those that were not chosen
    birds = flock.birds[flock.birds["clutch"].notna() & ~flock.birds["bird"].isin(bars(flock).index)]
    birds = birds.assign(merit=birds["bird"].map(merit.flock.set_index("bird")["merit"])).dropna(
        subset="merit"
    )
    seasons = sorted(set(birds["hatch_year"].dropna().astype(int)) - set(told))
    rows = [
        _season(flock, birds, season, group)
        for season in seasons
        if season < flock.plan.season
        for group in flock.plan.keep
        if group in YOUNG
    ]
    return pd.DataFrame([row for row in rows if row is not None], columns=COLUMNS)


def _season(flock: Flock, birds: pd.DataFrame, season: int, group: str) -> tuple | None:
    day = pd.Timestamp(meeting_day(flock, season))
    of = birds[(birds["hatch_year"] == season) & (birds["sex"] == YOUNG[group]) & ~(birds["gone_on"] <= day)]
    if origins := flock.plan.keep[group].origins:
        of = of[of["origin_of"].isin(origins)]
    stayed = of["gone_on"].isna() | (of["gone_on"] > day + WINTERED)
    if len(of) < 2 or not stayed.any():
        return None
    gained = of.loc[stayed, "merit"].mean() - of["merit"].mean()
    best = of["merit"].nlargest(int(stayed.sum())).mean() - of["merit"].mean()
    if stayed.all():
        return (
            season,
            group,
            len(of),
            len(of),
            np.nan,
            np.nan,
            np.nan,
            "all of them stayed: nothing was chosen",
        )
    says = (
        f"{int(stayed.sum())} of {len(of)} stayed: {gained:+.1f} points beside the mean of all of them, of "
        f"{best:+.1f} possible, by what is known now"
    )
    return (season, group, len(of), int(stayed.sum()), gained, best, gained / best, says)


def meeting_day(flock: Flock, season: int) -> date:
    """The plan's day in the year of an earlier season."""
    year = flock.plan.on.year - (flock.plan.season - season)
    # a plan of 29 February has no such day in most years
    return flock.plan.on.replace(year=year, day=min(flock.plan.on.day, 28))
