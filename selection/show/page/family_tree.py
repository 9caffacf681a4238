"""A bird's family drawn as inline SVG: three generations up, every place with its doubt, and its chicks down.

Two drawings of the same boxes: columns for a wide page and for paper, an indented list for a phone. Nothing that was
typed is ever markup; a name too long for its box is cut with an ellipsis.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from selection.decide.life import Ancestor, Life
from selection.decide.wording import each
from selection.show.page.figures import missing
from selection.show.page.fragments import Fragment
from selection.show.page.style import INK, KEEP, PAPER, QUIET

LETTER, SIZE = 5.7, 11
"""Width of a letter at the size of the boxes' text."""
HIGH, LINE = 34, 15
WIDE, COLUMN, GAP = 744, 176, 13
NARROW, STEP, BETWEEN = 352, 14, 5
MOST_CHICKS = 150
_MOST_NAMED = 9
"""Possible birds that a place names with their chances."""
SIGNS = {"male": "♂", "female": "♀"}
_TEXT = Markup('<text x="{:.1f}" y="{:.1f}" font-size="{}" font-family="sans-serif" fill="{}"{}>{}</text>')


@dataclass(frozen=True)
class _Box:
    """One place of the tree: how deep (0: the bird itself), one or two lines, and how sure: its border."""

    path: tuple[str, ...]
    lines: tuple[str, ...]
    sure: str

    @property
    def depth(self) -> int:
        """Generations back."""
        return len(self.path)


BORDERS = {"sure": "", "doubt": ' stroke-dasharray="5 3"', "unseen": ' stroke-dasharray="1.5 3"'}
"""Borders by how sure a place is: a bird on record, one of several, stock never seen here."""


def family_tree(life: Life) -> Fragment:
    """The tree of one bird, for wide pages and for phones; a key says what the borders mean."""
    boxes = boxes_of(life)
    says = f"Family of {life.bird.bird}: " + "; ".join(
        f"{whose(box.path)} {', '.join(box.lines)}" for box in boxes if box.path
    )
    chicks = chick_groups(life)
    both = (("wide", _in_columns(boxes), WIDE), ("narrow", _indented(boxes), NARROW))
    drawn = [_drawing(kind, says, *placed, wide, chicks) for kind, placed, wide in both]
    key = "Whole border: on record. Dashed: one of several. Dotted: stock never seen here."
    return Fragment('<figure class="tree">{}<figcaption class="small">{}</figcaption></figure>').format(
        Markup("").join(drawn), key
    )


def whose(path: tuple[str, ...]) -> str:
    """A place in words: sire's dam."""
    return "'s ".join(path)


def boxes_of(life: Life) -> list[_Box]:
    """The bird and every place of its ancestors; a place above one that is not on record is left out."""
    birds = {row.bird: row for row in each(life.flock.birds)}
    own = _Box((), (life.bird.bird, _about(birds[life.bird.bird])), "sure")
    told: dict[tuple[str, ...], _Box] = {(): own}
    for place in life.ancestors:
        above = told.get(place.path[:-1])
        if above is not None and above.sure != "none":
            told[place.path] = _Box(place.path, *place_in_words(place, birds))
    return [box for box in told.values() if box.sure != "none" or box.depth < 2]


def place_in_words(
    place: Ancestor, birds: Mapping[str, Any], most: int = _MOST_NAMED
) -> tuple[tuple[str, ...], str]:
    """One or two lines on who stands in a place, and how sure that is."""
    if not place.possible:
        return ("not on record",), "none"
    known = [(bird, chance) for bird, chance in place.possible if bird in birds]
    many = len(place.possible)
    if not known:
        if not place.places:
            return ("not on record",), "none"
        one_of = f"one of {many}" if many > 1 else ""
        return (
            "unseen stock",
            "; ".join(part for part in (_of_places(place.places), one_of) if part),
        ), "unseen"
    if many == 1 and known[0][1] > 1 - 1e-6:
        bird = known[0][0]
        return (bird, _about(birds[bird])), "sure"
    more = ", or never seen here" if sum(chance for _, chance in known) < 1 - 1e-6 else ""
    head = f"one of {len(known)}" if len(known) > 1 else "perhaps"
    return (f"{head}{more}", _shares(known, most)), "doubt"


