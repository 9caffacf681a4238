"""Years under one policy against theory where theory is exact, and against the suppliers' level where it is not."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from selection.decide.years import theory
from selection.decide.years.breeding import Birds, Genetics
from selection.decide.years.policies import Policy, Season
from selection.decide.years.prospects import FreshBlood, Start, first_pens, follow
from selection.merit.relationship.pedigree import from_parents


def founders(
    runs: int, n: int, sd: float, rng: np.random.Generator, first: int = 0, places: int = 8
) -> Birds:
    merit = sd * rng.standard_normal((runs, n))
    labels = (2 * np.arange(first, first + 2 * n, dtype=np.int32)).reshape(n, 2, 1)
    alleles = np.broadcast_to(labels, (runs, n, 2, places))
    return Birds(merit, np.zeros_like(merit), np.full(merit.shape, sd**2), alleles, np.ones(merit.shape))


def season(**changes: Any) -> Season:
    usual = {"cockerels": 10, "pullets": 10, "bought": 10, "clutches": 1, "sources": {"Mill": 1}}
    return Season(**{**usual, "dams_known": True, "seasons": 3, **changes})


def closed(cocks: int, hens: int) -> Policy:
    """Discrete generations: every cock and hen replaced each year by home-bred ones."""
    return Policy("home", "", ("home-bred",), cocks, hens, hens)


def suppliers(runs: int, level: float = 0.0, same_pen: float = 0.0, hens: int = 6) -> FreshBlood:
    return FreshBlood(
        ("Mill",), np.array([1]), 2, np.full((runs, 1), level), np.array([level]), np.ones(1),
        np.array([1]), np.array([hens]), same_pen,
    )  # fmt: skip


def test_one_round_of_selection_is_the_breeders_equation() -> None:
    """Chicks of one cock and very many hens: V = ¾σ², independent given the cock, so that order statistics hold:
    the chosen stand i·r·√V above their mates, and the next chicks gain the half of both sexes' (Falconer &
    Mackay 1996, ch. 11, from memory)."""
    runs, sd, noise = 3_000, 2.0, 4.0
    rng = np.random.default_rng(1)
    start = Start(founders(runs, 1, sd, rng), founders(runs, 400, sd, rng, 2), None, 2)
    policy = Policy("home", "", ("home-bred",), 1, 10, 10)
    course = follow(policy, start, season(cockerels=20, pullets=50), Genetics(sd, noise), 2, rng)
    V = 0.75 * sd**2
    r = np.sqrt(V / (V + noise))
    cock, hen = theory.intensity_of(1, 20) * r * np.sqrt(V), theory.intensity_of(10, 50) * r * np.sqrt(V)
    for gain, expected in ((course.cock_gain[:, 0], cock), (course.pullet_gain[:, 0], hen)):
        assert gain.mean() == pytest.approx(expected, abs=4 * gain.std() / np.sqrt(runs))
    change = course.merit[:, 1] - course.merit[:, 0]
    assert change.mean() == pytest.approx((cock + hen) / 2, abs=4 * change.std() / np.sqrt(runs))


def test_years_of_selection_in_a_large_closed_flock_follow_bulmers_recurrence() -> None:
    """Truncation on merit itself: R = ½(i_m + i_f)σ_t, σ²_{t+1} by Bulmer (1971), from memory; births of many."""
    runs, sd = 60, 2.0
    rng = np.random.default_rng(2)
    start = Start(
        founders(runs, 100, sd, rng, places=1), founders(runs, 300, sd, rng, 200, places=1), None, 2
    )
    policy = closed(100, 300)
    course = follow(policy, start, season(cockerels=600, pullets=600), Genetics(sd, 1e-9), 5, rng)
    variance, expected = sd**2, [0.0]
    i = np.array([theory.intensity_of(100, 600), theory.intensity_of(300, 600)])
    x = np.array([0.9674, 0.0])  # truncation points of the best 1/6 and 1/2
    for _ in range(4):
        expected.append(expected[-1] + i.mean() * np.sqrt(variance))
        variance = theory.variance_after_selection(variance, sd**2, float((i * (i - x)).mean()))
    gain = course.merit.mean(axis=0) - course.merit[:, 0].mean()
    assert gain == pytest.approx(expected, rel=0.03, abs=0.05)


@pytest.mark.parametrize(("cocks", "hens"), [(1, 5), (2, 10), (5, 10)])
def test_inbreeding_without_selection_is_wrights(cocks: int, hens: int) -> None:
    """Exact recurrence of coancestry for random mating of N_m cocks and N_f hens a generation:
    Θ′ = ¼[(½(1 + F) + (N_m − 1)Θ)/N_m + (½(1 + F) + (N_f − 1)Θ)/N_f + 2Θ], F′ = Θ; its rate tends to
    1/(2N_e), N_e = 4N_mN_f/(N_m + N_f), nearly (Wright 1931)."""
    runs, years = 1_500, 9
    rng = np.random.default_rng(3)
    start = Start(founders(runs, cocks, 1.0, rng), founders(runs, hens, 1.0, rng, 2 * cocks), None, 2)
    course = follow(closed(cocks, hens), start, season(), Genetics(1.0, np.inf), years, rng)
    F, theta, expected = 0.0, 0.0, []
    for _ in range(years):
        own = 0.5 * (1 + F)
        sires, dams = ((own + (n - 1) * theta) / n for n in (cocks, hens))
        F, theta = theta, 0.25 * (sires + dams + 2 * theta)
        expected.append(F)
    found = course.inbreeding.mean(axis=0)
    error = np.maximum(course.inbreeding.std(axis=0) / np.sqrt(runs), 1e-12)
    assert (np.abs(found - expected) / error).max() < 4.5
    rate = 1 - (1 - found[-1]) / (1 - found[-2])
    assert rate == pytest.approx(theory.inbreeding_rate(theory.effective_size(cocks, hens)), rel=0.25)


@pytest.mark.parametrize("begin", [-12.0, 12.0])
def test_a_fresh_cock_each_year_tends_to_the_suppliers_level_whatever_the_start(begin: float) -> None:
    runs, years, level = 400, 14, 3.0
    rng = np.random.default_rng(4)
    cocks, hens = founders(runs, 1, 1.0, rng), founders(runs, 6, 1.0, rng, 2)
    lifted = [Birds(b.merit + begin, b.estimate + begin, b.doubt, b.alleles, b.age) for b in (cocks, hens)]
    genetics, of = Genetics(1.0, 1.0), suppliers(runs, level)
    start = Start(*lifted, (of, first_pens(of, genetics, {}, 8, rng)), 2)
    policy = Policy("bought", "", ("bought-in",), 1, 3, 6)
    course = follow(policy, start, season(), genetics, years, rng)
    gains = course.cock_gain.mean(), course.pullet_gain.mean()
    error = 4 * course.merit[:, -1].std() / np.sqrt(runs)
    assert course.merit[:, -1].mean() == pytest.approx(level + sum(gains), abs=error + 0.1)
    expected = theory.open_flock(begin, level, *gains, (0.5, 0.5), years - 1)
    # on the way hens of old and fresh blood stand side by side, and choosing between them gains a little more
    assert course.merit.mean(axis=0)[3:] == pytest.approx(expected[3:], abs=0.6)


def test_fresh_blood_halves_what_there_was_each_year() -> None:
    runs = 300
    rng = np.random.default_rng(5)
    of, genetics = suppliers(runs), Genetics(1.0, 1.0)
    cocks, hens = founders(runs, 1, 1.0, rng), founders(runs, 4, 1.0, rng, 2)
    start = Start(cocks, hens, (of, first_pens(of, genetics, {}, 8, rng)), 2)
    course = follow(Policy("bought", "", ("bought-in",), 1, 4, 4), start, season(), genetics, 5, rng)
    assert course.blood.sum(axis=2) == pytest.approx(1.0)
    assert course.blood[:, :, 0].mean(axis=0) == pytest.approx([1, 1 / 2, 1 / 4, 1 / 8, 1 / 16], abs=0.02)


def test_a_pen_that_never_changes_brings_uncles_to_their_nieces() -> None:
    """One pair of Mill birds for good, its son used each year on the last year's pullets: the tabular F."""
    runs = 1_500
    rng = np.random.default_rng(6)
    of, genetics = suppliers(runs, same_pen=1.0, hens=1), Genetics(1.0, np.inf)
    cocks, hens = founders(runs, 1, 1.0, rng), founders(runs, 1, 1.0, rng, 2)
    start = Start(cocks, hens, (of, first_pens(of, genetics, {}, 8, rng)), 2)
    course = follow(Policy("bought", "", ("bought-in",), 1, 1, 1), start, season(), genetics, 4, rng)
    rows = [("p1", "c0", "h0")] + [
        row for t in (1, 2, 3) for row in ((f"c{t}", "S", "D"), (f"p{t + 1}", f"c{t}", f"p{t}"))
    ]
    pedigree = from_parents(pd.DataFrame(rows, columns=["bird", "sire", "dam"]))
    expected = pedigree.inbreeding[pedigree.positions(["p1", "p2", "p3", "p4"])]
    assert expected[2] == pytest.approx(0.125)
    error = np.maximum(course.inbreeding.std(axis=0) / np.sqrt(runs), 1e-12)
    assert (np.abs(course.inbreeding.mean(axis=0) - expected) / error).max() < 4.5


