"""Which birds go, what each may be sold as, and which of them go together.

Going are the candidates whose verdict is sell, and whoever of the season's living birds is no candidate at
all: sisters of the new cock, spare cockerels, chicks that carry only a clutch ring.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from selection.decide.prices.market import looked_at
from selection.decide.prices.present import unnamed_chicks
from selection.decide.rows import each
from selection.merit.candidates import bars
from selection.records.decided import season_decisions
from selection.records.flock import Flock
from selection.records.forms.columns import SOLD_AS

if TYPE_CHECKING:
    from selection.decide.verdicts.verdicts import Verdicts
    from selection.merit.ranking import Merit
    from selection.standard.points import Points

STAYS = ("keep", "reserve")


def going(flock: Flock, verdicts: Verdicts, points: Points, merit: Merit | None = None) -> pd.DataFrame:
    """One row for each bird that goes, in the order of the flock's birds.

    Columns: bird (its key), known (it has a number), clutch, sex, weeks (age on the plan's day), points (of
    100), seen (some look was at it), candidate, own_ring, bars (why it is not for breeding, or blank),
    lot (label of the birds it goes with, or missing), and for each kind of sale the reason it may not be
    sold so, or blank.
    """
    nameless = unnamed_chicks(flock, flock.plan.season)
    every = pd.concat([flock.birds.assign(known=True), nameless], ignore_index=True)
    table = verdicts.table
    candidate = every["bird"].isin(table["bird"])
    sold = every["bird"].isin(table["bird"][table["stands"] == "sell"])
    goes = sold | (~candidate & _no_candidate_goes(flock, every))
    birds = every[goes & every["alive"]].reset_index(drop=True)
    of_100, barred = looked_at(points), _bars(flock, merit)
    birds = birds[["bird", "known", "clutch", "sex", "origin_of"]].assign(
        weeks=(pd.Timestamp(flock.plan.on) - birds["hatched"]).dt.days / 7,
        points=birds["bird"].map(of_100),
        seen=birds["bird"].isin(of_100.index),
        candidate=birds["bird"].isin(table["bird"]),
        own_ring=birds["bird"].isin(_own_ringed(flock)) & birds["known"],
        bars=[barred.get(bird, "") for bird in birds["bird"]],
    )
    birds["lot"] = [_lot(row) for row in each(birds)]
    for kind in SOLD_AS:
        birds[kind] = [_why_not(kind, row) for row in each(birds)]
    return birds


def _no_candidate_goes(flock: Flock, every: pd.DataFrame) -> pd.Series:
    """Of birds that are no candidates: the season's unless decided to stay, and those decided to sell."""
    last = season_decisions(flock).set_index("bird")["decided"]
    decision = every["bird"].map(last)
    young = every["hatch_year"] == flock.plan.season
    return (young & ~decision.isin(STAYS)) | (decision == "sell")


def _own_ringed(flock: Flock) -> pd.Series:
    """Birds that wear a ring of their own: one on the right leg, or a numbered one.

    Where the holding puts none on the birds of the season, each is known by its number.
    """
    worn = flock.rings[flock.rings["removed_on"].isna()]
    own = worn["bird"][(worn["leg"] == "right") | worn["mark"].notna()]
    season = flock.birds["bird"][flock.birds["hatch_year"] == flock.plan.season]
    return own if own.isin(season).any() else flock.birds["bird"]


def _bars(flock: Flock, merit: Merit | None) -> dict[str, str]:
    """Why a bird is barred from breeding: a serious fault that anyone saw, or the meeting's own bar."""
    barred = {str(bird): str(why) for bird, why in bars(flock).items()}
    if merit is not None:
        ranked = merit.ranking.dropna(subset="bar")
        barred |= {b: why for b, why in zip(ranked["bird"], ranked["bar"], strict=True) if why}
    return barred


def _lot(bird: Any) -> str | None:
    """Label of the birds it goes with: nobody can tell them apart, or nobody needs to."""
    sister = bird.sex == "female" and bird.origin_of == "bought-in" and not bird.candidate
    nameless = not (bird.own_ring or bird.seen)
    if not isinstance(bird.clutch, str) or not (sister or nameless):
        return None
    sexes = {"female": "pullets", "male": "cockerels"}
    return f"{sexes.get(bird.sex, 'chicks')} of {bird.clutch}"


def _why_not(kind: str, bird: Any) -> str:
    """Why `bird` may not be sold as `kind`; blank where it may."""
    if kind == "layer" and bird.sex != "female":
        return "only a hen lays" if bird.sex == "male" else "its sex is not known"
    if kind != "breeding":
        return ""
    if bird.bars:
        return f"barred from breeding: {bird.bars}"
    if bird.sex not in ("male", "female"):
        return "its sex is not known"
    if not (bird.seen or bird.candidate):
        return "no judge has seen it"
    if not (bird.own_ring or bird.seen):
        return "it wears no ring of its own"
    return ""


def in_market(birds: pd.DataFrame, kind: str, season: int) -> pd.DataFrame:
    """`birds` as offers of one kind for `selection.decide.prices.market.Market`: each alone, or with its lot."""
    label = birds["lot"].where(birds["lot"].notna(), "\x1f" + birds["bird"])
    return pd.DataFrame(
        {
            "sale": pd.factorize(label)[0],
            "bird": birds["bird"],
            "sold_as": kind,
            "sex": birds["sex"],
            "weeks": birds["weeks"],
            "points": birds["points"],
            "season": season,
            "size": label.groupby(label).transform("size").astype(float),
        }
    ).astype({"season": np.int64})