def _shares(known: list[tuple[str, float]], most: int) -> str:
    """Possible birds with their chances, the likeliest first; the chance once where it is the same for all."""
    alike = len(known) > 1 and known[0][1] - known[-1][1] < 1e-6
    each_ = f", {_per_cent(known[0][1])} each" if alike else ""
    named = [bird if alike else f"{bird} {_per_cent(chance)}" for bird, chance in known]
    left = len(named) - most
    return f"{', '.join(named[:most])}{f' and {left} more' if left > 0 else ''}{each_}"


def _per_cent(chance: float) -> str:
    return "under 1 %" if chance < 0.005 else f"{100 * chance:.0f} %"


def _of_places(places: Iterable[str]) -> str:
    first, *others = dict.fromkeys(places)
    return f"of {first}" + (
        f" or {len(others)} other places" if len(others) > 1 else "".join(f" or {o}" for o in others)
    )


def places_in_words(
    ancestors: Iterable[Ancestor], birds: Mapping[str, Any], most: int = _MOST_NAMED
) -> list[tuple[tuple[str, ...], str]]:
    """Places of a pedigree with who stands there; above one that was never seen, or is not on record, none."""
    lines, silent = [], set[tuple[str, ...]]()
    for place in ancestors:
        said, sure = place_in_words(place, birds, most)
        if place.path[:-1] in silent or sure == "none":
            silent.add(place.path)
        if place.path[:-1] not in silent and (sure != "none" or len(place.path) == 1):
            lines.append((place.path, _in_line(said)))
        if sure == "unseen":
            silent.add(place.path)
    return lines


def _in_line(said: Sequence[str]) -> str:
    first, *rest = [line for line in said if line]
    return f"{first} ({'; '.join(rest)})" if rest else first


def _about(row: Any) -> str:
    """Name and hatch year of a bird on record."""
    name = row.name if isinstance(row.name, str) else ""
    year = "" if missing(row.hatch_year) else f"{row.hatch_year:.0f}"
    return ", ".join(part for part in (name, year) if part)


def chick_groups(
    life: Life, most: int = MOST_CHICKS, of: Callable[[str], str] = str
) -> list[tuple[str, list[str]]]:
    """The bird's chicks by year, clutch and other parent: a heading and each chick with the sign of its sex.

    `of` tells how a bird is called.
    """
    shown = life.chicks.head(most)
    birds = set(life.flock.birds["bird"])
    groups: dict[str, list[str]] = {}
    for row in each(shown):
        other = of(row.other) if row.other in birds else "stock not on record" if row.other else ""
        by = f"one of {row.others}" if row.others > 1 else other
        year = "" if missing(row.hatch_year) else f"{row.hatch_year:.0f}"
        clutch = f"clutch {row.clutch}" if isinstance(row.clutch, str) else ""
        sure = "" if row.chance > 0.995 else f"each its chick with a chance of {100 * row.chance:.0f} %"
        heading = ", ".join(part for part in (year, clutch, f"with {by}" if by else "", sure) if part)
        groups.setdefault(heading, []).append(
            f"{of(row.chick)}{' ' + SIGNS[row.sex] if row.sex in SIGNS else ''}"
        )
    left = len(life.chicks) - len(shown)
    return [*groups.items(), *([(f"and {left} more", [])] if left else [])]


Placed = tuple[list[tuple[_Box, float, float, float]], float]
"""Boxes with x, y and width, and the height of all of them."""


def _in_columns(boxes: list[_Box]) -> Placed:
    deepest = max(box.depth for box in boxes)
    rows = 2**deepest
    placed: list[tuple[_Box, float, float, float]] = []
    for box in boxes:
        at = sum((side == "dam") * 2 ** (deepest - k - 1) for k, side in enumerate(box.path))
        middle = float(at + 2 ** (deepest - box.depth) / 2) * (HIGH + 6)
        placed.append((box, float(box.depth * (COLUMN + GAP)), middle - HIGH / 2, float(COLUMN)))
    return placed, float(rows * (HIGH + 6))


