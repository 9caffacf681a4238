"""A season of chicks against quantitative genetics: variances, regressions, accuracies."""

from __future__ import annotations

import numpy as np
import pytest

from selection.decide.years.breeding import Birds, Genetics, best, hatch_chicks, together, youngest

RUNS, PLACES = 4_000, 4


def founders(n: int, sd: float, rng: np.random.Generator, first: int = 0, known: bool = False) -> Birds:
    """n unrelated birds of merit N(0, sd²); `known`: their merit is no secret."""
    merit = sd * rng.standard_normal((RUNS, n))
    labels = np.arange(first, first + 2 * n, dtype=np.int32).reshape(n, 2, 1)
    alleles = np.broadcast_to(labels, (RUNS, n, 2, PLACES))
    estimate, doubt = (merit, 0.0) if known else (np.zeros_like(merit), sd**2)
    return Birds(merit, estimate, np.full(merit.shape, doubt), alleles, np.ones(merit.shape))


def test_chicks_vary_as_their_parents_do() -> None:
    """Var = ¼σ² + ¼σ² + ½σ² = σ² over all, ½σ² among full sibs (Falconer & Mackay 1996, ch. 9, from memory)."""
    rng = np.random.default_rng(1)
    chicks = hatch_chicks(founders(1, 2.0, rng), founders(1, 2.0, rng, 2), 8, Genetics(2.0, 1.0), rng)
    assert chicks.merit.var() == pytest.approx(4.0, rel=0.05)
    assert chicks.merit.var(axis=1, ddof=1).mean() == pytest.approx(2.0, rel=0.03)
    assert chicks.inbreeding.max() == 0


def test_chicks_of_inbred_parents_vary_less() -> None:
    """Mendelian variance ½σ²(1 − F̄): none from parents that are inbred throughout."""
    rng = np.random.default_rng(2)
    alike = np.zeros((RUNS, 1, 2, PLACES), dtype=np.int32)
    nothing = np.zeros((RUNS, 1))
    pure = Birds(nothing, nothing, nothing, alike, nothing)
    assert hatch_chicks(pure, pure, 3, Genetics(2.0, 1.0), rng).merit.std() == 0


@pytest.mark.parametrize("dams_known", [True, False])
def test_truth_regresses_on_the_estimate_with_slope_one(dams_known: bool) -> None:
    rng = np.random.default_rng(3)
    cocks, hens = founders(1, 2.0, rng), founders(5, 2.0, rng, 2, known=True)
    chicks = hatch_chicks(cocks, hens, 6, Genetics(2.0, 3.0), rng, dams_known)
    slope = np.cov(chicks.merit.ravel(), chicks.estimate.ravel())
    assert slope[0, 1] / slope[1, 1] == pytest.approx(1.0, abs=0.03)
    off = chicks.merit - chicks.estimate
    assert off.mean() == pytest.approx(0, abs=0.05)
    assert off.var() == pytest.approx(chicks.doubt.mean(), rel=0.04)


def test_knowing_the_dams_tells_more() -> None:
    rng = np.random.default_rng(4)
    cocks, hens = founders(1, 2.0, rng), founders(5, 2.0, rng, 2, known=True)
    doubts = [
        hatch_chicks(cocks, hens, 6, Genetics(2.0, 3.0), rng, known).doubt.mean() for known in (True, False)
    ]
    assert doubts[0] < doubts[1]


def test_one_look_has_the_accuracy_of_its_variances() -> None:
    """Half sibs of one cock, V = ¾σ²: r = √(V/(V + noise)) among them."""
    rng = np.random.default_rng(5)
    chicks = hatch_chicks(founders(1, 2.0, rng), founders(400, 2.0, rng, 2), 10, Genetics(2.0, 5.0), rng)
    within = [v - v.mean(axis=1, keepdims=True) for v in (chicks.merit, chicks.estimate)]
    r = np.corrcoef(within[0].ravel(), within[1].ravel())[0, 1]
    assert r == pytest.approx(np.sqrt(3 / (3 + 5)), abs=0.01)


def test_without_a_look_the_estimate_is_the_parents_alone() -> None:
    rng = np.random.default_rng(6)
    chicks = hatch_chicks(founders(1, 2.0, rng), founders(2, 2.0, rng, 2), 4, Genetics(2.0, np.inf), rng)
    assert (chicks.estimate == 0).all()


def test_the_best_are_those_of_highest_estimate_and_ties_go_by_lot() -> None:
    rng = np.random.default_rng(7)
    birds = founders(6, 1.0, rng, known=True)
    assert (best(birds, 2, rng) == np.argsort(-birds.merit, axis=1)[:, :2]).all()
    alike = founders(6, 1.0, rng)
    assert np.bincount(best(alike, 1, rng)[:, 0], minlength=6).min() > RUNS / 6 * 0.8


def test_the_oldest_make_room_and_between_equals_the_worse() -> None:
    rng = np.random.default_rng(8)
    old, young = founders(2, 1.0, rng, known=True).older(), founders(2, 1.0, rng, 4, known=True)
    stays = youngest(together([old, young]), 3)
    assert {2, 3} <= set(stays[0])
    better = np.argmax(old.merit, axis=1)
    assert (np.sort(stays, axis=1)[:, 0] == better).all()
