"""What one bird is to another, held against pedigrees of textbooks and the relationships that they give."""

from __future__ import annotations

import pandas as pd
import pytest

from selection.merit.relationship.pedigree import Pedigree, from_parents, from_shares
from selection.merit.relationship.relations import Relations

Row = tuple[str, str | None, str | None]
FAMILY: list[Row] = [
    ("s", "S", "D"), ("t", "S", "D"), ("h", "S", "E"), ("x", "s", "m"), ("z", "s", "n"),
    ("y", "u", "t"), ("w", "v", "h"), ("p", "s", "t"), ("q", "a", "b"), ("r", "a", "b"),
    ("k", "s", "q"), ("l", "u", "r"), ("i", "u2", "r"), ("j", "t2", "q"),
]  # fmt: skip
"""s and t: full brother and sister; h their half sister; x, z, y, w, their chicks."""
SEXES = dict.fromkeys("SDEtxhyzwqrlij", "female") | dict.fromkeys(["S", "s", "u", "p", "k"], "male")


def of(rows: list[Row]) -> Pedigree:
    return from_parents(pd.DataFrame(rows, columns=["bird", "sire", "dam"]))


# relationships between such relatives: Wright (1922), Am. Nat. 56:330; Falconer and Mackay (1996), table of
# relationships in chapter 9 (twice the coancestry), from memory; both agree with the tabular method
@pytest.mark.parametrize(
    ("bird", "other", "words", "relationship"),
    [
        ("x", "s", "her sire", 0.5),
        ("s", "x", "his daughter", 0.5),
        ("s", "t", "full sister", 0.5),
        ("t", "s", "full brother", 0.5),
        ("s", "h", "half sister", 0.25),
        ("x", "z", "half sister", 0.25),
        ("x", "S", "her sire's sire", 0.25),
        ("S", "x", "his son's daughter", 0.25),
        ("x", "t", "her sire's sister", 0.25),
        ("t", "x", "her brother's daughter", 0.25),
        ("x", "h", "her sire's half sister", 0.125),
        ("h", "x", "her half brother's daughter", 0.125),
        ("x", "y", "first cousin", 0.125),
        ("x", "w", "half first cousin", 0.0625),
    ],
)
def test_plain_relations(bird: str, other: str, words: str, relationship: float) -> None:
    found = Relations(of(FAMILY), SEXES).between(bird, other)
    assert (found.words, found.sure, found.more) == (words, True, False)
    assert found.relationship == pytest.approx(relationship)


def test_double_first_cousins_have_both_sides_in_common() -> None:
    """Relationship ¼ (Wright 1922): two full sibs, each put to one of two full sibs."""
    pedigree = of([*FAMILY, ("c", "s", "q"), ("d", "g", "t"), ("g", "a", "b")])
    found = Relations(pedigree, SEXES).between("c", "d")
    assert (found.words, found.sure, found.more) == ("double first cousin", True, False)
    assert found.relationship == pytest.approx(0.25)


def test_strangers_and_distant_kin() -> None:
    found = Relations(of(FAMILY), SEXES)
    assert found.between("x", "l").words == ""
    second = of([*FAMILY, ("f", "e1", "x"), ("g", "e2", "y")])  # second cousins, 1/32
    said = Relations(second, SEXES).between("f", "g")
    assert said.words == "further related" and said.relationship == pytest.approx(1 / 32)


def test_the_six_animals_of_a_textbook() -> None:
    """Mrode (2014), chapter 2: 3 (1, 2), 4 (1, –), 5 (4, 3), 6 (5, 2); A[6, 2] = .625, A[5, 6] = .6875."""
    six = of(
        [
            ("1", None, None),
            ("2", None, None),
            ("3", "1", "2"),
            ("4", "1", None),
            ("5", "4", "3"),
            ("6", "5", "2"),
        ]
    )
    sexes = {"1": "male", "2": "female", "3": "female", "4": "male", "5": "male", "6": "female"}
    found = Relations(six, sexes)
    said = {
        (a, b): found.between(a, b) for a, b in [("3", "4"), ("6", "2"), ("6", "5"), ("5", "1"), ("6", "4")]
    }
    assert {pair: r.words for pair, r in said.items()} == {
        ("3", "4"): "half brother", ("6", "2"): "her dam", ("6", "5"): "her sire", ("5", "1"): "his sire's sire",
        ("6", "4"): "her sire's sire",
    }  # fmt: skip
    assert (
        said["6", "2"].relationship == pytest.approx(0.625) and said["6", "2"].more
    )  # also her sire's dam's dam
    assert said["5", "1"].relationship == pytest.approx(0.5) and said["5", "1"].more  # on both sides
    assert not said["3", "4"].more


