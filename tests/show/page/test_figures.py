"""Figures as the pages print them."""

from __future__ import annotations

import pytest

from selection.show.page.figures import between, halves, hundredths, per_cent, signed, spread

NAN = float("nan")


@pytest.mark.parametrize(
    ("points", "printed"),
    [
        (61.5, "61½"),
        (61.7, "61½"),
        (61.8, "62"),
        (0.4, "½"),
        (0.1, "0"),
        (-0.6, "−½"),
        (-3.0, "−3"),
        (NAN, ""),
    ],
)
def test_points_are_printed_to_the_nearest_half(points: float, printed: str):
    assert halves(points) == printed


@pytest.mark.parametrize(
    ("value", "printed"), [(1.64, "+1.6"), (-0.42, "−0.4"), (0.04, "0.0"), (-0.04, "0.0"), (NAN, "")]
)
def test_a_merit_has_its_sign_and_nought_has_none(value: float, printed: str):
    assert signed(value) == printed


def test_an_interval_reaches_1_645_standard_errors_to_either_side():
    assert spread(1.0, 1.0) == "+1.0 (−0.6 to +2.6)"
    assert spread(1.0, NAN) == "+1.0"
    assert between(-1.25, 2.0, 2) == "−1.25 to +2.00"


@pytest.mark.parametrize(
    ("chance", "said"),
    [
        (0.284, "28 in 100"),
        (0.001, "under 1 in 100"),
        (0.999, "over 99 in 100"),
        (1.0, "over 99 in 100"),
        (NAN, ""),
    ],
)
def test_a_chance_is_said_as_so_many_in_a_hundred(chance: float, said: str):
    assert hundredths(chance) == said


def test_a_share_carries_its_interval():
    assert per_cent(0.857, 0.746, 0.924) == "86 % (75 to 92)"
    assert per_cent(0.857, NAN, NAN) == "86 %"
