"""How related a cock and a hen can be, over every parent that each bird may have: the most, and the chances.

`pedigree` averages relationship over possible parents; this is the rest of it: the other end, with the parents that
it supposes, and the chance that a pair is closer than allowed. A supplier's pen that may be the same birds as in
another spring counts as one more doubt.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import prod

import numpy as np

from selection.merit.relationship.pedigree import Pedigree

MOST_ASSIGNMENTS = 2_048
"""So many ways of giving every uncertain bird its parents are tried one by one; beyond, a bound is given."""

_DRAWS = 1_000
"""Sets of parents drawn for a chance: its standard error is .016 at the most."""

_CELLS = 20_000_000
"""Relationships held at once while parents are drawn (80 MB)."""

ROUNDED = 1e-6
"""Inbreeding within single precision of a limit is at it."""

SAME = 1e-9
"""Relationships closer together than this are the same."""


@dataclass(frozen=True)
class Worst:
    """The most that a pair can be related over the parents each bird may have.

    relationship: A(cock, hen) then; exact: attained by one assignment of parents, else only a bound that none
    exceeds; supposing: the parents it supposes, in words, of the younger birds first.
    """

    relationship: float
    exact: bool
    supposing: tuple[str, ...]


@dataclass(frozen=True)
class _Options:
    """Possible parents of m birds, parents first, by local position.

    called: how a sentence calls each bird; sires, dams: candidates of each (empty: a founder); same: founders it
    may be the same bird as; new: whether such a founder may also be a bird of its own; chances: of each candidate,
    by bird and side.
    """

    birds: tuple[str, ...]
    called: tuple[str, ...]
    sires: tuple[tuple[int, ...], ...]
    dams: tuple[tuple[int, ...], ...]
    same: tuple[tuple[int, ...], ...]
    new: tuple[bool, ...]
    chances: Mapping[tuple[int, str], np.ndarray]

    def of(self, bird: int, side: str) -> tuple[int, ...]:
        return {"sire": self.sires, "dam": self.dams, "same": self.same}[side][bird]


def ancestry(pedigree: Pedigree, birds: Sequence[str]) -> np.ndarray:
    """Positions of `birds` and of every bird that may be an ancestor of one of them, parents first."""
    found = np.zeros(len(pedigree.birds), dtype=bool)
    found[pedigree.positions(birds)] = True
    for level in reversed(pedigree.levels):
        found[pedigree.weights[level[found[level]]].indices] = True
    return np.flatnonzero(found)


class WorstCase:
    """The most related that birds of one pedigree can be, over every assignment of possible parents.

    M(i, j) = ½·max over sires M(s, j) + ½·max over dams M(d, j), i the younger, and
    M(i, i) = 1 + ½·max M(s, d): no assignment exceeds it, by induction. Where the parents that attain it
    agree with one another it is the exact worst case; where they do not (one bird would need two sires), the
    assignments are tried one by one if they are at most `MOST_ASSIGNMENTS`, and else the bound stands.
    `of` tells how a bird is called in words.
    """

    def __init__(self, pedigree: Pedigree, birds: Sequence[str], of: Callable[[str], object] = str) -> None:
        self.pedigree = pedigree
        self.options = _options(pedigree, ancestry(pedigree, birds), of)
        self.at = {bird: i for i, bird in enumerate(self.options.birds)}
        self.bound = _bound(self.options)

    def pair(self, first: str, second: str) -> Worst:
        """The worst case of one pair of the birds given at the start."""
        ends = (self.at[first], self.at[second])
        trace = _Trace(self.options, self.bound)
        trace.visit(*ends)
        most, exact = float(self.bound[ends]), trace.agrees
        if not exact:
            options = _options(self.pedigree, ancestry(self.pedigree, [first, second]))
            if _assignments(options) <= MOST_ASSIGNMENTS:
                most, exact = _most_of_all(options, first, second), True
        return Worst(most, exact, trace.words() if trace.agrees else ())


def _options(pedigree: Pedigree, positions: np.ndarray, of: Callable[[str], object] = str) -> _Options:
    local = {int(p): i for i, p in enumerate(positions)}
    sires, dams, same, new = [], [], [], []
    chances: dict[tuple[int, str], np.ndarray] = {}
    for i, p in enumerate(positions):
        from_sires, from_dams = pedigree.sires[[p]], pedigree.dams[[p]]
        # a founder's shares on the dam side alone are chances of being an earlier founder (see from_shares)
        is_founder = from_sires.nnz == 0
        dam = tuple(local[int(k)] for k in from_dams.indices)
        sires.append(tuple(local[int(k)] for k in from_sires.indices))
        dams.append(() if is_founder else dam)
        same.append(dam if is_founder else ())
        new.append(bool(is_founder and from_dams.sum() < 1 - SAME))
        if is_founder and dam:
            chances[i, "same"] = from_dams.data
        elif not is_founder:
            chances |= {(i, "sire"): 2 * from_sires.data, (i, "dam"): 2 * from_dams.data}
    names = tuple(pedigree.birds[p] for p in positions)
    # birds never seen have no number but a description
    called = tuple(f"the {bird}" if bird in pedigree.stood else str(of(bird)) for bird in names)
    return _Options(names, called, tuple(sires), tuple(dams), tuple(same), tuple(new), chances)


def _bound(options: _Options) -> np.ndarray:
    """M (m, m)."""
    m = len(options.birds)
    M = np.zeros((m, m))
    for i in range(m):
        sires, dams, same = list(options.sires[i]), list(options.dams[i]), list(options.same[i])
        row, own = np.zeros(i), 1.0
        if same:
            row, own = M[same, :i].max(axis=0), max(1.0, M[same, same].max())
        for side in (sires, dams):
            row = row + 0.5 * M[side, :i].max(axis=0) if side else row
        if sires and dams:
            own = 1 + 0.5 * M[np.ix_(sires, dams)].max()
        M[i, :i] = M[:i, i] = row
        M[i, i] = own
    return M


class _Trace:
    """The parents that attain a bound, followed back from a pair; `agrees` while no bird needs two sires."""

    def __init__(self, options: _Options, bound: np.ndarray) -> None:
        self.options, self.bound = options, bound
        self.chosen: dict[tuple[int, str], int] = {}
        self.agrees = True
        self._seen: set[tuple[int, int]] = set()

    def visit(self, first: int, second: int) -> None:
        waiting = [(max(first, second), min(first, second))]
        while waiting:
            young, old = waiting.pop()
            if (young, old) in self._seen or self.bound[young, old] <= SAME:
                continue
            self._seen.add((young, old))
            pairs = self._twice(young) if young == old else self._sides(young, old)
            waiting += [(max(pair), min(pair)) for pair in pairs]

    def _sides(self, young: int, old: int) -> list[tuple[int, int]]:
        sides = [side for side in ("sire", "dam", "same") if self.options.of(young, side)]
        return [(self._choose(young, side, old), old) for side in sides]

    def _twice(self, bird: int) -> list[tuple[int, int]]:
        """The bird with itself: its sire with its dam, the two that are most related."""
        sires, dams = self.options.sires[bird], self.options.dams[bird]
        if not (sires and dams):
            return []
        most = self.bound[np.ix_(sires, dams)]
        # a choice already made is kept where it is as good
        best = [(s, d) for s, d in product(sires, dams) if self.bound[s, d] > most.max() - SAME]
        made = (self.chosen.get((bird, "sire")), self.chosen.get((bird, "dam")))
        sire, dam = max(best, key=lambda pair: (pair[0] == made[0]) + (pair[1] == made[1]))
        if most.max() > SAME:
            self._hold(bird, "sire", sire)
            self._hold(bird, "dam", dam)
        return [(sire, dam)]

    def _choose(self, bird: int, side: str, other: int) -> int:
        of = self.options.of(bird, side)
        values = self.bound[list(of), other]
        made = self.chosen.get((bird, side))
        best = [k for k, value in zip(of, values, strict=True) if value > values.max() - SAME]
        parent = made if made in best else best[0]
        if values.max() > SAME:
            self._hold(bird, side, parent)
        return parent

    def _hold(self, bird: int, side: str, parent: int) -> None:
        if self.chosen.setdefault((bird, side), parent) != parent:
            self.agrees = False

    def words(self) -> tuple[str, ...]:
        """What the trace supposes of birds in doubt: which are the same first, then parents, youngest first."""
        names, same, parents = self.options.called, [], []
        for (bird, side), parent in sorted(self.chosen.items(), reverse=True):
            if side == "same":
                same.append(f"{names[bird]} is the same bird as {names[parent]}")
            elif len(self.options.of(bird, side)) > 1:
                parents.append(f"{names[parent]} is the {side} of {names[bird]}")
        return (*same, *parents)


def _assignments(options: _Options) -> int:
    """How many ways there are of giving every bird one sire and one dam."""
    founders = [len(same) + new for same, new in zip(options.same, options.new, strict=True) if same]
    return prod(len(k) for k in (*options.sires, *options.dams) if k) * prod(founders)


def _most_of_all(options: _Options, first: str, second: str) -> float:
    """The greatest A(first, second) over all assignments, side by side."""
    choices = [
        (i, side, (*options.of(i, side), *((-1,) if side == "same" and options.new[i] else ())))
        for i in range(len(options.birds))
        for side in ("sire", "dam", "same")
        if options.of(i, side)
    ]
    ways = np.array(list(product(*(of for _, _, of in choices)))).reshape(-1, len(choices))
    picked = {(i, side): ways[:, c] for c, (i, side, _) in enumerate(choices)}
    at = {bird: i for i, bird in enumerate(options.birds)}
    return float(_tabular(options, picked, len(ways))[at[first], at[second]].max())


def _tabular(options: _Options, picked: Mapping[tuple[int, str], np.ndarray], ways: int) -> np.ndarray:
    """A (m + 1, m + 1, ways) by the tabular method, all ways at once; the last row is 0: related to nothing.

    picked: by bird and side the parent (ways,) of each way, −1 for none. Single precision: relationships are sums of
    few powers of a half.
    """
    m, way = len(options.birds), np.arange(ways)
    A = np.zeros((m + 1, m + 1, ways), dtype=np.float32)

    def rows_of(parent: np.ndarray, upto: int) -> np.ndarray:
        among = np.unique(parent)
        if len(among) == 1:
            return A[among[0], :upto]
        return np.add.reduce([A[k, :upto] * (parent == k) for k in among])

    for i in range(m):
        A[i, i] = 1
        if (i, "same") in picked:
            A[i, :i] = rows_of(picked[i, "same"], i)
        if (i, "sire") in picked:
            sire, dam = picked[i, "sire"], picked.get((i, "dam"), np.full(ways, -1))
            A[i, :i] = 0.5 * (rows_of(sire, i) + rows_of(dam, i))
            A[i, i] = 1 + 0.5 * A[sire, dam, way]
        A[:i, i] = A[i, :i]
    return A


def chance_over(
    pedigree: Pedigree,
    cocks: Sequence[str],
    hens: Sequence[str],
    most: float,
    rng: np.random.Generator,
    draws: int = _DRAWS,
) -> np.ndarray:
    """Chance (cocks, hens) that chicks of each pair are inbred to more than `most`, by what is known of parents.

    Parents are drawn by their shares, each bird's by itself, and F is worked out anew each time.
    """
    options = _options(pedigree, ancestry(pedigree, [*cocks, *hens]))
    at = {bird: i for i, bird in enumerate(options.birds)}
    rows, cols = (np.array([at[b] for b in birds], dtype=np.intp) for birds in (cocks, hens))
    together = int(np.clip(_CELLS // (len(options.birds) + 1) ** 2, 1, draws))
    over, left = np.zeros((len(cocks), len(hens))), draws
    while left > 0:
        ways = min(together, left)
        A = _tabular(options, _drawn(options, ways, rng), ways)
        over += (0.5 * A[rows[:, None], cols] > most + ROUNDED).sum(axis=2)
        left -= ways
    return over / draws


def _drawn(options: _Options, ways: int, rng: np.random.Generator) -> dict[tuple[int, str], np.ndarray]:
    """A parent of each side for every bird of every way (ways,), drawn by its chance; −1 for a founder of its own."""
    picked = {}
    for (bird, side), chances in options.chances.items():
        of = np.array((*options.of(bird, side), *((-1,) if side == "same" else ())))
        if len(of):
            which = (
                np.searchsorted(np.cumsum(chances), rng.random(ways)) if len(of) > 1 else np.zeros(ways, int)
            )
            picked[bird, side] = of[np.minimum(which, len(of) - 1)]
    return picked
