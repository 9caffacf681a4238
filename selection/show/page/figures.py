"""Figures as the pages print them: rounded to what is known, with sign, unit and what it rests on."""

from __future__ import annotations

from selection.answer import REACH
from selection.decide import wording

HALF = "½"


def missing(value: object) -> bool:
    """True for None and for numbers that are not numbers."""
    return value is None or value != value


def signed(value: float, decimals: int = 1) -> str:
    """+1.6, −0.4, 0.0; blank where missing."""
    if missing(value):
        return ""
    text = f"{value:+.{decimals}f}".replace("-", "−")
    return text[1:] if float(text.replace("−", "-")) == 0 else text


def spread(value: float, se: float, decimals: int = 1) -> str:
    """A figure with its 90 % interval: +1.6 (−1.1 to +4.3); the figure alone where its error is missing."""
    if missing(se):
        return signed(value, decimals)
    low, high = value - REACH * se, value + REACH * se
    return f"{signed(value, decimals)} ({signed(low, decimals)} to {signed(high, decimals)})"


def between(low: float, high: float, decimals: int = 1) -> str:
    """−1.1 to +4.3; blank where missing."""
    return "" if missing(low) or missing(high) else f"{signed(low, decimals)} to {signed(high, decimals)}"


def halves(points: float) -> str:
    """Points to the nearest half, as judges write them: 61½."""
    if missing(points):
        return ""
    twice = round(2 * points)
    sign, whole, half = "−" if twice < 0 else "", abs(twice) // 2, HALF if twice % 2 else ""
    return f"{sign}{whole or ('' if half else '0')}{half}"


def in_hundred(chance: float | None) -> str:
    """A probability as so many in 100; blank where missing."""
    return "" if chance is None or missing(chance) else wording.in_hundred(chance)


def per_cent(share: float, low: float, high: float) -> str:
    """A share with its interval: 78 % (61 to 89); blank where missing."""
    if missing(share):
        return ""
    return f"{100 * share:.0f} %" + ("" if missing(low) else f" ({100 * low:.0f} to {100 * high:.0f})")


def kilograms(grams: float) -> str:
    """2.74; blank where missing."""
    return "" if missing(grams) else f"{grams / 1000:.2f}"
