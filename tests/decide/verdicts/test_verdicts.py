"""Verdicts: always complete, overruled by people, in words that carry their figures; looks and tips checked."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from selection.decide.verdicts.another_look import Look, Unseen, _value, best_look, looks_worth, value_of
from selection.decide.verdicts.choice import planned_counts, tip
from selection.decide.verdicts.verdicts import VERDICT_COLUMNS, Group, Verdicts, for_one_evening, propose
from selection.merit import published
from selection.merit.explain import detail
from selection.merit.observations import observe
from selection.merit.posterior import given
from selection.merit.ranking import Merit, rank, rerank
from selection.merit.season_model import season_model
from selection.records.flock import Flock, assemble
from selection.records.settings.plan import Keep, Plan
from selection.records.settings.reading import Section, Standard
from selection.standard.traits import ByEye
from tests.simulated import simulate


@pytest.fixture(scope="module")
def holding() -> Flock:
    return simulate(11).flock()


@pytest.fixture(scope="module")
def merit(holding: Flock) -> Merit:
    return rank(holding)


@pytest.fixture(scope="module")
def verdicts(holding: Flock, merit: Merit) -> Verdicts:
    return propose(holding, merit)


def decided(flock: Flock, *rows: tuple[str, str, str]) -> Flock:
    """The flock with decisions (bird, decided, why) on the plan's day."""
    made = pd.DataFrame(rows, columns=["bird", "decided", "why"]).assign(who=None, settled=None)
    made.insert(0, "on", pd.Timestamp(flock.plan.on))
    return replace(flock, decisions=made)


class TestStands:
    def test_exactly_the_plans_numbers(self, holding: Flock, verdicts: Verdicts) -> None:
        assert list(verdicts.table.columns) == VERDICT_COLUMNS
        for name, keep in holding.plan.keep.items():
            rows = verdicts.table[verdicts.table["group"] == name]
            unbarred = (~rows["reason"].str.startswith("barred")).sum()
            assert (rows["stands"] == "keep").sum() == min(keep.number, unbarred)
            assert (rows["stands"] == "reserve").sum() == min(keep.reserve, max(unbarred - keep.number, 0))

    def test_one_row_for_every_candidate_in_the_rankings_order(
        self, merit: Merit, verdicts: Verdicts
    ) -> None:
        assert verdicts.table["bird"].tolist() == merit.ranking["bird"].tolist()

    def test_every_reason_is_one_sentence_with_figures(self, verdicts: Verdicts) -> None:
        for reason in verdicts.table["reason"]:
            assert "nan" not in reason.lower() and "\n" not in reason
            assert any(c.isdigit() for c in reason)

    def test_a_barred_bird_is_sold(self, holding: Flock, merit: Merit) -> None:
        best = merit.ranking["bird"].iloc[0]
        found = propose(holding, rerank(merit, holding, {best: "lame (M, 2026-10-01)"}))
        row = found.table.set_index("bird").loc[best]
        assert (row["stands"], row["reason"]) == ("sell", "barred from breeding: lame (M, 2026-10-01)")


