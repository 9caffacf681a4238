"""Where the years ahead set out from: the birds that stay, what is known of them, and the suppliers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.decide.years.breeding import PLACES, Birds, Genetics, drop
from selection.decide.years.course import Start
from selection.decide.years.fresh_blood import Suppliers, first_pens
from selection.decide.years.policies import Season
from selection.merit.candidates import YOUNG
from selection.merit.ranking import Merit
from selection.records.flock import Flock

UNKNOWN_AGE = 3
"""Years given to a standing bird without a hatch year (it hatched before records began)."""


def genetics_of(merit: Merit) -> Genetics | None:
    """σ_a of merit, and the noise of one look that gives the accuracy this season's ranking had.

    σ_a² = w'Gw with w the worth of each trait, a banded one by its slope at the mean of the living. A
    candidate's own records are worth 1/noise = accuracy²/merit_se² beside what its relatives say; the mean
    over all unbarred young candidates is taken. None where nothing is known of the traits.
    """
    if merit.known is None or merit.index is None:
        return None
    worth = merit.index.line()
    variance = float(worth @ merit.known.variances.covariance("genetic") @ worth)
    young = merit.ranking[merit.ranking["group"].isin(YOUNG) & merit.ranking["bar"].isna()]
    known = (young["accuracy"] ** 2 / young["merit_se"] ** 2).dropna()
    information = float(known.mean()) if len(known) else 0.0
    return Genetics(float(np.sqrt(variance)), 1 / information if information > 0 else np.inf)


@dataclass(frozen=True)
class Prospects:
    """All that a block of runs is drawn from.

    cocks, hens: the birds that stay; ages at the coming hatch by bird; bases: base of each bird of the
    pedigree (n,); names of the bases; levels: mean merit of each supplier's pen by draw of `merit.living`
    (draws × S) and `held`, their mean; pens: unseen birds of each supplier's last spring, cocks then hens.
    """

    cocks: tuple[str, ...]
    hens: tuple[str, ...]
    ages: pd.Series
    bases: np.ndarray
    names: tuple[str, ...]
    levels: pd.DataFrame
    pens: dict[str, tuple[tuple[str, ...], tuple[str, ...]]]


def prospects(
    flock: Flock, merit: Merit, cocks: Sequence[str], hens: Sequence[str], season: Season
) -> Prospects:
    """Gather what the runs start from; a supplier is known by the chicks that came from it."""
    birds = flock.birds.set_index("bird")
    ages = (flock.plan.season + 1 - birds["hatch_year"]).fillna(UNKNOWN_AGE)
    family = merit.parentage
    bases = np.asarray(family.bases.todense()).argmax(axis=1)
    chicks = flock.birds[flock.birds["source_of"].isin(list(season.sources))]
    levels = {s: _level(merit, chicks.loc[chicks["source_of"] == s, "bird"]) for s in season.sources}
    pens = {s: _last_pen(merit, chicks[chicks["source_of"] == s]) for s in season.sources}
    return Prospects(tuple(cocks), tuple(hens), ages, bases, family.suppliers, pd.DataFrame(levels), pens)


def _level(merit: Merit, chicks: pd.Series) -> pd.Series:
    """Mean merit of a supplier's stock by draw, from all its chicks that came here, kept or gone.

    The mean of all chicks' merits moves from draw to draw as the mean of the living ones does; with none
    living, as an average living bird's does.
    """
    draws = merit.living
    middle = merit.flock.set_index("bird")["merit"].reindex(chicks).mean()
    living = [b for b in chicks if b in draws.columns]
    off = draws[living].mean(axis=1) if living else draws.iloc[:, 0]
    return middle + off - off.mean()


def _last_pen(merit: Merit, chicks: pd.DataFrame) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The unseen cocks and hens behind a supplier's latest chicks."""
    pedigree = merit.pedigree
    last = chicks[chicks["hatch_year"].fillna(0) == chicks["hatch_year"].fillna(0).max()]
    at = pedigree.positions(last["bird"])
    sides = (np.unique(side[at].indices) for side in (pedigree.sires, pedigree.dams))
    cocks, hens = (tuple(pedigree.birds[k] for k in side) for side in sides)
    return cocks, hens


def start(
    of: Prospects,
    flock: Flock,
    merit: Merit,
    season: Season,
    genetics: Genetics,
    draws: np.ndarray,
    rng: np.random.Generator,
    places: int = PLACES,
) -> Start:
    """One block of runs, one for each of `draws` (positions in `merit.living`)."""
    parents = [b for pen in of.pens.values() for side in pen for b in side]
    named = [*of.cocks, *of.hens, *parents]
    alleles = drop(merit.pedigree, named, of.bases, len(draws), rng, places)
    at = {bird: i for i, bird in enumerate(named)}
    step = len(of.names)
    groups = (_standing(of, merit, birds, draws, alleles, at) for birds in (of.cocks, of.hens))
    cocks, hens = groups
    if not of.pens:
        return Start(cocks, hens, None, step)
    suppliers = _suppliers(of, flock, season, draws)
    known = {i: alleles[:, [at[b] for side in pen for b in side]] for i, pen in enumerate(of.pens.values())}
    return Start(cocks, hens, (suppliers, first_pens(suppliers, genetics, known, places, rng)), step)


def _standing(
    of: Prospects,
    merit: Merit,
    birds: Sequence[str],
    draws: np.ndarray,
    alleles: np.ndarray,
    at: dict[str, int],
) -> Birds:
    """The birds that stay: their merit a draw of its posterior, the estimate its mean."""
    table = merit.living[list(birds)]
    shape = (len(draws), len(birds))
    return Birds(
        table.to_numpy()[draws],
        np.broadcast_to(table.mean().to_numpy(), shape),
        np.broadcast_to(table.var(ddof=0).to_numpy(), shape),
        alleles[:, [at[b] for b in birds]],
        np.broadcast_to(of.ages.reindex(list(birds)).to_numpy(dtype=float), shape),
    )


def _suppliers(of: Prospects, flock: Flock, season: Season, draws: np.ndarray) -> Suppliers:
    names = tuple(of.pens)
    clutches = np.array([season.sources[s] for s in names], dtype=float)
    bases = [of.names.index(s.split("/")[0].strip()) for s in names]
    return Suppliers(
        names=names,
        bases=np.array(bases),
        step=len(of.names),
        levels=of.levels[list(names)].to_numpy()[draws],
        held=of.levels[list(names)].mean().to_numpy(),
        chances=clutches / clutches.sum(),
        cocks=np.array([len(of.pens[s][0]) for s in names]),
        hens=np.array([len(of.pens[s][1]) for s in names]),
        same_pen=flock.plan.same_pen,
    )
