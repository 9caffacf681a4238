"""The mixed model on plain frames, against published solutions and against the definition itself."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from selection.errors import ModelError
from selection.merit.mixed_model import Fitted, fit_model
from selection.merit.relationship.pedigree import from_parents, group_shares

PRINTED = 1e-3
"""Published solutions are printed to three decimals; one of them is rounded from …85."""


@pytest.fixture
def mrode() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Records and parents of Mrode (2014), 3rd ed., example 3.1 (pp. 38-45; data reprinted in Table 5.1)."""
    parents = pd.DataFrame(
        [("4", "1", None), ("5", "3", "2"), ("6", "1", "2"), ("7", "4", "5"), ("8", "3", "6")],
        columns=["bird", "sire", "dam"],
    )
    records = pd.DataFrame({"bird": list("45678"), "sex": list("MFFMM"), "gain": [4.5, 2.9, 3.9, 3.5, 5.0]})
    return records, parents


def fitted_mrode(records: pd.DataFrame, parents: pd.DataFrame) -> Fitted:
    return fit_model(
        records, ["gain"], fixed=["sex"], pedigree=from_parents(parents), genetic=20.0, residual=40.0
    )


def test_mrode_example_3_1_solutions(mrode: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    """Mrode (2014) example 3.1; solutions from memory, reproduced by Henderson's equations from A alone."""
    fitted = fitted_mrode(*mrode)
    fixed = fitted.fixed.set_index("level")["estimate"]
    np.testing.assert_allclose(fixed[["M", "F"]], [4.358, 3.404], atol=PRINTED)
    found = fitted.breeding_values(list("12345678"))["gain"]
    np.testing.assert_allclose(
        found, [0.098, -0.019, -0.041, -0.009, -0.186, 0.177, -0.249, 0.183], atol=PRINTED
    )


def test_mrode_example_3_1_accuracies(mrode: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    """Table on p. 45 (from memory): accuracies and standard errors of prediction, unrounded inverse."""
    found = fitted_mrode(*mrode).breeding_values(list("12345678"))
    np.testing.assert_allclose(
        found["gain_accuracy"], [0.2404, 0.1257, 0.2951, 0.3803, 0.3792, 0.3398, 0.3410, 0.3940], atol=1e-4
    )
    np.testing.assert_allclose(
        found["gain_se"], [4.3409, 4.4366, 4.2730, 4.1361, 4.1381, 4.2061, 4.2041, 4.1103], atol=1e-4
    )


def test_accuracy_of_an_inbred_bird_is_of_its_own_variance() -> None:
    """Of full sibs' chick (F ¼) the variance to be told is 1.25 σ_a²: PEV by V⁻¹ of the few records."""
    parents = pd.DataFrame(
        [("3", "1", "2"), ("4", "1", "2"), ("5", "3", "4")], columns=["bird", "sire", "dam"]
    )
    pedigree = from_parents(parents)
    records = pd.DataFrame({"bird": list("1345"), "y": [1.0, 2.0, 0.5, 3.0]})
    found = fit_model(records, ["y"], pedigree=pedigree, genetic=2.0, residual=3.0).breeding_values(["5"])
    A = 2 * pedigree.relationship(list("1345"))
    V = np.linalg.inv(A + 3 * np.eye(4))
    P = V - np.outer(V.sum(axis=1), V.sum(axis=0)) / V.sum()
    told = A[3] @ P @ A[3]
    assert pedigree.inbreeding[pedigree.positions(["5"])[0]] == 0.25
    assert found["y_accuracy"].item() == pytest.approx(np.sqrt(told / 2.5))


def by_definition(
    y: np.ndarray, X: np.ndarray, Z: np.ndarray, G: np.ndarray, R: np.ndarray
) -> tuple[np.ndarray, ...]:
    """GLS and BLUP by V = ZGZ' + R: β, u, and the covariance of u − û."""
    V = Z @ G @ Z.T + R
    W = np.linalg.inv(V)
    C = np.linalg.inv(X.T @ W @ X)
    beta = C @ X.T @ W @ y
    P = W - W @ X @ C @ X.T @ W
    return beta, G @ Z.T @ W @ (y - X @ beta), G - G @ Z.T @ P @ Z @ G


def test_several_traits_with_gaps_equal_the_dense_definition() -> None:
    """Two traits, missing values, repeated records, a random and a permanent effect: V-inverse by brute force."""
    rng = np.random.default_rng(8)
    parents = pd.DataFrame(
        [("5", "1", "2"), ("6", "1", "3"), ("7", "4", "2"), ("8", "5", "6"), ("9", "5", "6")],
        columns=["bird", "sire", "dam"],
    )
    pedigree = from_parents(parents)
    birds = rng.choice(list("56789"), 18)
    records = pd.DataFrame(
        {"bird": birds, "again": birds, "sex": rng.choice(["a", "b"], 18), "day": rng.choice(list("xyz"), 18)}
    )
    records["one"], records["two"] = rng.normal(size=(2, 18))
    records.loc[[1, 4, 7], "one"] = np.nan
    records.loc[[2, 9], "two"] = np.nan
    genetic = np.array([[2.0, 0.7], [0.7, 1.5]])
    permanent, day = np.array([[0.8, 0.1], [0.1, 0.6]]), np.array([[0.3, 0.0], [0.0, 0.2]])
    residual = np.array([[3.0, 1.0], [1.0, 2.0]])
    fitted = fit_model(
        records,
        ["one", "two"],
        fixed=["sex"],
        random={"again": permanent, "day": day},
        pedigree=pedigree,
        genetic=genetic,
        residual=residual,
    )
    long = records.melt(["bird", "sex", "day"], ["one", "two"], "trait", "y", ignore_index=False).dropna()
    long["record"] = long.index
    trait = (long["trait"] == "two").to_numpy(int)
    a = pedigree.relationship(pedigree.birds)
    at = pedigree.positions(long["bird"])
    X = np.array(
        [
            [t == k and s == sex for k in (0, 1) for sex in "ab"]
            for t, s in zip(trait, long["sex"], strict=True)
        ],
        float,
    )
    Z = np.zeros((len(long), 2 * len(a)))
    Z[np.arange(len(long)), 2 * at + trait] = 1
    same = lambda column: long[column].to_numpy()[:, None] == long[column].to_numpy()[None, :]  # noqa: E731
    pick = np.ix_(trait, trait)
    R = same("record") * residual[pick] + same("bird") * permanent[pick] + same("day") * day[pick]
    beta, u, pev = by_definition(long["y"].to_numpy(), X, Z, np.kron(a, genetic), R)
    found = fitted.breeding_values()
    np.testing.assert_allclose(fitted.fixed["estimate"], beta, atol=1e-8)
    np.testing.assert_allclose(found[["one", "two"]].to_numpy().ravel(), u, atol=1e-8)
    np.testing.assert_allclose(found[["one_se", "two_se"]].to_numpy().ravel() ** 2, np.diag(pev), atol=1e-8)


def test_direct_and_maternal_effects_equal_the_dense_definition() -> None:
    """One trait, a bird's own and its dam's breeding value with a covariance between them."""
    rng = np.random.default_rng(9)
    parents = pd.DataFrame(
        [("5", "1", "2"), ("6", "1", "2"), ("7", "1", "3"), ("8", "5", "7")], columns=["bird", "sire", "dam"]
    )
    pedigree = from_parents(parents)
    records = parents[["bird", "dam"]].assign(y=rng.normal(size=4))
    covariance = np.array([[2.0, -0.4], [-0.4, 1.0]])
    fitted = fit_model(
        records, ["y"], pedigree=pedigree, birds=["bird", "dam"], genetic=covariance, residual=3.0
    )
    a = pedigree.relationship(pedigree.birds)
    Z = np.zeros((4, 2 * len(a)))
    Z[np.arange(4), 2 * pedigree.positions(records["bird"])] = 1
    Z[np.arange(4), 2 * pedigree.positions(records["dam"]) + 1] = 1
    _, u, _ = by_definition(
        records["y"].to_numpy(), np.ones((4, 1)), Z, np.kron(a, covariance), 3 * np.eye(4)
    )
    np.testing.assert_allclose(fitted.breeding_values()["y"], u[0::2], atol=1e-9)
    np.testing.assert_allclose(fitted.breeding_values(column="dam")["y"], u[1::2], atol=1e-9)


def test_genetic_groups_equal_the_dense_definition_up_to_the_estimable_shift() -> None:
    """Groups as fixed effects (Quaas & Pollak 1981, from memory): only differences of totals are estimable."""
    rng = np.random.default_rng(10)
    parents = pd.DataFrame(
        [("5", "1", "2"), ("6", "1", "3"), ("7", "4", "2"), ("8", "5", "7"), ("9", "4", "6")],
        columns=["bird", "sire", "dam"],
    )
    pedigree = from_parents(parents)
    shares = group_shares(pedigree, {"1": "near", "2": "near", "3": "far", "4": "far"})
    assert shares.set_index("bird").loc["8", ["far", "near"]].tolist() == [0.25, 0.75]
    records = pd.DataFrame({"bird": [*parents["bird"], "5", "8"], "y": rng.normal(size=7)})
    fitted = fit_model(records, ["y"], pedigree=pedigree, genetic=1.0, residual=2.0, groups=shares)
    Q = shares.set_index("bird").loc[list(pedigree.birds), ["far", "near"]].to_numpy()
    Z = np.eye(len(pedigree.birds))[pedigree.positions(records["bird"])]
    X = (Z @ Q)[:, :1]  # intercept and one group span what the intercept and both groups span
    X = np.column_stack([np.ones(7), X])
    beta, u, _ = by_definition(
        records["y"].to_numpy(), X, Z, pedigree.relationship(pedigree.birds), 2 * np.eye(7)
    )
    theirs = u + Q[:, 0] * beta[1]
    groups = fitted.fixed[fitted.fixed["effect"] == "group"].set_index("level")["estimate"]
    ours = fitted.breeding_values()["y"].to_numpy() + Q @ groups.reindex(["far", "near"]).fillna(0).to_numpy()
    np.testing.assert_allclose(ours - ours[0], theirs - theirs[0], atol=1e-9)


def test_groups_have_values_and_birds_theirs_with_them() -> None:
    """Against the equations with groups absorbed into A⁻¹ (Quaas 1988, J. Dairy Sci. 71:1338, from memory): unknown
    parents enter as groups through (I − W) [animals, groups], solved densely, the first group held at 0."""
    rng = np.random.default_rng(12)
    parents = pd.DataFrame(
        [("5", "1", "2"), ("6", "1", "3"), ("7", "4", "2"), ("8", "5", "7"), ("9", "4", "6")],
        columns=["bird", "sire", "dam"],
    )
    pedigree = from_parents(parents)
    of = {"1": "near", "2": "near", "3": "far", "4": "far"}
    shares = group_shares(pedigree, of)
    records = pd.DataFrame({"bird": [*parents["bird"], "5", "8", "9"], "y": rng.normal(size=8)})
    fitted = fit_model(records, ["y"], pedigree=pedigree, genetic=1.0, residual=2.0, groups=shares)
    # rows of (I − W) on birds and groups: a founder is its group and a deviation, a chick its parents' mean and one
    n, known = len(pedigree.birds), pedigree.weights.toarray()
    founder = np.array([[of.get(b) == g for g in ("far", "near")] for b in pedigree.birds], float)
    rows = np.hstack([np.eye(n) - known, -founder])
    prior = rows.T @ np.diag(1 / pedigree.mendelian) @ rows / 1.0
    W = np.hstack([np.ones((8, 1)), np.eye(n)[pedigree.positions(records["bird"])], np.zeros((8, 2))])
    C = W.T @ W / 2.0 + np.pad(prior, ((1, 0), (1, 0)))
    kept = np.delete(np.arange(n + 3), n + 1)  # "far" at 0
    solved = np.zeros(n + 3)
    solved[kept] = np.linalg.solve(C[np.ix_(kept, kept)], (W.T @ records["y"].to_numpy() / 2.0)[kept])
    groups = fitted.groups.set_index("group")["y"]
    assert groups["near"] - groups["far"] == pytest.approx(solved[n + 2])
    ours = fitted.breeding_values()["y_in_all"].to_numpy()
    np.testing.assert_allclose(ours - ours[0], solved[1 : n + 1] - solved[1], atol=1e-9)
    spread = np.linalg.inv(C[np.ix_(kept, kept)])[-1, -1]
    assert fitted.groups["y_se"].max() == pytest.approx(np.sqrt(spread))


class TestResiduals:
    """Weights of records, and a residual variance by class."""

    @pytest.fixture
    def records(self) -> pd.DataFrame:
        rng = np.random.default_rng(13)
        return pd.DataFrame(
            {
                "age": rng.uniform(10, 30, 24),
                "y": rng.normal(size=24),
                "of": rng.integers(1, 6, 24).astype(float),
                "scale": rng.choice(["old", "new"], 24),
                "day": rng.choice(list("abcd"), 24),
            }
        )

    def test_weights_equal_weighted_least_squares(self, records: pd.DataFrame) -> None:
        """Without random effects they are statsmodels' WLS of known variance."""
        import statsmodels.api as sm

        fitted = fit_model(records, ["y"], fixed=["age"], weights="of", residual=2.5)
        theirs = sm.WLS(records["y"], sm.add_constant(records["age"]), weights=records["of"]).fit()
        np.testing.assert_allclose(fitted.fixed["estimate"], theirs.params, rtol=1e-9)
        np.testing.assert_allclose(
            fitted.fixed["se"], np.sqrt(np.diag(2.5 * theirs.normalized_cov_params)), rtol=1e-9
        )

    def test_classes_equal_generalised_least_squares(self, records: pd.DataFrame) -> None:
        import statsmodels.api as sm

        fitted = fit_model(
            records, ["y"], fixed=["age"], residual_by="scale", residual={"old": 4.0, "new": 0.5}
        )
        sigma = records["scale"].map({"old": 4.0, "new": 0.5}).to_numpy()
        theirs = sm.GLS(records["y"], sm.add_constant(records["age"]), sigma=sigma).fit()
        np.testing.assert_allclose(fitted.fixed["estimate"], theirs.params, rtol=1e-9)
        np.testing.assert_allclose(
            fitted.fixed["se"], np.sqrt(np.diag(theirs.normalized_cov_params)), rtol=1e-9
        )

    def test_both_with_a_random_effect_equal_the_dense_definition(self, records: pd.DataFrame) -> None:
        fitted = fit_model(
            records, ["y"], fixed=["age"], random={"day": 0.7}, weights="of", residual_by="scale",
            residual={"old": 4.0, "new": 0.5},
        )  # fmt: skip
        R = np.diag(records["scale"].map({"old": 4.0, "new": 0.5}).to_numpy() / records["of"].to_numpy())
        X = np.column_stack([np.ones(24), records["age"]])
        Z = pd.get_dummies(records["day"]).to_numpy(float)
        beta, u, pev = by_definition(records["y"].to_numpy(), X, Z, 0.7 * np.eye(4), R)
        np.testing.assert_allclose(fitted.fixed["estimate"], beta, atol=1e-9)
        found = fitted.random("day")
        np.testing.assert_allclose(found["y"], u, atol=1e-9)
        np.testing.assert_allclose(found["y_se"], np.sqrt(np.diag(pev)), atol=1e-9)
        V = 0.7 * Z @ Z.T + R
        resid = records["y"].to_numpy() - X @ beta
        logs = [np.linalg.slogdet(m)[1] for m in (V, X.T @ np.linalg.solve(V, X))]
        by_hand = -0.5 * (22 * np.log(2 * np.pi) + sum(logs) + resid @ np.linalg.solve(V, resid))
        assert fitted.log_likelihood == pytest.approx(by_hand)

    def test_a_mean_of_equal_records_is_worth_its_weight(self) -> None:
        """Means weighed by their numbers give the single records' effects, and REML with them its own variances."""
        rng = np.random.default_rng(14)
        single = pd.DataFrame({"clutch": rng.choice(list("abcdef"), 60), "y": rng.normal(size=60)})
        single["y"] += single["clutch"].map(dict(zip("abcdef", 2 * rng.normal(size=6), strict=True)))
        means = single.groupby("clutch", as_index=False).agg(y=("y", "mean"), n=("y", "size"))
        variances = {"random": {"clutch": 3.0}, "residual": 1.0}
        one, other = (
            fit_model(single, ["y"], **variances),
            fit_model(means.assign(n=means["n"].astype(float)), ["y"], weights="n", **variances),
        )
        np.testing.assert_allclose(one.random("clutch")["y"], other.random("clutch")["y"], atol=1e-9)
        halves = pd.concat([single, single], ignore_index=True).assign(w=0.5)
        plain, doubled = (
            fit_model(single, ["y"], random={"clutch": None}),
            fit_model(halves, ["y"], random={"clutch": None}, weights="w"),
        )
        assert plain.variances is not None and doubled.variances is not None
        assert doubled.variances.variance("clutch") == pytest.approx(
            plain.variances.variance("clutch"), rel=0.1
        )


def test_variances_estimated_equal_lme4_on_becker_chicken() -> None:
    """Becker (1984) p. 83, 8-week weights: lme4's REML for weight ~ (1 | male/female), frozen."""
    sires = [965, 813, 765, 803, 640, 714, 644, 753, 705, 740, 798, 941, 701, 847, 909, 909, 800, 853]
    sires += [696, 807, 800, 752, 863, 739, 686, 832, 796, 979, 798, 788, 905, 880, 770, 797, 721, 765]
    sires += [809, 756, 775, 887, 935, 937, 872, 811, 925]
    records = pd.DataFrame({"weight": sires})
    records["male"] = [f"M{i // 9}" for i in range(45)]
    records["female"] = [f"F{i // 3:02d}" for i in range(45)]
    fitted = fit_model(records, ["weight"], random={"male": None, "female": None})
    assert fitted.variances is not None
    # lme4 gives 776.754, 1095.634, 5524.398; of balanced records REML is the analysis of variance
    squares = np.array([15802.0778, 8811.2889, 5524.4])
    exact = [(squares[0] - squares[1]) / 9, (squares[1] - squares[2]) / 3, squares[2]]
    np.testing.assert_allclose(fitted.variances.variances, exact, rtol=1e-7)
    assert fitted.log_likelihood == pytest.approx(-258.345314, abs=1e-5)
    estimate, se = fitted.fixed.loc[0, ["estimate", "se"]]
    assert (estimate, se) == (pytest.approx(808.4667, abs=1e-4), pytest.approx(18.7392, abs=2e-3))


def test_equal_to_statsmodels_where_the_two_coincide() -> None:
    """Unrelated birds with repeated records: a random intercept, as statsmodels MixedLM fits it."""
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(11)
    bird = np.repeat(np.arange(20), 4)
    frame = pd.DataFrame({"bird": bird.astype(str), "age": rng.uniform(10, 30, 80)})
    frame["points"] = 12 + 0.1 * frame["age"] + rng.normal(0, 1, 20)[bird] + rng.normal(0, 1.5, 80)
    theirs = smf.mixedlm("points ~ age", frame, groups=frame["bird"]).fit(reml=True)
    pedigree = from_parents(pd.DataFrame({"bird": sorted(set(frame["bird"])), "sire": None, "dam": None}))
    ours = fit_model(frame, ["points"], fixed=["age"], pedigree=pedigree)
    assert ours.variances is not None
    np.testing.assert_allclose(
        ours.variances.variances, [float(theirs.cov_re.iloc[0, 0]), theirs.scale], rtol=1e-3
    )
    np.testing.assert_allclose(ours.fixed["estimate"], theirs.fe_params, rtol=1e-5)
    mine = ours.breeding_values().set_index("bird")["points"]
    np.testing.assert_allclose(mine, [theirs.random_effects[b].iloc[0] for b in mine.index], atol=1e-3)


def test_iteration_agrees_with_the_factor(
    monkeypatch: pytest.MonkeyPatch, mrode: tuple[pd.DataFrame, pd.DataFrame]
) -> None:
    from selection.merit import mixed_equations

    exact = fitted_mrode(*mrode).breeding_values()
    monkeypatch.setattr(mixed_equations, "ITERATE_FROM", 1)
    iterated = fitted_mrode(*mrode).breeding_values()
    np.testing.assert_allclose(iterated["gain"], exact["gain"], atol=1e-7)
    assert iterated["gain_se"].isna().all()


class TestRefusals:
    """Wrong input is refused in words that say what was found and what was needed."""

    def test_a_missing_column(self, mrode: tuple[pd.DataFrame, pd.DataFrame]) -> None:
        with pytest.raises(ModelError, match="no column colour"):
            fit_model(mrode[0], ["gain"], fixed=["colour"], residual=1.0)

    def test_a_bird_without_a_pedigree(self, mrode: tuple[pd.DataFrame, pd.DataFrame]) -> None:
        records = mrode[0].replace({"bird": {"8": "nobody"}})
        with pytest.raises(ModelError, match="not in the pedigree: nobody"):
            fitted_mrode(records, mrode[1])

    def test_a_covariance_that_is_none(self, mrode: tuple[pd.DataFrame, pd.DataFrame]) -> None:
        with pytest.raises(ModelError, match="not a symmetric positive definite matrix"):
            fit_model(mrode[0], ["gain"], residual=-1.0)

    def test_a_covariance_of_another_size(self, mrode: tuple[pd.DataFrame, pd.DataFrame]) -> None:
        with pytest.raises(ModelError, match="1 × 1; needed 2 × 2"):
            fit_model(mrode[0].assign(more=1.0), ["gain", "more"], residual=1.0)

    def test_some_variances_only(self, mrode: tuple[pd.DataFrame, pd.DataFrame]) -> None:
        with pytest.raises(ModelError, match="every variance or none"):
            fit_model(mrode[0], ["gain"], random={"sex": None}, residual=1.0)

    def test_nothing_recorded(self, mrode: tuple[pd.DataFrame, pd.DataFrame]) -> None:
        with pytest.raises(ModelError, match="no value of gain"):
            fit_model(mrode[0].assign(gain=np.nan), ["gain"], residual=1.0)

    def test_whole_numbers_of_which_nobody_said_what_they_are(self) -> None:
        records = pd.DataFrame({"pen": [1, 2, 3, 1], "y": [1.0, 2.0, 4.0, 3.0]})
        with pytest.raises(
            ModelError, match=r"pen holds whole numbers \(1, 2, 3\): are they codes or amounts\?"
        ):
            fit_model(records, ["y"], fixed=["pen"], residual=1.0)
        as_codes = fit_model(records, ["y"], fixed=["pen"], factors=["pen"], residual=1.0)
        assert as_codes.fixed["level"].tolist() == ["1", "2", "3"]
        assert as_codes.fixed["estimate"].tolist() == pytest.approx([2.0, 2.0, 4.0])
        as_amounts = fit_model(records, ["y"], fixed=["pen"], covariates=["pen"], residual=1.0)
        slope = np.polyfit(records["pen"], records["y"], 1)[0]
        assert as_amounts.fixed["estimate"].tolist()[1] == pytest.approx(slope)

    def test_a_covariate_that_is_text(self) -> None:
        with pytest.raises(ModelError, match="the covariate day holds 'a': expected numbers"):
            fit_model(
                pd.DataFrame({"day": ["a", "b"], "y": [1.0, 2.0]}),
                ["y"],
                fixed=["day"],
                covariates=["day"],
                residual=1.0,
            )

    def test_weights_that_are_none(self) -> None:
        records = pd.DataFrame({"w": [1.0, 0.0], "y": [1.0, 2.0]})
        with pytest.raises(ModelError, match="weights w: found 0 in 1 records; expected numbers above 0"):
            fit_model(records, ["y"], weights="w", residual=1.0)

    def test_a_class_without_a_variance(self) -> None:
        records = pd.DataFrame({"scale": ["old", "new"], "y": [1.0, 2.0]})
        with pytest.raises(ModelError, match="no covariance for scale new; there are old"):
            fit_model(records, ["y"], residual_by="scale", residual={"old": 1.0})
        with pytest.raises(ModelError, match="give `residual` as a mapping"):
            fit_model(records, ["y"], residual_by="scale", residual=1.0)
        with pytest.raises(ModelError, match="say in residual_by"):
            fit_model(records, ["y"], residual={"old": 1.0, "new": 2.0})

    def test_groups_that_are_not_there(self) -> None:
        with pytest.raises(ModelError, match="no groups of unknown parents"):
            _ = fit_model(pd.DataFrame({"y": [1.0, 2.0]}), ["y"], residual=1.0).groups
