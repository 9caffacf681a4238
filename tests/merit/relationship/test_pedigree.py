"""Relationships and inbreeding against published cases, and shares against the mean over their assignments."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from selection.errors import PedigreeError
from selection.merit.relationship.pedigree import Pedigree, _by_ancestors, from_parents, from_shares

EXACT = 1e-12


def pedigree(*rows: tuple[str, str | None, str | None]) -> Pedigree:
    """A pedigree from (bird, sire, dam) rows."""
    return from_parents(pd.DataFrame(rows, columns=["bird", "sire", "dam"]))


def tabular(rows: list[tuple[int | None, int | None]]) -> np.ndarray:
    """A by the tabular method, straight from its definition: the plain reference for everything here."""
    a = np.zeros((len(rows), len(rows)))
    for i, parents in enumerate(rows):
        for j in range(i):
            a[i, j] = a[j, i] = 0.5 * sum(a[j, p] for p in parents if p is not None)
        both = None not in parents
        a[i, i] = 1 + (0.5 * a[parents[0], parents[1]] if both else 0)
    return a


def test_mrode_chapter_2_relationships_and_inverse() -> None:
    """Mrode (2014), Linear Models for the Prediction of Animal Breeding Values, 3rd ed., ch. 2, pp. 25-32."""
    found = pedigree(("3", "1", "2"), ("4", "1", None), ("5", "4", "3"), ("6", "5", "2"))
    names = list("123456")
    a = [
        [1, 0, 0.5, 0.5, 0.5, 0.25],
        [0, 1, 0.5, 0, 0.25, 0.625],
        [0.5, 0.5, 1, 0.25, 0.625, 0.5625],
        [0.5, 0, 0.25, 1, 0.625, 0.3125],
        [0.5, 0.25, 0.625, 0.625, 1.125, 0.6875],
        [0.25, 0.625, 0.5625, 0.3125, 0.6875, 1.125],
    ]
    at = found.positions(names)
    np.testing.assert_allclose(found.relationship(names), a, atol=EXACT)
    np.testing.assert_allclose(found.mendelian[at], [1, 1, 0.5, 0.75, 0.5, 0.46875], atol=EXACT)
    inverse = found.inverse().toarray()[np.ix_(at, at)]
    # with inbreeding: the diagonal and the two cells that change where inbreeding is ignored
    np.testing.assert_allclose(np.diag(inverse), [1.8333, 2.0333, 2.5, 1.8333, 2.5333, 2.1333], atol=5e-5)
    np.testing.assert_allclose(
        [inverse[1, 4], inverse[1, 5], inverse[4, 5]], [0.5333, -1.0667, -1.0667], atol=5e-5
    )


SIBS = [("a", None, None), ("b", None, None), ("c", None, None), ("d", None, None)]
WRIGHT = {
    "full sibs": ([*SIBS, ("x", "a", "b"), ("y", "a", "b")], "x", "y", 1 / 4),
    "parent and chick": ([*SIBS, ("y", "a", "b")], "a", "y", 1 / 4),
    "half sibs": ([*SIBS, ("x", "a", "b"), ("y", "a", "c")], "x", "y", 1 / 8),
    "uncle and niece": ([*SIBS, ("x", "a", "b"), ("z", "a", "b"), ("y", "z", "d")], "x", "y", 1 / 8),
    "double first cousins": (
        [
            *SIBS,
            ("p", "a", "b"),
            ("q", "a", "b"),
            ("r", "c", "d"),
            ("s", "c", "d"),
            ("x", "p", "r"),
            ("y", "q", "s"),
        ],
        "x",
        "y",
        1 / 8,
    ),
    "first cousins": (
        [*SIBS, ("e", None, None), ("p", "a", "b"), ("q", "a", "b"), ("x", "p", "d"), ("y", "q", "e")],
        "x",
        "y",
        1 / 16,
    ),
}


@pytest.mark.parametrize("case", WRIGHT)
def test_wright_1922_inbreeding_of_chicks(case: str) -> None:
    """Wright (1922) Am. Nat. 56:330: F = Σ (½)^(n1+n2+1) (1 + F_A); volume and page from memory."""
    rows, one, other, f = WRIGHT[case]
    found = pedigree(*rows)
    assert found.relationship([one], [other])[0, 0] / 2 == pytest.approx(f, abs=EXACT)


def test_common_ancestor_that_is_inbred() -> None:
    """Half sibs whose common parent has F = ¼: ⅛ · 1¼ = 0.15625 (Wright's formula)."""
    found = pedigree(
        ("p", "g", "h"), ("q", "g", "h"), ("a", "p", "q"), ("x", "a", "c"), ("y", "a", "d"), ("z", "x", "y")
    )
    assert found.inbreeding[found.positions(["z"])[0]] == pytest.approx(0.15625, abs=EXACT)


def test_repeated_full_sib_mating() -> None:
    """Falconer & Mackay (1996) ch. 5, by generation (from memory), and its recurrence (1 + 2F′ + F″)/4."""
    published = [0.25, 0.375, 0.5, 0.59375, 0.671875, 0.734375, 0.785156, 0.826172, 0.859375]
    rows, last = [("m0", "a", "b"), ("f0", "a", "b")], ("m0", "f0")
    for k in range(1, 10):
        rows += [(f"m{k}", *last), (f"f{k}", *last)]
        last = (f"m{k}", f"f{k}")
    found = pedigree(*rows)
    f = found.inbreeding[found.positions([f"m{k}" for k in range(1, 10)])]
    np.testing.assert_allclose(f, published, atol=5e-7)


def test_back_crossing_to_one_sire() -> None:
    """Daughters put back to their own sire: ¼, ⅜, 7/16 … towards ½ (Falconer & Mackay ch. 5, from memory)."""
    rows, dam = [("d0", "s", "m")], "d0"
    for k in range(1, 6):
        rows.append((f"d{k}", "s", dam))
        dam = f"d{k}"
    found = pedigree(*rows)
    f = found.inbreeding[found.positions([f"d{k}" for k in range(1, 6)])]
    np.testing.assert_allclose(f, [0.25, 0.375, 0.4375, 0.46875, 0.484375], atol=EXACT)


def test_uncertain_sire_is_the_mean_over_assignments() -> None:
    """Average relationship (Henderson 1988; Perez-Enciso & Fernando 1992, from memory): x, z by s1 .6 or s2 .4."""
    nobody: dict[str, float] = {}
    sires = {"s1": nobody, "s2": nobody, "d1": nobody, "d2": nobody}
    sires |= {"x": {"s1": 0.3, "s2": 0.2}, "z": {"s1": 0.3, "s2": 0.2}, "y": {"s1": 0.5}}
    dams = dict.fromkeys(("s1", "s2", "d1", "d2"), nobody) | {
        "x": {"d1": 0.5},
        "z": {"d1": 0.5},
        "y": {"d2": 0.5},
    }
    found = from_shares(sires, dams)
    np.testing.assert_allclose(
        found.relationship(["x"], ["s1", "s2", "z", "y"]), [[0.3, 0.2, 0.38, 0.15]], atol=EXACT
    )
    assert found.mendelian[found.positions(["x"])[0]] == pytest.approx(0.62, abs=EXACT)
    followed = _by_ancestors(found.sires, found.dams, found.weights, found.levels)
    np.testing.assert_allclose(followed, (found.inbreeding, found.mendelian), atol=EXACT)
    means = np.zeros((7, 7))
    names = ["s1", "s2", "d1", "d2", "x", "z", "y"]
    for (x, p), (z, q) in product((("s1", 0.6), ("s2", 0.4)), repeat=2):
        one = pedigree(
            *((b, None, None) for b in names[:4]), ("x", x, "d1"), ("z", z, "d1"), ("y", "s1", "d2")
        )
        means += p * q * one.relationship(names)
    np.testing.assert_allclose(found.relationship(names), means, atol=EXACT)


@pytest.mark.parametrize("hens", [1, 2, 6])
def test_chicks_of_one_pen(hens: int) -> None:
    """One cock and n hens: ¼ + ¼·1/n between two chicks of the pen."""
    dams = {f"h{k}": 0.5 / hens for k in range(hens)}
    founders = {b: {} for b in ("c", *dams)}
    found = from_shares(
        founders | {"x": {"c": 0.5}, "y": {"c": 0.5}}, founders | {"x": dict(dams), "y": dict(dams)}
    )
    assert found.relationship(["x"], ["y"])[0, 0] == pytest.approx(0.25 + 0.25 / hens, abs=EXACT)


@pytest.mark.parametrize("p", [0.0, 0.3, 1 - 1e-6])
def test_unseen_birds_of_several_springs_are_alike_by_the_chance_that_they_are_the_same(p: float) -> None:
    """Any two springs' unseen cocks have A = p, whatever the order, and none is inbred."""
    nobody = {b: {} for b in "abc"}
    partial = {"b": {"a": p}, "c": {"a": p / (1 + p), "b": p / (1 + p)}}
    found = from_shares(nobody, nobody, partial)
    expected = np.full((3, 3), p) + (1 - p) * np.eye(3)
    np.testing.assert_allclose(found.relationship(list("abc")), expected, atol=1e-9)
    np.testing.assert_allclose(found.inbreeding, 0, atol=EXACT)


def test_more_parents_than_a_block_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    """A flock with too many parents for the dense block is worked out by its ancestors, with the same answer."""
    rng = np.random.default_rng(5)
    size, names = 40, [f"b{i}" for i in range(200)]
    at = [
        (None, None) if i < size else tuple(i - i % size - size + rng.permutation(size // 2) * 2)[:2]
        for i in range(200)
    ]
    frame = pd.DataFrame(
        [
            (n, *(None if p is None else names[p + side] for side, p in enumerate(pair)))
            for n, pair in zip(names, at, strict=True)
        ],
        columns=["bird", "sire", "dam"],
    )
    by_block = from_parents(frame)
    monkeypatch.setattr("selection.merit.relationship.pedigree.MOST_PARENTS", 10)
    monkeypatch.setattr("selection.merit.relationship.pedigree.TOGETHER", 7)
    by_ancestors = from_parents(frame)
    assert by_block.inbreeding.max() > 0
    np.testing.assert_allclose(by_ancestors.inbreeding, by_block.inbreeding, atol=EXACT)


parents = st.integers(min_value=0, max_value=1_000)


@given(st.lists(st.tuples(parents, parents, st.booleans(), st.booleans()), min_size=1, max_size=25))
@settings(max_examples=60, deadline=None)
def test_any_pedigree_equals_the_tabular_method(drawn: list[tuple[int, int, bool, bool]]) -> None:
    """Sires among even birds, dams among odd ones; unknown parents anywhere. And A⁻¹ inverts A."""
    rows: list[tuple[int | None, int | None]] = [(None, None), (None, None)]
    for s, d, know_sire, know_dam in drawn:
        n = len(rows)
        sire = 2 * (s % ((n + 1) // 2)) if know_sire else None
        dam = 2 * (d % (n // 2)) + 1 if know_dam else None
        rows.append((sire, dam))
    names = [str(i) for i in range(len(rows))]
    frame = pd.DataFrame(
        [
            (n, None if s is None else str(s), None if d is None else str(d))
            for n, (s, d) in zip(names, rows, strict=True)
        ],
        columns=["bird", "sire", "dam"],
    )
    found = from_parents(frame)
    expected = tabular(rows)
    np.testing.assert_allclose(found.relationship(names), expected, atol=1e-10)
    np.testing.assert_allclose(found.inbreeding[found.positions(names)], np.diag(expected) - 1, atol=1e-10)
    # the way for many parents, that follows ancestors, says the same
    followed = _by_ancestors(found.sires, found.dams, found.weights, found.levels)
    np.testing.assert_allclose(followed, (found.inbreeding, found.mendelian), atol=1e-10)
    at = found.positions(names)
    np.testing.assert_allclose(
        found.inverse().toarray()[np.ix_(at, at)] @ expected, np.eye(len(names)), atol=1e-8
    )


def test_a_loop_names_its_birds() -> None:
    with pytest.raises(PedigreeError, match=r"a loop of parents.*(x, y|y, x)"):
        pedigree(("x", "y", None), ("y", "x", None))


def test_sire_and_dam_at_once() -> None:
    with pytest.raises(PedigreeError, match="named as a sire and as a dam: b"):
        pedigree(("x", "b", None), ("y", None, "b"))


def test_listed_twice() -> None:
    with pytest.raises(PedigreeError, match="listed more than once: x"):
        pedigree(("x", None, None), ("x", None, None))


def test_unknown_bird_is_named() -> None:
    with pytest.raises(PedigreeError, match="not in the pedigree: nobody"):
        pedigree(("x", None, None)).relationship(["nobody"])


def test_nobody_has_a_pedigree_too() -> None:
    assert pedigree().birds == ()
    assert pedigree().inverse().shape == (0, 0)
