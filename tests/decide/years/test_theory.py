"""Selection theory against published tables and against what it must reduce to.

Tables marked "from memory" are quoted without the book at hand.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from selection.decide.years import theory
from selection.merit.relationship.pedigree import from_parents

# Falconer & Mackay (1996), Appendix Table A, infinite population, from memory, three decimals
FALCONER_A = {
    0.0001: 3.958, 0.001: 3.367, 0.01: 2.665, 0.02: 2.421, 0.05: 2.063, 0.10: 1.755, 0.15: 1.554, 0.20: 1.400,
    0.25: 1.271, 0.30: 1.159, 0.40: 0.966, 0.50: 0.798, 0.60: 0.644, 0.70: 0.497, 0.80: 0.350, 0.90: 0.195,
}  # fmt: skip

# Harter (1961) Biometrika 48:151, E[max of n], n = 2..10, from memory
HARTER = dict(
    zip(
        range(2, 11),
        (0.56419, 0.84628, 1.02938, 1.16296, 1.26721, 1.35218, 1.42360, 1.48501, 1.53875),
        strict=True,
    )
)

# (best, of): exact (Becker 1984; Falconer App. B), Burrows's approximation (1972); all from memory
BECKER = {
    (1, 10): (1.5388, 1.5219), (2, 10): (1.2701, 1.2699), (1, 20): (1.8675, 1.8434),
    (2, 20): (1.6375, 1.6329), (5, 20): (1.2145, 1.2149), (5, 50): (1.7055, 1.7047),
    (10, 50): (1.3718, 1.3718), (1, 100): (2.5076, 2.4813), (5, 100): (2.0182, 2.0171),
    (10, 100): (1.7298, 1.7296),
}  # fmt: skip


@pytest.mark.parametrize(("share", "i"), FALCONER_A.items())
def test_intensity_of_very_many_birds_is_falconer_table_a(share: float, i: float) -> None:
    assert theory.intensity(share) == pytest.approx(i, abs=6e-4)


@pytest.mark.parametrize(("of", "i"), HARTER.items())
def test_best_of_few_is_harters_table(of: int, i: float) -> None:
    assert theory.intensity_of(1, of) == pytest.approx(i, abs=6e-6)


@pytest.mark.parametrize(("counts", "values"), BECKER.items())
def test_best_few_of_few_is_beckers_table_and_burrows_approximation(
    counts: tuple[int, int], values: tuple[float, float]
) -> None:
    assert theory.intensity_of(*counts) == pytest.approx(values[0], abs=6e-5)
    assert theory.burrows(*counts) == pytest.approx(values[1], abs=6e-5)


def test_keeping_all_selects_nothing() -> None:
    assert theory.intensity(1) == theory.intensity_of(7, 7) == theory.burrows(7, 7) == 0


def test_finite_intensity_tends_to_the_infinite_one() -> None:
    assert theory.intensity_of(200, 1000) == pytest.approx(theory.intensity(0.2), abs=2e-3)


def test_sibs_differ_less_than_strangers() -> None:
    """The best two of six half sibs, from 40,000 draws of their joint normal distribution."""
    A = np.full((6, 6), 0.25) + 0.75 * np.eye(6)
    drawn = np.random.default_rng(4).multivariate_normal(np.zeros(6), A, 40_000)
    best = np.sort(drawn, axis=1)[:, -2:].mean(axis=1) - drawn.mean(axis=1)
    error = best.std() / np.sqrt(len(best))
    assert theory.intensity_of_sibs(2, 6, 0.25) == pytest.approx(best.mean(), abs=4 * error)


@pytest.mark.parametrize("counts", [(0, 5), (6, 5)])
def test_impossible_counts_are_refused_in_words(counts: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match=f"between 1 and the 5 there are; found {counts[0]}"):
        theory.intensity_of(*counts)


def test_impossible_shares_are_refused_in_words() -> None:
    with pytest.raises(ValueError, match="above 0 and at most 1; found 0"):
        theory.intensity(0)


# Falconer & Mackay (1996), ch. 10 and 13, at heritability 0.30, from memory
H2 = 0.30


@pytest.mark.parametrize(
    ("found", "printed"),
    [
        (theory.accuracy_own(H2), 0.54772),
        (theory.accuracy_own(H2, 0.5, 2), 0.63246),
        (theory.accuracy_own(H2, 0.5, 3), 0.67082),
        (theory.accuracy_own(H2, 0.4, 5), 0.75955),
        (theory.accuracy_sibs(H2, 0.25, 5), 0.26854),
        (theory.accuracy_sibs(H2, 0.25, 10), 0.33458),
        (theory.accuracy_sibs(H2, 0.5, 5), 0.48412),
        (theory.accuracy_sibs(H2, 0.5, 10), 0.56493),
        (theory.accuracy_family(H2, 0.25, 5), 0.42967),
        (theory.accuracy_family(H2, 0.25, 10), 0.43495),
        (theory.accuracy_family(H2, 0.5, 5), 0.58095),
        (theory.accuracy_family(H2, 0.5, 10), 0.62143),
        (theory.accuracy_progeny(H2, 20), 0.78648),
    ],
)
def test_accuracy_is_falconers(found: float, printed: float) -> None:
    assert found == pytest.approx(printed, abs=6e-6)


def test_accuracy_of_a_progeny_test_is_that_of_the_selection_index() -> None:
    """b = P⁻¹g of one parent and n half-sib chicks, by plain linear algebra."""
    n = 20
    P = np.full((n, n), H2 / 4) + np.eye(n) * (1 - H2 / 4)
    g = np.full(n, H2 / 2)
    assert theory.accuracy_progeny(H2, n) == pytest.approx(np.sqrt(g @ np.linalg.solve(P, g) / H2))


def test_two_records_are_mrodes_example() -> None:
    """Mrode (2014), Example 1.2: h² = 0.30, t = 0.5, two records: r = 0.632."""
    assert theory.accuracy_own(0.30, 0.5, 2) == pytest.approx(0.632, abs=5e-4)


def test_response_is_the_breeders_equation() -> None:
    """i·r·σ_a with r = h equals i·h²·σ_P, and a trait's response to itself is its correlated response."""
    h, sd = 0.6, 80.0
    own = theory.response(1.4, h, h * sd)
    assert own == pytest.approx(1.4 * h**2 * sd)
    assert theory.correlated_response(1.4, h, h, 1.0, sd) == pytest.approx(own)


