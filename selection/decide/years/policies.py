"""Ways of choosing that a holding may follow for years, and what one season of it looks like."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from selection.records.flock import Flock

CockFrom = Literal["bought-in", "home-bred", "same"]

LAST_SEASONS = 3
"""Seasons whose chicks and purchases tell what a season of this holding is like."""


@dataclass(frozen=True)
class Policy:
    """One way of choosing, followed every year.

    cock_from: where each year's cocks come from, year by year and over again: the best of the bought-in or of
    the home-bred cockerels, or the `same` cocks once more; cocks: how many stand; pullets: how many home-bred
    ones join each year; hens: how many hens stand, those pullets included, the oldest making room. Raises
    ValueError for none of any of these, or for more pullets than hens.
    """

    name: str
    meaning: str
    cock_from: tuple[CockFrom, ...]
    cocks: int
    pullets: int
    hens: int

    def __post_init__(self) -> None:
        if not (self.cocks >= 1 and 1 <= self.pullets <= self.hens and self.cock_from):
            raise ValueError(
                f"the policy {self.name}: found {self.cocks} cocks from {len(self.cock_from)} sources, {self.pullets} "
                f"pullets, {self.hens} hens; a policy has a source, a cock, a pullet, and no fewer hens than pullets"
            )

    @property
    def closed(self) -> bool:
        """No bird ever comes in."""
        return "bought-in" not in self.cock_from


@dataclass(frozen=True)
class Season:
    """What a season of the holding is like, from its last ones.

    cockerels, pullets: home-bred chicks of each sex that live to be judged; bought: bought-in cockerels;
    clutches: bought-in clutches; sources: suppliers' pens and the number of clutches each gave; dams_known:
    whether most home-bred chicks have a dam on record; seasons: how many seasons that rests on.
    """

    cockerels: int
    pullets: int
    bought: int
    clutches: int
    sources: Mapping[str, int]
    dams_known: bool
    seasons: int


def usual_policies(pullets: int, hens: int, buys: bool) -> tuple[Policy, ...]:
    """The five policies that are set side by side; without purchases the closed one alone.

    `pullets`: how many the plan keeps a year; `hens`: how many stand.
    """
    both: tuple[CockFrom, ...] = ("bought-in", "home-bred")
    more = min(2 * pullets, hens)
    every = (
        Policy(
            "one bought-in cock a year",
            "the best bought-in cockerel of the year heads the pen",
            ("bought-in",), 1, pullets, hens,
        ),
        Policy(
            "home-bred cock",
            "the best home-bred cockerel of the year heads the pen; nothing is bought",
            ("home-bred",), 1, pullets, hens,
        ),
        Policy(
            "two cocks",
            "the two best bought-in cockerels of the year share the hens",
            ("bought-in",), 2, pullets, hens,
        ),
        Policy(
            "more pullets",
            f"a bought-in cock each year, {more} new pullets instead of {pullets}: younger hens, less chosen",
            ("bought-in",), 1, more, hens,
        ),
        Policy(
            "buying every other year",
            "a bought-in cock in one year, the best home-bred cockerel in the next",
            both, 1, pullets, hens,
        ),
    )  # fmt: skip
    return tuple(p for p in every if buys or p.closed)


def season_of(flock: Flock) -> Season:
    """A season of this holding as its last few were, each origin over the seasons that had any of it.

    Home-bred are chicks of a clutch on record; a chick of unknown sex counts half to each. Bought-in
    cockerels that come grown count with the spring they hatched in.
    """
    young = flock.birds[flock.birds["hatch_year"] > flock.plan.season - LAST_SEASONS]
    male = (young["sex"] == "male") + 0.5 * (young["sex"] == "unknown")
    home = (young["origin_of"] == "home-bred") & young["clutch"].notna()
    bought = young["origin_of"] == "bought-in"
    pens = young.loc[bought, ["source_of", "hatch_year"]].dropna().drop_duplicates()
    years = {
        kind: max(int(young.loc[of, "hatch_year"].nunique()), 1)
        for kind, of in (("home", home), ("bought", bought))
    }
    return Season(
        cockerels=_each(male[home].sum(), years["home"]),
        pullets=_each((1 - male)[home].sum(), years["home"]),
        bought=_each(male[bought].sum(), years["bought"]),
        clutches=_each(len(pens), years["bought"]),
        sources=pens["source_of"].value_counts().to_dict(),
        dams_known=bool(young.loc[home, "dam"].notna().mean() > 0.5) if home.any() else False,
        seasons=max(years.values()),
    )


def _each(total: float, years: int) -> int:
    return max(1, int(np.floor(total / years + 0.5)))
