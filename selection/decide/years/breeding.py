"""One breeding season after another, many runs side by side, with every founder's alleles followed.

Arrays have runs as their first axis. A bird is its true merit, what the records make of it, how far that
may be off, its alleles at the places of :mod:`gene_drop`, and its age. Chicks take half of each parent's
merit and a Mendelian part of variance ½·σ_a²·(1 − mean F of the parents); what the records make of them is
the regression on one own look, worth the accuracy that the holding's records give, and on what is held of
their parents. So E[truth | estimate] = estimate, as of a posterior mean; sibs' looks are left out of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import prod

import numpy as np
from scipy import sparse

from selection.merit.relationship.pedigree import Pedigree
from selection.merit.relationship.worst_case import ancestry

PLACES = 64
"""Unlinked places followed in each run: one run's F is known to about √(F(1 − F)/64)."""


def drop(
    pedigree: Pedigree,
    birds: Sequence[str],
    bases: np.ndarray,
    runs: int,
    rng: np.random.Generator,
    places: int = PLACES,
) -> np.ndarray:
    """Alleles of `birds`: runs × birds × 2 × places, int32; two are alike by descent where they are equal.

    `bases` (n,): a whole number from 0 for each bird of the pedigree, where a founder's blood comes from;
    an allele's own base is `allele % (bases.max() + 1)`. A founder that may be the same bird as an earlier
    one is that bird in its share of the runs. Memory is that of every ancestor: take the runs in blocks.
    """
    line = ancestry(pedigree, birds)
    local = {int(p): i for i, p in enumerate(line)}
    alleles = np.empty((runs, len(line), 2, places), dtype=np.int32)
    step = int(bases.max()) + 1
    for i, p in enumerate(map(int, line)):
        own = np.array([2 * i, 2 * i + 1], dtype=np.int32) * step + int(bases[p])
        sires, dams = (_shares(side, p, local) for side in (pedigree.sires, pedigree.dams))
        if len(sires[0]):
            for slot, (parents, shares) in enumerate((sires, dams)):
                drawn = _drawn(parents, 2 * shares, runs, rng)
                alleles[:, i, slot] = gametes(alleles, drawn[:, None], rng)[:, 0]
        else:
            alleles[:, i] = own[:, None]
            same = _drawn(dams[0], dams[1], runs, rng)
            at = np.flatnonzero(same >= 0)
            alleles[at, i] = alleles[at, same[at]]
    return alleles[:, [local[int(p)] for p in pedigree.positions(birds)]]


