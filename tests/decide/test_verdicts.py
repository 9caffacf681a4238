"""Verdicts: always complete, overruled by people, in words that carry their figures; looks and tips checked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from selection.decide.another_look import _value, best_look, looks_worth
from selection.decide.tipping import tip
from selection.decide.verdicts import VERDICTS, Verdicts, propose
from selection.merit.detail import detail
from selection.merit.observations import observe
from selection.merit.posterior import given
from selection.merit.ranking import Merit, rank, rerank
from selection.merit.season_model import design
from selection.records.flock import Flock
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
    made = pd.DataFrame(rows, columns=["bird", "decided", "why"])
    made.insert(0, "on", pd.Timestamp(flock.plan.on))
    return replace(flock, decisions=made)


class TestStands:
    def test_exactly_the_plans_numbers(self, holding: Flock, verdicts: Verdicts) -> None:
        assert list(verdicts.table.columns) == VERDICTS
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
        model = design(observe(more, merit.growth), merit.parentage, pd.Index(merit.living.columns))
        after = given(model, known.variances)
        picked = np.zeros((len(after.solution.effects), 2))
        start, width = after.solution.slices["genetic"].start, len(model.traits)
        for i, node in enumerate(model.kinship.birds.get_indexer([a, b])):
            picked[start + node * width : start + (node + 1) * width, i] = pair.slopes[i]
        by_model = contrast @ (pair.merit_cov - after.solution.spread(picked)) @ contrast
        assert by_formula == pytest.approx(by_model, rel=0.1)

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
    moved = replace(holding, scores=better)
    model = design(observe(moved, merit.growth), merit.parentage, pd.Index(merit.living.columns))
    after = given(model, known.variances)
    start, width = after.solution.slices["genetic"].start, len(model.traits)
    nodes = model.kinship.birds.get_indexer([ahead, behind])
    values = np.array([after.solution.effects[start + n * width : start + (n + 1) * width] for n in nodes])
    gain = ((values - pair.values) * pair.slopes).sum(axis=1)
    assert gain[1] - gain[0] == pytest.approx(found.gap, abs=1e-6)
    assert f"{behind} overtakes {ahead} if its {found.section} were" in found.sentence()


def test_reweighing_keeps_the_same_birds_inside_its_range(
    holding: Flock, merit: Merit, verdicts: Verdicts
) -> None:
    group = verdicts.groups["pullets"]
    rows = group.table
    known = detail(merit, holding, pd.Index(rows.loc[~rows["reason"].str.startswith("barred"), "bird"]))
    number = holding.plan.keep["pullets"].number
    kept = set(known.birds[np.argsort(-known.merit)[:number]])
    for row in group.reweigh.itertuples():
        s = known.traits.index(row.section)
        for points, same in ((row.highest * 0.999, True), (row.highest * 1.01, row.first is None)):
            if points > 100:
                continue
            merit_then = known.merit + (points / row.points - 1) * known.parts[:, s]
            assert (set(known.birds[np.argsort(-merit_then)[:number]]) == kept) is bool(same)


def test_a_chick_without_a_sex_is_listed(holding: Flock, verdicts: Verdicts) -> None:
    birds = holding.birds
    lost = birds[birds["alive"] & (birds["sex"] == "unknown") & (birds["hatch_year"] == holding.plan.season)]
    assert verdicts.unsexed["bird"].tolist() == lost["bird"].tolist()
