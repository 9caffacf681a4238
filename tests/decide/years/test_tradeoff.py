"""The trade-off between merit and relationship: what the curve is of, and what is said of the chosen set."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from selection.decide.years import tradeoff as module
from selection.decide.years.breeding import Genetics
from selection.decide.years.tradeoff import fair_price, tradeoff
from selection.merit.relationship.pedigree import Pedigree, from_parents


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


def test_relationship_is_with_the_flock_as_it_will_be() -> None:
    """Every set's mean relationship with h0 and with one another, straight from the pedigree."""
    merit, pedigree = given_birds([4.0, 3.0, 2.0, 1.0], [0, 0, 1, 2])
    table = tradeoff(merit, pedigree, "pullets", 2, ["h0"]).table
    assert len(table) > 1
    for row in table.itertuples():
        a, b = row.birds.split("; ")
        A = pedigree.relationship([a, b], ["h0", a, b])
        assert row.relationship == pytest.approx((A[0, 0] + A[0, 2] + A[1, 0] + A[1, 1]) / 4)


def test_what_one_step_costs_either_way_is_said() -> None:
    found = tradeoff(*given_birds([4.0, 3.0, 1.0], [0, 1, 2]), "pullets", 1, ["h0"], ["b1"])
    assert found.table["step"].tolist() == [1, 2, 3]
    assert found.table["relationship"].tolist() == pytest.approx([0.5, 0.25, 0.0])
    assert found.table["inbreeding"].tolist() == pytest.approx([0.25, 0.125, 0.0])
    assert found.table["cost"].tolist() == pytest.approx([0, 1, 3])
    assert found.sentences == (
        "pullets: b1 has a merit of +3.0 and a relationship of 0.250 with the flock they join.",
        "That is step 2 of 3, step 1 being the most merit.",
        "One step to less related: b2, 2.00 points of merit a bird less, relationship 0.250 lower: 0.08 points "
        "for each 0.01 of relationship.",
        "One step to more merit: b0, 1.00 points of merit a bird more, relationship 0.250 higher: 0.04 points "
        "for each 0.01 of relationship.",
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
        (3, ["h0"], "pullets: 3 unbarred for 3 places, so that there is nothing to choose."),
        (1, [], "pullets: there is no flock to join, so that no relationship has to be weighed."),
        (0, ["h0"], "pullets: none is to be kept."),
    ],
)
def test_nothing_to_choose_is_said(number: int, flock: list[str], said: str) -> None:
    found = tradeoff(*given_birds([4.0, 3.0, 1.0], [0, 1, 2]), "pullets", number, flock)
    assert found.cannot == (said,)
    assert found.table.empty


def test_too_many_sets_are_said_to_be_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("selection.decide.verdicts.choice.MOST_SETS", 1)
    found = tradeoff(*given_birds([4.0, 3.0, 1.0], [0, 1, 2]), "pullets", 1, ["h0"])
    assert not found.complete
    assert found.cannot == (
        "pullets: too many sets to compare all; these are what exchanging bird by bird found.",
    )


def test_none_chosen_is_said() -> None:
    found = tradeoff(*given_birds([4.0, 3.0, 1.0], [0, 1, 2]), "pullets", 1, ["h0"], [])
    assert found.sentences == ("pullets: none of them is chosen; the curve has 3 steps.",)


def test_the_fair_price_is_the_simulations_on_the_scale_of_this_merit(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """15 points for a unit of relationship where the spread of merit is 3.9: so simulate_policies found."""
    monkeypatch.setattr(module, "genetics_of", lambda merit: Genetics(3.92, 1.0))
    assert 100 * fair_price(SimpleNamespace()) == pytest.approx(15, rel=0.06)
    monkeypatch.setattr(module, "genetics_of", lambda merit: None)
    assert fair_price(SimpleNamespace()) is None
