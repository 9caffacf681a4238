"""Bought-in chicks of years to come, from the suppliers' unseen birds, many runs side by side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from selection.decide.years.breeding import Birds, Genetics, gametes, looked_at

FIRST_LABEL = 1 << 24
"""Founder alleles of years to come are numbered from here: above every one of the real pedigree."""


@dataclass(frozen=True)
class Suppliers:
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
class Pens:
    """Every pen as it last was: merit R × S·width, alleles R × S·width × 2 × places, labels used so far."""

    merit: np.ndarray
    alleles: np.ndarray
    labels: int


def first_pens(
    suppliers: Suppliers,
    genetics: Genetics,
    known: Mapping[int, np.ndarray],
    places: int,
    rng: np.random.Generator,
) -> Pens:
    """The pens as they were last bought from; `known`: pen → alleles of its birds in the real pedigree.

    Their merit is drawn about the supplier's level, as if no chick of theirs had been seen.
    """
    pens = _fresh(suppliers, genetics, FIRST_LABEL, places, rng)
    alleles = pens.alleles.copy()
    for pen, birds in known.items():
        alleles[:, pen * suppliers.width : pen * suppliers.width + birds.shape[1]] = birds
    return Pens(pens.merit, alleles, pens.labels)


def bought(
    pens: Pens,
    suppliers: Suppliers,
    genetics: Genetics,
    number: int,
    clutches: int,
    rng: np.random.Generator,
) -> tuple[Birds, Pens]:
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
    estimate, doubt = looked_at(merit, suppliers.held[of], variance, genetics.noise, rng)
    alleles = np.stack([gametes(pens.alleles, parent, rng) for parent in (sire, dam)], axis=2)
    return Birds(merit, estimate, doubt, alleles, np.zeros(of.shape)), pens


def _chosen(suppliers: Suppliers, clutches: int, rng: np.random.Generator) -> np.ndarray:
    """The pens bought from in each run (R × clutches), by their chances and never one twice."""
    key = np.log(suppliers.chances) + rng.gumbel(size=suppliers.levels.shape)
    return np.argsort(-key, axis=1)[:, : min(clutches, len(suppliers.names))]


def _this_spring(
    pens: Pens, suppliers: Suppliers, genetics: Genetics, chosen: np.ndarray, rng: np.random.Generator
) -> Pens:
    """The chosen pens' birds are each the last one still, or one of its own that is unrelated to all."""
    fresh = _fresh(suppliers, genetics, pens.labels, pens.alleles.shape[-1], rng)
    left = np.ones(suppliers.levels.shape, dtype=bool)
    np.put_along_axis(left, chosen, False, axis=1)
    still = np.repeat(left, suppliers.width, axis=1) | (rng.random(fresh.merit.shape) < suppliers.same_pen)
    merit = np.where(still, pens.merit, fresh.merit)
    return Pens(merit, np.where(still[:, :, None, None], pens.alleles, fresh.alleles), fresh.labels)


def _fresh(
    suppliers: Suppliers, genetics: Genetics, labels: int, places: int, rng: np.random.Generator
) -> Pens:
    runs, count = suppliers.levels.shape
    n = count * suppliers.width
    levels = np.repeat(suppliers.levels, suppliers.width, axis=1)
    merit = levels + genetics.additive_sd * rng.standard_normal((runs, n))
    own = (labels + np.arange(2 * n)) * suppliers.step + np.repeat(suppliers.bases, 2 * suppliers.width)
    alleles = np.broadcast_to(own.astype(np.int32).reshape(n, 2, 1), (runs, n, 2, places))
    return Pens(merit, alleles, labels + 2 * n)


def _one_of(counts: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A whole number from 0 and below each of `counts`."""
    return (rng.random(counts.shape) * counts).astype(int)
