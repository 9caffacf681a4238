"""How two birds are related, in words: the degree of inbreeding, and the ancestors they have in common."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd
from scipy import sparse

from selection.merit.relationship.pedigree import Pedigree
from selection.merit.relationship.worst_case import SAME, ancestry

DEGREES = (
    (0.25, "full brother and sister"),
    (0.125, "half brother and sister"),
    (0.0625, "first cousins"),
    (0.03125, "half first cousins"),
    (0.015625, "second cousins"),
)
"""F of the chicks, and the plain pair whose chicks have as much (Wright 1922)."""


def degree(inbreeding: float) -> str:
    """Inbreeding F of the chicks as the plain pair whose chicks have as much: "as first cousins"."""
    if inbreeding <= SAME:
        return "not related as far as is known"
    for value, pair in DEGREES:
        if abs(inbreeding - value) < 0.02 * value:
            return f"as {pair}"
        if abs(inbreeding - value) < 0.15 * value:
            return f"about as {pair}"
    above = [pair for value, pair in DEGREES if value > inbreeding]
    below = [pair for value, pair in DEGREES if value < inbreeding]
    if above and below:
        return f"between {below[0]} and {above[-1]}"
    return f"closer than {below[0]}" if below else f"further than {above[-1]}"


def pedigree_table(pedigree: Pedigree, birds: pd.DataFrame) -> pd.DataFrame:
    """Every bird with its inbreeding and its possible parents, for any tool that reads tables.

    Parameters
    ----------
    pedigree: the flock's pedigree.
    birds: a flock's birds (bird, sex, hatched_on, hatched), each of them in the pedigree.

    Returns
    -------
    One row a bird, in the order of `birds`: bird, sex, hatched (a day, or a bare year; blank: not known), F,
    sires, dams. A side is `parent:share` parted by `;`, the likeliest first, and its shares add up to 1; blank
    for a founder. A parent without a row of its own was never seen here: a supplier's bird, say. The last colon
    parts a parent from its share.
    """
    at = pedigree.positions(birds["bird"])
    year = birds["hatched_on"].where(birds["hatched_on"].str.fullmatch(r"\d{4}").fillna(False).astype(bool))
    return pd.DataFrame(
        {
            "bird": birds["bird"].to_numpy(),
            "sex": birds["sex"].to_numpy(),
            "hatched": year.fillna(birds["hatched"].dt.strftime("%Y-%m-%d")).to_numpy(),
            "F": pedigree.inbreeding[at].round(6),
            "sires": [parents_in_text(pedigree, "sire", k) for k in at],
            "dams": [parents_in_text(pedigree, "dam", k) for k in at],
        }
    )


def parents(pedigree: Pedigree, side: str, at: int) -> list[tuple[int, float]]:
    """Possible sires (or dams) of the bird at a position with their chances, the likeliest first; none: a founder."""
    if pedigree.sires.indptr[at] == pedigree.sires.indptr[at + 1]:
        return []  # a founder's shares on the dam side are chances of being an earlier founder
    row = _row(pedigree.sires if side == "sire" else pedigree.dams, at)
    return sorted(((k, 2 * w) for k, w in row), key=lambda pair: (-round(pair[1], 9), pair[0]))


def parents_in_text(pedigree: Pedigree, side: str, at: int) -> str:
    """`24-001:0.5;24-007:0.5`; blank for a founder. A `;` in a supplier's name becomes a comma."""
    named = parents(pedigree, side, at)
    return ";".join(f"{pedigree.birds[k].replace(';', ',')}:{chance:.6g}" for k, chance in named)


