"""Merit at scale, as ratios against scipy alone on the same equations, measured in the same run.

    python -m tests.benchmarks.bench_merit            (up to 1,000,000 birds: some minutes, 4 GB)
    python -m tests.benchmarks.bench_merit 100000     (stop there)

Ten generations, one record a bird, one fixed effect, heritability ⅓ (so the equations are Z'Z + 2A⁻¹). `ours`
is everything from frames to breeding values (pedigree apart); `theirs` builds the same matrix by the rules
with scipy alone, then factors and solves it (splu, minimum degree on AᵀA + A, symmetric mode), or iterates
(conjugate gradients, the diagonal as preconditioner, the same tolerance).
"""

from __future__ import annotations

import resource
import sys
from time import perf_counter

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse.linalg import LinearOperator, cg, splu

from selection.merit import mixed_equations
from selection.merit.mixed_model import fit_model
from selection.merit.relationship.pedigree import Pedigree, build, from_parents

GENERATIONS = 10
SIZES = (1_000, 10_000, 100_000, 1_000_000)


def flock(n: int, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Parents and records of n birds: a hundredth of each generation sires, a tenth dams, at most 200 and 2,000."""
    size = n // GENERATIONS
    sire, dam = np.full(n, -1), np.full(n, -1)
    for g in range(1, GENERATIONS):
        first, half = (g - 1) * size, size // 2
        cocks = first + rng.choice(half, min(max(size // 100, 2), 200), replace=False)
        hens = first + half + rng.choice(size - half, min(max(size // 10, 4), 2_000), replace=False)
        chicks = slice(g * size, (g + 1) * size)
        sire[chicks], dam[chicks] = rng.choice(cocks, size), rng.choice(hens, size)
    names = np.char.add("b", np.arange(n).astype(str)).astype(object)
    parents = pd.DataFrame(
        {
            "bird": names,
            "sire": np.where(sire < 0, None, names[sire]),
            "dam": np.where(dam < 0, None, names[dam]),
        }
    )
    records = pd.DataFrame(
        {"bird": names, "sex": np.where(np.arange(n) % size < size // 2, "m", "f"), "y": rng.normal(size=n)}
    )
    return parents, records


def theirs(parents: pd.DataFrame, records: pd.DataFrame, inbreeding: np.ndarray, direct: bool) -> float:
    """Seconds that scipy alone takes for the same equations, F given."""
    begun = perf_counter()
    at = pd.Index(parents["bird"])
    n = len(at)
    rows, cols, d = [], [], np.ones(n)
    for side in ("sire", "dam"):
        known = parents[side].notna().to_numpy()
        place = at.get_indexer(parents[side][known])
        rows.append(np.flatnonzero(known))
        cols.append(place)
        d[known] -= 0.25 * (1 + inbreeding[place])
    row, col = np.concatenate(rows), np.concatenate(cols)
    descent = sparse.eye_array(n) - sparse.csr_array((np.full(len(row), 0.5), (row, col)), shape=(n, n))
    inverse = descent.T @ sparse.diags_array(1 / d) @ descent
    sex = pd.get_dummies(records["sex"], dtype=float).to_numpy()
    design = sparse.hstack([sparse.csr_array(sex), sparse.eye_array(n)], format="csr")
    matrix = (design.T @ design + sparse.block_diag([sparse.csr_array((2, 2)), 2 * inverse])).tocsc()
    right = design.T @ records["y"].to_numpy()
    if direct:
        splu(
            matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
        ).solve(right)
    else:
        scale = 1 / matrix.diagonal()
        cg(
            matrix.tocsr(),
            right,
            rtol=1e-8,
            maxiter=5_000,
            M=LinearOperator(matrix.shape, lambda v: scale * v),
        )
    return perf_counter() - begun


def pedigree_of(parents: pd.DataFrame) -> tuple[Pedigree, float, float]:
    """The pedigree, the seconds from the frame to it, and how many of these its inbreeding takes."""
    begun = perf_counter()
    pedigree = from_parents(parents)
    built = perf_counter() - begun
    begun = perf_counter()
    build(pedigree.birds, pedigree.sires, pedigree.dams)
    return pedigree, built, perf_counter() - begun


def main(largest: int) -> None:
    """Print one row a size, then the slopes of time and memory on log axes."""
    rng = np.random.default_rng(1)
    rows = []
    for n in (size for size in SIZES if size <= largest):
        parents, records = flock(n, rng)
        pedigree, built, inbred = pedigree_of(parents)
        begun = perf_counter()
        fitted = fit_model(records, ["y"], fixed=["sex"], pedigree=pedigree, genetic=1.0, residual=2.0)
        ours = perf_counter() - begun
        direct = len(fitted.effects) < mixed_equations.ITERATE_FROM
        inbreeding = pedigree.inbreeding[pedigree.positions(parents["bird"])]
        reference = theirs(parents, records, inbreeding, direct)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        rows.append((n, built, ours))
        print(
            f"{n:>9,} birds: pedigree {built:.2f} s, of it generations and inbreeding {inbred:.2f} s, ours "
            f"{ours:.2f} s, scipy alone {reference:.2f} s ({'factor' if direct else 'iterated'}): ratio "
            f"{ours / reference:.2f}, inbreeding to scipy's solve {inbred / reference:.2f}, peak {peak:,.0f} MB",
            flush=True,
        )
    table = np.array(rows)
    large = table[table[:, 0] >= 10_000]
    if len(large) > 1:
        slope = np.polyfit(np.log(large[:, 0]), np.log(large[:, 1] + large[:, 2]), 1)[0]
        print(f"time grows as birds^{slope:.2f} from 10,000 birds on (below, fixed costs rule)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else SIZES[-1])
