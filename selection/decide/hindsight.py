"""Earlier meetings with what is known now: who stood then, who stayed, and what the records say of them since."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd

from selection.merit.posterior import draw
from selection.merit.ranking import Merit
from selection.merit.worth import merit_of
from selection.records.flock import Flock, assemble
from selection.records.tables import FORMS

Meetings = Mapping[date, Mapping[str, pd.DataFrame]]
"""By its day, a meeting's tables by name: at least `ranking`, and `verdicts` where they were kept."""

STANDING = ["on", "group", "bird", "merit", "merit_se", "merit_flock", "p_best", "p_kept", "kept", "number"]

WINTERED = pd.DateOffset(months=4)
"""A bird that was still there so long after a meeting stayed for the next season."""


def as_of(flock: Flock, on: date, season: int) -> Flock:
    """The flock as its rows tell it of the day `on`, with that season's plan.

    What was entered late counts as if it had been known; groups, numbers and worths are those of today's
    plan.
    """
    forms = {name: getattr(flock, name) for name in FORMS}
    # a bird whose clutch is not yet set would otherwise stand there without a hatch day
    forms["birds"] = flock.birds[~(flock.birds["hatched"] > pd.Timestamp(on))]
    return assemble(flock.standard, replace(flock.plan, on=on, season=season), forms)


def meetings_as_of(
    flock: Flock,
    rank: Callable[[Flock], Merit],
    seasons: Sequence[int] | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> dict[date, dict[str, pd.DataFrame]]:
    """Meetings that were never held, as they would have gone: each earlier season ranked as of its day.

    The day is today's plan's in that year. `seasons`: None for all before the plan's that have looks. What
    was kept is what stayed: a bird still there four months later. One ranking a season: the slow part.
    """
    on, looked = flock.plan.on, flock.scores["on"].dt.year
    wanted = sorted(set(looked[looked < flock.plan.season].astype(int))) if seasons is None else list(seasons)
    held: dict[date, dict[str, pd.DataFrame]] = {}
    for i, season in enumerate(wanted):
        day = on.replace(year=on.year - (flock.plan.season - season))
        ranking = rank(as_of(flock, day, season)).ranking
        held[day] = {"ranking": ranking, "verdicts": _as_it_went(flock, ranking, day)}
        if progress:
            progress(f"the meeting of {season}", (i + 1) / len(wanted))
    return held


def _as_it_went(flock: Flock, ranking: pd.DataFrame, day: date) -> pd.DataFrame:
    """Verdicts as the birds form tells them: kept where the bird stayed for the next season."""
    gone = ranking["bird"].map(flock.birds.set_index("bird")["gone_on"])
    stayed = gone.isna() | (gone > pd.Timestamp(day) + WINTERED)
    return ranking[["bird", "group"]].assign(stands=np.where(stayed, "keep", "sell"))


def standings(flock: Flock, meetings: Meetings) -> pd.DataFrame:
    """Everyone who stood at an earlier meeting, one row each time: columns STANDING.

    Barred birds are left out; kept is what the meeting decided, else what it proposed; number: how many
    places there were. Meetings on or after the plan's day are not looked back on.
    """
    parts = [
        _standing(flock, day, tables)
        for day, tables in sorted(meetings.items())
        if day < flock.plan.on and len(tables.get("ranking", ()))
    ]
    return pd.concat(parts, ignore_index=True)[STANDING] if parts else pd.DataFrame(columns=STANDING)


def _standing(flock: Flock, day: date, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    rows = tables["ranking"]
    rows = rows[rows["bar"].isna()].assign(on=pd.Timestamp(day)) if "bar" in rows else rows
    verdicts = tables.get("verdicts", pd.DataFrame(columns=["bird", "stands"]))
    said = verdicts.drop_duplicates("bird").set_index("bird")["stands"].to_dict()
    decided = flock.decisions[flock.decisions["on"].dt.year == day.year].sort_values("on", kind="stable")
    last = decided.drop_duplicates("bird", keep="last").set_index("bird")["decided"].to_dict()
    final = rows["bird"].map({**said, **last})
    number = rows.groupby("group")["p_kept"].transform("sum").round()
    return rows.assign(kept=(final == "keep").to_numpy(), number=number)


def merit_since(merit: Merit, birds: Sequence[str], seed: int) -> pd.DataFrame:
    """What is known of `birds` now: draws of merit on one base, one column a bird that the records tell of.

    From today's joint posterior at the mode of its variances; a bird without records of its own or chicks
    among the birds seen has no column. Without any records: no columns.
    """
    if merit.known is None or merit.worth is None:
        return pd.DataFrame()
    told = pd.Index([b for b in dict.fromkeys(birds) if b in merit.known.model.kinship.birds])
    if told.empty:
        return pd.DataFrame()
    rng = np.random.default_rng(seed)
    drawn = draw(merit.known, told, merit.worth.weights, rng, quick=True)
    return pd.DataFrame(merit_of(drawn.draws, merit.band), columns=told)