def _indented(boxes: list[_Box]) -> Placed:
    ordered = sorted(
        boxes, key=lambda box: [side == "dam" for side in box.path]
    )  # sire before dam, depth first
    placed = [
        (box, float(box.depth * STEP), float(k * (HIGH + BETWEEN)), float(NARROW - box.depth * STEP))
        for k, box in enumerate(ordered)
    ]
    return placed, float(len(ordered) * (HIGH + BETWEEN))


def _drawing(
    kind: str,
    says: str,
    placed: list[tuple[_Box, float, float, float]],
    high: float,
    wide: float,
    chicks: list[tuple[str, list[str]]],
) -> Markup:
    at = {box.path: (x, y, w) for box, x, y, w in placed}
    parts = [_line(at[box.path[:-1]], at[box.path], kind) for box, *_ in placed if box.path]
    parts += [_box(box, x, y, w) for box, x, y, w in placed]
    lines, high = _chicks(chicks, high, wide)
    return Markup('<svg class="{}" role="img" aria-label="{}" viewBox="-1 -1 {:.0f} {:.0f}">{}</svg>').format(
        kind, says, wide + 2, high + 2, Markup("").join([*parts, *lines])
    )


def _line(young: tuple[float, float, float], old: tuple[float, float, float], kind: str) -> Markup:
    """From a bird's box to its parent's."""
    (x, y, w), (a, b, _) = young, old
    if kind == "wide":
        path = f"M{x + w:.1f} {y + HIGH / 2:.1f}h{GAP / 2:.1f}V{b + HIGH / 2:.1f}H{a:.1f}"
    else:
        path = f"M{x + STEP / 2:.1f} {y + HIGH:.1f}V{b + HIGH / 2:.1f}H{a:.1f}"
    return Markup('<path d="{}" fill="none" stroke="{}"/>').format(path, QUIET)


def _box(box: _Box, x: float, y: float, wide: float) -> Markup:
    letters = int((wide - 10) / LETTER)
    drawn = Markup(
        '<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{}" rx="4" fill="{}" stroke="{}"{}/>'
    ).format(
        x, y, wide, HIGH, PAPER, KEEP if not box.path else INK, Markup(BORDERS.get(box.sure, BORDERS["unseen"]))
    )  # fmt: skip
    sign = f"{box.path[-1]}: " if box.path else ""
    lines = [f"{sign}{box.lines[0]}", *(line for line in box.lines[1:] if line)]
    bold = Markup(' font-weight="600"')
    texts = [
        _TEXT.format(x + 6, y + (14 if len(lines) > 1 else 21) + k * 14, SIZE, INK if k == 0 else QUIET,
                    bold if k == 0 and box.sure == "sure" else "", _cut(line, letters))
        for k, line in enumerate(lines[:2])
    ]  # fmt: skip
    return drawn + Markup("").join(texts)


def _cut(text: str, letters: int) -> str:
    return text if len(text) <= letters else f"{text[: letters - 1]}…"


def _chicks(groups: Iterable[tuple[str, list[str]]], top: float, wide: float) -> tuple[list[Markup], float]:
    """The chicks' lines under the tree, and where they end."""
    letters, y = int((wide - 12) / LETTER), top + LINE
    lines = []
    for n, (heading, chicks) in enumerate(groups):
        said = f"Chicks: {heading}" if n == 0 else heading
        for text, colour in [
            *((line, INK) for line in textwrap.wrap(said, letters)),
            *((line, QUIET) for line in _rows(chicks, letters - 2)),
        ]:
            lines.append(_TEXT.format(4 if colour == INK else 16, y, SIZE, colour, "", text))
            y += LINE
        y += 3
    return lines, y - LINE + 4 if lines else top


def _rows(chicks: Iterable[str], letters: int) -> list[str]:
    """Chicks' numbers, as many to a line as there is room for; none is broken."""
    rows: list[str] = []
    for chick in (_cut(chick, letters) for chick in chicks):
        if rows and len(rows[-1]) + 2 + len(chick) <= letters:
            rows[-1] += f", {chick}"
        else:
            rows.append(chick)
    return rows
