"""What one bird is to another, in words, with the doubt that uncertain parents leave: "full or half sister".

Each bird's possible sires and dams come with chances (`kinship.parents`). Two birds have a parent in common with the
chance that both draw the same one, a supplier's bird of two springs counting as one with the chance that it is. Which
bird of a pen fathered or mothered whom is taken as drawn bird by bird, as in the average relationship itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from selection.merit.relationship.kinship import parents
from selection.merit.relationship.pedigree import Pedigree

CERTAIN, LEAST = 0.995, 0.005
"""Chances from which a relation is said without a doubt, and under which nothing is said of it."""
MORE = 1.15
"""Times the relationship that the words come to, from which other lines are said to add to it."""
SIBLING = {"male": "brother", "female": "sister"}
PARENT = {"sire": "sire", "dam": "dam"}
CHICK = {"male": "son", "female": "daughter"}
HIS = {"male": "his", "female": "her"}


@dataclass(frozen=True, slots=True)
class Relation:
    """What `other` is to `bird`.

    words: "half sister", "her sire's full or half sister"; blank where nothing is known; relationship: A between them;
    sure: whether no parent in doubt stands behind the words; more: whether other lines add to the relationship.
    """

    bird: str
    other: str
    words: str
    relationship: float
    sure: bool
    more: bool


@dataclass(frozen=True, slots=True)
class Sibs:
    """Chances that two birds have sire and dam in common."""

    sire: float
    dam: float

    @property
    def any(self) -> float:
        """The chance that they share a parent at all."""
        return 1 - (1 - self.sire) * (1 - self.dam)

    @property
    def related(self) -> float:
        """The relationship this comes to, between parents without inbreeding or kin among them."""
        return (self.sire + self.dam) / 4

    def words(self, sibling: str) -> tuple[str, bool]:
        """What the one is to the other, and whether that is sure."""
        least = min(self.sire, self.dam)
        if least > CERTAIN:
            return f"full {sibling}", True
        if self.any > CERTAIN:
            both = self.sire * self.dam > LEAST
            return (f"full or half {sibling}", False) if both else (f"half {sibling}", True)
        both = self.sire * self.dam > LEAST
        return f"perhaps a {'full or ' if both else ''}half {sibling}", False


class Relations:
    """What the birds of one pedigree are to each other; `sexes` tells brothers from sisters.

    The relation that counts for most is named: parent or chick, full or half sib, grandparent or grandchick, a
    parent's sib or a sib's chick, cousins; what is further says its relationship alone.
    """

    def __init__(self, pedigree: Pedigree, sexes: Mapping[str, str]) -> None:
        self.pedigree, self.sexes = pedigree, sexes
        self._parents = cache(lambda at, side: parents(pedigree, side, at))
        self._chances = cache(lambda at, side: dict(parents(pedigree, side, at)))
        self._related = cache(self._column)
        founders = np.diff(pedigree.sires.indptr) == 0
        named_again = pedigree.dams[
            np.flatnonzero(founders)
        ].tocoo()  # see from_shares: founders that may be earlier ones
        rows, earlier = np.flatnonzero(founders)[named_again.coords[0]], named_again.coords[1]
        again = sorted({*map(int, rows), *map(int, earlier)})
        self._again = {position: place for place, position in enumerate(again)}
        named = [pedigree.birds[k] for k in again]
        self._identity = pedigree.relationship(named) if named else np.zeros((0, 0))
        """The chance that two names of founders mean one bird: of a supplier's in two springs, their relationship."""
        self.sibs = cache(self._sibs)

    def between(self, bird: str, other: str) -> Relation:
        """What `other` is to `bird`. Raises PedigreeError where one of them is not in the pedigree."""
        one, two = (int(k) for k in self.pedigree.positions([bird, other]))
        related = float(self._related(bird)[two])
        his = HIS.get(self.sexes.get(bird, ""), "its")
        lines = self._lines(one, two) if related > LEAST else []
        if not lines:
            return Relation(bird, other, "further related" if related > LEAST else "", related, False, False)
        words, expected, sure = max(lines, key=lambda line: round(line[1], 6))  # of equals the nearest
        more = related > MORE * expected + LEAST
        return Relation(bird, other, words.replace("{his}", his), related, sure, more)

    def in_words(self, bird: str, other: str) -> str:
        """What `other` is to `bird` as a phrase: "26-034 is 26-031's half sister"; blank where nothing is known."""
        words, own = self.between(bird, other).words, f"{bird}'s "
        if words in ("", "further related"):
            return f"{bird} and {other} are {words}" if words else ""
        his = HIS.get(self.sexes.get(bird, ""), "its")
        named = f" {words}".replace(f" {his} ", f" {own}", 1).strip()
        if named == words:  # no possessive in it: a brother or sister, a cousin
            doubt = "perhaps " if words.startswith("perhaps a ") else ""
            named = f"{doubt}{own}{words.removeprefix('perhaps a ')}"
        return f"{other} is {named}"

    def family_line(
        self,
        bird: str,
        others: Iterable[str],
        near: bool = False,
        of: Callable[[str], object] = str,
        most: int | None = None,
    ) -> list[str]:
        """What a bird is to others, alike ones together: "half sister to 26-034", "her sire's sister: 24-007".

        The nearest come first, each as `of` calls it; `near` leaves out those who are only further related, and of
        one kind more than `most` are counted. Its own parents are left out: they are told beside it.
        """
        own: dict[str, list[str]] = {}
        its_own: set[str] = set()
        his = HIS.get(self.sexes.get(bird, ""), "its")
        told = [self.between(bird, other) for other in others]
        for there in sorted(told, key=lambda kin: -round(kin.relationship, 6)):
            if not there.words or there.words.split()[-1] in PARENT:
                continue
            if there.words == "further related":
                own.setdefault("further related to", []).extend([] if near else [there.other])
            elif f"{his} " in there.words:
                own.setdefault(there.words, []).append(there.other)
                its_own.add(there.words)
            else:
                own.setdefault(f"{self.between(there.other, bird).words} to", []).append(there.other)
        plural = {words: f"{words}{'s' if len(own[words]) > 1 else ''}:" for words in its_own}
        return [
            f"{plural.get(words, words)} {_listed([str(of(name)) for name in names], most)}"
            for words, names in own.items()
            if names
        ]

    def _lines(self, one: int, two: int) -> list[tuple[str, float, bool]]:
        """Relations, the nearest first: words, the relationship they come to, whether they are sure.

        Further ones are followed only while they could count for more than what is found.
        """
        found: list[tuple[str, float, bool]] = []
        steps = ((self._in_line, 0.5), (self._siblings, 0.5), (self._grand, 0.25), (self._collateral, 0.25),
                 (self._cousins, 0.25))  # fmt: skip
        for step, most in steps:
            if max((line[1] for line in found), default=0.0) < most:
                found += step(one, two)
        return found

    def _siblings(self, one: int, two: int) -> Iterator[tuple[str, float, bool]]:
        if (sibs := self.sibs(one, two)).any > LEAST:
            words, sure = sibs.words(self._called(two, SIBLING, "sib"))
            yield words, sibs.related, sure

    def _in_line(self, one: int, two: int) -> Iterator[tuple[str, float, bool]]:
        for side in PARENT:
            if (chance := self._chances(one, side).get(two, 0)) > LEAST:
                yield _maybe("{his} " + side, chance), chance / 2, chance > CERTAIN
            if (chance := self._chances(two, side).get(one, 0)) > LEAST:
                yield (
                    _maybe("{his} " + self._called(two, CHICK, "chick"), chance),
                    chance / 2,
                    chance > CERTAIN,
                )

    def _grand(self, one: int, two: int) -> Iterator[tuple[str, float, bool]]:
        for first in PARENT:
            for second in PARENT:
                if (chance := self._through(one, first, second, two)) > LEAST:
                    yield _maybe(f"{{his}} {first}'s {second}", chance), chance / 4, chance > CERTAIN
                if (chance := self._through(two, first, second, one)) > LEAST:
                    chick = self._called(two, CHICK, "chick")
                    between = {"sire": "son", "dam": "daughter"}[first]
                    yield _maybe(f"{{his}} {between}'s {chick}", chance), chance / 4, chance > CERTAIN

    def _through(self, bird: int, first: str, second: str, ancestor: int) -> float:
        """The chance that `ancestor` is the `second` of the `first` of a bird."""
        return sum(c * self._chances(k, second).get(ancestor, 0) for k, c in self._parents(bird, first))

    def _collateral(self, one: int, two: int) -> Iterator[tuple[str, float, bool]]:
        for side in PARENT:
            sibs, known = self._mean_sibs([(k, c, two, 1.0) for k, c in self._parents(one, side)])
            if sibs.any > LEAST:
                words, sure = sibs.words(self._called(two, SIBLING, "sib"))
                yield _of(f"{{his}} {side}'s", words), sibs.related / 2, sure and known
            sibs, known = self._mean_sibs([(k, c, one, 1.0) for k, c in self._parents(two, side)])
            if sibs.any > LEAST:
                words, sure = sibs.words({"sire": "brother", "dam": "sister"}[side])
                chick = self._called(two, CHICK, "chick")
                yield f"{_of('{his}', words)}'s {chick}", sibs.related / 2, sure and known

    def _cousins(self, one: int, two: int) -> Iterator[tuple[str, float, bool]]:
        """First cousins, their parents full sibs, or half first cousins; double where both sides are."""
        found = []
        for side in PARENT:
            for other in PARENT:
                pairs = [
                    (k, c, m, d) for k, c in self._parents(one, side) for m, d in self._parents(two, other)
                ]
                sibs, known = self._mean_sibs([p for p in pairs if p[0] != p[2]])
                if sibs.any > LEAST:
                    found.append((sibs, known))
        if found:
            full = [sibs for sibs, _ in found if min(sibs.sire, sibs.dam) > CERTAIN]
            sure = all(known and sibs.words("")[1] for sibs, known in found)
            double = "double " if len(full) > 1 else ""
            words = f"{double}first cousin" if full else "half first cousin" if sure else "perhaps a cousin"
            yield words, sum(sibs.related for sibs, _ in found) / 4, sure

    def _mean_sibs(self, pairs: list[tuple[int, float, int, float]]) -> tuple[Sibs, bool]:
        """Chances that two parents drawn are sibs, over (parent, chance, other, chance); and if they are known."""
        drawn = [(self.sibs(k, m), c * d) for k, c, m, d in pairs if k != m]
        sire, dam = sum(s.sire * c for s, c in drawn), sum(s.dam * c for s, c in drawn)
        return Sibs(sire, dam), len(pairs) == 1

    def sibling(self, at: int, sibs: Sibs) -> str:
        """What the bird at a position is to one with which it has its parents in common so."""
        return sibs.words(self._called(at, SIBLING, "sib"))[0]

    def _sibs(self, one: int, two: int) -> Sibs:
        """The chances that birds at two positions of the pedigree have their sire and their dam in common."""
        return Sibs(*(self._common(one, two, side) for side in PARENT))

    def _common(self, one: int, two: int, side: str) -> float:
        """The chance that two birds have one and the same sire (or dam)."""
        own, others = self._chances(one, side), self._chances(two, side)
        both = sum(chance * others[k] for k, chance in own.items() if k in others)
        again = [(k, m) for k in own if k in self._again for m in others if m in self._again and m != k]
        same = self._identity
        return both + sum(own[k] * others[m] * same[self._again[k], self._again[m]] for k, m in again)

    def _column(self, bird: str) -> np.ndarray:
        """The relationship of every bird of the pedigree with one."""
        start = np.zeros((len(self.pedigree.birds), 1))
        start[self.pedigree.positions([bird])] = 1.0
        return self.pedigree.times(start)[:, 0]

    def _called(self, at: int, words: Mapping[str, str], else_: str) -> str:
        return words.get(self.sexes.get(self.pedigree.birds[at], ""), else_)


def _maybe(words: str, chance: float) -> str:
    return words if chance > CERTAIN else f"perhaps {words}"


def _of(whose: str, words: str) -> str:
    """Whose relative it is: "perhaps a half sister" of "her sire's" is "perhaps her sire's half sister"."""
    said = words.removeprefix("perhaps a ")
    doubt = "perhaps " if said != words else ""
    return f"{doubt}{whose} {said if ' or ' in said else said.removeprefix('full ')}"


def _listed(names: Sequence[str], most: int | None = None) -> str:
    if most is not None and len(names) > most + 1:
        names = [*names[:most], f"{len(names) - most} more"]
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last
