"""Who is whose chick, with shares where that is not certain, and the relationships that follow.

Every bird has shares w in its possible sires (they add up to ½) and dams (½). In hatch order

    A_ij = Σ_k w_ik A_kj  (j before i),   A_ii = 1 + F_i,   F_i = 2 Σ_s Σ_d w_is w_id A_sd,
    d_i = A_ii − Σ_k Σ_l w_ik w_il A_kl,  A⁻¹ = (I − W)ᵀ D⁻¹ (I − W).

With known parents this is Henderson (1976, Biometrics 32:69-83); with shares the average relationship of
uncertain parentage (Henderson 1988, J. Anim. Sci. 66:1614, volume and page from memory; Perez-Enciso and
Fernando 1992, Theor. Appl. Genet. 84:173, from memory). This module knows nothing of traits, pens or forms:
`parentage` turns a flock's forms into shares.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import sparse

from selection.errors import ModelError, PedigreeError

Shares = dict[str, float]
"""Possible parents of one side and the share of each; they add up to ½ (or to 0: a founder)."""

MOST_PARENTS = 3_000
"""So many parents may wait for chicks at once with their relationships in one dense block (72 MB); where there are
more, to follow every bird's ancestors is quicker and takes less memory."""

TOGETHER = 10_000
"""Birds whose ancestors are followed at once."""


@dataclass(frozen=True)
class Pedigree:
    """Birds in hatch order with their shares, inbreeding and Mendelian variances.

    birds: n ids, every parent before its chicks; `sires`, `dams`: n × n shares (each row adds up to ½ or 0);
    inbreeding: F (n,); mendelian: d (n,), the part of A_ii that no parent explains;
    levels: the generations, each an array of positions whose parents all lie in earlier ones;
    stood: by parent that nobody here has seen the place where it stood; blank where nothing tells it.
    """

    birds: tuple[str, ...]
    sires: sparse.csr_array
    dams: sparse.csr_array
    inbreeding: np.ndarray
    mendelian: np.ndarray
    levels: tuple[np.ndarray, ...] = field(repr=False)
    stood: Mapping[str, str] = field(default_factory=dict, repr=False)

    @cached_property
    def weights(self) -> sparse.csr_array:
        """W = sires' shares + dams' shares, n × n."""
        return (self.sires + self.dams).tocsr()

    @cached_property
    def index(self) -> pd.Index:
        """Ids to positions."""
        return pd.Index(self.birds)

    @cached_property
    def places(self) -> dict[str, int]:
        """Ids to positions, for a few at a time."""
        return {bird: place for place, bird in enumerate(self.birds)}

    def positions(self, birds: Iterable[str]) -> np.ndarray:
        """Positions of `birds`; raises PedigreeError naming those that are not in the pedigree."""
        wanted = list(birds)
        at = [self.places.get(bird, -1) for bird in wanted]
        if missing := [str(bird) for bird, place in zip(wanted, at, strict=True) if place < 0]:
            raise PedigreeError(f"not in the pedigree: {', '.join(missing)}")
        return np.array(at, dtype=np.intp)

    def inverse(self) -> sparse.csc_array:
        """A⁻¹ by Henderson's rules, sparse n × n."""
        descent = (sparse.eye_array(len(self.birds), format="csr") - self.weights).tocsr()
        return (descent.T @ sparse.diags_array(1 / self.mendelian) @ descent).tocsc()

    def relationship(self, rows: Sequence[str], cols: Sequence[str] | None = None) -> np.ndarray:
        """The block of A between `rows` and `cols` (default: `rows` again), by ids."""
        at_rows = self.positions(rows)
        at_cols = at_rows if cols is None else self.positions(cols)
        start = np.zeros((len(self.birds), len(at_cols)))
        start[at_cols, np.arange(len(at_cols))] = 1.0
        return self.times(start)[at_rows]

    def times(self, vectors: np.ndarray) -> np.ndarray:
        """A @ vectors (n × k) by one pass up the generations and one down."""
        return self.descend(self.mendelian[:, None] * self.ascend(vectors))

    def ascend(self, vectors: np.ndarray) -> np.ndarray:
        """(I − W)⁻ᵀ @ vectors: what each bird hands back to its ancestors."""
        total = np.array(vectors, dtype=float)
        for level in reversed(self.levels[1:]):
            total += self.weights[level].T @ total[level]
        return total

    def descend(self, vectors: np.ndarray) -> np.ndarray:
        """(I − W)⁻¹ @ vectors: what each bird has from its ancestors and itself."""
        total = np.array(vectors, dtype=float)
        for level in self.levels[1:]:
            total[level] += self.weights[level] @ total
        return total


