"""The trade-off between merit and relationship, against comparing all sets by hand."""

from __future__ import annotations

from itertools import combinations
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from selection.decide import tradeoff as module
from selection.decide.tradeoff import tradeoff
from selection.merit.pedigree import Pedigree, from_parents

KIN = (0.5, 0.25, 0.0)
"""Relationship of a chick of h0, of her grandchild, and of a stranger with h0."""


def given_birds(merit: list[float], kinds: list[int]) -> tuple[Any, Pedigree]:
    """Candidates b0, b1, … of those merits; each is a chick (0), a grandchild (1) of h0 or a stranger (2)."""
    rows: list[tuple[str, str | None, str | None]] = [("c", "x", "h0")]
    for i, kind in enumerate(kinds):
        dam = {0: "h0", 1: f"d{i}", 2: f"e{i}"}[kind]
        rows += [(f"d{i}", f"y{i}", "h0")] if kind == 1 else []
        rows.append((f"b{i}", f"s{i}", dam))
    birds = [f"b{i}" for i in range(len(kinds))]
    ranking = pd.DataFrame({"bird": birds, "group": "pullets", "merit": merit, "bar": None})
    return SimpleNamespace(ranking=ranking), from_parents(pd.DataFrame(rows, columns=["bird", "sire", "dam"]))


def unbeaten(merit: list[float], kin: list[float], number: int) -> set[tuple[float, float]]:
    """(mean merit, mean relationship) of the sets that no other beats, by the definition."""
    sets = [
        (round(float(np.mean([merit[i] for i in s])), 6), round(float(np.mean([kin[i] for i in s])), 6))
        for s in combinations(range(len(merit)), number)
    ]
    return {(m, k) for m, k in sets if not any((a >= m and b <= k) and (a > m or b < k) for a, b in sets)}


@pytest.mark.parametrize("limit", [module.MOST_SETS, 0])
@settings(max_examples=40, deadline=None)
@given(
    birds=st.lists(st.tuples(st.integers(-8, 8), st.integers(0, 2)), min_size=3, max_size=7),
    number=st.integers(1, 3),
)
def test_the_curve_is_the_sets_that_none_beats(limit: int, birds: list[tuple[int, int]], number: int) -> None:
    merit, kinds = [float(m) for m, _ in birds], [k for _, k in birds]
    if len(birds) <= number:
        return
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "MOST_SETS", limit)
        patch.setattr(module, "CEILINGS", 10_000)
        found = tradeoff(*given_birds(merit, kinds), "pullets", number, ["h0"])
    points = {(round(r.merit, 6), round(r.relationship, 6)) for r in found.table.itertuples()}
    assert points == unbeaten(merit, [KIN[k] for k in kinds], number)
    assert found.complete == (limit > 0)


def test_what_one_step_costs_either_way_is_said() -> None:
    found = tradeoff(*given_birds([4.0, 3.0, 1.0], [0, 1, 2]), "pullets", 1, ["h0"], ["b1"])
    assert found.table["step"].tolist() == [1, 2, 3]
    assert found.table["relationship"].tolist() == pytest.approx([0.5, 0.25, 0.0])
    assert found.table["inbreeding"].tolist() == pytest.approx([0.25, 0.125, 0.0])
    assert found.table["cost"].tolist() == pytest.approx([0, 1, 3])
    assert found.sentences == (
        "pullets: b1 has a merit of +3.0 and a relationship of 0.250 with the flock they join.",
        "That is step 2 of 3, step 1 being the most merit.",
        "One step to less related: b2, merit -2.00 a bird, relationship -0.250.",
        "One step to more merit: b0, merit +1.00 a bird, relationship +0.250.",
    )


def test_a_chosen_set_off_the_curve_is_told_what_beats_it() -> None:
    found = tradeoff(*given_birds([4.0, 3.0, 1.0], [2, 1, 0]), "pullets", 1, ["h0"], ["b1"])
    assert found.table["birds"].tolist() == ["b0", "b1"]
    assert np.isnan(found.table["step"].iloc[1])
    assert found.sentences[1] == "b0 would do better: merit +4.0, relationship 0.000."


def test_barred_birds_are_not_in_it() -> None:
    merit, pedigree = given_birds([4.0, 3.0, 1.0], [0, 1, 2])
    merit.ranking.loc[0, "bar"] = "wry tail"
    assert tradeoff(merit, pedigree, "pullets", 1, ["h0"]).table["birds"].tolist() == ["b1", "b2"]


@pytest.mark.parametrize(
    ("number", "flock", "said"),
    [
        (3, ["h0"], "pullets: 3 unbarred for 3 places: there is nothing to choose."),
        (1, [], "pullets: there is no flock to join, so that no relationship has to be weighed."),
        (0, ["h0"], "pullets: none is to be kept."),
    ],
)
def test_nothing_to_choose_is_said(number: int, flock: list[str], said: str) -> None:
    found = tradeoff(*given_birds([4.0, 3.0, 1.0], [0, 1, 2]), "pullets", number, flock)
    assert found.cannot == (said,)
    assert found.table.empty
