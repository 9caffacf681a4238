"""The worst case over possible parents, against trying every assignment through the tabular method."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from selection.merit.relationship import worst_case
from selection.merit.relationship.pedigree import Pedigree, from_parents, from_shares
from selection.merit.relationship.worst_case import WorstCase, ancestry, chance_over

Shares = dict[str, dict[str, float]]


def every_assignment(sires: Shares, dams: Shares, partial: Shares) -> list[tuple[float, pd.DataFrame]]:
    """(chance, relationship of all birds) for every way of giving each bird its parents, built one by one."""
    birds, found = list(sires), []
    rows = [(b, {k: 2 * w for k, w in side[b].items()}) for b in birds for side in (sires, dams) if side[b]]
    same = [(b, {**p, b: 1 - sum(p.values())}) for b, p in partial.items() if p]
    for picks in product(*(of.items() for _, of in rows), *(of.items() for _, of in same)):
        stands_for = {b: b for b in birds}
        for (b, _), (other, _) in zip(same, picks[len(rows) :], strict=True):
            stands_for[b] = stands_for[other]
        parents: dict[str, list[str]] = {b: [] for b in birds}
        for (b, _), (parent, _) in zip(rows, picks, strict=False):
            parents[b].append(stands_for[parent])
        frame = pd.DataFrame([(b, *(parents[b] or (None, None))) for b in birds if stands_for[b] == b])
        pedigree = from_parents(frame.set_axis(["bird", "sire", "dam"], axis=1))
        of = [stands_for[b] for b in birds]
        chance = float(np.prod([p for _, p in picks]))
        found.append((chance, pd.DataFrame(pedigree.relationship(of), index=birds, columns=birds)))
    return [(chance, A) for chance, A in found if chance > 0]


def pen(*birds: str) -> dict[str, float]:
    return {b: 0.5 / len(birds) for b in birds}


@st.composite
def small_flocks(draw: st.DrawFn) -> tuple[Shares, Shares, Shares]:
    """Few founders, one perhaps the same bird as another, and chicks of uncertain parents."""
    cocks, hens = [f"c{i}" for i in range(draw(st.integers(1, 3)))], [f"h{i}" for i in range(3)]
    sires: Shares = {b: {} for b in cocks + hens}
    dams: Shares = {b: {} for b in cocks + hens}
    partial: Shares = {}
    if len(cocks) > 1 and draw(st.booleans()):
        partial["c1"] = {"c0": draw(st.sampled_from([0.25, 0.5, 1.0]))}
    doubts = 0
    for i in range(draw(st.integers(2, 5))):
        most = 2 if doubts < 3 else 1
        of_sire = draw(st.lists(st.sampled_from(cocks), min_size=1, max_size=most, unique=True))
        of_dam = draw(st.lists(st.sampled_from(hens), min_size=1, max_size=most, unique=True))
        doubts += (len(of_sire) > 1) + (len(of_dam) > 1)
        name = f"{'cock' if i % 2 else 'hen'} {i}"
        sires[name], dams[name] = pen(*of_sire), pen(*of_dam)
        (cocks if i % 2 else hens).append(name)
    return sires, dams, partial


@settings(max_examples=20, deadline=None)
@given(small_flocks())
def test_worst_case_is_the_greatest_over_all_assignments(flock: tuple[Shares, Shares, Shares]) -> None:
    ways = every_assignment(*flock)
    pedigree = from_shares(*flock)
    chicks = [b for b in pedigree.birds if " " in b]
    worst = WorstCase(pedigree, chicks)
    for first, second in product(chicks, chicks):
        if first != second:
            found = worst.pair(first, second)
            assert found.exact
            assert found.relationship == pytest.approx(max(A.loc[first, second] for _, A in ways))


@settings(max_examples=10, deadline=None)
@given(small_flocks())
def test_the_average_relationship_is_the_mean_over_assignments(flock: tuple[Shares, Shares, Shares]) -> None:
    """The pedigree's own A, beside which the worst case stands."""
    ways = every_assignment(*flock)
    birds = list(flock[0])
    mean = sum(chance * A for chance, A in ways)
    assert from_shares(*flock).relationship(birds) == pytest.approx(mean.loc[birds, birds].to_numpy())


