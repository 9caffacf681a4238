"""The tables of the small holding's meeting stay as they were left: words to the letter, numbers to the last decimal.

A number may differ by one in its last printed place, since linear algebra differs so much between computers. Where a
change alters the tables on purpose, `python -m tests.show.test_tables_kept` writes them anew, and its commit says why.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from selection.decide.meeting import table_files
from tests.show import held

KEPT = Path(__file__).resolve().parents[1] / "reference" / "tables"
NUMBER = re.compile(r"(?<![\w.-])[-−+]?\d+(?:\.\d+)?(?![\w-])")


def difference(kept: str, made: str) -> str | None:
    """Where two tables differ by more than the last printed place; None where they do not."""
    before, after = kept.splitlines(), made.splitlines()
    if len(before) != len(after):
        return f"{len(before)} lines, now {len(after)}"
    for number, (was, now) in enumerate(zip(before, after, strict=True), start=1):
        if was != now and not _alike(was, now):
            return f"line {number}:\n{was}\n{now}"
    return None


def _alike(was: str, now: str) -> bool:
    if NUMBER.sub("#", was) != NUMBER.sub("#", now):
        return False
    return all(_close(a, b) for a, b in zip(NUMBER.findall(was), NUMBER.findall(now), strict=True))


def _close(was: str, now: str) -> bool:
    decimals = len(was.partition(".")[2])
    if decimals == 0:
        return was == now
    value, other = (float(text.replace("−", "-")) for text in (was, now))
    return abs(value - other) <= 1.01 * 10**-decimals


@pytest.mark.parametrize(
    ("was", "now", "same"),
    [
        ("26-001,1.604,kept\n", "26-001,1.605,kept\n", True),
        ("26-001,1.604,kept\n", "26-001,1.606,kept\n", False),
        ("26-001,12,kept\n", "26-001,13,kept\n", False),
        ("26-001,1.6,kept\n", "26-002,1.6,kept\n", False),
        ("26-001,1.6,kept\n", "26-001,1.60,kept\n", True),
        ("a −0.4 to +2.8\n", "a −0.5 to +2.8\n", True),
        ("a −0.4 to +2.8\n", "a +0.4 to +2.8\n", False),
        ("a\n", "a\nb\n", False),
    ],
)
def test_what_counts_as_the_same_table(was: str, now: str, same: bool) -> None:
    assert (difference(was, now) is None) == same


@pytest.mark.slow
def test_the_tables_are_those_that_were_kept() -> None:
    made = {name: data.decode() for name, data in table_files(held.meeting()).items()}
    kept = {path.name: path.read_text(encoding="utf-8") for path in KEPT.glob("*.csv")}
    assert made.keys() == kept.keys()
    found = {name: where for name in kept if (where := difference(kept[name], made[name]))}
    assert not found, "; write them anew if that was meant (see above): ".join(map(str, found.items()))


if __name__ == "__main__":
    KEPT.mkdir(exist_ok=True)
    for path in KEPT.glob("*.csv"):
        path.unlink()
    for name, data in table_files(held.meeting()).items():
        (KEPT / name).write_bytes(data)
