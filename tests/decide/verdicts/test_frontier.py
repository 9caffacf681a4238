"""Unbeaten sets against the definition, and exchange against comparing all."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from selection.decide.verdicts import choice as module
from selection.decide.verdicts.choice import Kin, frontier


def kin_of(n: int, rng: np.random.Generator, joined: int = 4) -> Kin:
    half = rng.uniform(0, 0.5, (n, n))
    return Kin(rng.uniform(0, 0.5, (n, joined)).sum(axis=1), joined, (half + half.T) / 2)


def by_definition(merit: np.ndarray, kin: Kin, number: int, forced: tuple[int, ...]) -> set[tuple[int, ...]]:
    """Sets that no other beats: mean merit, and the mean over its birds of A with the flock they will be in."""
    told = {}
    for chosen in combinations(range(len(merit)), number):
        if set(forced) <= set(chosen):
            means = [
                (kin.joined[i] + sum(kin.among[i, j] for j in chosen if j != i)) / (kin.number + number - 1)
                for i in chosen
            ]
            told[chosen] = (np.mean(merit[list(chosen)]), np.mean(means))
    return {
        s for s, (m, k) in told.items()
        if not any(a >= m - 1e-12 and b <= k + 1e-12 and (a > m + 1e-9 or b < k - 1e-9) for a, b in told.values())
    }  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(2, 8), number=st.integers(1, 4), forced=st.integers(0, 1))
def test_the_frontier_is_the_sets_that_none_beats(seed: int, n: int, number: int, forced: int) -> None:
    number = min(number, n)
    rng = np.random.default_rng(seed)
    merit, kin = rng.standard_normal(n), kin_of(n, rng)
    found = frontier(merit, kin, number, tuple(range(forced)))
    assert found.complete
    assert {tuple(s) for s in found.sets.tolist()} == by_definition(merit, kin, number, tuple(range(forced)))
    assert (np.diff(found.merit) < 1e-9).all() and (np.diff(found.relationship) < 0).all()


def test_exchange_finds_most_of_what_comparing_all_does(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(1)
    merit, kin = rng.standard_normal(14), kin_of(14, rng)
    exact = frontier(merit, kin, 4)
    monkeypatch.setattr(module, "MOST_SETS", 1)
    found = frontier(merit, kin, 4)
    assert not found.complete
    assert found.merit[0] == pytest.approx(exact.merit[0])
    unbeaten = {tuple(s) for s in exact.sets.tolist()}
    assert np.mean([tuple(s) in unbeaten for s in found.sets.tolist()]) > 0.8
    assert found.relationship[-1] == pytest.approx(exact.relationship[-1])


def test_the_best_under_a_ceiling() -> None:
    merit = np.array([3.0, 2.0, 1.0])
    found = frontier(merit, Kin(np.array([0.5, 0.25, 0.0]), 1, np.zeros((3, 3))), 1)
    assert [found.sets[found.under(c)][0] for c in (0.6, 0.5, 0.3, 0.0)] == [0, 0, 1, 2]
    assert found.under(-0.1) is None


def test_sisters_count_against_one_another() -> None:
    """Two full sisters unrelated to the flock against one of them with a stranger of less merit."""
    among = np.array([[1, 0.5, 0], [0.5, 1, 0], [0, 0, 1.0]])
    found = frontier(np.array([3.0, 2.5, 1.0]), Kin(np.zeros(3), 4, among), 2)
    assert found.sets.tolist() == [[0, 1], [0, 2]]
    assert found.relationship.tolist() == pytest.approx([2 * 0.5 / (2 * 5), 0.0])


def test_impossible_numbers_are_refused_in_words() -> None:
    with pytest.raises(ValueError, match="3 of 2 birds, 0 of them forced"):
        frontier(np.zeros(2), Kin(np.zeros(2), 1, np.eye(2)), 3)