class Descent:
    """Lines of descent in one pedigree, to say how two birds are related; `sexes` tells cocks from hens.

    The lines of each bird are followed once, however many pairs are asked for. `of` tells how a bird is called.
    """

    def __init__(
        self, pedigree: Pedigree, sexes: Mapping[str, str], of: Callable[[str], object] = str
    ) -> None:
        self.pedigree, self.sexes, self.of = pedigree, sexes, of
        self._lines: dict[str, _Lines] = {}

    def common_ancestors(self, cock: str, hen: str, most: int = 3) -> tuple[str, ...]:
        """The common ancestors of a pair, those that matter most first: "both are chicks of cock 22-B1-03".

        An ancestor is named where a line to the cock and a line to the hen part from it (Wright's paths);
        "may be" where no line is certain. At most `most` phrases, ancestors of one kind in one phrase; one
        that adds less than a twentieth of the relationship is left out.
        """
        to_cock, to_hen = self._of(cock), self._of(hen)
        weights = self._parting(to_cock, to_hen)
        least = sum(weights.values()) / 20
        phrases: dict[tuple[int, int, bool], dict[str, None]] = {}
        names, sexes = self.pedigree.birds, self.sexes
        ends = (str(self.of(cock)), str(self.of(hen)))
        order = sorted(weights, key=lambda k: (-round(weights[k], 9), sexes.get(names[k]) == "female", k))
        for k in order:
            if weights[k] > least:
                certain = to_cock.certain[k] and to_hen.certain[k]
                kind = (to_cock.depth[k], to_hen.depth[k], certain)
                phrases.setdefault(kind, {})[self._called(names[k])] = None
        return tuple(_phrase(ends, *kind, list(of)) for kind, of in phrases.items())[:most]

    def _called(self, bird: str) -> str:
        """A bird by its kind and as it is called; birds never seen by where they stood, all of one place alike."""
        if bird in self.sexes:
            return {"male": "cock ", "female": "hen "}.get(self.sexes[bird], "") + str(self.of(bird))
        place = self.pedigree.stood.get(bird)
        return f"the unseen birds of {place}" if place else f"the {bird}"

    def _of(self, bird: str) -> _Lines:
        if bird not in self._lines:
            self._lines[bird] = _lines(self.pedigree, bird)
        return self._lines[bird]

    def _parting(self, one: _Lines, other: _Lines) -> dict[int, float]:
        """How much each common ancestor relates two birds by lines that part from it, by position.

        Σ over chicks x ≠ y of the ancestor: genes it hands to the one through x times to the other through y.
        """
        passed: dict[int, tuple[float, float, float]] = {}
        for x in one.genes.keys() | other.genes.keys():
            first, second = one.genes.get(x, 0.0), other.genes.get(x, 0.0)
            for k, w in _row(self.pedigree.weights, x):
                a, b, both = passed.get(k, (0.0, 0.0, 0.0))
                passed[k] = (a + w * first, b + w * second, both + w * w * first * second)
        weights = {k: a * b - both for k, (a, b, both) in passed.items()}
        weights[one.bird] = other.genes.get(one.bird, 0.0)
        weights[other.bird] = one.genes.get(other.bird, 0.0)
        return {k: w * (1 + self.pedigree.inbreeding[k]) for k, w in weights.items() if w > SAME}


@dataclass(frozen=True)
class _Lines:
    """The lines of descent that end in `bird` (positions throughout, the bird itself at depth 0).

    depth: generations back to each ancestor, by the shortest line; certain: whether some line to it has no
    parent in doubt; genes: the expected share of the bird's genes that each ancestor handed down.
    """

    bird: int
    depth: dict[int, int]
    certain: dict[int, bool]
    genes: dict[int, float]


def _lines(pedigree: Pedigree, bird: str) -> _Lines:
    at = int(pedigree.positions([bird])[0])
    depth, certain, genes = {at: 0}, {at: True}, {at: 1.0}
    for young in map(int, ancestry(pedigree, [bird])[::-1]):
        sides = [_row(side, young) for side in (pedigree.sires, pedigree.dams)]
        founder = not sides[0]  # its shares say that it may be the same bird as another founder
        for side in sides:
            sure = certain[young] and len(side) == 1 and not founder
            for k, w in side:
                depth[k] = min(depth.get(k, len(pedigree.birds)), depth[young] + (not founder))
                certain[k] = certain.get(k, False) or sure
                genes[k] = genes.get(k, 0.0) + w * genes[young]
    return _Lines(at, depth, certain, genes)


def _row(matrix: sparse.csr_array, at: int) -> list[tuple[int, float]]:
    """Columns and values of one row."""
    part = slice(matrix.indptr[at], matrix.indptr[at + 1])
    return list(zip(matrix.indices[part].tolist(), matrix.data[part].tolist(), strict=True))


def _phrase(ends: tuple[str, str], by_cock: int, by_hen: int, certain: bool, names: Sequence[str]) -> str:
    cock, hen = ends
    ancestors = _and(names)
    if by_cock == 0:
        return f"{hen} {'is' if certain else 'may be'} a {_descendant(by_hen)} of {cock}"
    if by_hen == 0:
        return f"{cock} {'is' if certain else 'may be'} a {_descendant(by_cock)} of {hen}"
    if by_cock == by_hen:
        return f"both {'are' if certain else 'may be'} {_descendant(by_cock, many=True)} of {ancestors}"
    is_a = "is" if certain else "may be"
    return f"{cock} {is_a} a {_descendant(by_cock)} and {hen} a {_descendant(by_hen)} of {ancestors}"


def _descendant(generations: int, many: bool = False) -> str:
    if generations == 1:
        return "chicks" if many else "chick"
    if generations > 4:
        return f"{'descendants' if many else 'descendant'}, {generations} generations on,"
    return "great-" * (generations - 2) + ("grandchildren" if many else "grandchild")


def _and(names: Sequence[str], most: int = 3) -> str:
    shown = list(names[:most])
    if len(names) > most:
        shown.append(f"{len(names) - most} more")
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"
