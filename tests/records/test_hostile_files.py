"""One file of each hostile kind: taken or refused in words, and nothing on record is touched."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks import hostile_files as hostile

pytestmark = pytest.mark.slow

LONG = {"a swollen workbook", "a standard of 3,000 sections", "ten thousand columns"}
"""Kinds that take seconds: the command has them."""


def test_hostile_files_stop_nothing_and_touch_nothing(tmp_path: Path) -> None:
    flock = hostile.flock_in(tmp_path)
    before, rng = hostile.standing(flock), np.random.default_rng(5)
    handed = hostile.odd_places(tmp_path / "places")
    for i, kind in enumerate(kind for kind in hostile.KINDS if kind not in LONG):
        file, data = hostile.KINDS[kind](rng)
        handed[kind] = tmp_path / f"case-{i}"
        handed[kind].mkdir()
        (handed[kind] / file).write_bytes(data)
    wrong = {kind: hostile.wrong_with(flock, forms, before) for kind, forms in handed.items()}
    assert {kind: faults for kind, faults in wrong.items() if faults} == {}


def test_a_row_that_is_lost_or_changed_is_noticed(tmp_path: Path) -> None:
    before = hostile.standing(hostile.flock_in(tmp_path))
    changed = before["weights"].assign(grams=lambda f: f["grams"] + 1)
    assert hostile.lost(before, before) == []
    assert hostile.lost(before, before | {"weights": changed}) == ["weights"]
    assert hostile.lost(before, before | {"birds": before["birds"].iloc[1:]}) == ["birds"]
