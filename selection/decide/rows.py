"""Rows of a frame, one by one, and how many of a thing there are, in words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd


def each(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows of `frame` as named tuples, whose values are of any type."""
    yield from frame.itertuples()


def counted(number: int, thing: str) -> str:
    """`1 sale`, `2 sales`."""
    return f"{number} {thing}{'' if number == 1 else 's'}"
