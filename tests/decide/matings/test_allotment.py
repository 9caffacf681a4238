"""The best allotment against trying every way, and what it says."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from selection.decide.matings.matings import allot

numbers = st.integers(-20, 20)


def pairs(
    cocks: list[str], hens: list[str], merit: list[float], F: list[float], allowed: list[bool]
) -> pd.DataFrame:
    rows = list(product(cocks, hens))
    frame = pd.DataFrame(rows, columns=["cock", "hen"])
    said = np.where(allowed[: len(rows)], "yes", "no")
    return frame.assign(inbreeding=F[: len(rows)], merit=merit[: len(rows)], allowed=said, why="")


@st.composite
def flocks(draw: st.DrawFn) -> tuple[pd.DataFrame, dict[str, int], float]:
    cocks = [f"c{i}" for i in range(draw(st.integers(1, 3)))]
    hens = [f"h{i}" for i in range(draw(st.integers(1, 5)))]
    n = len(cocks) * len(hens)
    merit = draw(st.lists(numbers.map(lambda v: v / 4), min_size=n, max_size=n))
    F = draw(st.lists(st.sampled_from([0.0, 0.0625, 0.125, 0.25]), min_size=n, max_size=n))
    allowed = draw(st.lists(st.booleans(), min_size=n, max_size=n))
    sizes = {c: draw(st.integers(0, 4)) for c in cocks}
    return pairs(cocks, hens, merit, F, allowed), sizes, draw(st.sampled_from([0.0, 8.0]))


def by_trying_all(table: pd.DataFrame, sizes: dict[str, int], depression: float) -> tuple[int, float]:
    """(hens that get a cock, value) of the best way, most hens first: every hen with every cock or none."""
    hens = list(dict.fromkeys(table["hen"]))
    of = table.set_index(["cock", "hen"]).to_dict("index")
    best = (0, 0.0)
    for way in product([None, *sizes], repeat=len(hens)):
        put = [(c, h) for c, h in zip(way, hens, strict=True) if c is not None]
        full = all(sum(c == cock for c, _ in put) <= most for cock, most in sizes.items())
        if full and all(of[p]["allowed"] == "yes" for p in put):
            value = sum(of[p]["merit"] - depression * of[p]["inbreeding"] for p in put)
            best = max(best, (len(put), float(value)))
    return best


@settings(max_examples=50, deadline=None)
@given(flocks())
def test_allotment_is_the_best_of_all_ways(flock: tuple[pd.DataFrame, dict[str, int], float]) -> None:
    table, sizes, depression = flock
    found = allot(table, list(sizes), list(dict.fromkeys(table["hen"])), sizes, depression)
    hens, value = by_trying_all(table, sizes, depression)
    assert found.table["cock"].notna().sum() == hens
    assert found.total == pytest.approx(value)
    put = found.table.dropna(subset="cock")
    assert all(put["cock"].value_counts().get(c, 0) <= most for c, most in sizes.items())


def test_equal_values_go_the_less_inbred_way() -> None:
    """Two cocks of one merit, one hen related to each: with no depression the unrelated pairs are made."""
    table = pairs(["a", "b"], ["x", "y"], [1.0] * 4, [0.125, 0.0, 0.0, 0.125], [True] * 4)
    found = allot(table, ["a", "b"], ["x", "y"], 1).table.set_index("hen")["cock"]
    assert found.to_dict() == {"x": "b", "y": "a"}


def test_depression_can_outweigh_merit() -> None:
    table = pairs(["good", "plain"], ["x"], [2.0, 1.5], [0.125, 0.0], [True, True])
    assert allot(table, ["good", "plain"], ["x"]).table["cock"].tolist() == ["good"]
    assert allot(table, ["good", "plain"], ["x"], depression=5.0).table["cock"].tolist() == ["plain"]


def test_full_pens_and_refusals_are_said() -> None:
    table = pairs(["a", "b"], ["x", "y", "z"], [3, 2, 9, 1, 1, 9], [0.0] * 6, [True, True, False] * 2)
    found = allot(table, ["a", "b"], ["x", "y", "z"], {"a": 1})
    assert found.table.set_index("hen")["why"].to_dict() == {
        "x": "the best for her",
        "y": "every pen she could go to is full",
        "z": "too close to every cock that is kept, or refused with him",
    }
    assert "b has no hens." in found.sentences
    assert "y has no cock: every pen she could go to is full." in found.sentences


def test_a_hen_kept_from_a_better_cock_is_told_whose_pen_is_full() -> None:
    table = pairs(["a", "b"], ["x", "y"], [5, 4, 1, 1], [0.0] * 4, [True] * 4)
    found = allot(table, ["a", "b"], ["x", "y"], 1).table.set_index("hen")
    assert found["cock"].to_dict() == {"x": "a", "y": "b"}
    assert found.loc["y", "why"] == "the pen of a is full"


def test_a_pair_of_unknown_merit_counts_as_the_mean() -> None:
    table = pairs(["a"], ["x", "y"], [np.nan, 3.0], [0.0, 0.0], [True, True])
    found = allot(table, ["a"], ["x", "y"], 2)
    assert found.total == pytest.approx(6.0)


def test_no_pair_at_all_leaves_every_hen_without_a_cock() -> None:
    found = allot(pairs([], [], [], [], []), [], ["x"])
    assert found.total == 0
    assert found.table["cock"].isna().all()