def test_the_same_cock_again_is_put_to_his_daughters() -> None:
    """Back-crossing to one cock: F ¼ in the second year, ⅜ in the third (Falconer, ch. 5, from memory)."""
    runs = 1_500
    rng = np.random.default_rng(7)
    start = Start(founders(runs, 1, 1.0, rng), founders(runs, 1, 1.0, rng, 2), None, 2)
    course = follow(Policy("same", "", ("same",), 1, 1, 1), start, season(), Genetics(1.0, np.inf), 3, rng)
    assert course.inbreeding.mean(axis=0) == pytest.approx([0, 0.25, 0.375], abs=0.02)
    assert np.isnan(course.cock_gain).all()
    assert (course.cock_age[0] == [1, 2, 3]).all()
    assert (course.hen_age == 1).all()


def test_without_choosing_the_mean_moves_by_the_migration_formula() -> None:
    """m_t − S = (1 − μ)^t (m_0 − S), μ the share of the newcomers among the parents: ½ where every cock is bought
    (Falconer and Mackay 1996, ch. 2, for gene frequencies; means add up in them; from memory)."""
    runs, years, level, begin = 800, 5, 6.0, -10.0
    rng = np.random.default_rng(8)
    of, genetics = suppliers(runs, level), Genetics(1.0, np.inf)
    cocks, hens = founders(runs, 1, 1.0, rng), founders(runs, 4, 1.0, rng, 2)
    lifted = [Birds(b.merit + begin, b.estimate, b.doubt, b.alleles, b.age) for b in (cocks, hens)]
    start = Start(*lifted, (of, first_pens(of, genetics, {}, 8, rng)), 2)
    policy = Policy("bought", "", ("bought-in",), 1, 4, 4)
    course = follow(policy, start, season(), genetics, years, rng)
    expected = level + 0.5 ** np.arange(years) * (begin - level)
    error = course.merit.std(axis=0) / np.sqrt(runs)
    assert (np.abs(course.merit.mean(axis=0) - expected) / error).max() < 4
