"""The unseen rest against regression written out, and its standard error against simulated birds."""

from __future__ import annotations

import numpy as np
import pytest

from selection.standard.points import Rest, predict_rest

MOST = np.array([40.0, 35.0, 25.0])
SD = np.array([3.0, 2.5, 2.0])
B = np.outer(SD, SD) * np.array([[1, 0.5, 0.3], [0.5, 1, 0.2], [0.3, 0.2, 1]])
N = np.diag([4.0, 3.0, 2.0]) + 0.5


def birds(
    number: int, seed: int, hidden: float = 0.4, between: np.ndarray = B
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """True points, what was seen of them, and the cells, of birds in two cells."""
    rng = np.random.default_rng(seed)
    cells = np.arange(number) % 2
    true = (
        np.array([30.0, 26.0, 18.0])
        + 2.0 * cells[:, None]
        + rng.multivariate_normal(np.zeros(3), between, number)
    )
    seen = true + rng.multivariate_normal(np.zeros(3), N, number)
    return true, np.where(rng.random((number, 3)) < hidden, np.nan, seen), cells


def rest(seen: np.ndarray, cells: np.ndarray) -> Rest:
    return predict_rest(seen, np.broadcast_to(N, (len(seen), 3, 3)), cells, SD, MOST)


def test_what_was_seen_stays_as_it_was() -> None:
    _, seen, cells = birds(50, 1)
    found = rest(seen, cells)
    known = ~np.isnan(seen)
    assert found.points[known] == pytest.approx(seen[known])
    whole = known.all(axis=1)
    assert whole.any()
    assert found.total[whole] == pytest.approx(seen[whole].sum(axis=1))
    assert found.se[whole] == pytest.approx(np.sqrt(N.sum()))


def test_the_unseen_are_predicted_by_regression_on_the_seen() -> None:
    _, seen, cells = birds(4000, 2)
    found = rest(seen, cells)
    one = np.isnan(seen) @ [1, 2, 4] == 2  # the middle section alone was not seen
    weights = np.linalg.solve((B + N)[np.ix_([0, 2], [0, 2])], B[[0, 2], 1])
    centre = np.array([30.0, 26.0, 18.0]) + 2.0 * cells[one, None]
    expected = centre[:, 1] + (seen[one][:, [0, 2]] - centre[:, [0, 2]]) @ weights
    # 1,400 birds tell the correlations to 8 % or so
    assert np.sqrt(np.mean((found.points[one, 1] - expected) ** 2)) < 0.1 * np.std(expected) + 0.1
    assert np.corrcoef(found.points[one, 1], expected)[0, 1] > 0.99


@pytest.mark.parametrize("alike", [0.0, 0.8])
def test_the_standard_error_is_that_of_the_total(alike: float) -> None:
    between = np.outer(SD, SD) * (alike + (1 - alike) * np.eye(3))
    true, seen, cells = birds(4000, 3, between=between)
    found = rest(seen, cells)
    for number in (1, 2, 3):
        rows = (~np.isnan(seen)).sum(axis=1) == number
        z = (found.total - true.sum(axis=1))[rows] / found.se[rows]
        assert z.std() == pytest.approx(1.0, abs=0.06)  # some 1,000 birds: known to 2 %
        assert z.mean() == pytest.approx(0.0, abs=0.12)


def test_the_less_was_seen_the_wider_the_error() -> None:
    seen = np.array([[30, 26, 18], [30, 26, np.nan], [30, np.nan, np.nan], [np.nan] * 3])
    found = rest(np.vstack([birds(200, 4)[1], seen]), np.append(birds(200, 4)[2], [0, 0, 0, 0]))
    assert np.isnan(found.total[-1]) and np.isnan(found.se[-1])
    assert (np.diff(found.se[-4:-1]) > 0).all()


def test_few_birds_fall_back_on_means() -> None:
    seen = np.array([[30.0, np.nan, 18.0], [34.0, 26.0, np.nan]])
    found = rest(seen, np.array([0, 0]))
    assert found.points[0, 1] == pytest.approx(26.0, abs=1.5)
    assert np.isfinite(found.total).all()


def test_a_section_nobody_saw_takes_the_usual_share() -> None:
    seen = np.array([[30.0, 26.25, np.nan], [30.0, 26.25, np.nan]])  # three quarters of both
    found = rest(seen, np.array([0, 0]))
    assert found.points[:, 2] == pytest.approx([18.75, 18.75])


def test_no_prediction_goes_beyond_the_sections_points() -> None:
    _, seen, cells = birds(60, 5)
    seen[:, 1] = np.where(np.isnan(seen[:, 1]), np.nan, 34.9)
    seen[0] = [40.0, np.nan, 25.0]
    found = rest(seen, cells)
    unseen = np.isnan(seen)
    assert (found.points <= MOST)[unseen].all() and (found.points >= 0)[unseen].all()
    assert (found.points == MOST)[unseen].any()


def test_sections_on_which_all_agree_can_be_solved_with() -> None:
    seen = np.array([[30.0, 26.0, np.nan], [30.0, 26.0, 18.0], [30.0, np.nan, 18.0]])
    found = predict_rest(seen, np.zeros((3, 3, 3)), np.zeros(3), np.zeros(3), MOST)
    assert found.total == pytest.approx([74.0] * 3)
