"""One page for everything that makes the pictures look alike: colours, fonts, interval, sizes.

The colours are Okabe and Ito's (2008, Color Universal Design), told apart by readers of any colour vision and,
by their lightness, in grey print.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

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