@settings(max_examples=10, deadline=None)
@given(small_flocks(), st.sampled_from([0.0, 0.0625, 0.125, 0.25]))
def test_the_chance_of_more_than_allowed_is_that_of_all_assignments(
    flock: tuple[Shares, Shares, Shares], most: float
) -> None:
    ways = every_assignment(*flock)
    pedigree = from_shares(*flock)
    cocks, hens = ([b for b in pedigree.birds if b.startswith(sex)] for sex in ("c", "h"))
    exact = sum(chance * (0.5 * A.loc[cocks, hens] > most + 1e-9) for chance, A in ways)
    found = chance_over(pedigree, cocks, hens, most, np.random.default_rng(1), 2_000)
    # four standard errors of 2,000 draws: no more than .045
    assert np.abs(found - np.asarray(exact, dtype=float)).max() < 0.045
    assert (found[np.isclose(np.asarray(exact, dtype=float), 0)] == 0).all()


@pytest.fixture
def torn() -> Pedigree:
    """A hen whose uncertain dam meets the cock through two lines that would need different answers."""
    founders = ["S", "T", "a", "b"]
    sires: Shares = {b: {} for b in founders}
    dams: Shares = {b: {} for b in founders}
    sires["x"], dams["x"] = pen("S"), pen("a", "b")
    sires["y"], dams["y"] = pen("T"), pen("a")
    sires["z"], dams["z"] = pen("T"), pen("b")
    sires["cock"], dams["cock"] = pen("x"), pen("y")
    sires["hen"], dams["hen"] = pen("x"), pen("z")
    return from_shares(sires, dams)


def test_parents_that_disagree_are_tried_one_by_one(torn: Pedigree) -> None:
    """x's dam cannot be a (akin to y) and b (akin to z) at once: the bound is above any assignment."""
    worst = WorstCase(torn, ["cock", "hen"])
    found = worst.pair("cock", "hen")
    # ¼[A(x,x) + A(x,z) + A(y,x) + A(y,z)] = ¼[1 + ¼ + 0 + ¼]
    assert found.exact
    assert found.relationship == pytest.approx(0.375)
    assert worst.bound[worst.at["cock"], worst.at["hen"]] == pytest.approx(0.4375)


def test_too_many_assignments_leave_the_bound_and_say_so(
    torn: Pedigree, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worst_case, "MOST_ASSIGNMENTS", 1)
    found = WorstCase(torn, ["cock", "hen"]).pair("cock", "hen")
    assert not found.exact
    assert found.relationship == pytest.approx(0.4375)


def test_what_the_worst_case_supposes_is_said() -> None:
    sires: Shares = {
        "unseen cock of Mill, 2025": {},
        "h1": {},
        "h2": {},
        "unseen cock of Mill, 2026": {},
        "cock": {},
        "hen": {},
    }
    dams: Shares = {k: {} for k in sires}
    partial: Shares = {"unseen cock of Mill, 2026": {"unseen cock of Mill, 2025": 0.5}}
    sires["cock"], dams["cock"] = pen("unseen cock of Mill, 2026"), pen("h1", "h2")
    sires["hen"], dams["hen"] = pen("unseen cock of Mill, 2025"), pen("h2")
    mill = dict.fromkeys(("unseen cock of Mill, 2025", "unseen cock of Mill, 2026"), "Mill")
    pedigree = replace(from_shares(sires, dams, partial), stood=mill)
    found = WorstCase(pedigree, ["cock", "hen"]).pair("cock", "hen")
    assert found.relationship == pytest.approx(0.5)
    assert set(found.supposing) == {
        "the unseen cock of Mill, 2026 is the same bird as the unseen cock of Mill, 2025",
        "h2 is the dam of cock",
    }


def test_ancestry_holds_every_possible_ancestor_and_no_other() -> None:
    frame = pd.DataFrame(
        [("a", "s", "d"), ("b", "s", "e"), ("c", "t", "b"), ("other", "t", "u")],
        columns=["bird", "sire", "dam"],
    )
    pedigree = from_parents(frame)
    found = {pedigree.birds[p] for p in ancestry(pedigree, ["c"])}
    assert found == {"c", "t", "b", "s", "e"}
