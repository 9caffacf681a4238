"""The years ahead on a small holding: what they start from, what they say, what they cannot."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from selection.decide.years import theory, years as module
from selection.decide.years.breeding import Genetics
from selection.decide.years.policies import Policy, season_of, usual_policies
from selection.decide.years.prospects import Course, genetics_of, prospects
from selection.decide.years.summary import RISES, hen_ages, rate_of_inbreeding, summary_table
from selection.decide.years.years import Years, years_ahead
from tests.decide import holdings

STANDS = {"26-M1": "keep", "26-M2": "reserve", "26-P1": "keep", "26-P2": "keep", "26-P3": "sell"}


@pytest.fixture
def known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "genetics_of", lambda merit: Genetics(2.0, 4.0))


def run(flock: Any = None, runs: int = 60, **changes: Any) -> Years:
    flock = holdings.flock() if flock is None else flock
    merit = holdings.merit(flock, {"26-M1": 2.0, "26-M2": 1.0, "26-P1": 1.0})
    return years_ahead(flock, merit, holdings.verdicts(**STANDS), runs=runs, **changes)


@pytest.mark.usefixtures("known")
def test_every_policy_year_and_quantity_has_a_row() -> None:
    found = run(years=4)
    assert found.table["policy"].nunique() == 5
    assert set(found.table["quantity"]) == {"merit", "inbreeding", "blood of home", "blood of Mill"}
    assert len(found.table) == 5 * 4 * 4
    assert (found.table["low"] <= found.table["mean"]).all()
    assert (found.table["mean"] <= found.table["high"]).all()
    blood = found.table[found.table["quantity"].str.startswith("blood")]
    assert blood.groupby(["policy", "year"])["mean"].sum().to_numpy() == pytest.approx(1.0)


@pytest.mark.usefixtures("known")
def test_the_first_chicks_have_the_f_and_merit_of_the_birds_that_stay() -> None:
    """Next year's chicks are 26-M1's with the hens that stay: ½A and the mean of the parents, for every policy."""
    found = run(runs=600, years=1).table
    flock = holdings.flock()
    merit = holdings.merit(flock, {"26-M1": 2.0, "26-P1": 1.0})
    hens = ["26-P1", "26-P2", "24-H1", "24-H2"]
    F = 0.5 * merit.pedigree.relationship(["26-M1"], hens).mean()
    first = found[found["quantity"] == "inbreeding"]["mean"]
    assert first.to_numpy() == pytest.approx(F, abs=0.012)
    expected = 0.5 * (2.0 + np.mean([1.0, 0, 0, 0]))
    assert found[found["quantity"] == "merit"]["mean"].to_numpy() == pytest.approx(expected, abs=0.15)


@pytest.mark.usefixtures("known")
def test_formulas_of_closed_flocks_are_shown_for_closed_policies_alone() -> None:
    found = run(years=6)
    assert found.closed["policy"].tolist() == ["home-bred cock"]
    row = found.closed.iloc[0]
    assert row["effective_size"] == pytest.approx(theory.effective_size(1, 4))
    assert row["rate"] == pytest.approx(theory.inbreeding_rate(theory.effective_size(1, 4)))
    assert set(found.ceiling["policy"]) == {"one bought-in cock a year", "two cocks", "more pullets"}
    assert "frighten wrongly" in " ".join(found.sentences)


@pytest.mark.usefixtures("known")
def test_the_advice_names_the_policies_above_it() -> None:
    said = next(s for s in run(years=8).advice if s.startswith("FAO"))
    assert "below 1 % a generation, better 0.5 %" in said
    assert "home-bred cock" in said


@pytest.mark.usefixtures("known")
def test_what_merit_leaves_out_is_said_of_the_policies_that_inbreed() -> None:
    """Hatchability −6.4 % and eggs −6.2 % of the mean for 0.1 of F, as published."""
    ahead = run(years=8)
    F = ahead.by_policy.set_index("policy")["inbreeding"]
    told = [s for s in ahead.advice if "hatchability" in s]
    assert [s.split(":")[0] for s in told] == F.index[F > 0.1].tolist()
    home = next(s for s in told if s.startswith("home-bred cock"))
    assert f"hatchability by {64 * F['home-bred cock']:.0f} %" in home


@pytest.mark.usefixtures("known")
def test_a_fresh_cock_each_year_is_told_to_level_off() -> None:
    ahead = run(years=8)
    row = ahead.ceiling.iloc[0]
    said = next(s for s in ahead.advice if "merit tends to" in s)
    assert f"tends to {row['limit']:+.1f}" in said and f"level ({row['suppliers']:+.1f}" in said


@pytest.mark.usefixtures("known")
def test_the_error_of_the_means_is_theirs() -> None:
    """Means of 20 sets of 20 runs spread as the error that one set of them gives itself."""
    sets = [run(runs=20, years=3, seed=s).by_policy.set_index("policy") for s in range(20)]
    for name in ("merit", "inbreeding"):
        means = np.array([of.loc["home-bred cock", name] for of in sets])
        told = np.sqrt(np.mean([of.loc["home-bred cock", f"{name}_error"] ** 2 for of in sets]))
        # 19 degrees of freedom: chi-squared puts the ratio between 0.60 and 1.42 99 times in a hundred
        assert 0.6 < means.std(ddof=1) / told < 1.4
    assert any("20 runs" in s and "(90 %)" in s for s in run(runs=20, years=3).advice)


def test_a_rise_that_the_runs_cannot_tell_from_none_is_not_called_one() -> None:
    """F about a level, by chance alone: no rate, no effective size."""
    rng = np.random.default_rng(5)
    nothing = np.zeros((100, 10))
    F = np.clip(0.05 + 0.05 * rng.standard_normal((100, 10)), 0, 1)
    F[:, 5:] += np.linspace(0, 0.016, 5)
    course = Course(nothing, F, np.ones((100, 10, 1)), nothing + 1, nothing + 1, nothing, nothing)
    row = summary_table([usual_policies(4, 8, True)[0]], [course], 0.0, True).iloc[0]
    assert row["rate"] > RISES
    assert np.isnan(row["effective_size"]) and "does not clearly rise" in row["says"]


@pytest.mark.usefixtures("known")
def test_the_same_seed_gives_the_same_years_and_another_does_not() -> None:
    first, again, other = run(runs=20, years=2), run(runs=20, years=2), run(runs=20, years=2, seed=5)
    pd.testing.assert_frame_equal(first.table, again.table)
    assert not np.allclose(first.table["mean"], other.table["mean"])


@pytest.mark.usefixtures("known")
def test_blocks_of_runs_make_up_all_of_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_RUNS", 7)
    shares: list[float] = []
    found = run(runs=20, years=2, progress=lambda step, share: shares.append(share))
    assert found.runs == 20
    assert len(shares) == 3 * 5
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1.0)


def test_memory_of_a_block_does_not_grow_with_runs() -> None:
    flock = holdings.flock()
    merit = holdings.merit(flock, {})
    of = prospects(flock, merit, ["26-M1"], ["26-P1"], season_of(flock))
    sizes = {runs: max(map(len, module._blocks(merit, of, runs))) for runs in (100, 1_000, 10_000)}
    assert sizes == {100: 100, 1_000: module.MOST_RUNS, 10_000: module.MOST_RUNS}


def test_without_any_records_inbreeding_is_followed_and_merit_is_not() -> None:
    found = run(years=2)
    assert "merit" not in set(found.table["quantity"])
    assert found.by_policy["merit"].isna().all()
    assert any("not merit" in s for s in found.cannot)
    assert "nan" not in " ".join(found.sentences).lower()


@pytest.mark.usefixtures("known")
def test_a_holding_that_never_bought_follows_the_closed_policy_alone() -> None:
    flock = holdings.flock()
    home = flock.birds.assign(source_of=None)
    object.__setattr__(flock, "birds", home.astype({"source_of": "str"}))
    bought = Policy("fresh", "", ("bought-in",), 1, 2, 4)
    found = run(flock, years=2)
    assert [p.name for p in found.policies] == ["home-bred cock"]
    asked = run(flock, years=2, policies=[bought, *found.policies])
    assert any(s.startswith("fresh: the holding has bought from no supplier by name") for s in asked.cannot)


def test_no_cock_means_no_years_and_that_is_said() -> None:
    flock = holdings.flock()
    found = years_ahead(
        flock, holdings.merit(flock, {}), holdings.verdicts(**dict.fromkeys(flock.birds["bird"], "sell"))
    )
    assert found.table.empty
    assert found.cannot == (
        "No cock stays after this meeting, so that there are no years to follow.",
        "No hen stays after this meeting, so that there are no years to follow.",
    )


def test_a_season_is_counted_from_the_birds_form() -> None:
    """2025: one cockerel from Mill; 2026: two cockerels from Mill and three home-bred pullets."""
    found = season_of(holdings.flock())
    assert (found.pullets, found.bought, found.clutches, found.seasons) == (3, 2, 1, 2)
    assert found.sources == {"Mill": 2}
    assert not found.dams_known


def test_a_chick_of_unknown_sex_counts_half_to_each() -> None:
    flock = holdings.flock()
    sexes = flock.birds["sex"].where(~flock.birds["bird"].isin(["26-P2", "26-P3"]), "unknown")
    object.__setattr__(flock, "birds", flock.birds.assign(sex=sexes))
    found = season_of(flock)
    assert (found.cockerels, found.pullets) == (1, 2)


def test_a_suppliers_level_counts_all_its_chicks_and_moves_with_the_living() -> None:
    flock = holdings.flock()
    merit = holdings.merit(flock, {"25-M1": 3.0, "26-M1": 0.0, "26-M2": 0.0})
    of = prospects(flock, merit, ["26-M1"], ["26-P1"], season_of(flock))
    assert of.levels["Mill"].mean() == pytest.approx(1.0)
    assert of.levels["Mill"].std() == pytest.approx(1 / np.sqrt(3), rel=0.05)
    assert of.pens == {"Mill": (("unseen cock of Mill, 2026",), ("unseen hen of Mill, 2026",))}


def test_nothing_known_of_traits_gives_no_genetics() -> None:
    assert genetics_of(holdings.merit(holdings.flock(), {})) is None


def test_the_five_policies_and_the_closed_one_alone() -> None:
    assert [p.name for p in usual_policies(4, 9, True)] == [
        "one bought-in cock a year", "home-bred cock", "two cocks", "more pullets", "buying every other year",
    ]  # fmt: skip
    assert [p.name for p in usual_policies(4, 9, False)] == ["home-bred cock"]
    assert usual_policies(4, 6, True)[3].pullets == 6


def test_rate_of_inbreeding_of_a_steady_closed_flock_is_its_rate() -> None:
    F = np.array([theory.inbreeding_after(0.08, t) for t in range(10)])
    assert rate_of_inbreeding(F, 1.0) == pytest.approx(0.08)
    assert rate_of_inbreeding(F, 2.0) == pytest.approx(1 - 0.92**2)


def test_inbreeding_that_comes_and_goes_with_the_cocks_is_no_rise() -> None:
    assert rate_of_inbreeding(np.array([0.0, 0.1] * 4), 1.0, 2) == pytest.approx(0.0, abs=1e-12)


def test_hens_stand_until_the_flock_is_full() -> None:
    assert hen_ages(Policy("", "", ("same",), 1, 4, 10)).tolist() == pytest.approx([0.4, 0.4, 0.2])
