"""How two birds are related, in words."""

from __future__ import annotations

import pandas as pd
import pytest

from selection.merit.relationship.kinship import Descent, degree
from selection.merit.relationship.pedigree import Pedigree, from_parents, from_shares

SEXES = {"C": "male", "H": "female", "G": "female"}


def of(*rows: tuple[str, str | None, str | None]) -> Pedigree:
    return from_parents(pd.DataFrame(rows, columns=["bird", "sire", "dam"]))


# F of the chicks: Wright (1922), Coefficients of inbreeding and relationship
@pytest.mark.parametrize(
    ("inbreeding", "said"),
    [
        (0.0, "not related as far as is known"),
        (0.25, "as full brother and sister"),
        (0.125, "as half brother and sister"),
        (0.0625, "as first cousins"),
        (0.03125, "as half first cousins"),
        (0.015625, "as second cousins"),
        (0.0600, "about as first cousins"),
        (0.09, "between first cousins and half brother and sister"),
        (0.375, "closer than full brother and sister"),
        (0.002, "further than second cousins"),
    ],
)
def test_degree(inbreeding: float, said: str) -> None:
    assert degree(inbreeding) == said


def test_first_cousins_are_grandchildren_of_the_pair_they_share_and_of_none_further_back() -> None:
    cousins = (("a", "C", "H"), ("b", "C", "H"), ("x", "p", "a"), ("y", "q", "b"))
    pedigree = of(("C", "old", "older"), *cousins)
    assert Descent(pedigree, SEXES).common_ancestors("x", "y") == (
        "both are grandchildren of cock C and hen H",
    )


def test_half_sibs_share_one_parent() -> None:
    pedigree = of(("x", "C", "H"), ("y", "C", "G"))
    assert Descent(pedigree, SEXES).common_ancestors("x", "y") == ("both are chicks of cock C",)


def test_a_daughter_is_named_as_the_cocks_own() -> None:
    pedigree = of(
        ("y", "C", "H"),
    )
    assert Descent(pedigree, SEXES).common_ancestors("C", "y") == ("y is a chick of C",)
    assert Descent(pedigree, SEXES).common_ancestors("y", "H") == ("y is a chick of H",)


def test_uncle_and_niece_stand_at_different_depths() -> None:
    pedigree = of(("uncle", "C", "H"), ("b", "C", "H"), ("niece", "p", "b"))
    assert Descent(pedigree, SEXES).common_ancestors("uncle", "niece") == (
        "uncle is a chick and niece a grandchild of cock C and hen H",
    )


def test_doubt_about_a_parent_is_said() -> None:
    none: dict[str, float] = {}
    sires = {"C": none, "G": none, "H": none, "x": {"C": 0.5}, "y": {"C": 0.5}}
    dams = {"C": none, "G": none, "H": none, "x": {"H": 0.5}, "y": {"H": 0.25, "G": 0.25}}
    said = Descent(from_shares(sires, dams), SEXES).common_ancestors("x", "y")
    assert said == ("both are chicks of cock C", "both may be chicks of hen H")


def test_suppliers_birds_that_may_be_the_same_are_one_generation_not_two() -> None:
    first, then = "unseen cock of Mill, 2025", "unseen cock of Mill, 2026"
    none: dict[str, float] = {}
    founders = dict.fromkeys(("H", "G", first, then), none)
    pedigree = from_shares(
        {**founders, "x": {first: 0.5}, "y": {then: 0.5}},
        {**founders, "x": {"H": 0.5}, "y": {"G": 0.5}},
        {then: {first: 0.5}},
    )
    assert Descent(pedigree, SEXES).common_ancestors("x", "y") == (
        "both may be chicks of the unseen birds of Mill",
    )


def test_birds_without_a_common_ancestor_have_none_to_name() -> None:
    assert Descent(of(("x", "C", "H"), ("y", "D", "G")), SEXES).common_ancestors("x", "y") == ()
