"""What the design can tell apart: every cause by name, and the record that unties it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from selection.compare.clutches.comparison import clutch_cases, compare_clutches, season_contrasts
from selection.compare.clutches.model import latest as latest_clutches
from selection.compare.clutches.separable import (
    Verdict,
    birds_of,
    judged,
    mixed_up_with,
    settings_told,
    variance_left,
)
from selection.compare.clutches.traits import Case, seen_only
from selection.merit.relationship.parentage import parentage
from selection.records.flock import Flock
from selection.standard.growth import fit_growth
from selection.standard.points import score
from tests.compare.little_season import PLAN, chicks, clutch, looks, season


def case_of(flock: Flock, trait: str = "type", sex: str = "male") -> Case:
    growth = fit_growth(flock)
    every, _ = clutch_cases(flock, growth, score(flock, growth), parentage(flock))
    return next(c for c in every if (c.trait.name, c.sex) == (trait, sex))


def verdict(flock: Flock, first: str, second: str) -> Verdict:
    case = case_of(flock)
    names = case.families.of_season(PLAN.season)
    contrast = next(
        c for c in season_contrasts(case.families, names) if (c.first, c.second) == (first, second)
    )
    narrowed = seen_only(case, contrast)
    assert narrowed is not None
    return judged(case.model, narrowed, case.chicks)


def scored(clutches: list[dict], males: dict[str, int], keep: object = None) -> Flock:
    """A season in which cockerels were seen twice by two judges; `keep` filters the looks."""
    birds = [bird for label, n in males.items() for bird in chicks(label, n)]
    rows = looks(birds, np.random.default_rng(1))
    return season(clutches, birds, [r for r in rows if keep is None or keep(r)])


def on_one_day(look: dict) -> bool:
    return look["judge"] == "A" and look["on"] == pd.Timestamp("2026-08-20")


def test_two_clutches_of_one_brooder_are_told_apart() -> None:
    flock = scored([clutch("26-B1", "bought-in"), clutch("26-H1")], {"26-B1": 8, "26-H1": 8})
    assert verdict(flock, "26-B1", "26-H1") == Verdict(True)


@pytest.mark.parametrize("pair", [("26-B1", "26-H1"), ("bought-in", "home-bred")])
def test_clutches_of_two_brooders_are_not_however_many_chicks(pair: tuple[str, str]) -> None:
    clutches = [clutch("26-B1", "bought-in", "north"), clutch("26-H1", brooder="south")]
    found = verdict(scored(clutches, {"26-B1": 40, "26-H1": 40}), *pair)
    assert (found.separable, found.cause) == (False, "brooder")
    assert "reared in north" in found.why
    assert "reared in south" in found.why
    assert "one setting split over both" in found.why


def test_one_setting_split_over_both_brooders_unties_them() -> None:
    """Half of the home-bred setting in each brooder: two labels, one pen and day."""
    clutches = [
        clutch("26-B1", "bought-in", "north"),
        clutch("26-H1", brooder="south"),
        clutch("26-H2", brooder="north"),
    ]
    flock = scored(clutches, {"26-B1": 8, "26-H1": 6, "26-H2": 6})
    assert verdict(flock, "26-B1", "26-H1").separable
    assert verdict(flock, "bought-in", "home-bred").separable
    halves = verdict(flock, "26-H1", "26-H2")
    assert (halves.separable, halves.cause) == (False, "setting")
    assert "eggs of one pen set on one day" in halves.why
    other_day = [*clutches[:2], {**clutches[2], "set_on": pd.Timestamp("2026-03-13")}]
    assert (
        verdict(scored(other_day, {"26-B1": 8, "26-H1": 6, "26-H2": 6}), "26-B1", "26-H1").cause == "brooder"
    )


def test_two_clutches_set_on_one_day_and_reared_together_are_a_pair_like_any_other() -> None:
    flock = scored([clutch("26-H1"), clutch("26-H2")], {"26-H1": 8, "26-H2": 8})
    assert verdict(flock, "26-H1", "26-H2").cause not in ("setting", "brooder")


def test_clutches_whose_source_nobody_told_are_not_taken_for_the_same_eggs() -> None:
    clutches = [
        clutch("26-B1", "bought-in", "north", source=None),
        clutch("26-B2", "bought-in", "south", source=None),
    ]
    assert verdict(scored(clutches, {"26-B1": 8, "26-B2": 8}), "26-B1", "26-B2").cause == "brooder"


def test_brooders_that_nobody_wrote_down_are_taken_as_one() -> None:
    clutches = [clutch("26-B1", "bought-in", None), clutch("26-H1", brooder=None)]
    flock = scored(clutches, {"26-B1": 8, "26-H1": 8})
    assert verdict(flock, "26-B1", "26-H1").separable
    assert any("No brooder written down for 26-B1, 26-H1" in s for s in compare_clutches(flock).cannot)


def test_origins_are_told_apart_where_each_brooder_had_both() -> None:
    clutches = [
        clutch("26-B1", "bought-in", "north"),
        clutch("26-B2", "bought-in", "south"),
        clutch("26-H1", brooder="north"),
        clutch("26-H2", brooder="south", pen="paddock"),
    ]
    flock = scored(clutches, dict.fromkeys(("26-B1", "26-B2", "26-H1", "26-H2"), 8))
    assert verdict(flock, "bought-in", "home-bred").separable
    assert verdict(flock, "26-B1", "26-H2").cause == "brooder"


def test_clutches_seen_by_different_judges_are_not_told_apart() -> None:
    clutches = [clutch("26-B1", "bought-in"), clutch("26-H1")]
    males = {"26-B1": 8, "26-H1": 8}
    apart = scored(clutches, males, lambda r: (r["judge"] == "A") == r["bird"].startswith("26-B1"))
    found = verdict(apart, "26-B1", "26-H1")
    assert found.cause == "judge"
    assert "seen by a" in found.why.lower()
    assert "one judge seeing some of each" in found.why
    tied = scored(
        clutches, males, lambda r: (r["judge"] == "A") == r["bird"].startswith("26-B1") or "01" in r["bird"]
    )
    assert verdict(tied, "26-B1", "26-H1").cause != "judge"


def test_clutches_in_different_pens_are_not_told_apart() -> None:
    clutches = [clutch("26-B1", "bought-in"), clutch("26-H1")]
    birds = [*chicks("26-B1", 6), *chicks("26-H1", 6)]
    pens = [
        {
            "pen": "run 1" if b["clutch"] == "26-B1" else "run 2",
            "bird": b["bird"],
            "from": pd.Timestamp("2026-06-01"),
        }
        for b in birds
    ]
    flock = season(clutches, birds, looks(birds, np.random.default_rng(1)), pens=pens)
    found = verdict(flock, "26-B1", "26-H1")
    assert found.cause == "pen"
    assert "kept in run 1" in found.why
    mixed = [{**p, "pen": f"run {i % 2}"} for i, p in enumerate(pens)]
    assert verdict(
        season(clutches, birds, looks(birds, np.random.default_rng(1)), pens=mixed), "26-B1", "26-H1"
    ).separable


def test_hatches_far_apart_leave_age_and_clutch_mixed_up() -> None:
    late = clutch("26-H1", set_on=pd.Timestamp("2026-05-22"), hatched_on=pd.Timestamp("2026-06-12"))
    clutches, males = [clutch("26-B1", "bought-in"), late], {"26-B1": 12, "26-H1": 12}
    found = verdict(scored(clutches, males, on_one_day), "26-B1", "26-H1")
    assert found.cause == "age"
    assert "hatched 9 weeks apart" in found.why
    assert verdict(scored(clutches, males), "26-B1", "26-H1").separable  # two days tell what a week adds


def test_too_few_chicks_say_how_many_would_have_told() -> None:
    clutches = [clutch("26-B1", "bought-in"), clutch("26-H1")]
    found = verdict(scored(clutches, {"26-B1": 2, "26-H1": 3}, on_one_day), "26-B1", "26-H1")
    assert found.cause == "few"
    first, second = (int(word) for word in found.why.split("about ")[1].split() if word.isdigit())
    enough = scored(
        [clutch("26-B1", "bought-in"), clutch("26-H1")], {"26-B1": first + 1, "26-H1": second + 1}
    )
    assert verdict(enough, "26-B1", "26-H1").separable


def test_one_bird_says_nothing_of_its_clutch() -> None:
    flock = scored([clutch("26-B1", "bought-in"), clutch("26-H1")], {"26-B1": 1, "26-H1": 9})
    found = verdict(flock, "26-B1", "26-H1")
    assert found.cause == "few"
    assert "only one of the cockerels of 26-B1" in found.why


def test_clutches_of_one_pen_are_expected_to_differ_by_little() -> None:
    """One pen's clutches share their parents: only the clutch's own share of variance tells them apart."""
    other = clutch("26-H2", set_on=pd.Timestamp("2026-03-24"))
    flock = scored([clutch("26-H1"), other], {"26-H1": 8, "26-H2": 8})
    assert not verdict(flock, "26-H1", "26-H2").separable
    model = case_of(flock).model
    contrast = season_contrasts(model.families, list(model.families.labels))[0]
    genetic = (model.families.root.T @ contrast.weights) @ (model.families.root.T @ contrast.weights)
    assert genetic == pytest.approx(0, abs=1e-9)


def test_verdict_does_not_look_at_the_values() -> None:
    clutches = [clutch("26-B1", "bought-in"), clutch("26-H1")]
    birds = [*chicks("26-B1", 5), *chicks("26-H1", 4)]
    ratios = []
    for above in (0.0, 15.0):
        flock = season(clutches, birds, looks(birds, np.random.default_rng(3), {"26-B1": above}))
        model = case_of(flock).model
        contrast = season_contrasts(model.families, list(model.families.labels))[0]
        ratios.append(variance_left(model, contrast))
        assert mixed_up_with(model, contrast) == ""
        assert birds_of(model, contrast.weights > 0) == 5
    assert ratios[0] == pytest.approx(ratios[1])


def test_variance_left_is_that_of_the_formula_in_a_balanced_design() -> None:
    """n chicks a clutch seen once on one day by one judge: Var(d | y) = 2 / (1/v + n/w), v, w between and within."""
    clutches = [clutch("26-B1", "bought-in"), clutch("26-B2", "bought-in")]
    model = case_of(scored(clutches, {"26-B1": 6, "26-B2": 6}, on_one_day)).model
    contrast = season_contrasts(model.families, list(model.families.labels))[0]
    part = dict(zip((*model.names, "residual"), model.prior, strict=True))
    alike = float((model.families.root[0] ** 2).sum())  # two suppliers have nothing in common
    between, within = part["blood"] * alike + part["clutch"], part["bird"] + part["residual"]
    expected = (2 / (1 / between + 6 / within)) / (2 * between)
    assert variance_left(model, contrast) == pytest.approx(expected)


def test_what_is_worked_out_for_all_pairs_at_once_is_what_each_pair_asks_for_itself() -> None:
    clutches = [clutch("26-B1", "bought-in"), clutch("26-H1"), clutch("26-H2", brooder="south")]
    clutches[2]["set_on"] = pd.Timestamp("2026-03-13")
    case = case_of(scored(clutches, {"26-B1": 5, "26-H1": 6, "26-H2": 4}))
    model, names = case.model, case.families.of_season(PLAN.season)
    for variances in (model.prior, model.prior * np.linspace(0.5, 2, len(model.prior))):
        for contrast in season_contrasts(case.families, names)[:3]:
            weights = contrast.weights[:, None]
            alone = model.known(weights, variances)[0, 0] / model.prior_variance(weights)[0]
            assert variance_left(model, contrast, variances) == pytest.approx(alone, rel=1e-9)
            assert 0 < alone < 1
    members, of_factor = model.patterns
    labels = np.eye(len(names))[case.families.settings]
    told = []
    for factors in ((), ("brooder",), ("brooder", "judge")):
        W = np.column_stack([members @ labels, *(of_factor[name] for name in factors)])
        for first, second in ((0, 1), (0, 2), (1, 2)):
            wanted = np.zeros(W.shape[1])
            wanted[[first, second]] = 1.0, -1.0
            rises = np.linalg.matrix_rank(np.vstack([W, wanted])) > np.linalg.matrix_rank(W)
            assert settings_told(model, factors, first, second) != rises
            told.append(not rises)
    assert 0 < sum(told) < len(told)


def test_of_very_many_clutches_the_latest_seasons_are_compared() -> None:
    years = pd.Series(np.repeat([2022, 2023, 2024, 2025, 2026], [10, 60, 60, 30, 50]))
    about = pd.DataFrame({"year": years})
    assert set(latest_clutches(about, 2026)["year"]) == {2024, 2025, 2026}
    assert len(latest_clutches(about.head(130), 2026)) == 130
    many = pd.DataFrame({"year": np.repeat([2024, 2025, 2026], 200)})
    assert set(latest_clutches(many, 2026)["year"]) == {2025, 2026}
