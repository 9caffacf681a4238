"""Small pictures: what lies where, and that nothing falls outside of them."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from selection.show.page import small_plots as plot

PANEL = plot.Panel((1, 10), (-2, 8), wide=200, high=100, left=20, right=10, top=10, foot=20)


def numbers(markup: str, name: str) -> list[float]:
    return [float(v) for v in re.findall(rf'{name}="([-\d.]+)"', markup)]


def test_values_lie_where_the_scales_say() -> None:
    assert (PANEL.across(1), PANEL.across(10)) == (20, 190)
    assert (PANEL.up(-2), PANEL.up(8)) == (80, 10)
    assert PANEL.points([1, 10], [8, -2]) == "20.0,10.0 190.0,80.0"


def test_a_scale_of_one_value_still_draws() -> None:
    flat = plot.Panel((3, 3), (0, 0))
    assert np.isfinite([flat.across(3), flat.up(0)]).all()


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(0, 10, [0, 2, 4, 6, 8, 10]), (-2, 8, [-2, 0, 2, 4, 6, 8]), (0, 0.31, [0, 0.1, 0.2, 0.3]), (3, 3, [3])],
)
def test_ticks_are_round_and_within(low: float, high: float, expected: list[float]) -> None:
    assert plot.ticks(low, high) == pytest.approx(expected)


def test_the_reach_holds_every_value_and_nought_where_wanted() -> None:
    low, high = plot.reach([2.0, np.nan], [5.0], zero=True)
    assert low == 0 and high > 5
    low, high = plot.reach([2.0], [5.0])
    assert low < 2 and high > 5
    assert plot.reach([np.nan])[1] > 0


def test_words_beside_a_picture_never_lie_on_one_another_nor_below_it() -> None:
    at = sorted(numbers(plot.words_beside(PANEL, [0, 0.1, 0.2, -2], ["a", "b", "c", "d"]), "y"))
    assert min(np.diff(at)) >= plot.SIZE
    assert max(at) <= PANEL.high - PANEL.foot + 4


def test_what_is_written_is_escaped_and_minus_is_minus() -> None:
    drawn = plot.drawn(PANEL, [plot.axes(PANEL, "<year>", [1]), plot.title(PANEL, "a & b")], '"<x>"')
    assert "<year>" not in drawn and "&lt;year&gt;" in drawn and "a &amp; b" in drawn
    assert 'aria-label="&#34;&lt;x&gt;&#34;"' in drawn
    assert "−2" in drawn


def test_a_line_beside_words_leaves_them_room_on_either_side() -> None:
    assert 'text-anchor="start"' in plot.upright(PANEL, 2, "ceiling", "#000")
    assert 'text-anchor="end"' in plot.upright(PANEL, 9, "ceiling", "#000")


@pytest.mark.parametrize("mark", plot.MARKS)
def test_every_mark_is_drawn_about_its_place(mark: str) -> None:
    path = re.search(r'd="M([\d.]+) ([\d.]+)', plot.marks(PANEL, [1], [8], "#000", mark))
    assert path and abs(float(path[1]) - 20) < 5 and abs(float(path[2]) - 10) < 5


def test_growth_shows_the_band_and_the_birds_weight_at_the_age_of_each_weighed_section() -> None:
    growth = SimpleNamespace(expected=lambda sex, weeks: 120.0 * np.asarray(weeks, dtype=float))
    ages = (
        plot.AtAge(12, (1300, 1700), 1500, 40),
        plot.AtAge(24, (2600, 3200), 2900, 60),
        plot.AtAge(24, None, 2900, 60),
    )
    grown = plot.Grown("26-1", "female", np.array([8.0, 20.0]), np.array([900.0, 2400.0]), ages)
    page = str(plot.growth_picture(grown, growth))
    assert page.count("<rect") == 2 and page.count('stroke-width="1.6"') == 3
    assert (
        "at 12 weeks 1.50 kg, 90 % interval 1.43 to 1.57; at 24 weeks 2.90 kg, 90 % interval 2.80 to 3.00"
        in page
    )
    alone = str(plot.growth_picture(replace(grown, at=()), growth))
    assert "<rect" not in alone and "Growth, kg</figcaption>" in alone