def from_parents(frame: pd.DataFrame) -> Pedigree:
    """Make a pedigree from one sire and one dam a bird.

    Parameters
    ----------
    frame : DataFrame
        Columns bird, sire, dam; a missing parent is unknown, a founder of its own. Parents that have no row of their
        own become founders.

    Returns
    -------
    Pedigree
        Birds in hatch order with their shares in parents, inbreeding and Mendelian variances.

    Raises
    ------
    PedigreeError
        For a bird listed twice, a bird that is both a sire and a dam, and loops.

    Examples
    --------
    Brother and sister, and their chick:

    >>> import pandas as pd
    >>> from selection import from_parents
    >>> birds = {"bird": ["b", "s", "c"], "sire": ["f", "f", "b"], "dam": ["m", "m", "s"]}
    >>> pedigree = from_parents(pd.DataFrame(birds))
    >>> pedigree.inbreeding[pedigree.positions(["c"])].tolist()
    [0.25]
    """
    twice = frame["bird"][frame["bird"].duplicated()]
    if len(twice):
        raise PedigreeError(f"listed more than once: {', '.join(map(str, twice.unique()))}")
    sires, dams = (pd.Index(frame[side].dropna().unique()) for side in ("sire", "dam"))
    both = sires.intersection(dams)
    if len(both):
        raise PedigreeError(f"named as a sire and as a dam: {', '.join(sorted(map(str, both)))}")
    founders = sires.append(dams).difference(pd.Index(frame["bird"]), sort=False).tolist()
    birds = [*founders, *frame["bird"].to_numpy()]
    at = pd.Index(birds)
    rows = np.arange(len(founders), len(birds))
    return build(birds, *(_known(frame[side], rows, at) for side in ("sire", "dam")))


def from_shares(
    sires: dict[str, Shares], dams: dict[str, Shares], partial: dict[str, Shares] | None = None
) -> Pedigree:
    """Make a pedigree from each bird's shares in its possible parents.

    Parameters
    ----------
    sires, dams : dict of str to mapping of str to float
        By bird the share of its genes that each possible sire, and each dam, gave it: half the probability, so that
        they add up to ½. The same keys in both, and {} for a founder.
    partial : dict of str to mapping of str to float, optional
        Founders that may be the same bird as an earlier founder: a share p in founder k makes A = p between the two
        (the chance that they are one bird) and leaves A_ii = 1.

    Returns
    -------
    Pedigree
        As :func:`from_parents` gives it; A is the mean over the possible parents.

    Raises
    ------
    PedigreeError
        For loops, and birds that are both sire and dam.

    Notes
    -----
    Henderson (1988, Journal of Dairy Science 71, supplement 2:1, from memory): the average relationship of
    uncertain parents.

    Examples
    --------
    A chick of one hen and of either of two cocks:

    >>> from selection import from_shares
    >>> sires = {"x": {}, "y": {}, "h": {}, "c": {"x": 0.25, "y": 0.25}}
    >>> dams = {"x": {}, "y": {}, "h": {}, "c": {"h": 0.5}}
    >>> from_shares(sires, dams).relationship(["c"], ["x", "y", "h"]).tolist()
    [[0.25, 0.25, 0.5]]
    """
    birds = list(sires)
    at = {bird: i for i, bird in enumerate(birds)}
    return build(birds, _matrix(sires, at), _matrix(dams, at), _matrix(partial or {}, at))


