"""The ranking: its contract, its probabilities, and its agreement with truth and with published formulas."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from selection.merit.candidates import called, own_values
from selection.merit.explain import contributions
from selection.merit.mixed_model import fit_model
from selection.merit.observations import observe
from selection.merit.ranking import RANKING, Merit, chances, rank, rerank
from selection.merit.relationship.parentage import parentage
from selection.merit.relationship.pedigree import from_parents
from selection.merit.season_model import season_model
from selection.records.flock import Flock
from selection.records.settings.plan import Keep
from selection.standard.growth import fit_growth
from tests.benchmarks.simulate_merit import Hard, bayes, one, summary, true_variances
from tests.merit.tiny import PLAN, STANDARD, bird, clutch, flock, look, stood
from tests.simulated import simulate


@pytest.fixture(scope="module")
def holding() -> Flock:
    return simulate(7).flock()


@pytest.fixture(scope="module")
def merit(holding: Flock) -> Merit:
    return rank(holding)


class TestContract:
    def test_one_row_for_every_candidate(self, holding: Flock, merit: Merit) -> None:
        assert list(merit.ranking.columns) == RANKING
        birds = holding.birds
        season = birds["alive"] & (birds["hatch_year"] == holding.plan.season)
        cockerels = birds[season & (birds["sex"] == "male") & (birds["origin_of"] == "bought-in")]
        pullets = birds[season & (birds["sex"] == "female") & (birds["origin_of"] == "home-bred")]
        hens = birds[
            birds["alive"] & (birds["hatch_year"] < holding.plan.season) & (birds["sex"] == "female")
        ]
        expected = {"cockerels": cockerels, "pullets": pullets, "hens": hens}
        for group, rows in merit.ranking.groupby("group"):
            assert sorted(rows["bird"]) == sorted(expected[group]["bird"])

    def test_chances_add_up(self, holding: Flock, merit: Merit) -> None:
        for group, rows in merit.ranking[merit.ranking["bar"].isna()].groupby("group"):
            assert rows["p_best"].sum() == pytest.approx(1)
            assert rows["p_kept"].sum() == pytest.approx(min(holding.plan.keep[group].number, len(rows)))

    def test_merit_is_about_the_mean_of_the_unbarred(self, merit: Merit) -> None:
        unbarred = merit.ranking[merit.ranking["bar"].isna()]
        np.testing.assert_allclose(unbarred.groupby("group")["merit"].mean(), 0, atol=1e-9)
        assert (unbarred.groupby("group")["rank"].max() == unbarred.groupby("group").size()).all()

    def test_merit_se_is_the_spread_of_that_difference(self, merit: Merit) -> None:
        for group, draws in merit.draws.items():
            rows = merit.ranking[(merit.ranking["group"] == group) & merit.ranking["bar"].isna()].set_index(
                "bird"
            )
            np.testing.assert_allclose(rows.loc[draws.columns, "merit_se"], draws.std(ddof=0), rtol=1e-9)

    def test_the_same_flock_gives_the_same_ranking(self, holding: Flock, merit: Merit) -> None:
        pd.testing.assert_frame_equal(rank(holding).ranking, merit.ranking)

    def test_nothing_after_the_day_counts(self) -> None:
        """A plan of an earlier day gives the same ranking as records that end there."""
        made = simulate(7, seasons=1)
        between_looks = pd.Timestamp("2021-09-01")
        early = replace(made.plan, on=between_looks.date())
        cut = {
            name: form[~(form["on"] > between_looks)] if "on" in form else form
            for name, form in made.forms.items()
        }
        from selection.records.flock import assemble

        whole = rank(assemble(made.standard, early, made.forms))
        pd.testing.assert_frame_equal(whole.ranking, rank(assemble(made.standard, early, cut)).ranking)
        later = rank(assemble(made.standard, made.plan, made.forms))
        assert not whole.ranking["merit"].equals(later.ranking["merit"])


FOUNDERS = [bird("C", "male"), bird("H1", "female"), bird("H2", "female")]
PENS = [stood(one["bird"], "2026-01-01") for one in FOUNDERS]


class TestFewBirds:
    """Words and blanks where there is nothing to compare, never NaN shown as a number."""

    def pullets(self, *numbers: str, **forms: list[dict[str, object]]) -> Merit:
        birds = [*FOUNDERS, *(bird(n, "female", "26-H1") for n in numbers)]
        return rank(flock(birds=birds, clutches=[clutch("26-H1")], pens=PENS, **forms))

    def test_no_birds(self) -> None:
        assert rank(flock()).ranking.empty

    def test_no_candidates(self) -> None:
        found = self.pullets(scores=[look("H1", {"type": 40.0, "head": 30.0})])
        assert found.ranking.empty and list(found.ranking.columns) == RANKING

    def test_one_candidate(self) -> None:
        [row] = self.pullets("x", scores=[look("x", {"type": 40.0})]).ranking.to_dict("records")
        assert row["merit"] == pytest.approx(0)
        assert np.isnan([row["merit_se"], row["p_best"]]).all() and row["p_kept"] == 1

    def test_no_looks(self) -> None:
        found = self.pullets("x", "y", "z")
        assert found.ranking["p_best"].tolist() == pytest.approx([1 / 3] * 3, abs=0.02)
        assert (found.ranking["merit"].abs() < 1e-9).all() and (found.ranking["merit_se"] > 0).all()
        assert found.ranking["bird"].tolist() == ["x", "y", "z"]
        assert "nothing has been scored" in found.cannot[0]

    def test_unscored_clutch_mates_are_even(self) -> None:
        """By symmetry each of n unscored clutch mates is the best with chance 1/n (Monte Carlo error 0.004)."""
        scores = [look("H1", {"type": 40.0, "head": 30.0}), look("H2", {"type": 44.0, "head": 31.0})]
        found = self.pullets("w", "x", "y", "z", scores=scores)
        np.testing.assert_allclose(found.ranking["p_best"], 0.25, atol=0.02)
        np.testing.assert_allclose(found.ranking["p_kept"], 0.5, atol=0.02)
        np.testing.assert_allclose(found.ranking["merit"], 0, atol=1e-6)

    def test_all_scores_alike(self) -> None:
        scores = [look(n, {"type": 40.0, "head": 30.0}) for n in "xyz"]
        found = self.pullets("x", "y", "z", scores=scores)
        np.testing.assert_allclose(found.ranking["merit"], 0, atol=1e-6)
        assert found.ranking["merit_se"].notna().all()

    def test_one_judge_and_one_clutch(self) -> None:
        scores = [look(n, {"type": t, "head": 30.0}) for n, t in (("x", 50.0), ("y", 40.0), ("z", 42.0))]
        found = self.pullets("x", "y", "z", scores=scores)
        assert found.ranking["bird"].tolist() == ["x", "z", "y"]
        assert found.ranking["p_best"].is_monotonic_decreasing

    def test_a_serious_fault_bars_whoever_saw_it(self) -> None:
        scores = [look(n, {"type": 40.0 + i}) for i, n in enumerate("xyz")]
        scores.append(look("z", {}, on="2026-08-01", judge="B", faults="Split wing"))
        rows = self.pullets("x", "y", "z", scores=scores).ranking.set_index("bird")
        assert rows.loc["z", "bar"] == "split wing (B, 2026-08-01)"
        assert rows.loc["z", ["rank", "p_best", "p_kept"]].isna().all() and rows.loc["z", "merit"] > 0
        assert rows.loc[["x", "y"], "p_best"].sum() == pytest.approx(1)


def test_order_statistics_in_the_symmetric_case() -> None:
    """E[max of n]: Harter (1961) Biometrika 48:151 (from memory); five alike: each best in a fifth of draws."""
    draws = pd.DataFrame(np.random.default_rng(1).standard_normal((200_000, 5)))
    best, kept = chances(draws, 2)
    np.testing.assert_allclose(best, 0.2, atol=0.004)
    np.testing.assert_allclose(kept, 0.4, atol=0.005)
    assert draws.max(axis=1).mean() == pytest.approx(1.16296, abs=0.006)


def test_mrode_selection_index_of_two_traits() -> None:
    """Mrode (2014) example 1.6, pp. 14-16: b = 0.445, 1.692 for gain, from own gain and lean percentage.

    Unrelated birds with one record each: the mixed model's solution is the index in deviations from the mean.
    """
    rng = np.random.default_rng(3)
    P, G = np.array([[6400, -57.6], [-57.6, 51.84]]), np.array([[2752, 62.064], [62.064, 15.552]])
    names = [str(i) for i in range(12)]
    records = pd.DataFrame({"bird": names, "gain": rng.normal(900, 80, 12), "lean": rng.normal(60, 7, 12)})
    pedigree = from_parents(pd.DataFrame({"bird": names, "sire": None, "dam": None}))
    fitted = fit_model(records, ["gain", "lean"], pedigree=pedigree, genetic=G, residual=P - G)
    found = fitted.breeding_values(names)["gain"].to_numpy()
    off = records[["gain", "lean"]] - records[["gain", "lean"]].mean()
    np.testing.assert_allclose(found, off @ [0.44523, 1.69192], rtol=2e-5, atol=1e-3)


def test_mrode_repeated_records() -> None:
    """Mrode (2014) example 1.2: h² = .3, t = .5, mean of two records 2,000 above the mean: b = 0.4, value 800."""
    records = pd.DataFrame({"bird": list("aabb"), "again": list("aabb"), "y": [8000.0, 8000, 4000, 4000]})
    pedigree = from_parents(pd.DataFrame({"bird": ["a", "b"], "sire": None, "dam": None}))
    fitted = fit_model(records, ["y"], random={"again": 0.2}, pedigree=pedigree, genetic=0.3, residual=0.5)
    assert fitted.breeding_values(["a"])["y"].tolist() == pytest.approx([800.0])


def test_straight_worths_are_the_classic_index(holding: Flock) -> None:
    """Without a band, merit differs between birds by Σ worth × breeding value exactly (Hazel 1943)."""
    by_eye = replace(holding.standard, sections=holding.standard.by_eye)
    plan = replace(holding.plan, worth={"type": 2.0, "head": 0.5})
    found = rerank(
        rank(replace(holding, standard=by_eye, plan=plan)), replace(holding, standard=by_eye, plan=plan)
    )
    known = found.known
    assert known is not None and found.index is not None and not found.index.bands
    rows = found.ranking[found.ranking["group"] == "pullets"].set_index("bird")
    at = known.model.kinship.birds.get_indexer(rows.index)
    values = known.solution.at("genetic").reshape(-1, len(known.model.traits))[at]
    worth = np.array(
        [
            plan.worth.get(t, 1.0 if t in {s.name for s in by_eye.sections} else 0.0)
            for t in known.model.traits
        ]
    )
    index = values @ worth
    index -= index[rows["bar"].isna().to_numpy()].mean()
    np.testing.assert_allclose(rows["merit"], index, atol=1e-9)


def test_own_value_counts_what_a_band_awards_and_nothing_beyond_it(holding: Flock, merit: Merit) -> None:
    assert merit.known is not None
    measured, sexes = (
        merit.points.measured,
        holding.birds.loc[holding.birds["alive"]].set_index("bird")["sex"],
    )
    awarded = measured[measured["points"].notna() & measured["bird"].isin(sexes.index)]
    bird = awarded["bird"].iloc[0]
    fewer = measured.assign(points=measured["points"] - 3.0 * (measured["bird"] == bird))
    heavier = measured.assign(value=measured["value"] * 1.1)
    now, then, same = (
        own_values(holding, merit.known, each).set_index("bird")["own_value"]
        for each in (measured, fewer, heavier)
    )
    alike = [one for one in awarded["bird"] if sexes[one] == sexes[bird]]
    lost = (now - then).reindex(alike)
    assert lost[bird] == pytest.approx(3 * (1 - 1 / len(alike)))
    np.testing.assert_allclose(lost.drop(bird), -3 / len(alike))
    pd.testing.assert_series_equal(now, same)


def test_contributions_add_up(holding: Flock, merit: Merit) -> None:
    first, second = merit.ranking["bird"].iloc[:2]
    why = contributions(merit, holding, first, second)
    assert why.table["points"].sum() == pytest.approx(why.difference)
    of = called(holding)
    assert of(first).colours
    assert str(of(first)) in why.sentence(of)
    assert str(of(second)) in why.sentence(of)
    assert f"own records of {first}" in set(why.table["whose"])


def test_a_bird_barred_by_hand_and_brought_back(holding: Flock, merit: Merit) -> None:
    best = merit.ranking["bird"].iloc[0]
    without = rerank(merit, holding, {best: "lame"})
    assert without.ranking.set_index("bird").loc[best, "bar"] == "lame"
    assert rerank(merit, holding, {best: None}).ranking["bar"].isna().iloc[0]


def test_keeping_more_raises_every_chance(holding: Flock, merit: Merit) -> None:
    more = replace(holding, plan=replace(holding.plan, keep={"pullets": Keep(8, 0, ("home-bred",))}))
    few = rerank(merit, holding).ranking.set_index("bird")["p_kept"]
    many = rerank(merit, more).ranking.set_index("bird")["p_kept"].dropna()
    assert (many >= few[many.index]).all()


def test_simulated_truth() -> None:
    """A short run of tests/benchmarks/simulate_merit.py, which holds the exact figures on 300 holdings.

    3 holdings, some 60 birds: a correlation of 0.65 has a standard error near 0.09 here, a cover of 0.90 one
    near 0.06 (birds of one holding hang together); bounds are three of them. Beside it the model that is told
    every true variance and the mean correlation: on the same birds the two differ by far less.
    """
    table = summary(pd.concat([one(seed) for seed in range(501, 504)])).set_index(["way", "group"])
    for group in ("cockerels", "pullets"):
        learnt, told = table.loc[("learnt", group)], table.loc[("told", group)]
        assert learnt["correlation"] > 0.38
        assert learnt["correlation"] > told["correlation"] - 0.1
        assert 0.72 < learnt["cover"] <= 1
        assert 0.6 < learnt["slope"] < 1.5
        assert learnt["brier_kept"] < told["brier_kept"] + 0.02


@pytest.mark.slow
def test_the_bayes_answer_weighs_sets_of_the_simulators_own_variances_by_the_likelihood() -> None:
    """The reference beside merit: its truths are the simulator's, and two sets meet by Bayes' rule."""
    truth = Hard(off=-0.1, correlation=0.3, brooder=0.1, halo=0.1)
    holding = simulate(3, seasons=1, **vars(truth))
    flock = holding.flock()
    living = pd.Index(flock.birds.loc[flock.birds["alive"], "bird"])
    model = season_model(observe(flock, fit_growth(flock)), parentage(flock), living)
    own, simulated = truth.variances(model), true_variances(holding, model)
    for part in ("parts", "genetic", "permanent", "residual"):
        np.testing.assert_allclose(getattr(own, part), getattr(simulated, part))
    drawn = np.random.default_rng(1)
    first, second = (model.solve(Hard.drawn(drawn).variances(model)) for _ in range(2))
    share = 1 / (1 + np.exp(second.log_likelihood - first.log_likelihood))
    expected = share * first.at("genetic") + (1 - share) * second.at("genetic")
    mean, rests_on = bayes(model, 2, np.random.default_rng(1))
    np.testing.assert_allclose(mean, expected)
    assert rests_on == pytest.approx(1 / (share**2 + (1 - share) ** 2))


def test_standard_and_plan_of_the_tiny_flocks_are_whole() -> None:
    assert sum(s.points for s in STANDARD.sections) == 100
    assert PLAN.season == PLAN.on.year


def test_laying_counts_where_the_plan_gives_it_a_worth() -> None:
    """Hens with own records: the better layer gains; without a worth, or without own records, it has no part."""
    eggs = [
        {"on": f"2026-0{m}-{d:02d}", "pen": "pen 1", "bird": hen, "eggs": laid}
        for m in (4, 5, 6)
        for d in range(1, 29)
        for hen, laid in (("H1", int(d % 4 != 0)), ("H2", int(d % 2 == 0)))
    ]
    scores = [look(n, {"type": 40.0, "head": 30.0}) for n in ("H1", "H2")]
    plan = replace(PLAN, keep={"hens": Keep(1)}, worth={"laying": 0.3})
    made = flock(plan=plan, birds=FOUNDERS, scores=scores, eggs=eggs)
    found = rank(made)
    assert found.ranking["bird"].tolist() == ["H1", "H2"]
    assert found.ranking["merit"].iloc[0] > 0.1
    without = rank(replace(made, plan=replace(plan, worth={})))
    np.testing.assert_allclose(without.ranking["merit"], 0, atol=1e-6)
    no_own = rank(replace(made, eggs=made.eggs.assign(bird=None).astype({"bird": "str"})))
    assert any(s.startswith("laying: nobody has recorded it") for s in no_own.cannot)


def test_chances_of_being_best_are_those_of_order_statistics_with_unequal_variances() -> None:
    """P(i is the greatest) = ∫ φ_i Π_j≠i Φ_j (David and Nagaraja 2003, Order Statistics, from memory)."""
    from scipy.integrate import quad
    from scipy.stats import norm

    mean, sd = np.array([0.0, 0.4, -0.2, 0.1]), np.array([1.0, 0.5, 1.6, 0.8])
    draws = pd.DataFrame(
        mean + sd * np.random.default_rng(3).standard_normal((200_000, 4)), columns=list("abcd")
    )
    best, kept = chances(draws, 1)

    def density(x: float, i: int) -> float:
        others = np.delete(np.arange(4), i)
        return float(norm.pdf(x, mean[i], sd[i]) * norm.cdf(x, mean[others], sd[others]).prod())

    exact = [quad(density, -12, 12, args=(i,))[0] for i in range(4)]
    np.testing.assert_allclose(best, exact, atol=0.005)
    np.testing.assert_allclose(kept, best)