def test_response_a_year_shares_the_two_sexes_over_their_ages() -> None:
    assert theory.response_a_year((2.0, 1.0), (0.5, 0.5), 4.0, (1.0, 2.0)) == pytest.approx(2.0)


# Ne and the rate of inbreeding, FAO-derived text (Wright 1931 formulas): cocks, hens, Ne, ΔF
WRIGHT = [(1, 5, 3.33, 0.150), (2, 10, 6.67, 0.075), (5, 25, 16.67, 0.030), (25, 25, 50.0, 0.010)]


@pytest.mark.parametrize(("cocks", "hens", "size", "rate"), WRIGHT)
def test_effective_size_and_rate_of_a_closed_flock(cocks: int, hens: int, size: float, rate: float) -> None:
    assert theory.effective_size(cocks, hens) == pytest.approx(size, abs=5e-3)
    assert theory.inbreeding_rate(theory.effective_size(cocks, hens)) == pytest.approx(rate, abs=5e-4)
    assert theory.inbreeding_rate(theory.effective_size(cocks, hens)) == pytest.approx(
        1 / (8 * cocks) + 1 / (8 * hens)
    )


def test_a_flock_without_a_cock_has_no_effective_size() -> None:
    with pytest.raises(ValueError, match="found 0 and 5"):
        theory.effective_size(0, 5)


def test_inbreeding_after_many_generations_goes_to_one() -> None:
    assert theory.inbreeding_after(0.1, 1) == pytest.approx(0.1)
    assert theory.inbreeding_after(0.1, 2) == pytest.approx(0.19)
    assert theory.inbreeding_after(0.1, 200) == pytest.approx(1.0, abs=1e-6)


# Falconer & Mackay (1996), ch. 5, from memory
FULL_SIBS = (0.25, 0.375, 0.5, 0.59375, 0.671875, 0.734375, 0.785156, 0.826172, 0.859375)
HALF_SIBS = (0.125, 0.2188, 0.3047, 0.3809, 0.4487, 0.5092)


def test_repeated_full_sib_mating_is_falconers_table() -> None:
    assert theory.repeated_mating("full", 9) == pytest.approx(FULL_SIBS, abs=1e-6)


def test_repeated_half_sib_mating_is_falconers_table() -> None:
    assert theory.repeated_mating("half", 6) == pytest.approx(HALF_SIBS, abs=5e-5)


def test_repeated_full_sib_mating_is_the_tabular_method() -> None:
    rows = [("m0", None, None), ("f0", None, None)]
    for t in range(1, 11):
        rows += [(f"{sex}{t}", f"m{t - 1}", f"f{t - 1}") for sex in "mf"]
    pedigree = from_parents(pd.DataFrame(rows, columns=["bird", "sire", "dam"]))
    found = pedigree.inbreeding[pedigree.positions([f"m{t}" for t in range(2, 11)])]
    assert theory.repeated_mating("full", 9) == pytest.approx(found)


def test_selection_lowers_the_variance_to_bulmers_balance() -> None:
    """At balance with r = 1 and the best fifth kept, σ² = σ²_0/(1 + k): the fixed point of the recurrence."""
    x = 0.8416
    k = theory.intensity(0.2) * (theory.intensity(0.2) - x)
    variance = 1.0
    for _ in range(60):
        variance = theory.variance_after_selection(variance, 1.0, k)
    assert variance == pytest.approx(1 / (1 + k), abs=1e-6)


def test_an_open_flock_tends_to_its_suppliers_level_whatever_the_start() -> None:
    ages = (0.5, 0.3, 0.2)
    low = theory.open_flock(-8.0, 2.0, 0.7, 0.4, ages, 60)
    high = theory.open_flock(9.0, 2.0, 0.7, 0.4, ages, 60)
    assert (low[0], high[0]) == (-8.0, 9.0)
    assert low[-1] == pytest.approx(2.0 + 0.7 + 0.4, abs=1e-4)
    assert high[-1] == pytest.approx(low[-1], abs=1e-4)


def test_an_open_flock_of_yearling_hens_halves_the_distance_each_year() -> None:
    found = theory.open_flock(0.0, 8.0, 0.0, 0.0, (1.0,), 3)
    assert found == pytest.approx([0.0, 4.0, 6.0, 7.0])
