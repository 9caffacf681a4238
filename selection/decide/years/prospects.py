"""Where the years ahead set out from, the blood that is bought in, and the course of one policy year by year."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.decide.years.breeding import (
    PLACES,
    Birds,
    Genetics,
    after_one_look,
    best,
    drop,
    gametes,
    hatch_chicks,
    together,
    youngest,
)
from selection.decide.years.policies import Policy, Season
from selection.merit.candidates import YOUNG
from selection.merit.ranking import Merit
from selection.records.flock import Flock

FIRST_LABEL = 1 << 24
"""Founder alleles of years to come are numbered from here: above every one of the real pedigree."""


@dataclass(frozen=True)
class FreshBlood:
    """Where fresh blood comes from, S pens.

    names; bases: the base of each pen's blood (`allele % step`); step: how many bases there are; levels:
    mean merit of each pen's stock in each run, R × S, the same for all years; held: what is held of it
    (S,); chances: how often each is bought from (S,); cocks, hens: birds in each pen (S,); same_pen: chance
    that each bird of a pen is still the one of the last spring that was bought from it.
    """

    names: tuple[str, ...]
    bases: np.ndarray
    step: int
    levels: np.ndarray
    held: np.ndarray
    chances: np.ndarray
    cocks: np.ndarray
    hens: np.ndarray
    same_pen: float

    @property
    def width(self) -> int:
        """Places kept for each pen's birds, cocks first."""
        return int((self.cocks + self.hens).max())


@dataclass(frozen=True)
class _Pens:
    """Every pen as it last was: merit R × S·width, alleles R × S·width × 2 × places, labels used so far."""

    merit: np.ndarray
    alleles: np.ndarray
    labels: int


def first_pens(
    suppliers: FreshBlood,
    genetics: Genetics,
    known: Mapping[int, np.ndarray],
    places: int,
    rng: np.random.Generator,
) -> _Pens:
    """The pens as they were last bought from; `known`: pen → alleles of its birds in the real pedigree.

    Their merit is drawn about the supplier's level, as if no chick of theirs had been seen.
    """
    pens = _fresh(suppliers, genetics, FIRST_LABEL, places, rng)
    alleles = pens.alleles.copy()
    for pen, birds in known.items():
        alleles[:, pen * suppliers.width : pen * suppliers.width + birds.shape[1]] = birds
    return _Pens(pens.merit, alleles, pens.labels)


def bought(
    pens: _Pens,
    suppliers: FreshBlood,
    genetics: Genetics,
    number: int,
    clutches: int,
    rng: np.random.Generator,
) -> tuple[Birds, _Pens]:
    """`number` chicks of one sex, shared out evenly over `clutches` pens, looked at once; the pens now."""
    chosen = _chosen(suppliers, clutches, rng)
    pens = _this_spring(pens, suppliers, genetics, chosen, rng)
    of = chosen[:, np.arange(number) % chosen.shape[1]]
    sire = of * suppliers.width + _one_of(suppliers.cocks[of], rng)
    dam = of * suppliers.width + suppliers.cocks[of] + _one_of(suppliers.hens[of], rng)
    run, sd = np.arange(len(of))[:, None], genetics.additive_sd
    # the pens' birds are founders: none is inbred
    mendelian = sd * np.sqrt(0.5) * rng.standard_normal(of.shape)
    merit = 0.5 * (pens.merit[run, sire] + pens.merit[run, dam]) + mendelian
    variance = sd**2 + suppliers.levels.var(axis=0)[of]
    estimate, doubt = after_one_look(merit, suppliers.held[of], variance, genetics.noise, rng)
    alleles = np.stack([gametes(pens.alleles, parent, rng) for parent in (sire, dam)], axis=2)
    return Birds(merit, estimate, doubt, alleles, np.zeros(of.shape)), pens


def _chosen(suppliers: FreshBlood, clutches: int, rng: np.random.Generator) -> np.ndarray:
    """The pens bought from in each run (R × clutches), by their chances and never one twice."""
    key = np.log(suppliers.chances) + rng.gumbel(size=suppliers.levels.shape)
    return np.argsort(-key, axis=1)[:, : min(clutches, len(suppliers.names))]


def _this_spring(
    pens: _Pens, suppliers: FreshBlood, genetics: Genetics, chosen: np.ndarray, rng: np.random.Generator
) -> _Pens:
    """The chosen pens' birds are each the last one still, or one of its own that is unrelated to all."""
    fresh = _fresh(suppliers, genetics, pens.labels, pens.alleles.shape[-1], rng)
    left = np.ones(suppliers.levels.shape, dtype=bool)
    np.put_along_axis(left, chosen, False, axis=1)
    still = np.repeat(left, suppliers.width, axis=1) | (rng.random(fresh.merit.shape) < suppliers.same_pen)
    merit = np.where(still, pens.merit, fresh.merit)
    return _Pens(merit, np.where(still[:, :, None, None], pens.alleles, fresh.alleles), fresh.labels)


