"""A bird's ring mark: its two legs with the rings on them, each ring's colour drawn and named."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup, escape

from selection.show.fragments import Fragment
from selection.show.style import INK, QUIET, ring_paint

LEG, WIDE, HIGH = 46, 104, 44


def ring_mark(left: object, right: object, bird: str = "") -> Fragment:
    """The mark of one bird as inline SVG; a leg without a ring is drawn bare and says so to screen readers."""
    sides = {"left": _colours(left), "right": _colours(right)}
    spoken = ", ".join(f"{side} {' over '.join(colours) or 'bare'}" for side, colours in sides.items())
    legs = Markup("").join(_leg(x, colours) for x, colours in zip((8, 58), sides.values(), strict=True))
    label = f"{bird}: {spoken}" if bird else spoken
    return Fragment(
        '<svg class="mark" role="img" aria-label="{}" width="{}" height="{}" viewBox="0 0 {} {}">{}</svg>'
    ).format(label, WIDE, HIGH, WIDE, HIGH, legs)


def _colours(cell: object) -> list[str]:
    """Colours on one leg, upper first; none where the cell is blank."""
    if not isinstance(cell, str) or pd.isna(cell):
        return []
    return [part.strip() for part in cell.split("/") if part.strip()]


def _leg(x: int, colours: list[str]) -> Markup:
    """One leg: a shank, its rings stacked, their names under it."""
    middle = x + LEG / 2 - 4
    parts = [
        Markup('<line x1="{0}" y1="2" x2="{0}" y2="27" stroke="{1}" stroke-width="3" stroke-linecap="round"/>').format(
            middle, QUIET
        )
    ]
    height = 11 if len(colours) < 2 else 8
    for i, colour in enumerate(colours):
        top = 12 - (len(colours) - 1) * 5 + i * (height + 1)
        parts.append(
            Markup('<rect x="{}" y="{}" width="22" height="{}" rx="3.5" fill="{}" stroke="{}" stroke-width="1.2"/>').format(
                middle - 11, top, height, ring_paint(colour), INK
            )
        )
    name = escape("/".join(colours) if colours else "–")
    parts.append(
        Markup('<text x="{}" y="40" text-anchor="middle" font-size="9" fill="{}">{}</text>').format(middle, INK, name)
    )
    return Markup("").join(parts)
