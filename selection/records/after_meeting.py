"""What the meeting's decisions leave to be done before the next season: who is to go, adult rings, colours freed.

A decision to sell is no departure: the bird counts until a day in `gone_on` (or a sale) says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.records.flock import Flock
from selection.records.forms.schema import folded
from selection.records.ringplan import GROWN_UP_WEEKS, NOMINAL, build_of, sizes_at, worn_rings
from selection.records.rings import living, worn

BEFORE = pd.DateOffset(months=6)
"""A meeting in the winter after its season still has the decisions of so long before it."""


def season_decisions(flock: Flock) -> pd.DataFrame:
    """The last decision on each bird in the plan's season: bird, on, decided, who, settled, why (who before it).

    Those of the season's calendar year, and where the meeting falls in the winter after, those made then.
    """
    last = of_season(flock).drop_duplicates("bird", keep="last")
    return _with_who(last)[["bird", "on", "decided", "who", "settled", "why"]].reset_index(drop=True)


def of_season(flock: Flock) -> pd.DataFrame:
    """Every decision of the plan's season, as on the form, earlier ones first."""
    made = flock.decisions.sort_values("on", kind="stable")
    of_it = made["on"].dt.year == flock.plan.season
    if flock.plan.on.year > flock.plan.season:
        of_it |= made["on"] > pd.Timestamp(flock.plan.on) - BEFORE
    return made[of_it]


def _with_who(decisions: pd.DataFrame) -> pd.DataFrame:
    """`decisions` with who decided before the reason: `Ann: her dam laid all winter`."""
    who, why = (decisions[c].fillna("") for c in ("who", "why"))
    between = pd.Series(np.where((who != "") & (why != ""), ": ", ""), index=decisions.index, dtype="str")
    said = who + between + why
    return decisions.assign(why=said.mask(said == ""))


def standing_decisions(flock: Flock) -> pd.DataFrame:
    """The last decision of any season on each living bird: key (its folded label), bird, on, decided, why."""
    here = living(flock.birds[flock.birds["alive"]], pd.Timestamp(flock.plan.on))
    made = flock.decisions.dropna(subset=["bird", "decided"]).sort_values("on", kind="stable")
    last = made.assign(key=folded(made["bird"])).drop_duplicates("key", keep="last")
    last = last[last["key"].isin(here.index)]
    return _with_who(last).assign(bird=last["key"].map(here))[["key", "bird", "on", "decided", "why"]]


FINAL_WEEKS = 20.0
"""A ring put on at this age or later is the grown bird's own, whatever its size."""
STAYS = ("keep", "reserve")


@dataclass(frozen=True)
class AfterMeeting:
    """The living birds that were decided on, by what is to be done.

    going: decided to go and not yet on record as gone: bird, left, right, on, why (days and reasons as
    decided). adult: rings of birds that stay (kept or in reserve in their first season, within the last year)
    which were put on a growing bird: bird, leg, colour, size_mm, low, high (mm that the sources give for a
    grown bird of its sex). freed: pairs that come
    free once those have gone: left, right, bird. sentences: the same in words.
    """

    going: pd.DataFrame
    adult: pd.DataFrame
    freed: pd.DataFrame
    sentences: tuple[str, ...]

    def text(self) -> str:
        """All of it for a terminal; nothing where no decision leaves anything to be done."""
        return "\n\n".join("\n  ".join([title, *said]) for title, said in self.lines())

    def lines(self) -> list[tuple[str, list[str]]]:
        """Titled lists for a terminal or a sheet; those with nothing in them left out."""
        going = [
            f"{r.bird} ({_pair(r)}): decided on {r.on:%Y-%m-%d}{_why(r)}" for r in self.going.itertuples()
        ]
        adult = [f"{r.bird}, {r.leg} {r.colour}: {_sizes(r)}" for r in self.adult.itertuples()]
        freed = [f"{r.left}/{r.right}, worn by {r.bird}" for r in self.freed.itertuples()]
        titled = (
            (
                "To confirm gone: write the day and why on the birds sheet, or the sale on the sales sheet",
                going,
            ),
            ("Adult rings to fit on those that stay", adult),
            ("Pairs of rings (left/right) that come free once those have gone", freed),
            ("To know", list(self.sentences)),
        )
        return [(title, said) for title, said in titled if said]