def _fresh(
    suppliers: FreshBlood, genetics: Genetics, labels: int, places: int, rng: np.random.Generator
) -> _Pens:
    runs, count = suppliers.levels.shape
    n = count * suppliers.width
    levels = np.repeat(suppliers.levels, suppliers.width, axis=1)
    merit = levels + genetics.additive_sd * rng.standard_normal((runs, n))
    own = (labels + np.arange(2 * n)) * suppliers.step + np.repeat(suppliers.bases, 2 * suppliers.width)
    alleles = np.broadcast_to(own.astype(np.int32).reshape(n, 2, 1), (runs, n, 2, places))
    return _Pens(merit, alleles, labels + 2 * n)


def _one_of(counts: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A whole number from 0 and below each of `counts`."""
    return (rng.random(counts.shape) * counts).astype(int)


@dataclass(frozen=True)
class Start:
    """Where all policies set out from, in each of R runs: the birds that stay, and the suppliers' pens.

    fresh: the suppliers and their pens as last bought from, None for a flock that never bought in; step: how
    many bases of blood an allele may have.
    """

    cocks: Birds
    hens: Birds
    fresh: tuple[FreshBlood, _Pens] | None
    step: int


@dataclass(frozen=True)
class Course:
    """What each run and year brought, R × years; year 1 are the first chicks of the birds that stay.

    merit: mean of the year's home-bred chicks, points; inbreeding: their mean F; blood: R × years × bases,
    shares that add up to 1; cock_age, hen_age: of the parents; cock_gain, pullet_gain: by how much the chosen
    stand above those they were chosen from (missing in a year with the same cock).
    """

    merit: np.ndarray
    inbreeding: np.ndarray
    blood: np.ndarray
    cock_age: np.ndarray
    hen_age: np.ndarray
    cock_gain: np.ndarray
    pullet_gain: np.ndarray


def follow(
    policy: Policy, start: Start, season: Season, genetics: Genetics, years: int, rng: np.random.Generator
) -> Course:
    """Follow `policy` for `years`, all runs side by side."""
    cocks, hens, fresh = start.cocks, start.hens, start.fresh
    told = []
    for year in range(years):
        cockerels, pullets = (
            hatch_chicks(cocks, hens, number, genetics, rng, season.dams_known)
            for number in (season.cockerels, max(season.pullets, policy.pullets))
        )
        chicks = (*_of_chicks(together([cockerels, pullets]), start.step), cocks.age, hens.age)
        source = policy.cock_from[year % len(policy.cock_from)]
        if source == "bought-in":
            assert fresh is not None, "a policy that buys needs suppliers"
            suppliers, pens = fresh
            cockerels, pens = bought(pens, suppliers, genetics, season.bought, season.clutches, rng)
            fresh = (suppliers, pens)
        cocks, cock_gain = (cocks, np.nan) if source == "same" else _best(cockerels, policy.cocks, rng)
        chosen, pullet_gain = _best(pullets, policy.pullets, rng)
        hens = together([chosen, hens])
        hens, cocks = hens.take(youngest(hens, policy.hens)).older(), cocks.older()
        told.append((*chicks, cock_gain, pullet_gain))
    return _course(told)


def _of_chicks(chicks: Birds, step: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean merit (R,), mean F (R,) and blood by base (R × bases) of a year's chicks."""
    # x − step·(x // step): numpy's own remainder takes five times as long
    base = (chicks.alleles - step * (chicks.alleles // step)).reshape(len(chicks.merit), -1)
    base = base.astype(np.uint16)
    blood = np.stack([(base == b).sum(axis=1, dtype=np.uint32) for b in range(step)], axis=1) / base.shape[1]
    return chicks.merit.mean(axis=1), chicks.inbreeding.mean(axis=1), blood


def _best(birds: Birds, number: int, rng: np.random.Generator) -> tuple[Birds, np.ndarray]:
    """The best `number` by estimate, and how far their true merit stands above all's (R,)."""
    chosen = birds.take(best(birds, number, rng))
    return chosen, chosen.merit.mean(axis=1) - birds.merit.mean(axis=1)


def _course(told: list[tuple]) -> Course:
    merit, F, blood, cock_age, hen_age, cock_gain, pullet_gain = zip(*told, strict=True)
    runs = len(merit[0])
    return Course(
        merit=np.stack(merit, axis=1),
        inbreeding=np.stack(F, axis=1),
        blood=np.stack(blood, axis=1),
        cock_age=np.stack([a.mean(axis=1) for a in cock_age], axis=1),
        hen_age=np.stack([a.mean(axis=1) for a in hen_age], axis=1),
        cock_gain=np.stack([np.broadcast_to(g, runs) for g in cock_gain], axis=1),
        pullet_gain=np.stack(pullet_gain, axis=1),
    )


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


def _suppliers(of: Prospects, flock: Flock, season: Season, draws: np.ndarray) -> FreshBlood:
    names = tuple(of.pens)
    clutches = np.array([season.sources[s] for s in names], dtype=float)
    bases = [of.names.index(s.split("/")[0].strip()) for s in names]
    return FreshBlood(
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
