"""Rows of a frame, one by one, and how many of a thing there are, in words."""

from __future__ import annotations

from collections import namedtuple
from collections.abc import Iterator
from functools import cache
from typing import Any

import pandas as pd


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
