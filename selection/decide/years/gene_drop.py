"""Founder alleles dropped through the real pedigree: inbreeding and blood as chance hands them down.

Every founder gets two alleles of its own at each of a number of unlinked places; each chick draws a sire
and a dam by their shares and takes one allele of each at every place. Two alleles of one founder allele are
alike by descent, so that the share of such places is an unbiased draw of F (MacCluer, VandeBerg, Read and
Ryder 1986, Zoo Biology 5:147, from memory). An allele also carries where its founder came from.
"""

from __future__ import annotations

from collections.abc import Sequence
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