def after_meeting(flock: Flock) -> AfterMeeting:
    """What the decisions on record up to the plan's day leave to be done; a bird's last decision counts."""
    last = standing_decisions(flock)
    legs = worn(flock.rings, pd.Timestamp(flock.plan.on))
    going = last[last["decided"] == "sell"].join(legs, on="key").reset_index(drop=True)
    adult = _adult_rings(flock, _joining(flock, last))
    freed = going.dropna(subset=["left", "right"])[["left", "right", "bird"]]
    return AfterMeeting(
        going[["bird", "left", "right", "on", "why"]],
        adult,
        freed.sort_values(["left", "right"]).reset_index(drop=True),
        _sentences(going, adult, legs),
    )


def to_go(flock: Flock) -> pd.Series:
    """Folded labels of the living birds that were last decided to go."""
    last = standing_decisions(flock)
    return last.loc[last["decided"] == "sell", "key"]


def _joining(flock: Flock, last: pd.DataFrame) -> pd.Series:
    """Keys of the birds that were kept in their first season, within the last year."""
    hatched = flock.birds["hatch_year"].set_axis(folded(flock.birds["bird"])).reindex(last["key"])
    first_season = hatched.to_numpy() == last["on"].dt.year.to_numpy()
    lately = last["on"] > pd.Timestamp(flock.plan.on) - pd.DateOffset(years=1)
    return last.loc[last["decided"].isin(STAYS) & first_season & lately, "key"]


def _adult_rings(flock: Flock, stays: pd.Series) -> pd.DataFrame:
    """Rings of birds that stay which were put on while they grew and are under what a grown bird may need."""
    rings = worn_rings(flock)
    young = rings["fitted_weeks"] < FINAL_WEEKS
    rings = rings[rings["key"].isin(stays) & young & (rings["kind"] != "closed")]
    sexes = flock.birds.set_index(folded(flock.birds["bird"]))["sex"]
    sizes = [
        sizes_at(GROWN_UP_WEEKS, str(sexes[key]), build_of(flock)) or (float("nan"),) * 2
        for key in rings["key"]
    ]
    rings = rings.assign(low=[low for low, _ in sizes], high=[high for _, high in sizes])
    rings = rings[~(rings["size_mm"] >= rings["high"] - NOMINAL)]
    return rings.sort_values(["bird", "leg"])[
        ["bird", "leg", "colour", "size_mm", "low", "high"]
    ].reset_index(drop=True)


def _sentences(going: pd.DataFrame, adult: pd.DataFrame, legs: pd.DataFrame) -> tuple[str, ...]:
    said = []
    if len(going):
        said.append(
            "A bird decided to go counts as living, in its pen and among its layers, until its going is recorded."
        )
    if len(adult):
        staying = legs[~legs.index.isin(going["key"])]
        free = sorted(set(legs["left"].dropna()) - set(staying["left"].dropna()))
        colours = f": {', '.join(free)} will be on nobody's left leg" if free else ""
        said.append(
            "A grown bird may go on wearing its clutch's colour on the left in the larger size, or take one colour "
            f"for its hatch year{colours}. Write the old ring's removed_on and the new ring's row on the rings sheet."
        )
    return tuple(said)


def _pair(row: object) -> str:
    left, right = (getattr(row, leg) for leg in ("left", "right"))
    rings = [
        f"{leg} {colour}" for leg, colour in (("left", left), ("right", right)) if isinstance(colour, str)
    ]
    return ", ".join(rings) or "no rings"


def _why(row: object) -> str:
    why = getattr(row, "why", None)
    return f", {why}" if isinstance(why, str) and why.strip() else ""


def _sizes(row: object) -> str:
    now, low, high = (float(getattr(row, name)) for name in ("size_mm", "low", "high"))
    worn_now = "size not recorded" if now != now else f"{now:g} mm now"
    if low != low:
        return worn_now
    span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    return f"{worn_now}; the sources give {span} mm for a grown bird"