class TestOverruling:
    def test_the_rest_is_worked_out_anew(self, holding: Flock, merit: Merit, verdicts: Verdicts) -> None:
        pullets = verdicts.table[verdicts.table["group"] == "pullets"]
        out, brought = pullets["bird"].iloc[0], pullets["bird"].iloc[-2]
        found = propose(decided(holding, (out, "sell", "too wild"), (brought, "keep", "her dam lays")), merit)
        rows = found.table.set_index("bird")
        assert rows.loc[out, ["stands", "decided", "decided_why"]].tolist() == ["sell", "sell", "too wild"]
        assert rows.loc[brought, "stands"] == "keep"
        kept = rows[(rows["group"] == "pullets") & (rows["stands"] == "keep")]
        assert len(kept) == holding.plan.keep["pullets"].number
        assert "decided by the meeting: keep (her dam lays)" in rows.loc[brought, "reason"]

    def test_a_bird_held_in_reserve(self, holding: Flock, merit: Merit, verdicts: Verdicts) -> None:
        cockerels = verdicts.table[verdicts.table["group"] == "cockerels"]
        first = cockerels["bird"].iloc[0]
        rows = propose(decided(holding, (first, "reserve", "")), merit).table.set_index("bird")
        assert rows.loc[first, "stands"] == "reserve"
        assert rows.loc[cockerels["bird"].iloc[1], "stands"] == "keep"

    def test_settled_birds_are_settled(self, holding: Flock, merit: Merit, verdicts: Verdicts) -> None:
        """Nobody tips, looks again at or re-weighs a bird that is decided; the places left are the others'."""
        before = verdicts.groups["pullets"]
        kept, gone = before.looks[0].birds[0], before.tips[0].behind
        settled = {kept, gone, before.tips[0].ahead}
        rows = [(bird, "keep" if bird == kept else "sell", "so be it") for bird in settled]
        group = propose(decided(holding, *rows), merit).groups["pullets"]
        named = {t.ahead for t in group.tips} | {t.behind for t in group.tips} | set(group.reweigh["first"])
        named |= {bird for look in group.looks for bird in look.birds}
        assert named and not named & settled
        assert not settled & set(group.open)
        assert group.places == holding.plan.keep["pullets"].number - 1
        assert group.chances.sum() == pytest.approx(group.places)
        assert (
            before.chances - merit.ranking.set_index("bird")["p_kept"].reindex(before.open)
        ).abs().max() == 0

    def test_a_barred_bird_that_is_kept_is_still_said_to_be_barred(
        self, holding: Flock, merit: Merit
    ) -> None:
        best = merit.ranking["bird"].iloc[0]
        barred = rerank(merit, holding, {best: "lame (M, 2026-10-01)"})
        found = propose(decided(holding, (best, "keep", "only the once")), barred)
        row = found.table.set_index("bird").loc[best]
        assert row["stands"] == "keep"
        assert row["reason"] == (
            "decided by the meeting: keep (only the once); barred from breeding: lame (M, 2026-10-01)"
        )


def test_one_evening_has_the_looks_most_worth_it_and_every_first_look() -> None:
    nobody = pd.DataFrame(columns=VERDICT_COLUMNS)
    values = {"cockerels": 0.4, "pullets": 0.19, "hens": 0.2}
    groups = {
        name: Group(name, nobody, looks=(Look((name,), v),), again=Look((name,), v))
        for name, v in values.items()
    }
    groups |= {
        "cocks": Group("cocks", nobody),
        "old cocks": Group("old cocks", nobody, again=Look(("first",), 0.1)),
    }
    found = for_one_evening(groups)
    assert [name for name, group in found.items() if group.again is not None] == [
        "cockerels",
        "hens",
        "old cocks",
    ]
    assert found["pullets"].looks == groups["pullets"].looks


class TestFirstLook:
    """Before anything is seen, all are to be looked at, and what that is worth follows from published values."""

    @pytest.fixture
    def unseen(self) -> Flock:
        birds = pd.DataFrame({"bird": ["26-1", "26-2"], "sex": "male", "hatched_on": "2026-04-10"})
        standard = Standard("Invented fowl", (Section("type", "Type", 100, like="conformation"),))
        plan = Plan(on=date(2026, 10, 10), season=2026, keep={"cockerels": Keep(1)})
        return assemble(standard, plan, {"birds": birds})

    def test_two_unrelated_birds_by_the_selection_index(self, unseen: Flock) -> None:
        """Half the expected absolute difference of two estimates: sd·√(2/π)/2, sd² = 2σ²h² (Falconer, ch. 10)."""
        section = unseen.standard.sections[0]
        genetic = published.heritability(section).mean
        seen = 1 - published.variance_share("judge×day")  # the day is the same for both
        sd = np.sqrt(ByEye(section).usual_variance * 2 * genetic**2 / seen)
        again = propose(unseen, rank(unseen)).groups["cockerels"].again
        assert again is not None
        assert again.birds == ("26-1", "26-2")
        assert again.value == pytest.approx(sd / np.sqrt(2 * np.pi), rel=0.05)

    def test_all_are_proposed_for_it_and_the_order_is_called_chance(self, unseen: Flock) -> None:
        table = propose(unseen, rank(unseen)).table
        assert table["stands"].tolist() == ["keep", "sell"]
        assert set(table["proposed"]) == {"look again"}
        assert table["reason"].str.contains("its place is chance").all()

    def test_where_a_look_is_worth_less_than_the_plan_asks_none_is_proposed(self, unseen: Flock) -> None:
        dear = replace(unseen, plan=replace(unseen.plan, look_worth=50.0))
        assert propose(dear, rank(dear)).groups["cockerels"].again is None

    def test_where_all_stay_there_is_nothing_to_look_for(self, unseen: Flock) -> None:
        both = replace(unseen, plan=replace(unseen.plan, keep={"cockerels": Keep(2)}))
        assert propose(both, rank(both)).groups["cockerels"].again is None


