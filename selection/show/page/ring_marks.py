"""A bird's ring mark: its two legs with the rings on them, each ring's colour drawn and named.

The bird is seen from behind, so that its left leg stands on the left; both are lettered all the same.
"""

from __future__ import annotations

from markupsafe import Markup

from selection.show.page.fragments import Fragment
from selection.show.page.style import INK, QUIET, ring_paint

NARROWEST = 44
"""Width of a leg's place; a long colour name widens it."""
SIZE = 12
"""Size of the names: read at arm's length where a mark is printed at two thirds."""
LETTER = 6.4
"""Width that one letter of a name needs at its size."""
HIGH = 54
CLOSE, LEGS_HIGH = 28, 40
"""Width of a leg's place and height of a mark whose colours are not named."""
FOOT = "M{x} 33 l-9 4 M{x} 33 l0 5 M{x} 33 l9 4"


def ring_mark(left: object, right: object, bird: str = "", named: bool = True) -> Fragment:
    """The mark of one bird as inline SVG; a leg of which no ring is on record is drawn bare and named –.

    `named` False: the colours are not written under the legs, for where they stand in words beside the mark.
    """
    legs = {"left": ring_colours(left), "right": ring_colours(right)}
    said = ", ".join(
        f"{side} {' over '.join(colours) or 'no ring on record'}" for side, colours in legs.items()
    )
    wide = 0.0
    drawn = []
    for side, colours in legs.items():
        name = f"{side[0].upper()} {'/'.join(colours) or '–'}" if named else ""
        place = max(NARROWEST, LETTER * len(name) + 6) if named else CLOSE
        drawn.append(_leg(wide + place / 2, colours, name))
        wide += place
    high = HIGH if named else LEGS_HIGH
    return Fragment(
        '<svg class="mark" role="img" aria-label="{}" width="{:.0f}" height="{}" viewBox="0 0 {:.0f} {}">{}</svg>'
    ).format(f"{bird}: {said}" if bird else said, wide, high, wide, high, Markup("").join(drawn))


def ring_colours(cell: object) -> list[str]:
    """Colours on one leg, upper first; none where the cell is blank."""
    return [part.strip() for part in cell.split("/") if part.strip()] if isinstance(cell, str) else []


def _leg(middle: float, colours: list[str], name: str) -> Markup:
    """One leg: shank and toes, its rings stacked on it, its letter and their names under it."""
    foot = FOOT.format(x=f"{middle:.1f}")
    shank = Markup(
        '<path d="M{0:.1f} 2 V33 {1}" fill="none" stroke="{2}" stroke-width="3.4" stroke-linecap="round"/>'
    ).format(middle, foot, QUIET)
    high = 12 if len(colours) < 2 else 26 / len(colours) - 1.5
    top = 11.0 if len(colours) < 2 else 4.0
    rings = [
        Markup(
            '<rect x="{:.1f}" y="{:.1f}" width="22" height="{:.1f}" rx="4" fill="{}" stroke="{}" stroke-width="1.3"/>'
        ).format(middle - 11, top + i * (high + 1.5), high, ring_paint(colour), INK)
        for i, colour in enumerate(colours)
    ]
    text = Markup(
        '<text x="{:.1f}" y="51" text-anchor="middle" font-size="{}" font-family="sans-serif" fill="{}">{}</text>'
    ).format(middle, SIZE, INK, name)
    return Markup("").join([shank, *rings, text])
