"""The best set under a ceiling, against trying every set."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from selection.decide.verdicts.choice import Kin, best_set

merits = st.lists(st.floats(-5, 5), min_size=2, max_size=7)


def brute(merit: np.ndarray, number: int, kin: Kin, ceiling: float) -> tuple[float | None, float]:
    """Highest total merit of any set under the ceiling (None: no such set), and the least relationship of any."""
    sets = [np.array(s) for s in combinations(range(len(merit)), number)]
    of = [kin.of(s[None, :])[0] for s in sets]
    totals = [merit[s].sum() for s, k in zip(sets, of, strict=True) if k <= ceiling]
    return max(totals, default=None), min(of)


@given(merits, st.integers(1, 4), st.floats(0, 0.5), st.integers(0, 2**32 - 1))
@settings(max_examples=60)
def test_equal_to_trying_every_set(drawn: list[float], number: int, ceiling: float, seed: int) -> None:
    rng, merit = np.random.default_rng(seed), np.array(drawn)
    among = rng.uniform(0, 0.5, (len(merit), len(merit))).round(3)
    kin = Kin(rng.uniform(0, 1.5, len(merit)).round(3), 3, (among + among.T) / 2)
    number = min(number, len(merit))
    found = best_set(merit, number, kin, ceiling)
    best, least = brute(merit, number, kin, ceiling)
    assert len(found.chosen) == number
    if best is None:
        assert found.ceiling_kept is False
        assert kin.of(np.array([found.chosen]))[0] == pytest.approx(least)
    else:
        assert found.ceiling_kept is True
        assert merit[found.chosen].sum() == pytest.approx(best)


def test_what_people_decided_is_in_whatever_its_merit() -> None:
    found = best_set(np.array([3.0, 2.0, -1.0]), 2, forced=np.array([False, False, True]))
    assert found.chosen.tolist() == [0, 2]


def test_more_decided_than_wanted_are_all_in() -> None:
    found = best_set(np.array([3.0, 2.0, -1.0]), 1, forced=np.array([False, True, True]))
    assert found.chosen.tolist() == [1, 2]


def test_fewer_birds_than_wanted() -> None:
    assert best_set(np.array([1.0]), 3).chosen.tolist() == [0]
    assert best_set(np.array([]), 3).chosen.tolist() == []
