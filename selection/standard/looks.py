"""Looks as a frame: what each judge gave each bird, section by section, and what the faults cost."""

from __future__ import annotations

import numpy as np
import pandas as pd

from selection.records.bird_dates import looked_up
from selection.records.flock import Flock
from selection.records.settings.reading import Standard

CARD = "total"
"""The one score of an old show card without sections, of the standard's 100 points."""


def looks(flock: Flock) -> pd.DataFrame:
    """Every row of flock.scores: row (its index), on, season, judge, bird, clutch, sex, n, costs, sections.

    The column `total` is kept only where no section was scored: an old show card. `costs` are the points that
    the look's faults take off (0 where none were noted); `season` is the year.
    """
    scores = flock.scores
    sections = [s.name for s in flock.standard.by_eye]
    bird = scores["bird"]
    sex = looked_up(bird, flock.birds.set_index("bird")["sex"]).where(bird.notna(), scores["sex"])
    on_card = scores[sections].isna().all(axis=1)
    frame = pd.DataFrame(
        {
            "row": scores.index,
            "on": scores["on"],
            "season": scores["on"].dt.year,
            "judge": scores["judge"],
            "bird": bird,
            "clutch": scores["clutch"],
            "sex": sex.fillna("unknown"),
            "n": scores["n"].fillna(1.0),
            "costs": costs_of(scores["faults"], flock.standard),
            CARD: scores[CARD].where(on_card),
        }
    )
    return frame.join(scores[sections])


def costs_of(faults: pd.Series, standard: Standard) -> pd.Series:
    """Points that each cell of `faults` (a flock's: names as the standard spells them, parted by ``;``) costs."""
    costs = {fault.name: fault.costs for fault in standard.faults}
    named = faults.str.split(";").explode().map(costs).fillna(0.0)
    return named.groupby(level=0).sum().reindex(faults.index).astype(float)


def cell_of(frame: pd.DataFrame) -> pd.Series:
    """The season×sex of each row, as one label."""
    return frame["season"].astype(int).astype(str) + " " + frame["sex"]


def judge_season_of(frame: pd.DataFrame) -> pd.Series:
    """The judge×season of each row, as one label."""
    return frame["season"].astype(int).astype(str) + " " + frame["judge"]


def judge_day_of(frame: pd.DataFrame) -> pd.Series:
    """The judge×day of each row, as one label."""
    return frame["on"].dt.strftime("%Y-%m-%d") + " " + frame["judge"]


def scored(frame: pd.DataFrame, sections: list[str]) -> np.ndarray:
    """Whether each look gave any points at all (a look may only have noted a fault)."""
    return frame[[*sections, CARD]].notna().any(axis=1).to_numpy()
