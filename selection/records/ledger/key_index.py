"""Where in a file the row under a key may stand, without reading the file.

An index is one sorted array of 64-bit numbers, one a row: 32 bits of the key's hash, then the row's number.
Two keys may share a hash, so whoever looks up compares the rows found with the key itself. The hash is built
from CRC-32 and fixed arithmetic alone, since it is kept on disk beside large files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from zlib import crc32

import numpy as np
import pandas as pd

from selection.records.forms.schema import joined

SPREAD = np.uint64(
    0x9E3779B97F4A7C15
)  # 2^64 over the golden ratio (Knuth, multiplicative hashing; from memory)
HALF = np.uint64(32)
LOW_HALF = np.uint64(0xFFFFFFFF)


def hashes(parts: pd.DataFrame) -> np.ndarray:
    """A 32-bit hash of each row of `typed.key_parts`, in the upper half of a uint64."""
    total = np.zeros(len(parts), dtype=np.uint64)
    for column in parts:
        codes, distinct = pd.factorize(parts[column])
        sums = np.array([crc32(text.encode()) for text in distinct], dtype=np.uint64)
        total = (total ^ sums[codes]) * SPREAD
    return total >> HALF << HALF


def index_of(parts: pd.DataFrame) -> np.ndarray:
    """The index of a file with these keys, row by row."""
    return np.sort(hashes(parts) | np.arange(len(parts), dtype=np.uint64))


@dataclass(frozen=True)
class Wanted:
    """Keys to look up: each as one text, its hash, and the least and greatest text of each key column."""

    keys: np.ndarray
    hashes: np.ndarray
    ranges: Mapping[str, tuple[str, str]]

    @classmethod
    def of(cls, parts: pd.DataFrame) -> Wanted:
        """The keys of a frame of `typed.key_parts`."""
        return cls(joined(parts).to_numpy(), hashes(parts), ranges_of(parts))

    def may_be_in(self, ranges: Mapping[str, tuple[str, str]]) -> bool:
        """Can a file whose key columns lie in `ranges` hold any of these keys?"""
        if not len(self.keys):
            return False
        return all(
            low <= self.ranges[c][1] and self.ranges[c][0] <= high for c, (low, high) in ranges.items()
        )

    def look_up(self, index: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Rows that may stand under these keys, and for each the position of the key it may answer."""
        first = np.searchsorted(index, self.hashes)
        many = np.searchsorted(index, self.hashes | LOW_HALF, side="right") - first
        which = np.repeat(np.arange(len(many)), many)
        within = np.arange(len(which)) - np.repeat(np.cumsum(many) - many, many)
        return (index[first[which] + within] & LOW_HALF).astype(np.int64), which


def ranges_of(parts: pd.DataFrame) -> dict[str, tuple[str, str]]:
    """The least and greatest text of each key column; empty where there is no row."""
    return {str(c): (parts[c].min(), parts[c].max()) for c in parts} if len(parts) else {}
