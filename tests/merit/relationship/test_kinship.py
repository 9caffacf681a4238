"""How two birds are related, in words."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from selection.merit.relationship.kinship import Descent, degree, parents_in_text, pedigree_table
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
    pedigree = replace(pedigree, stood={first: "Mill", then: "Mill"})
    assert Descent(pedigree, SEXES).common_ancestors("x", "y") == (
        "both may be chicks of the unseen birds of Mill",
    )


def test_birds_without_a_common_ancestor_have_none_to_name() -> None:
    assert Descent(of(("x", "C", "H"), ("y", "D", "G")), SEXES).common_ancestors("x", "y") == ()


def test_the_pedigree_table_gives_shares_and_inbreeding_as_published() -> None:
    """Mrode (2014), chapter 2, the six animals: F of 5 and 6 is .125."""
    rows = [
        ("1", None, None),
        ("2", None, None),
        ("3", "1", "2"),
        ("4", "1", None),
        ("5", "4", "3"),
        ("6", "5", "2"),
    ]
    birds = pd.DataFrame(
        {"bird": list("135624"), "sex": "unknown", "hatched_on": ["2024", None, None, None, None, None],
         "hatched": pd.to_datetime(["2024-04-01", "2025-05-02", None, None, None, None])}
    )  # fmt: skip
    table = pedigree_table(of(*rows), birds).set_index("bird")
    assert table["F"].to_dict() == {"1": 0, "3": 0, "5": 0.125, "6": 0.125, "2": 0, "4": 0}
    assert table.loc["1", ["hatched", "sires", "dams"]].tolist() == ["2024", "", ""]
    assert table.loc["3", ["hatched", "sires", "dams"]].tolist() == ["2025-05-02", "1:1", "2:1"]


def test_a_bird_in_doubt_lists_every_possible_parent_the_likeliest_first() -> None:
    sires = {"C": {}, "unseen hen of Mill; lower, 2025": {}, "H": {}, "x": {"C": 0.5}}
    dams = {
        "C": {},
        "unseen hen of Mill; lower, 2025": {},
        "H": {},
        "x": {"unseen hen of Mill; lower, 2025": 0.2, "H": 0.3},
    }
    pedigree = from_shares(sires, dams)
    at = int(pedigree.positions(["x"])[0])
    assert parents_in_text(pedigree, "dam", at) == "H:0.6;unseen hen of Mill, lower, 2025:0.4"


def test_a_founder_that_may_be_an_earlier_one_has_no_parents_in_the_table() -> None:
    founders: dict[str, dict[str, float]] = {"c1": {}, "c2": {}}
    pedigree = from_shares(founders, founders, {"c2": {"c1": 0.5}})
    assert [parents_in_text(pedigree, side, 1) for side in ("sire", "dam")] == ["", ""]
