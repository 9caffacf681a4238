"""What selection theory says: intensity, accuracy, response, effective size and the rate of inbreeding.

Plain functions of published formulas, each with its source. Those for closed flocks say so: with a bought-in
cock each year they do not hold, and `years` simulates instead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np


def intensity(share: float) -> float:
    """Selection intensity i = φ(x)/p when the best `share` p of very many birds is kept.

    In standard deviations of what is chosen on; keeping all gives 0. Raises ValueError unless 0 < share ≤ 1.
    Source: Falconer and Mackay (1996), Appendix Table A, from memory.
    """
    from scipy.special import ndtri

    if not 0 < share <= 1:
        raise ValueError(f"the share kept is above 0 and at most 1; found {share}")
    return 0.0 if share == 1 else _density(float(ndtri(1 - share))) / share


def intensity_of(best: int, of: int) -> float:
    """Expected mean of the `best` of `of` independent standard normal values, exact to quadrature.

    The densities of the top s of n order statistics add up to n·φ(x)·P(Bin(n−1, Φ(x)) ≥ n−s), and that
    probability is the incomplete beta function I_Φ(x)(n−s, s). Raises ValueError unless 1 ≤ best ≤ of.
    Tabulated by Harter (1961), Biometrika 48:151, from memory.
    """
    from scipy.integrate import quad
    from scipy.special import betainc, ndtr

    _check_counts(best, of)
    if best == of:
        return 0.0

    def part(x: float) -> float:
        return x * _density(x) * float(betainc(of - best, best, ndtr(x)))

    total, _ = quad(part, -12, 12, epsabs=1e-12, epsrel=1e-12, limit=400)
    return of / best * total


def intensity_of_sibs(best: int, of: int, relationship: float) -> float:
    """Expected superiority, in σ_a, of the `best` of `of` birds any two of which are related `relationship`.

    With one relationship r between all, each is a common part and an independent one of variance 1 − r, so
    that it is :func:`intensity_of` times √(1 − r): sibs differ less than strangers. Exact for normal merit
    known without error.
    """
    return intensity_of(best, of) * math.sqrt(1 - relationship)


def burrows(best: int, of: int) -> float:
    """Approximate intensity of the `best` of `of`: i − (n−s)/(2s(n+1)i), with i for very many birds.

    Source: Burrows (1972), from memory. Keeping all gives 0. Raises ValueError unless 1 ≤ best ≤ of.
    """
    _check_counts(best, of)
    if best == of:
        return 0.0
    i = intensity(best / of)
    return i - (of - best) / (2 * best * (of + 1) * i)


def accuracy_own(heritability: float, repeatability: float | None = None, records: int = 1) -> float:
    """Accuracy of a bird's own n records: r = √(n·h²/(1 + (n−1)·t)); one record: r = h.

    `repeatability` t may be left out for one record. Source: Falconer and Mackay (1996), ch. 10, from memory;
    the single and repeated record also Mrode (2014), ch. 1.
    """
    t = 0.0 if repeatability is None else repeatability
    return math.sqrt(records * heritability / (1 + (records - 1) * t))


def accuracy_sibs(heritability: float, relationship: float, sibs: int) -> float:
    """Accuracy of the mean of n sibs, the bird itself left out: r·h·√(n/(1 + (n−1)·r·h²)).

    `relationship` r is 0.25 among half and 0.5 among full sibs. Source: Falconer and Mackay (1996), ch. 13,
    from memory.
    """
    r, n = relationship, sibs
    return r * math.sqrt(heritability) * math.sqrt(n / (1 + (n - 1) * r * heritability))


def accuracy_family(heritability: float, relationship: float, sibs: int) -> float:
    """Accuracy of the mean of a family of n, the bird itself one of them, with sibs alike by descent alone.

    (1 + (n−1)·r)·h/√(n·(1 + (n−1)·t)) with t = r·h². Source: as :func:`accuracy_sibs`.
    """
    r, n = relationship, sibs
    t = r * heritability
    return (1 + (n - 1) * r) * math.sqrt(heritability) / math.sqrt(n * (1 + (n - 1) * t))


def accuracy_progeny(heritability: float, chicks: int) -> float:
    """Accuracy of a parent's merit from n chicks that are half sibs: √(n·h²/(4 + (n−1)·h²)).

    Source: as :func:`accuracy_sibs`.
    """
    return math.sqrt(chicks * heritability / (4 + (chicks - 1) * heritability))


def response(intensity: float, accuracy: float, additive_sd: float) -> float:
    """Breeder's equation: R = i·r·σ_a, the gain when chosen birds of one sex and the other alike are used.

    Source: Falconer and Mackay (1996), ch. 11, from memory; with r = h it is i·h²·σ_P (Mrode 2014, p. 3).
    """
    return intensity * accuracy * additive_sd


def response_a_year(
    intensities: tuple[float, float],
    accuracies: tuple[float, float],
    additive_sd: float,
    intervals: tuple[float, float],
) -> float:
    """Gain a year of a closed flock: R = (i_m·r_m + i_f·r_f)·σ_a/(L_m + L_f), cocks first, then hens.

    `intervals` L are the parents' mean ages in years when their chicks hatch. Source: Rendel and Robertson
    (1950), J. Genet. 50:1, from memory.
    """
    gain = sum(i * r for i, r in zip(intensities, accuracies, strict=True)) * additive_sd
    return gain / sum(intervals)


def correlated_response(
    intensity: float, h_chosen: float, h_other: float, genetic_correlation: float, phenotypic_sd: float
) -> float:
    """Gain in another trait when one is chosen on: CR = i·h_x·h_y·r_a·σ_P(other).

    Source: Mrode (2014), p. 11.
    """
    return intensity * h_chosen * h_other * genetic_correlation * phenotypic_sd


def variance_after_selection(variance: float, base: float, k: float, accuracy: float = 1.0) -> float:
    """Additive variance among chicks of chosen parents: ½(1 − k·r²)·σ²_a + ½·σ²_a0 (Bulmer's effect).

    `k` = i·(i − x), the mean of both sexes; `base` σ²_a0 is that of unselected, unrelated founders. Source:
    Bulmer (1971), Am. Nat. 105:201, from memory. For very many birds: no inbreeding.
    """
    return 0.5 * (1 - k * accuracy**2) * variance + 0.5 * base


def effective_size(cocks: float, hens: float) -> float:
    """N_e = 4·N_m·N_f/(N_m + N_f) of a **closed** flock (Wright 1931).

    Raises ValueError below one of each.
    """
    if min(cocks, hens) < 1:
        raise ValueError(f"a closed flock has at least one cock and one hen; found {cocks:g} and {hens:g}")
    return 4 * cocks * hens / (cocks + hens)


def inbreeding_rate(effective: float) -> float:
    """ΔF = 1/(2·N_e), new inbreeding each generation of a **closed** flock (Wright 1931)."""
    return 1 / (2 * effective)


def inbreeding_after(rate: float, generations: float) -> float:
    """F after t generations at the rate ΔF: 1 − (1 − ΔF)^t (Wright 1931)."""
    return 1 - (1 - rate) ** generations


def repeated_mating(kind: str, generations: int) -> tuple[float, ...]:
    """F of each generation of brother × sister (`full`) or one cock × his half sisters (`half`) lines.

    (1 + 2F′ + F″)/4 and (1 + 6F′ + F″)/8, from unrelated founders. Source: Falconer and Mackay (1996), ch. 5,
    from memory. Raises KeyError for any other kind.
    """
    middle, divisor = {"full": (2, 4), "half": (6, 8)}[kind]
    before, last, values = 0.0, 0.0, []
    for _ in range(generations):
        before, last = last, (1 + middle * last + before) / divisor
        values.append(last)
    return tuple(values)


def open_flock(
    start: float,
    suppliers: float,
    cock_gain: float,
    pullet_gain: float,
    hen_ages: Sequence[float],
    years: int,
) -> np.ndarray:
    """Mean merit of each year's chicks when a fresh cock comes every year, year 0 (= `start`) to `years`.

    m_t = ½(S + g_c) + ½·Σ_a w_a·(m_{t−a} + g_p): S the suppliers' level, g_c and g_p by how much the chosen
    cock and pullets stand above those they were chosen from, w_a the share of hens aged a = 1, 2, … (adds up
    to 1). Whatever the start, m tends to S + g_c + g_p and goes no further: what was chosen within the flock
    is halved away each generation by the suppliers' blood. Years before the start stand at `start`.
    """
    shares = np.asarray(hen_ages, dtype=float)
    merit = np.full(years + 1 + len(shares), float(start))
    for t in range(len(shares) + 1, len(merit)):
        dams = shares @ (merit[t - 1 - np.arange(len(shares))] + pullet_gain)
        merit[t] = 0.5 * (suppliers + cock_gain) + 0.5 * dams
    return merit[len(shares) :]


def _density(x: float) -> float:
    """φ(x)."""
    return math.exp(-0.5 * x * x) / math.sqrt(2 * math.pi)


def _check_counts(best: int, of: int) -> None:
    if not 1 <= best <= of:
        raise ValueError(f"the number kept is between 1 and the {of} there are; found {best}")
