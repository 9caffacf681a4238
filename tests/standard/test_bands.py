"""Points by the band: at its corners, and in expectation against the integral written out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from selection.records.settings.reading import Section, Standard
from selection.standard.bands import classes, expected_points, middle_of_band, points_of, weighed_section
from tests.standard.flocks import BY_EYE, SIZE, STANDARD

BONE = Section(
    "bone",
    "Bone",
    5,
    measured="shank width",
    band={"male": (14, 17), "female": (11, 14)},
    none={"male": (10, 21), "female": (8, 18)},
)


def test_points_are_full_inside_none_beyond_and_linear_between() -> None:
    grams = [1900, 2000, 2600, 3200, 3600, 4000, 4600, 5200, 9000]
    assert points_of(SIZE, "male", grams) == pytest.approx([0, 0, 12.5, 25, 25, 25, 12.5, 0, 0])


def test_each_bird_is_held_against_the_band_of_its_sex() -> None:
    assert points_of(SIZE, ["male", "female", "unknown"], 2800.0) == pytest.approx(
        [25 * 800 / 1200, 25, np.nan], nan_ok=True
    )


def test_a_missing_weight_has_no_points() -> None:
    assert np.isnan(points_of(SIZE, "male", np.nan))
    assert np.isnan(expected_points(SIZE, "male", np.nan, 0.1))
    assert np.isnan(expected_points(SIZE, "male", 8.0, np.nan))
    assert np.isnan(expected_points(SIZE, "unknown", 8.0, 0.1))


@pytest.mark.parametrize("sex", ["male", "female"])
@pytest.mark.parametrize("centre", [1500, 2400, 3100, 3600, 4700, 6000])
@pytest.mark.parametrize("sd", [0.02, 0.1, 0.3])
def test_expected_points_are_the_integral_over_the_weights(sex: str, centre: float, sd: float) -> None:
    from scipy.integrate import quad
    from scipy.stats import norm

    corners = np.log([*SIZE.none[sex], *SIZE.band[sex]])
    integral, _ = quad(
        lambda x: points_of(SIZE, sex, np.exp(x)) * norm.pdf(x, np.log(centre), sd),
        np.log(centre) - 8 * sd,
        np.log(centre) + 8 * sd,
        points=sorted(corners),
        limit=200,
    )
    assert expected_points(SIZE, sex, np.log(centre), sd) == pytest.approx(integral, abs=1e-5)


@pytest.mark.parametrize("centre", [9.0, 12.0, 14.0, 15.5, 18.0, 24.0])
@pytest.mark.parametrize("sd", [0.3, 1.5, 4.0])
def test_expected_points_of_a_measurement_in_its_own_unit_are_the_integral(centre: float, sd: float) -> None:
    from scipy.integrate import quad
    from scipy.stats import norm

    integral, _ = quad(
        lambda x: points_of(BONE, "male", x) * norm.pdf(x, centre, sd),
        centre - 8 * sd,
        centre + 8 * sd,
        points=[10, 14, 17, 21],
        limit=200,
    )
    assert expected_points(BONE, "male", centre, sd, logs=False) == pytest.approx(integral, abs=1e-5)


def test_the_grown_have_bands_of_their_own_where_the_standard_says_so() -> None:
    four = replace(
        BONE,
        band={"cockerel": (14, 17), "pullet": (11, 14), "cock": (15, 18), "hen": (12, 15)},
        none={"cockerel": (10, 21), "pullet": (8, 18), "cock": (11, 22), "hen": (9, 19)},
    )
    sexes, past = ["male", "female", "male", "female", "unknown"], [False, False, True, True, True]
    assert classes(four, sexes, past).tolist() == ["cockerel", "pullet", "cock", "hen", "unknown"]
    assert classes(BONE, sexes, past).tolist() == sexes
    assert middle_of_band(four, "female") == 12.5
    assert points_of(four, classes(four, sexes, past), 17.5)[:3] == pytest.approx(
        [5 * 3.5 / 4, 5 * 0.5 / 4, 5]
    )


def test_without_spread_expected_points_are_the_points() -> None:
    grams = np.array([2300.0, 3600.0, 4800.0])
    assert expected_points(SIZE, "male", np.log(grams), 0.0) == pytest.approx(points_of(SIZE, "male", grams))


def test_in_the_middle_of_the_band_spread_costs_points() -> None:
    costs = expected_points(SIZE, "male", np.log(3600.0), np.array([0.0, 0.05, 0.15, 0.3]))
    assert (np.diff(costs) < 0).all()


def test_a_band_without_a_slope_is_a_step() -> None:
    from scipy.stats import norm

    step = replace(SIZE, none={"male": (3200, 5200), "female": (1600, 4200)})
    assert points_of(step, "male", [3199.9, 3200]) == pytest.approx([0, 25])
    below = norm.cdf(0)
    assert expected_points(step, "male", np.log(3200.0), 1e-4) == pytest.approx(25 * (1 - below), abs=1e-3)


def test_shapes_broadcast() -> None:
    grid = expected_points(SIZE, np.array(["male", "female"])[:, None], np.log([2500.0, 3000.0, 3500.0]), 0.1)
    assert grid.shape == (2, 3)


def test_the_weighed_section_and_its_middle() -> None:
    assert weighed_section(STANDARD) is SIZE
    assert weighed_section(BY_EYE) is None
    assert middle_of_band(SIZE, "female") == 2800
    assert middle_of_band(Section("size", "Size", 10, measured="weight", at_weeks=20), "female") is None


def test_a_published_scale_of_points_adds_up_to_100() -> None:
    # The Leghorn Club (UK), scale of points, theleghornclub.com
    scale = {
        "type": 25,
        "comb": 10,
        "lobe": 10,
        "eyes": 5,
        "legs": 10,
        "breast": 5,
        "colour": 20,
        "condition": 10,
    }
    size = replace(SIZE, points=5)
    whole = Standard("as published", (*(Section(n, n.title(), p) for n, p in scale.items()), size))
    best = sum(s.points for s in whole.by_eye) + float(points_of(size, "male", 3600.0))
    assert best == 100
