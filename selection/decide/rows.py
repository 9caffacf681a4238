"""Rows of a frame, one by one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd


def each(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows of `frame` as named tuples, whose values are of any type."""
    yield from frame.itertuples()