class TestAnotherLook:
    def test_what_a_look_teaches_is_what_the_model_then_knows(self, holding: Flock, merit: Merit) -> None:
        """The variance a look takes off a difference, by formula, against records of such a look added to the model.

        The added looks have a day of their own; their judge and age are known levels, which the formula leaves
        to the day, so that the two agree closely, not to the last digit.
        """
        a, b = merit.ranking.loc[merit.ranking["group"] == "pullets", "bird"].iloc[[0, 1]]
        known = merit.known
        assert known is not None
        pair = detail(merit, holding, pd.Index([a, b]))
        contrast = np.array([1.0, -1.0])
        sections = len(pair.by_eye)
        apart = np.kron([[-1, 1]], np.eye(sections))
        look = apart @ (pair.seen_cov + np.kron(np.eye(2), pair.look_cov)) @ apart.T
        cross = contrast @ pair.cross @ apart.T
        by_formula = cross @ np.linalg.solve(look, cross)
        last = holding.scores.dropna(subset="bird").iloc[[-1, -1]].assign(bird=[a, b], faults=None)
        last = last.assign(on=pd.Timestamp(holding.plan.on).as_unit("s"), **dict.fromkeys(pair.by_eye, 5.0))
        more = replace(holding, scores=pd.concat([holding.scores, last], ignore_index=True))
        model = season_model(observe(more, merit.growth), merit.parentage, pd.Index(merit.living.columns))
        after = given(model, known.variances)
        picked = np.zeros((len(after.solution.effects), 2))
        start, width = after.solution.slices["genetic"].start, len(model.traits)
        for i, node in enumerate(model.kinship.birds.get_indexer([a, b])):
            picked[start + node * width : start + (node + 1) * width, i] = pair.slopes[i]
        by_model = contrast @ (pair.merit_cov - after.solution.spread(picked)) @ contrast
        assert by_formula == pytest.approx(by_model, rel=0.1)

    def test_some_birds_of_many_are_known_as_if_asked_for_alone(self, holding: Flock, merit: Merit) -> None:
        """One joint posterior of all candidates serves every group; solved by right-hand sides it is the same."""
        birds = pd.Index(merit.ranking.loc[merit.ranking["bar"].isna(), "bird"])
        some, known = birds[[3, 0, 1]], merit.known
        assert known is not None
        among, alone = detail(merit, holding, birds).among(some), detail(merit, holding, some)
        for name in ("values", "slopes", "parts", "merit", "functionals", "merit_cov", "seen_cov", "cross"):
            np.testing.assert_allclose(getattr(among, name), getattr(alone, name), rtol=1e-7, atol=1e-9)
        np.testing.assert_allclose(
            alone.merit_cov, known.solution.spread(alone.functionals), rtol=1e-7, atol=1e-9
        )

    def test_two_even_birds(self, holding: Flock, merit: Merit) -> None:
        """E[max] of two: the look moves their difference by sd s, so the gain is s·φ(0) less what a gap costs."""
        a, b = merit.ranking.loc[merit.ranking["group"] == "pullets", "bird"].iloc[[0, 1]]
        pair = replace(detail(merit, holding, pd.Index([a, b])), merit=np.zeros(2))
        noise = np.random.default_rng(0).standard_normal((40_000, 4 * len(pair.by_eye)))
        sections = len(pair.by_eye)
        apart = np.kron([[-1, 1]], np.eye(sections))
        look = apart @ (pair.seen_cov + np.kron(np.eye(2), pair.look_cov)) @ apart.T
        cross = np.array([1.0, -1.0]) @ pair.cross @ apart.T
        sd = np.sqrt(cross @ np.linalg.solve(look, cross))
        # half the expected absolute difference, sd·√(2/π)/2; Monte Carlo error under 1 %
        assert _value(pair, (0, 1), 1, noise) == pytest.approx(sd / np.sqrt(2 * np.pi), rel=0.03)

    def test_nothing_to_decide_is_worth_nothing(self, holding: Flock, merit: Merit) -> None:
        birds = pd.Index(merit.ranking.loc[merit.ranking["group"] == "pullets", "bird"])
        known = detail(merit, holding, birds)
        rng = np.random.default_rng(0)
        assert looks_worth(known, len(birds), np.full(len(birds), 0.5), rng) == ()
        assert looks_worth(known, 1, np.ones(len(birds)), rng) == ()
        assert best_look(()) is None

    def test_a_look_never_costs(self, verdicts: Verdicts) -> None:
        for group in verdicts.groups.values():
            assert all(look.value > -0.03 for look in group.looks)
            assert [x.value for x in group.looks] == sorted((x.value for x in group.looks), reverse=True)


