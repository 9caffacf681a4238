"""The most that a cock and a hen can be related, over every parent that each bird may have.

`merit.pedigree` averages relationship over possible parents; this is the other end of it, with the parents
that it supposes. A supplier's pen that may be the same birds as in another spring counts as one more doubt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import prod

import numpy as np

from selection.merit.relationship.pedigree import Pedigree

MOST_ASSIGNMENTS = 2_048
"""So many ways of giving every uncertain bird its parents are tried one by one; beyond, a bound is given."""

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

    sires, dams: candidates of each (empty: a founder); same: founders it may be the same bird as; new:
    whether such a founder may also be a bird of its own.
    """

    birds: tuple[str, ...]
    sires: tuple[tuple[int, ...], ...]
    dams: tuple[tuple[int, ...], ...]
    same: tuple[tuple[int, ...], ...]
    new: tuple[bool, ...]

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
    """

    def __init__(self, pedigree: Pedigree, birds: Sequence[str]) -> None:
        self.pedigree = pedigree
        self.options = _options(pedigree, ancestry(pedigree, birds))
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


def _options(pedigree: Pedigree, positions: np.ndarray) -> _Options:
    local = {int(p): i for i, p in enumerate(positions)}
    sires, dams, same, new = [], [], [], []
    for p in positions:
        from_sires, from_dams = pedigree.sires[[p]], pedigree.dams[[p]]
        # a founder's shares on the dam side alone are chances of being an earlier founder (see from_shares)
        is_founder = from_sires.nnz == 0
        dam = tuple(local[int(k)] for k in from_dams.indices)
        sires.append(tuple(local[int(k)] for k in from_sires.indices))
        dams.append(() if is_founder else dam)
        same.append(dam if is_founder else ())
        new.append(bool(is_founder and from_dams.sum() < 1 - SAME))
    names = tuple(pedigree.birds[p] for p in positions)
    return _Options(names, tuple(sires), tuple(dams), tuple(same), tuple(new))


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
        names, same, parents = [_named(b) for b in self.options.birds], [], []
        for (bird, side), parent in sorted(self.chosen.items(), reverse=True):
            if side == "same":
                same.append(f"{names[bird]} is the same bird as {names[parent]}")
            elif len(self.options.of(bird, side)) > 1:
                parents.append(f"{names[parent]} is the {side} of {names[bird]}")
        return (*same, *parents)


def _named(bird: str) -> str:
    """A bird as a sentence calls it: birds never seen have no number but a description."""
    return f"the {bird}" if bird.startswith(("unseen ", "sire of ", "dam of ")) else bird


def _assignments(options: _Options) -> int:
    """How many ways there are of giving every bird one sire and one dam."""
    founders = [len(same) + new for same, new in zip(options.same, options.new, strict=True) if same]
    return prod(len(k) for k in (*options.sires, *options.dams) if k) * prod(founders)


def _most_of_all(options: _Options, first: str, second: str) -> float:
    """The greatest A(first, second) over all assignments, each by the tabular method, side by side."""
    m = len(options.birds)
    choices = [
        (i, side, (*options.of(i, side), *((-1,) if side == "same" and options.new[i] else ())))
        for i in range(m)
        for side in ("sire", "dam", "same")
        if options.of(i, side)
    ]
    ways = np.array(list(product(*(of for _, _, of in choices)))).reshape(-1, len(choices))
    picked = {(i, side): ways[:, c] for c, (i, side, _) in enumerate(choices)}
    way = np.arange(len(ways))
    A = np.zeros((len(ways), m + 1, m + 1))  # the last row stays zero: related to nothing
    for i in range(m):
        A[:, i, i] = 1
        if (i, "same") in picked:
            other = picked[i, "same"]
            A[:, i, :i] = A[way, other, :i]
        if (i, "sire") in picked:
            sire, dam = picked[i, "sire"], picked.get((i, "dam"), np.full(len(ways), -1))
            A[:, i, :i] = 0.5 * (A[way, sire, :i] + A[way, dam, :i])
            A[:, i, i] = 1 + 0.5 * A[way, sire, dam]
        A[:, :i, i] = A[:, i, :i]
    at = {bird: i for i, bird in enumerate(options.birds)}
    return float(A[:, at[first], at[second]].max())
