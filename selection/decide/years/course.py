"""The course of a flock under one policy: every run's chicks year by year."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from selection.decide.years.breeding import Birds, Genetics, best, hatch, together, youngest
from selection.decide.years.fresh_blood import Pens, Suppliers, bought
from selection.decide.years.policies import Policy, Season


@dataclass(frozen=True)
class Start:
    """Where all policies set out from, in each of R runs: the birds that stay, and the suppliers' pens.

    fresh: the suppliers and their pens as last bought from, None for a flock that never bought in; step: how
    many bases of blood an allele may have.
    """

    cocks: Birds
    hens: Birds
    fresh: tuple[Suppliers, Pens] | None
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
            hatch(cocks, hens, number, genetics, rng, season.dams_known)
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
