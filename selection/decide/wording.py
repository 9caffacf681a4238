"""Figures as people say them, rounded to what is known, with their unit; and the rows of a frame one by one."""

from __future__ import annotations

from collections import namedtuple
from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any

import pandas as pd

from selection.answer import REACH


def points_of_merit(value: float) -> str:
    """Merit with its sign: +1.2 points."""
    return f"{value:+.1f} points".replace("-", "−")


def interval(value: float, se: float) -> str:
    """90 % interval of a merit: −0.4 to +2.8."""
    return f"{value - REACH * se:+.1f} to {value + REACH * se:+.1f}".replace("-", "−")


def in_hundred(probability: float) -> str:
    """A probability as people say it: 46 in 100; under 1 in 100; over 99 in 100."""
    if probability < 0.01:
        return "under 1 in 100"
    if probability > 0.99:
        return "over 99 in 100"
    return f"{100 * probability:.0f} in 100"


def chance(probability: float) -> str:
    """A probability in words: a chance of 46 in 100, a chance under 1 in 100."""
    said = in_hundred(probability)
    return f"a chance {said}" if said[0] in "uo" else f"a chance of {said}"


def among_best(probability: float, number: int) -> str:
    """A chance of being kept on merit: a chance of 46 in 100 of being the best."""
    place = "the best" if number == 1 else f"among the best {number}"
    return f"{chance(probability)} of being {place}"


def some_points(value: float) -> str:
    """Points of a section: 1 point, 1.5 points."""
    amount = f"{value:.1f}".removesuffix(".0")
    return f"{amount} point" if amount == "1" else f"{amount} points"


def listed(names: Iterable[object]) -> str:
    """a, b and c."""
    *first, last = [str(name) for name in names] or [""]
    return f"{', '.join(first)} and {last}" if first else last


def accuracy(value: float) -> str:
    """How well a merit is known: little, fairly, well (accuracy under 0.6, under 0.8, from 0.8).

    Squared, that is: under a third of the differences in breeding value is told, under two thirds, more.
    """
    return "little known" if value < 0.6 else "fairly known" if value < 0.8 else "well known"


def each(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows of `frame` as named tuples, its index first (`Index`); values of any type.

    What `itertuples` gives, without making a new type for every small frame.
    """
    columns = [frame.index, *(column for _, column in frame.items())]
    return map(_row_type(tuple(map(str, frame.columns)))._make, zip(*columns, strict=True))


@cache
def _row_type(columns: tuple[str, ...]) -> Any:
    return namedtuple("Row", ("Index", *columns), rename=True)


def counted(number: int, thing: str) -> str:
    """`1 sale`, `2 sales`."""
    return f"{number} {thing}{'' if number == 1 else 's'}"