def test_the_smallest_set_that_tells_nine_tenths_of_the_most_is_seen() -> None:
    every = Look(("a", "b", "c", "d"), 0.40), Look(("a", "b", "c"), 0.37), Look(("a", "b"), 0.35)
    assert best_look(every) == every[1]


@pytest.mark.parametrize("noisier", [1.0, 1.2])
def test_a_look_gains_what_it_is_said_to_be_worth(noisier: float) -> None:
    """Drawn birds are seen on a day of unknown level, and the best by the dense conditional normal are kept.

    `noisier`: true variance of a look's errors beside that believed.
    """
    count, sections, number, draws = 5, 2, 2, 20_000
    rng = np.random.default_rng(6)
    genetic = np.array([[1.0, 0.2], [0.2, 0.6]])
    worth, permanent, error = np.array([1.0, 1.5]), np.diag([0.3, 0.2]), np.diag([0.8, 0.5])
    merit = np.array([0.6, 0.4, 0.1, -0.2, -0.9])
    bred, lasting = np.kron(np.eye(count), genetic), np.kron(np.eye(count), permanent)
    names = pd.Index(list("abcde"))
    known = Unseen(names, merit, bred + lasting, np.kron(np.eye(count), worth @ genetic), error, ("x", "y"))
    seen = (0, 1, 3)
    said = value_of(known, seen, number, np.random.default_rng(1))
    at = np.concatenate([np.arange(b * sections, (b + 1) * sections) for b in seen])
    noise = np.kron(np.eye(len(seen)), error)
    day = np.kron(np.ones((len(seen), len(seen))), 1e6 * np.eye(sections))
    true = rng.multivariate_normal(np.zeros(len(bred)), bred, draws)
    own = rng.multivariate_normal(np.zeros(len(bred)), lasting, draws)[:, at]
    look = true[:, at] + own + rng.multivariate_normal(np.zeros(len(at)), noisier * noise, draws)
    taught = np.linalg.solve((bred + lasting)[np.ix_(at, at)] + noise + day, look.T).T
    value = np.kron(np.eye(count), worth)
    expected, truth = merit + taught @ (value @ bred[:, at]).T, merit + true @ value.T
    after = np.take_along_axis(truth, np.argsort(-expected, axis=1)[:, :number], axis=1).sum(axis=1)
    before = truth[:, :number].sum(axis=1)  # the best as they stood
    # of 20,000 draws the gain has a standard error of some 3 %
    assert said > 0.3
    assert (after - before).mean() / said == pytest.approx(1.0, abs=0.1 if noisier == 1 else 0.2)