def pen(
    dams: dict[str, float], sires: dict[str, float] | None = None, same: float | None = None
) -> Relations:
    """Chicks x (female) and z (male) of one pen, y of the first cock and another hen."""
    sires = sires or {"s1": 0.5}
    founders = {key: {} for key in ["s1", "s2", "d1", "d2", "d3", *dams]}
    of_sires = {**founders, "x": sires, "z": sires, "y": {"s1": 0.5}}
    of_dams = {**founders, "x": dams, "z": dams, "y": {"d3": 0.5}}
    partial = None
    if same is not None:
        founders |= {"unseen cock of Mill, 2025": {}, "unseen cock of Mill, 2026": {}}
        of_sires = {
            **founders,
            "x": {"unseen cock of Mill, 2025": 0.5},
            "z": {"unseen cock of Mill, 2026": 0.5},
        }
        of_dams = {**founders, "x": {"d1": 0.5}, "z": {"d2": 0.5}}
        partial = {"unseen cock of Mill, 2026": {"unseen cock of Mill, 2025": same}}
    return Relations(from_shares(of_sires, of_dams, partial), {"x": "female", "z": "male", "y": "female"})


def test_one_cock_and_two_hens_make_full_or_half_sibs() -> None:
    """¼ + ¼·½ between chicks of a pen of one cock and two hens, each as likely (the average relationship)."""
    found = pen({"d1": 0.25, "d2": 0.25}).between("x", "z")
    assert (found.words, found.sure, found.more) == ("full or half brother", False, False)
    assert found.relationship == pytest.approx(0.375)


def test_a_share_in_a_sire_makes_perhaps_a_half_sister() -> None:
    found = pen({"d1": 0.5}, {"s1": 0.3, "s2": 0.2})
    assert found.between("z", "x").words == "full or half sister"
    assert found.between("z", "y").words == "perhaps a half sister"
    assert found.between("x", "s1").words == "perhaps her sire"
    assert found.between("x", "y").relationship == pytest.approx(0.15)  # Σ shares in common, by hand


def test_a_supplier_s_bird_of_another_spring_may_be_the_same_bird() -> None:
    assert pen({"d1": 0.5}, same=0.5).between("x", "z").words == "perhaps a half brother"
    assert pen({"d1": 0.5}, same=0.0).between("x", "z").words == ""
    assert pen({"d1": 0.5}, same=0.999).between("x", "z").words == "half brother"


def test_no_sex_no_word_for_it() -> None:
    assert Relations(of(FAMILY), {}).between("x", "z").words == "half sib"
    assert Relations(of(FAMILY), {}).between("x", "s").words == "its sire"


def test_a_phrase_names_both_birds() -> None:
    found = Relations(of(FAMILY), SEXES)
    assert found.in_words("x", "t") == "t is x's sire's sister"
    assert found.in_words("s", "h") == "h is s's half sister"
    assert found.in_words("x", "s") == "s is x's sire" and found.in_words("x", "l") == ""
    doubt = pen({"d1": 0.5}, {"s1": 0.3, "s2": 0.2})
    assert doubt.in_words("z", "y") == "y is perhaps z's half sister"
    assert doubt.in_words("x", "s1") == "s1 is perhaps x's sire"


def test_a_family_line_puts_alike_relatives_together_the_nearest_first() -> None:
    second = of([*FAMILY, ("f", "e1", "x"), ("g", "e2", "y")])
    found = Relations(second, SEXES)
    assert found.family_line("x", ["y", "z", "t", "s", "h", "l"]) == [
        "half sister to z", "her sire's sister: t", "first cousin to y", "her sire's half sister: h",
    ]  # fmt: skip
    assert found.family_line("f", ["g"]) == ["further related to g"]
    assert found.family_line("f", ["g"], near=True) == []
    assert pen({"d1": 0.25, "d2": 0.25}).family_line("x", ["z", "s1", "d1"]) == ["full or half sister to z"]


def test_many_relatives_of_one_kind_are_named_first_and_then_counted() -> None:
    chicks = [f"f{k}" for k in range(1, 6)]
    found = Relations(of([*FAMILY, *((chick, "e1", "x") for chick in chicks)]), SEXES)
    assert found.family_line("x", chicks[:4], most=3) == ["her chicks: f1, f2, f3 and f4"]
    assert found.family_line("x", chicks, most=3) == ["her chicks: f1, f2, f3 and 2 more"]
