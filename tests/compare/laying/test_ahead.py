"""Priors of the laying model's effects, and what is expected of hens a season ahead."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from selection.compare.laying.ages import Expected, expect
from selection.compare.laying.design import HENS_SD, NOT_KNOWN, Columns, age_steps, prior_spread
from selection.compare.laying.laying import Ahead, laying
from selection.compare.laying.rows import Z
from tests.compare.little_basket import daily, flock_of
from tests.compare.simulated_laying import mean_rate


def test_coefficients_of_age_hatch_year_and_lot() -> None:
    columns = Columns(steps=4, years=np.array([2022.0, 2023.0, 2025.0]), lots=np.array([3, 7]), unknown=9)
    hatched = np.array([2025.0, 2024.0, 2023.0, 2022.0, NOT_KNOWN])
    rows = columns.rows(2025, hatched, np.array([3, -1, 7, -1, 3]))
    assert rows.tolist() == [
        [-1, 0, 0, 0, 0, 0, 1, 1, 0, 0],  # the autumn of hatching: a step short of the first season
        [0, 0, 0, 0, 0, 0, 0, 0, 0, 0],  # the first season of a hatch year never counted
        [0, 1, 0, 0, 0, 1, 0, 0, 1, 0],
        [0, 1, 1, 0, 1, 0, 0, 0, 0, 0],
        [0, 0, 0, 0, 0, 0, 0, 1, 0, 1],  # hatch year not known
    ]


def test_age_steps_are_the_published_decline_on_the_logit_scale() -> None:
    mean, variance = age_steps(0.7, 4)
    logit = np.log(0.7 / 0.3) + np.cumsum(mean)
    assert 1 / (1 + np.exp(-logit)) == pytest.approx(0.7 * 0.8 ** np.arange(4))
    after = [np.log(p / (1 - p)) for p in (0.7 * (0.8 - 1e-6), 0.7 * (0.8 + 1e-6))]
    assert np.sqrt(variance[1]) == pytest.approx(0.08 * (after[1] - after[0]) / 2e-6, rel=1e-6)


def test_prior_spreads_are_those_of_rates() -> None:
    """A hen's logit spread, at the holding's mean rate, is HENS_SD of rate (exact by quadrature, to 2 %)."""
    for rate in (0.4, 0.65):
        spread = prior_spread(rate).hens
        nodes, weights = np.polynomial.hermite_e.hermegauss(31)
        hens = 1 / (1 + np.exp(-(np.log(rate / (1 - rate)) + spread * nodes)))
        sd = np.sqrt(np.average((hens - np.average(hens, weights=weights)) ** 2, weights=weights))
        assert sd == pytest.approx(HENS_SD, rel=0.02)
    assert mean_rate(np.array([0.3]), 0.0) == pytest.approx(1 / (1 + np.exp(-0.3)))  # the test's own tool


@pytest.fixture(scope="module")
def ahead() -> Ahead:
    """Four hens that always stood together, counted within one fortnight."""
    hens = {f"h{k}": "2023-04-01" for k in range(4)}
    pens = [("A", bird, "2025-01-01", None) for bird in hens]
    found = laying(flock_of(hens, pens, daily("A", "2025-05-08", [2, 3, 2, 3, 3, 2]), on="2025-12-31"))
    assert found._ahead is not None
    return found._ahead


def expected(ahead: Ahead, **changes: object) -> Expected:
    return expect(ahead.fit, ahead.design, ahead.hens.assign(**changes), ahead.first, ahead.last)


def test_the_total_is_of_counts_and_not_of_rates_alone(ahead: Ahead) -> None:
    calm = expected(ahead)
    spread = replace(ahead.fit.spread, dispersion=5 + ahead.fit.spread.dispersion)
    wild = expect(replace(ahead.fit, spread=spread), ahead.design, ahead.hens, ahead.first, ahead.last)
    noise = 5 * float((calm.hens["eggs"] * (1 - calm.hens["rate"])).sum())  # binomial variance, five times
    widths = [(e.high - e.eggs) / Z for e in (calm, wild)]
    assert widths[1] ** 2 - widths[0] ** 2 == pytest.approx(noise, rel=1e-6)


def test_a_hen_of_a_lot_is_less_known_than_one_counted_alone(ahead: Ahead) -> None:
    of_lot, alone = (expected(ahead, size=size).hens.iloc[0] for size in (4, 1))
    assert of_lot["high"] - of_lot["low"] > 1.1 * (alone["high"] - alone["low"])


def test_a_whole_lot_is_as_known_as_its_counts(ahead: Ahead) -> None:
    """All four together: their differences cancel; two of the four leave half the lot's spread open."""
    four, same = expected(ahead), expected(ahead, size=8)
    assert four.high - four.low < same.high - same.low


def test_a_hen_expected_next_season_is_older_by_one_step_of_the_decline(ahead: Ahead) -> None:
    now = ahead.fit.seasons[-1].rate[0]
    assert expected(ahead).hens["rate"].iloc[0] == pytest.approx(0.8 * now, abs=0.04)
    assert expected(ahead).hens["laying_season"].tolist() == [3, 3, 3, 3]