def group_shares(pedigree: Pedigree, groups: Mapping[str, str]) -> pd.DataFrame:
    """Share out each bird's blood among groups, from the group of each founder.

    Parameters
    ----------
    pedigree : Pedigree
        The birds' relationships.
    groups : mapping of str to str
        By founder the name of its group.

    Returns
    -------
    DataFrame
        One row a bird: bird, then one column a group, names in order; the shares of a row add up to 1.

    Raises
    ------
    ModelError
        For a founder without a group.

    Notes
    -----
    Quaas (1988, Journal of Dairy Science 71:1338, from memory): groups as regressions on shares.

    Examples
    --------
    >>> import pandas as pd
    >>> from selection import from_parents, group_shares
    >>> pedigree = from_parents(pd.DataFrame({"bird": ["c"], "sire": ["a"], "dam": ["b"]}))
    >>> group_shares(pedigree, {"a": "home", "b": "bought"}).set_index("bird").loc["c"].to_dict()
    {'bought': 0.5, 'home': 0.5}
    """
    names = sorted(set(groups.values()))
    shares = np.zeros((len(pedigree.birds), len(names)))
    founders = pedigree.levels[0]
    missing = [pedigree.birds[i] for i in founders if pedigree.birds[i] not in groups]
    if missing:
        raise ModelError(f"founders without a group: {', '.join(missing)}")
    for i in founders:
        shares[i, names.index(groups[pedigree.birds[i]])] = 1.0
    return pd.DataFrame(pedigree.descend(shares), columns=names).assign(bird=pedigree.birds)[["bird", *names]]


def build(
    birds: Sequence[str],
    sires: sparse.csr_array,
    dams: sparse.csr_array,
    partial: sparse.csr_array | None = None,
) -> Pedigree:
    """Pedigree from n × n share matrices, in any order of birds; raises PedigreeError on a loop."""
    # a founder that may be an earlier one carries its share on the dam side alone, so that F stays 0
    dams = dams if partial is None else (dams + partial).tocsr()
    levels = _generations((sires + dams).tocsr(), birds)
    order = np.concatenate([np.array([], dtype=int), *levels])
    if not np.array_equal(order, np.arange(len(order))):
        sires, dams = sires[order][:, order].tocsr(), dams[order][:, order].tocsr()
    ends = np.cumsum([len(level) for level in levels])
    placed = tuple(np.arange(end - len(level), end) for end, level in zip(ends, levels, strict=True))
    inbreeding, mendelian = _inbreeding(sires, dams, placed)
    return Pedigree(tuple(birds[i] for i in order), sires, dams, inbreeding, mendelian, placed)


def _known(parents: pd.Series, rows: np.ndarray, at: pd.Index) -> sparse.csr_array:
    """Share matrix of one side with certain parents: ½ where one is known."""
    known = parents.notna().to_numpy()
    cols = at.get_indexer(parents[known])
    return sparse.csr_array((np.full(known.sum(), 0.5), (rows[known], cols)), shape=(len(at), len(at)))


def _matrix(shares: dict[str, Shares], at: dict[str, int]) -> sparse.csr_array:
    cells = [(at[bird], at[parent], w) for bird, row in shares.items() for parent, w in row.items() if w > 0]
    rows, cols, values = zip(*cells, strict=True) if cells else ((), (), ())
    return sparse.csr_array((np.array(values, float), (rows, cols)), shape=(len(at), len(at)))


def _generations(weights: sparse.csr_array, birds: Sequence[str]) -> list[np.ndarray]:
    """Positions by generation: founders first, each later one after all its possible parents."""
    waiting = np.diff(weights.indptr)
    children = weights.T.tocsr()
    level = np.flatnonzero(waiting == 0)
    levels, placed = [], 0
    while len(level):
        levels.append(level)
        placed += len(level)
        chicks = children[level].indices
        waiting = waiting - np.bincount(chicks, minlength=len(waiting))
        chicks = np.unique(chicks)
        level = chicks[waiting[chicks] == 0]
    if placed < len(birds):
        stuck = [str(birds[int(i)]) for i in np.flatnonzero(waiting > 0)]
        raise PedigreeError(
            f"a loop of parents: following the parents of {', '.join(stuck[:8])} leads back to the bird itself; "
            "correct a sire, dam, hatching date or pen of one of them"
        )
    return levels