def gametes(alleles: np.ndarray, parents: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """One allele at each place from each of `parents` (runs × m, positions): runs × m × places."""
    shape = (*parents.shape, alleles.shape[-1])
    tosses = np.frombuffer(rng.bytes(-(-prod(shape) // 8)), dtype=np.uint8)
    second = np.unpackbits(tosses, count=prod(shape)).reshape(shape)
    pairs = alleles[np.arange(len(parents))[:, None], parents]
    # five times as fast as choosing by index or by np.where, which wait on every toss
    return pairs[:, :, 0] + (pairs[:, :, 1] - pairs[:, :, 0]) * second


def inbreeding(alleles: np.ndarray) -> np.ndarray:
    """Share of places alike by descent of each bird, from alleles (… × 2 × places): F of each (…)."""
    return (alleles[..., 0, :] == alleles[..., 1, :]).mean(axis=-1)


def _shares(side: sparse.csr_array, at: int, local: dict[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Local positions of the possible parents of one side, and their shares."""
    row = slice(side.indptr[at], side.indptr[at + 1])
    return np.array([local[int(k)] for k in side.indices[row]], dtype=int), side.data[row]


def _drawn(of: np.ndarray, chances: np.ndarray, runs: int, rng: np.random.Generator) -> np.ndarray:
    """One of `of` for each run by its chance (runs,); −1 for the chance that is left."""
    if len(of) == 1 and chances[0] > 1 - 1e-9:
        return np.full(runs, of[0])
    ends = np.cumsum(chances)
    if ends.size and ends[-1] > 1 - 1e-9:
        ends[-1] = 1.0
    at = np.searchsorted(ends, rng.random(runs), side="right")
    return np.append(of, -1)[np.minimum(at, len(of))]


@dataclass(frozen=True)
class Birds:
    """n birds in each of R runs.

    merit: truth in points; estimate: what the records make of it; doubt: variance of merit about it, each
    R × n; alleles: R × n × 2 × places; age: years at the coming hatch (R × n).
    """

    merit: np.ndarray
    estimate: np.ndarray
    doubt: np.ndarray
    alleles: np.ndarray
    age: np.ndarray

    def take(self, at: np.ndarray) -> Birds:
        """The birds at positions `at` (R × m) of each run."""
        run = np.arange(len(at))[:, None]
        flat = (self.merit, self.estimate, self.doubt, self.alleles, self.age)
        return Birds(*(a[run, at] for a in flat))

    def older(self) -> Birds:
        """The same birds a year on."""
        return Birds(self.merit, self.estimate, self.doubt, self.alleles, self.age + 1)

    @property
    def count(self) -> int:
        return self.merit.shape[1]

    @property
    def inbreeding(self) -> np.ndarray:
        """F of each, R × n."""
        return inbreeding(self.alleles)


def together(groups: Sequence[Birds]) -> Birds:
    """Several groups as one, in that order."""
    fields = ("merit", "estimate", "doubt", "alleles", "age")
    return Birds(*(np.concatenate([getattr(g, f) for g in groups], axis=1) for f in fields))


@dataclass(frozen=True)
class Genetics:
    """additive_sd: σ_a of merit in points; noise: variance of one look about merit (inf: no look).

    The look is one that gives the holding's accuracy: with V the variance of merit among those compared, its
    accuracy is √(V/(V + noise)).
    """

    additive_sd: float
    noise: float


def hatch_chicks(
    cocks: Birds,
    hens: Birds,
    number: int,
    genetics: Genetics,
    rng: np.random.Generator,
    dams_known: bool = False,
) -> Birds:
    """`number` chicks of cocks and hens taken at random, looked at once, in every run; age 0.

    `dams_known` False: a chick's dam is any hen of the pen to those who judge, as where several lay together.
    """
    runs = len(cocks.merit)
    sire, dam = (rng.integers(0, b.count, (runs, number)) for b in (cocks, hens))

    def of_parents(of_cocks: np.ndarray, of_hens: np.ndarray) -> np.ndarray:
        return 0.5 * (_each(of_cocks, sire) + _each(of_hens, dam))

    mendelian = 0.5 * genetics.additive_sd**2 * (1 - of_parents(cocks.inbreeding, hens.inbreeding))
    merit = of_parents(cocks.merit, hens.merit) + np.sqrt(mendelian) * rng.standard_normal(sire.shape)
    expected, doubt = _expected(cocks, sire, hens, dam if dams_known else None)
    estimate, doubt = after_one_look(merit, expected, doubt + mendelian, genetics.noise, rng)
    alleles = np.stack([gametes(cocks.alleles, sire, rng), gametes(hens.alleles, dam, rng)], axis=2)
    return Birds(merit, estimate, doubt, alleles, np.zeros(sire.shape))


def _each(values: np.ndarray, at: np.ndarray) -> np.ndarray:
    """The values (R × n) at positions `at` (R × m) of each run."""
    return np.take_along_axis(values, at, axis=1)


def _expected(
    cocks: Birds, sire: np.ndarray, hens: Birds, dam: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of the parents' half of a chick's merit, to those who judge (R × m)."""
    estimate, doubt = _each(cocks.estimate, sire), _each(cocks.doubt, sire)
    if dam is not None:
        return 0.5 * (estimate + _each(hens.estimate, dam)), 0.25 * (doubt + _each(hens.doubt, dam))
    middle = hens.estimate.mean(axis=1, keepdims=True)
    spread = hens.doubt.mean(axis=1, keepdims=True) + hens.estimate.var(axis=1, keepdims=True)
    return 0.5 * (estimate + middle), 0.25 * (doubt + spread)


def after_one_look(
    merit: np.ndarray, expected: np.ndarray, variance: np.ndarray, noise: float, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """(estimate, doubt) after one look of variance `noise`, from `expected` ± √variance before it."""
    if np.isinf(noise):
        return expected + np.zeros_like(merit), variance + np.zeros_like(merit)
    weight = variance / (variance + noise)
    seen = merit + np.sqrt(noise) * rng.standard_normal(merit.shape)
    return expected + weight * (seen - expected), weight * noise


def best(birds: Birds, number: int, rng: np.random.Generator) -> np.ndarray:
    """Positions of the `number` birds of highest estimate in each run (R × number); ties by lot."""
    key = birds.estimate + 1e-9 * rng.random(birds.estimate.shape)
    return np.argsort(-key, axis=1)[:, :number]


def youngest(birds: Birds, number: int) -> np.ndarray:
    """Positions of the `number` youngest of each run, between birds of one age the better (R × number)."""
    return np.lexsort((-birds.estimate, birds.age), axis=1)[:, :number]
