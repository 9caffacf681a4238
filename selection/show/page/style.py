"""One page for everything that makes the pictures look alike: colours, fonts, interval, sizes.

The colours are Okabe and Ito's (2008, Color Universal Design), told apart by readers of any colour vision and,
by their lightness, in grey print.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from markupsafe import Markup

from selection.records.rings import ring_colours
from selection.show.page.fragments import Fragment

INK = "#1c2b24"
PAPER = "#ffffff"
QUIET = "#5d6862"
RULE = "#d5dad4"
KEEP = "#00664f"
RESERVE = "#8f5200"
AGAIN = "#2f5fa8"
SELL = "#63696a"
BARRED = "#a33b20"
BAND = "#e7efe9"

VERDICTS = {"keep": KEEP, "reserve": RESERVE, "look again": AGAIN, "sell": SELL}
VERDICT_MARKERS = {"keep": "o", "reserve": "s", "look again": "D", "sell": "v"}
"""Shapes that go with the verdicts' colours, so that neither colour vision nor a colour printer is needed."""
SERIES = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#000000")
MARKERS = ("o", "s", "^", "D", "v", "P", "X")
"""A marker goes with each colour of SERIES, so that no line is told by its colour alone."""

RINGS = {
    "red": "#c8202f",
    "blue": "#1f4fa3",
    "green": "#1e7b3a",
    "yellow": "#f4cf1b",
    "white": "#ffffff",
    "black": "#151515",
    "orange": "#ef7d1a",
    "purple": "#6a2c91",
    "violet": "#8a63c7",
    "pink": "#f19fbe",
    "brown": "#7a4a21",
    "grey": "#9a9a9a",
    "gray": "#9a9a9a",
    "turquoise": "#2bb7b3",
    "silver": "#c9ced1",
    "gold": "#c9a227",
    "lilac": "#c3a6dd",
    "lime": "#a4c639",
}
"""How a colour named on a form is drawn; its name is always written beside it."""
UNKNOWN_RING = "#e8e8e8"


def ring_paint(colour: str) -> str:
    """How to draw a ring colour: as the last known colour word in its name, else pale; its name says the rest."""
    known = [RINGS[word] for word in colour.casefold().replace("-", " ").split() if word in RINGS]
    return known[-1] if known else UNKNOWN_RING


WIDTH = 5.4
"""Width of a picture in inches: read on a phone without turning it."""


@contextmanager
def drawing() -> Iterator[None]:
    """Matplotlib's settings while a picture is drawn; left as they were afterwards."""
    import matplotlib as mpl

    settings: Any = {
        "figure.dpi": 110,
        "savefig.bbox": "tight",
        "font.family": "DejaVu Sans",
        "font.size": 9.5,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.edgecolor": QUIET,
        "axes.labelcolor": INK,
        "axes.titlelocation": "left",
        "axes.titlesize": 10,
        "axes.titleweight": "bold",
        "text.color": INK,
        "xtick.color": INK,
        "ytick.color": INK,
        "grid.color": RULE,
        "svg.fonttype": "path",
        "svg.hashsalt": "selection",
    }
    with mpl.rc_context(settings):
        yield


NARROWEST = 44
"""Width of a leg's place; a long colour name widens it."""
_SIZE = 12
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
    ).format(middle, _SIZE, INK, name)
    return Markup("").join([shank, *rings, text])