def test_a_tip_does_what_it_says(holding: Flock, merit: Merit) -> None:
    """Adding the points named to all looks of the bird behind brings the two level, at the same variances."""
    known = merit.known
    assert known is not None
    rows = merit.ranking[(merit.ranking["group"] == "pullets") & merit.ranking["bar"].isna()]
    ahead, behind = rows["bird"].iloc[[3, 5]]
    pair = detail(merit, holding, pd.Index([ahead, behind]))
    found = tip(merit, pair, holding.standard, ahead, behind)
    assert found.section is not None
    better = holding.scores.copy()
    better.loc[better["bird"] == behind, found.section] += found.points
    assert (
        better.loc[better["bird"] == behind, found.section].max()
        <= holding.standard.section(found.section).points
    )
    moved = replace(holding, scores=better)
    model = season_model(observe(moved, merit.growth), merit.parentage, pd.Index(merit.living.columns))
    after = given(model, known.variances)
    start, width = after.solution.slices["genetic"].start, len(model.traits)
    nodes = model.kinship.birds.get_indexer([ahead, behind])
    values = np.array([after.solution.effects[start + n * width : start + (n + 1) * width] for n in nodes])
    gain = ((values - pair.values) * pair.slopes).sum(axis=1)
    assert gain[1] - gain[0] == pytest.approx(found.gap, abs=1e-6)
    assert f"{behind} would overtake {ahead} if its {found.section} were" in found.sentence()


def test_where_no_score_would_do_that_is_said(holding: Flock, merit: Merit) -> None:
    rows = merit.ranking[(merit.ranking["group"] == "pullets") & merit.ranking["bar"].isna()]
    ahead, behind = rows["bird"].iloc[[0, -1]]
    pair = detail(merit, holding, pd.Index([ahead, behind]))
    far = replace(pair, merit=np.array([50.0, 0.0]))
    assert (
        tip(merit, far, holding.standard, ahead, behind)
        .sentence()
        .startswith(f"even full points in any one section would leave {behind} behind {ahead}")
    )


def test_a_bird_that_was_weighed_but_never_scored_is_said_to_wait_for_a_look(
    holding: Flock, merit: Merit
) -> None:
    assert merit.known is not None
    rows = merit.known.model.observations.rows
    scored = rows.loc[rows["series"].isin(merit.known.model.observations.by_eye), "bird"]
    weighed = rows.loc[~rows["bird"].isin(scored), "bird"].dropna()
    never = next(bird for bird in merit.living.columns if bird in set(weighed))
    ahead = merit.ranking["bird"].iloc[0]
    beside = detail(merit, holding, pd.Index([ahead, never]))
    told = tip(merit, beside, holding.standard, ahead, never).sentence()
    assert told.startswith(f"{never} was never scored: only a look can tell") and "full points" not in told


def test_reweighing_keeps_the_same_birds_inside_its_range(holding: Flock, merit: Merit) -> None:
    """Merit with a section counting for other points, by the plan's own `worth`: the same scale throughout."""
    holding = replace(holding, plan=replace(holding.plan, worth={"type": 1.5, "condition": 0.0}))
    merit = rerank(merit, holding)
    group = propose(holding, merit).groups["pullets"]
    known = detail(merit, holding, pd.Index(group.open))
    kept = set(known.birds[np.argsort(-known.merit)[: group.places]])
    counts = planned_counts(holding.standard, holding.plan)
    assert group.reweigh.set_index("section")["points"].to_dict() == {
        name: count for name, count in counts.items() if name in known.traits or name in known.banded
    }
    tried = 0
    for row in group.reweigh.itertuples():
        if holding.standard.section(row.section).measured:
            continue
        for points, same in ((row.highest - 0.05, True), (row.highest + 0.05, False)):
            if points > 100:
                continue
            worth = {**holding.plan.worth, row.section: points / holding.standard.section(row.section).points}
            other = replace(holding, plan=replace(holding.plan, worth=worth))
            then = detail(rerank(merit, other), other, pd.Index(group.open))
            assert (set(then.birds[np.argsort(-then.merit)[: group.places]]) == kept) is same
            tried += 1
    assert tried


def test_a_chick_without_a_sex_is_listed(holding: Flock, verdicts: Verdicts) -> None:
    birds = holding.birds
    lost = birds[birds["alive"] & (birds["sex"] == "unknown") & (birds["hatch_year"] == holding.plan.season)]
    assert verdicts.unsexed["bird"].tolist() == lost["bird"].tolist()
