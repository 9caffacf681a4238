"""What is held beforehand of the total of a look, against looks drawn section by section as the method says."""

from __future__ import annotations

import numpy as np
import pytest

from selection.compare.clutches.model import VarianceShares
from selection.compare.clutches.traits import _HALO, CORRELATION, clutch_traits
from selection.merit import published
from selection.records.settings.reading import Measured, Section, Standard
from selection.standard.growth import fit_growth
from selection.standard.traits import BY_EYE_SD
from tests.compare.little_season import season

EYE = (Section("type", "Type", 40.0, 0.35, 0.55), Section("head", "Head", 20.0, 0.20, 0.40))
LEG = Section("leg", "Leg", 30.0, 0.50, 0.70, measured="leg", band={}, none={})
LOOKS = 60_000


def total(*sections: Section, with_size: bool) -> VarianceShares:
    standard = Standard("invented", sections, (), (Measured("leg", "mm"),))
    traits = clutch_traits(standard, fit_growth(season([], [])), with_size)
    (found,) = (t for t in traits if t.key == "points")
    return found.shares


def drawn(sections: tuple[Section, ...], rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Totals of two looks at each of many birds, and what they are made of, from draws of every part."""
    k = len(sections)
    sd = BY_EYE_SD * np.array([s.points for s in sections])
    h2 = np.array([s.heritability for s in sections])
    repeatability = np.array([s.repeatability for s in sections])
    by_eye = np.array([s.measured is None for s in sections])
    halo = np.where(by_eye, _HALO, 0.0)
    day = np.where(by_eye, published.variance_share("judge×day"), 0.01)
    alike = np.linalg.cholesky(np.full((k, k), CORRELATION) + (1 - CORRELATION) * np.eye(k))
    bred = rng.standard_normal((LOOKS, k)) @ alike.T * np.sqrt(h2)
    clutch = rng.standard_normal((LOOKS, k)) * np.sqrt(published.variance_share("clutch"))
    own = rng.standard_normal((LOOKS, k)) * np.sqrt(repeatability - h2 - published.variance_share("clutch"))
    looks = []
    for _ in range(2):
        together = rng.standard_normal((LOOKS, 1)) * np.sqrt(halo)
        rest = rng.standard_normal((LOOKS, k)) * np.sqrt(1 - repeatability - halo)
        looks.append((bred + clutch + own + together + rest) @ sd)
    days = (sd**2 @ day) / (sd**2).sum()
    return {"bred": bred @ sd, "clutch": clutch @ sd, "looks": np.array(looks), "day": days}


@pytest.mark.parametrize(("sections", "with_size"), [(EYE, False), ((*EYE, LEG), True), ((*EYE, LEG), False)])
def test_a_total_varies_and_is_inherited_as_a_sum_of_correlated_sections(
    sections: tuple[Section, ...], with_size: bool
) -> None:
    said = total(*sections, with_size=with_size)
    counted = tuple(s for s in sections if with_size or s.measured is None)
    seen = drawn(counted, np.random.default_rng(1))
    variance = seen["looks"].var(axis=1).mean()
    # a variance of 60,000 draws has a standard error of 0.6 %
    assert said.usual == pytest.approx(variance, rel=0.02)
    assert said.blood * said.usual == pytest.approx(seen["bred"].var(), rel=0.02)
    assert said.clutch * said.usual == pytest.approx(seen["clutch"].var(), rel=0.02)
    assert said.repeatability == pytest.approx(np.corrcoef(seen["looks"])[0, 1], abs=0.012)


def test_one_section_alone_is_its_own_total() -> None:
    said = total(EYE[0], with_size=False)
    assert (said.blood, said.repeatability) == pytest.approx((0.35, 0.55))
    assert said.usual == pytest.approx((BY_EYE_SD * 40) ** 2)
    assert said.day == pytest.approx(published.variance_share("judge×day"))


def test_what_is_not_known_of_a_totals_blood_takes_in_its_correlations() -> None:
    """The correlation's own sd moves the blood of the total by as much as it moves the pairs' part of it."""
    said, alone = total(*EYE, with_size=False), total(EYE[0], with_size=False)
    sd = BY_EYE_SD * np.array([40.0, 20.0]) * np.sqrt([0.35, 0.20])
    lower, upper = ((sd**2).sum() + 2 * r * sd.prod() for r in (0.0, 0.30))
    middle = (sd**2).sum() + 2 * 0.15 * sd.prod()
    by_correlation = (upper - lower) / 2 / middle
    assert said.blood_log_sd > by_correlation
    h2 = total(EYE[1], with_size=False)
    parts = np.average([alone.blood_log_sd, h2.blood_log_sd], weights=[1600, 400])
    assert said.blood_log_sd == pytest.approx(np.hypot(parts, by_correlation))
