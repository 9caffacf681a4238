"""Where in a file the row under a key may stand, without reading the file.

An index is one sorted array of 64-bit numbers, one a row: 32 bits of the key's hash, then the row's number.
Two keys may share a hash, so whoever looks up compares the rows found with the key itself. The hash is built
from CRC-32 and fixed arithmetic alone, since it is kept on disk beside large files.
"""

from __future__ import annotations

from zlib import crc32

import numpy as np
import pandas as pd

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


def lookup(index: np.ndarray, parts: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Rows that may stand under the keys `parts`, and for each the position in `parts` it may answer."""
    wanted = hashes(parts)
    first = np.searchsorted(index, wanted)
    many = np.searchsorted(index, wanted | LOW_HALF, side="right") - first
    which = np.repeat(np.arange(len(wanted)), many)
    within = np.arange(len(which)) - np.repeat(np.cumsum(many) - many, many)
    return (index[first[which] + within] & LOW_HALF).astype(np.int64), which
