"""Alleles dropped through pedigrees against the tabular method, within Monte Carlo error."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from demo.holding import simulate
from selection.decide.years.breeding import drop, inbreeding
from selection.merit.relationship.parentage import parentage
from selection.merit.relationship.pedigree import Pedigree, from_parents, from_shares
from tests.decide import holdings

RUNS, PLACES = 2_000, 16
ERRORS = 4.5
"""Standard errors that the worst of some tens of birds may be off by."""


def known(*rows: tuple[str, str | None, str | None]) -> Pedigree:
    return from_parents(pd.DataFrame(rows, columns=["bird", "sire", "dam"]))


def mrode() -> Pedigree:
    """Mrode (2014), ch. 2, the six-animal pedigree, its sixth from 5 × 2."""
    return known(("3", "1", "2"), ("4", "1", "u"), ("5", "4", "3"), ("6", "5", "v"), ("7", "4", "6"))


def full_sib_line() -> Pedigree:
    rows = [(f"{sex}{t}", f"m{t - 1}", f"f{t - 1}") for t in range(1, 7) for sex in "mf"]
    return known(*rows)


def back_cross() -> Pedigree:
    return known(("d1", "S", "H"), *((f"d{t}", "S", f"d{t - 1}") for t in range(2, 6)))


def shares() -> Pedigree:
    """A pen of two cocks and three hens over three springs, every parent in doubt."""
    rng = np.random.default_rng(6)
    cocks, hens = ["c1", "c2"], ["h1", "h2", "h3"]
    sires: dict[str, dict[str, float]] = {b: {} for b in cocks + hens}
    dams = {b: {} for b in cocks + hens}
    for t in range(3):
        young = [f"{sex}{t}{i}" for sex in "ch" for i in range(3)]
        for bird in young:
            sires[bird] = dict(zip(cocks, rng.dirichlet(np.ones(len(cocks))) / 2, strict=True))
            dams[bird] = dict(zip(hens, rng.dirichlet(np.ones(len(hens))) / 2, strict=True))
        cocks, hens = young[:2], young[3:]
    return from_shares(sires, dams)


def same_pen() -> Pedigree:
    """A supplier's pair that may be the same birds in three springs, their sons put to the last one's daughters."""
    return parentage(holdings.flock(same_pen=0.6)).pedigree


@pytest.mark.parametrize("make", [mrode, full_sib_line, back_cross, shares, same_pen])
def test_mean_f_of_the_drop_is_the_tabular_f(make: Callable[[], Pedigree]) -> None:
    pedigree = make()
    bases = np.zeros(len(pedigree.birds), dtype=int)
    F = inbreeding(drop(pedigree, pedigree.birds, bases, RUNS, np.random.default_rng(1), PLACES))
    error = np.maximum(F.std(axis=0) / np.sqrt(RUNS), 1e-12)
    assert (np.abs(F.mean(axis=0) - pedigree.inbreeding) / error).max() < ERRORS


@pytest.mark.parametrize("make", [mrode, shares, same_pen])
def test_alleles_of_two_birds_are_alike_as_often_as_they_are_related(make: Callable[[], Pedigree]) -> None:
    """One allele of each drawn at random is alike by descent with chance ½A (Malécot's coancestry)."""
    pedigree = make()
    bases = np.zeros(len(pedigree.birds), dtype=int)
    alleles = drop(pedigree, pedigree.birds, bases, RUNS, np.random.default_rng(2), PLACES)
    last = alleles[:, -1]
    alike = (alleles[:, :, :, None, :] == last[:, None, None, :, :]).mean(axis=(2, 3, 4))
    error = np.maximum(alike.std(axis=0) / np.sqrt(RUNS), 1e-12)
    expected = 0.5 * pedigree.relationship(pedigree.birds, [pedigree.birds[-1]])[:, 0]
    assert (np.abs(alike.mean(axis=0) - expected) / error)[:-1].max() < ERRORS


def test_a_whole_holding_agrees_with_its_pedigree_in_inbreeding_and_blood() -> None:
    flock = simulate(5).flock()
    family = parentage(flock)
    birds = list(flock.birds.loc[flock.birds["alive"], "bird"])
    at = family.pedigree.positions(birds)
    shares = family.bases.toarray()
    alleles = drop(family.pedigree, birds, shares.argmax(axis=1), 400, np.random.default_rng(3), 32)
    F = inbreeding(alleles)
    error = np.maximum(F.std(axis=0) / np.sqrt(400), 2e-3)
    assert (np.abs(F.mean(axis=0) - family.pedigree.inbreeding[at]) / error).max() < ERRORS
    blood = np.stack(
        [(alleles % shares.shape[1] == b).mean(axis=(2, 3)) for b in range(shares.shape[1])], axis=-1
    )
    spread = np.maximum(blood.std(axis=0) / np.sqrt(400), 2e-3)
    assert (np.abs(blood.mean(axis=0) - shares[at]) / spread).max() < ERRORS


def test_the_same_seed_drops_the_same_alleles() -> None:
    pedigree, bases = mrode(), np.zeros(9, dtype=int)
    first, again = (drop(pedigree, ["7"], bases, 5, np.random.default_rng(9), 4) for _ in range(2))
    assert (first == again).all()
