"""What one bird is to another, in words, with the doubt that uncertain parents leave: "full or half sister".

Each bird's possible sires and dams come with chances (`kinship.parents`). Two birds have a parent in common with the
chance that both draw the same one, a supplier's bird of two springs counting as one with the chance that it is. Which
bird of a pen fathered or mothered whom is taken as drawn bird by bird, as in the average relationship itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache

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
class _Sibs:
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
        self._same = cache(self._identity)

    def between(self, bird: str, other: str) -> Relation:
        """What `other` is to `bird`. Raises PedigreeError where one of them is not in the pedigree."""
        one, two = (int(k) for k in self.pedigree.positions([bird, other]))
        related = float(self.pedigree.relationship([bird], [other])[0, 0])
        his = HIS.get(self.sexes.get(bird, ""), "its")
        lines = list(self._lines(one, two))
        if not lines:
            return Relation(bird, other, "further related" if related > LEAST else "", related, False, False)
        words, expected, sure = max(lines, key=lambda line: round(line[1], 6))  # of equals the nearest
        more = related > MORE * expected + LEAST
        return Relation(bird, other, words.replace("{his}", his), related, sure, more)

    def _lines(self, one: int, two: int) -> Iterator[tuple[str, float, bool]]:
        """Every relation there is, the nearest first: its words, the relationship it comes to, whether it is sure."""
        yield from self._in_line(one, two)
        if (sibs := self._sibs(one, two)).any > LEAST:
            words, sure = sibs.words(self._called(two, SIBLING, "sib"))
            yield words, sibs.related, sure
        yield from self._grand(one, two)
        yield from self._collateral(one, two)

    def _in_line(self, one: int, two: int) -> Iterator[tuple[str, float, bool]]:
        for side in PARENT:
            if (chance := dict(self._parents(one, side)).get(two, 0)) > LEAST:
                yield _maybe("{his} " + side, chance), chance / 2, chance > CERTAIN
            if (chance := dict(self._parents(two, side)).get(one, 0)) > LEAST:
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
        return sum(c * dict(self._parents(k, second)).get(ancestor, 0) for k, c in self._parents(bird, first))

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
        yield from self._cousins(one, two)

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

    def _mean_sibs(self, pairs: list[tuple[int, float, int, float]]) -> tuple[_Sibs, bool]:
        """Chances that two parents drawn are sibs, over (parent, chance, other, chance); and if they are known."""
        drawn = [(self._sibs(k, m), c * d) for k, c, m, d in pairs if k != m]
        sire, dam = sum(s.sire * c for s, c in drawn), sum(s.dam * c for s, c in drawn)
        return _Sibs(sire, dam), len(pairs) == 1

    def _sibs(self, one: int, two: int) -> _Sibs:
        return _Sibs(*(self._common(one, two, side) for side in PARENT))

    def _common(self, one: int, two: int, side: str) -> float:
        """The chance that two birds have one and the same sire (or dam)."""
        return sum(
            c * d * self._same(k, m) for k, c in self._parents(one, side) for m, d in self._parents(two, side)
        )

    def _identity(self, one: int, two: int) -> float:
        """The chance that two names mean one bird: 1 for one name; for a supplier's birds of two springs as told."""
        if one == two:
            return 1.0
        names = self.pedigree.birds
        if not all(name.startswith("unseen ") for name in (names[one], names[two])):
            return 0.0
        return float(self.pedigree.relationship([names[one]], [names[two]])[0, 0])

    def _called(self, at: int, words: Mapping[str, str], else_: str) -> str:
        return words.get(self.sexes.get(self.pedigree.birds[at], ""), else_)


def _maybe(words: str, chance: float) -> str:
    return words if chance > CERTAIN else f"perhaps {words}"


def _of(whose: str, words: str) -> str:
    """Whose relative it is: "perhaps a half sister" of "her sire's" is "perhaps her sire's half sister"."""
    said = words.removeprefix("perhaps a ")
    doubt = "perhaps " if said != words else ""
    return f"{doubt}{whose} {said if ' or ' in said else said.removeprefix('full ')}"