def _inbreeding(
    sires: sparse.csr_array, dams: sparse.csr_array, levels: Sequence[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """F and d of every bird (n,), generation by generation, the quicker way of two."""
    weights = (sires + dams).tocsr()
    last = _last_generation(weights, levels)
    most = max(((last[np.concatenate(levels[: g + 1])] > g).sum() for g in range(len(levels))), default=0)
    if most > MOST_PARENTS:
        return _by_ancestors(sires, dams, weights, levels)
    return _by_relationships(sires, dams, weights, levels, last)


def _by_ancestors(
    sires: sparse.csr_array, dams: sparse.csr_array, weights: sparse.csr_array, levels: Sequence[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """F and d from each bird's descent: A_sd = Σ_k t_sk t_dk d_k over ancestors k, t the shares that come down.

    For certain parents the method of Meuwissen and Luo (1992, Genet. Sel. Evol. 24:305, from memory). Memory:
    the ancestors of TOGETHER birds.
    """
    inbreeding, mendelian = np.zeros(weights.shape[0]), np.ones(weights.shape[0])
    for level in levels[1:]:
        for birds in np.array_split(level, -(-len(level) // TOGETHER)):
            sire, dam = (_descent(side[birds], weights) for side in (sires, dams))
            own = sire + dam
            inbreeding[birds] = 2 * (sire.multiply(dam) @ mendelian)
            mendelian[birds] = 1 + inbreeding[birds] - own.multiply(own) @ mendelian
    return inbreeding, mendelian


def _descent(shares: sparse.csr_array, weights: sparse.csr_array) -> sparse.csr_array:
    """`shares` (b × n) in parents carried on to all ancestors: shares (I − W)⁻¹."""
    total, left = shares, shares
    while left.nnz:
        left = left @ weights
        total = total + left
    return total


def _by_relationships(
    sires: sparse.csr_array,
    dams: sparse.csr_array,
    weights: sparse.csr_array,
    levels: Sequence[np.ndarray],
    last: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """F and d from the relationships among parents that still have chicks to come, kept as one dense block."""
    inbreeding, mendelian = np.zeros(weights.shape[0]), np.ones(weights.shape[0])
    waiting, among = np.array([], dtype=int), np.zeros((0, 0))
    for number, level in enumerate(levels):
        own, sire, dam = (_columns(m[level], waiting) for m in (weights, sires, dams))
        inbreeding[level] = 2 * _between_shares(sire, dam, among)
        mendelian[level] = 1 + inbreeding[level] - _between_shares(own, own, among)
        breeding, stay = last[level] > number, last[waiting] > number
        between = own[breeding] @ among  # A between the parents to be and those that wait
        within = (own[breeding] @ between.T).T
        np.fill_diagonal(within, 1 + inbreeding[level][breeding])
        waiting = np.concatenate([waiting[stay], level[breeding]])
        among = np.block([[among[np.ix_(stay, stay)], between[:, stay].T], [between[:, stay], within]])
    return inbreeding, mendelian


def _last_generation(weights: sparse.csr_array, levels: Sequence[np.ndarray]) -> np.ndarray:
    """The last generation in which each bird is a parent; −1 for a bird without chicks."""
    last = np.full(weights.shape[0], -1)
    for number, level in enumerate(levels):
        last[weights[level].indices] = number
    return last


def _between_shares(one: sparse.csr_array, other: sparse.csr_array, among: np.ndarray) -> np.ndarray:
    """Σ_k Σ_l one_ik other_il A_kl for every row i, from the few entries of each row alone."""
    rows = np.repeat(np.arange(one.shape[0]), np.diff(one.indptr))
    times = np.diff(other.indptr)[rows]
    left = np.repeat(np.arange(len(rows)), times)
    start = np.repeat(np.cumsum(times) - times - other.indptr[rows], times)
    right = np.arange(len(left)) - start
    cells = one.data[left] * other.data[right] * among[one.indices[left], other.indices[right]]
    return np.bincount(rows[left], weights=cells, minlength=one.shape[0])


def _columns(rows: sparse.csr_array, columns: np.ndarray) -> sparse.csr_array:
    """`rows` with just these columns, in this order; all its entries must lie in them."""
    place = np.zeros(rows.shape[1], dtype=int)
    place[columns] = np.arange(len(columns))
    return sparse.csr_array(
        (rows.data, place[rows.indices], rows.indptr), shape=(rows.shape[0], len(columns))
    )
