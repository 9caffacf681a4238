"""What right predictions show later: the slope by the model, and how often they are called wrong.

Truths are drawn here bird by bird from stated variances, apart from the model's own algebra; predictions are the
model's, told the same variances.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from selection.decide.review.checks import check_table, held_against
from selection.decide.review.evidence import (
    Past,
    Then,
    chicks,
    correlation_of,
    later_looks,
    mean_of,
    slope_of,
)
from selection.merit.observations import observe
from selection.merit.posterior import given
from selection.merit.relationship.parentage import parentage
from selection.merit.season_model import Variances, season_model
from selection.records.flock import assemble
from selection.records.settings.plan import Keep, Plan
from selection.records.settings.reading import Section, Standard
from selection.standard.growth import fit_growth

MET = pd.Timestamp("2025-10-10")
PARENTS = {"male": [f"c{k}" for k in range(4)], "female": [f"h{k}" for k in range(12)]}
CHICKS = [f"k{k}" for k in range(24)]
GENETIC, PERMANENT, RESIDUAL = 4.0, 3.0, 5.0


class World:
    """Four cocks and twelve hens without known parents, seen once in 2025; two chicks of each hen in 2026."""

    def __init__(self) -> None:
        standard = Standard("invented", (Section("type", "Type", 100.0, 0.33, 0.6),))
        plan = Plan(on=date(2026, 10, 10), season=2026, keep={"pullets": Keep(2)})
        grown = [(b, sex, None, "2024-04-01", None, None) for sex, of in PARENTS.items() for b in of]
        self.sire = [f"c{k % 4}" for k in range(24)]
        self.dam = [f"h{k // 2}" for k in range(24)]
        young = [
            (b, "female", f"26-{d}", None, s, d) for b, s, d in zip(CHICKS, self.sire, self.dam, strict=True)
        ]
        birds = pd.DataFrame([*grown, *young], columns=["bird", "sex", "clutch", "hatched_on", "sire", "dam"])
        clutches = pd.DataFrame({"clutch": [f"26-{d}" for d in PARENTS["female"]], "origin": "home-bred"})
        clutches = clutches.assign(set_on=pd.Timestamp("2026-03-01"), hatched_on=pd.Timestamp("2026-03-22"))
        self.old = [b for of in PARENTS.values() for b in of]
        looks = pd.DataFrame({"on": pd.Timestamp("2025-09-20"), "judge": "A", "bird": self.old, "type": 50.0})
        self.flock = assemble(standard, plan, {"birds": birds, "clutches": clutches, "scores": looks})
        family = parentage(self.flock)
        growth = fit_growth(self.flock)
        self.model = season_model(observe(self.flock, growth), family, pd.Index(birds["bird"]))
        parts = np.array([[1e-9, 1e-9, 1e-9, PERMANENT, GENETIC, RESIDUAL]])
        self.variances = Variances(parts, np.eye(1), np.eye(1), np.eye(1))
        # both sexes are compared apart: a group is the hens alone
        self.merit: Any = SimpleNamespace(
            pedigree=family.pedigree, parentage=family, known=given(self.model, self.variances), index=None
        )

    def draw(self, rng: np.random.Generator) -> tuple[Past, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        """The model as it stood then, what it told, and later looks at the hens and at the chicks."""
        bred = dict(zip(self.old, rng.normal(0, np.sqrt(GENETIC), len(self.old)), strict=True))
        lasting = {b: v + rng.normal(0, np.sqrt(PERMANENT)) for b, v in bred.items()}
        order = self.model.observations.rows["bird"]
        y = np.array([50 + lasting[b] + rng.normal(0, np.sqrt(RESIDUAL)) for b in order])
        known = given(replace(self.model, y=y), self.variances)
        past = Past(self.flock, self.merit)
        then = Then(self.flock, known, np.ones(1), np.ones(1))
        past._then[MET] = then
        told = pd.DataFrame({"on": MET, "bird": self.old})
        told["group"] = np.where(told["bird"].str.startswith("h"), "hens", "cocks")
        told["merit"] = told["merit_flock"] = (
            then.bred(pd.Index(self.old), np.ones(1)).T @ known.solution.effects
        )
        hens = PARENTS["female"]
        seen = [lasting[b] + rng.normal(0, np.sqrt(RESIDUAL)) for b in hens]
        own = _looks(hens, "2026-09-20", seen)
        values = [
            (bred[s] + bred[d]) / 2 + rng.normal(0, np.sqrt(GENETIC / 2 + PERMANENT + RESIDUAL))
            for s, d in zip(self.sire, self.dam, strict=True)
        ]
        return past, told, own, _looks(CHICKS, "2026-09-20", values)


def _looks(birds: list[str], on: str, seen: list[float]) -> pd.DataFrame:
    about = {"bird": birds, "on": pd.Timestamp(on), "judge": "A", "season": 2026, "sex": "female"}
    return pd.DataFrame({**about, "seen": seen})


@pytest.fixture(scope="module")
def world() -> World:
    return World()


def test_own_looks_have_a_slope_of_repeatability_over_heritability(world: World) -> None:
    """One look at unrelated birds: cov(look, prediction)/var(prediction) = (4 + 3)/4, by hand."""
    past, told, own, _ = world.draw(np.random.default_rng(1))
    held = held_against(later_looks(past, told, own))
    assert held.slope_expected == pytest.approx((GENETIC + PERMANENT) / GENETIC, rel=1e-6)


def test_chicks_have_slope_one(world: World) -> None:
    past, told, _, young = world.draw(np.random.default_rng(2))
    held = held_against(chicks(past, told, young))
    assert (held.n, held.slope_expected) == (24, pytest.approx(1.0, rel=1e-9))


@pytest.mark.slow
def test_right_predictions_are_called_wrong_in_at_most_one_of_ten(world: World) -> None:
    rng, wrong, slopes, correlations = np.random.default_rng(3), [], [], []
    for _ in range(60):
        past, told, own, young = world.draw(rng)
        found = later_looks(past, told, own), chicks(past, told, young)
        says = check_table(found, told.head(0))["says"]
        assert len(says) == 2
        wrong += [said in ("too bold", "too timid") for said in says]
        held = held_against(found[0])
        slopes.append(held.slope.value)
        correlations.append((held.correlation.value, held.correlation_expected))
    # 120 cases: one standard error of 0.10 is 0.027
    assert np.mean(wrong) <= 0.10 + 0.027
    assert np.mean(slopes) == pytest.approx(1.75, abs=0.2)  # and not 1: that would be called too timid
    seen, expected = np.mean(correlations, axis=0)
    assert seen == pytest.approx(expected, abs=0.05)


def test_predictions_twice_too_bold_are_found_out(world: World) -> None:
    rng, says = np.random.default_rng(4), []
    for _ in range(12):
        past, told, own, _ = world.draw(rng)
        says += check_table((later_looks(past, told.assign(merit=3 * told["merit"]), own),), told.head(0))[
            "says"
        ].tolist()
    assert np.mean([said == "too bold" for said in says]) > 0.3
    assert "too timid" not in says


def test_what_was_seen_before_the_meeting_is_no_proof(world: World) -> None:
    past, told, own, young = world.draw(np.random.default_rng(5))
    assert later_looks(past, told, own.assign(on=pd.Timestamp("2025-10-01"))).rows.empty
    born_before = told.assign(on=pd.Timestamp("2026-05-01"))
    assert chicks(past, born_before, young).rows.empty


def test_chicks_count_for_the_last_meeting_before_they_hatched(world: World) -> None:
    past, told, _, young = world.draw(np.random.default_rng(6))
    later = told.assign(on=pd.Timestamp("2026-10-01"))
    rows = chicks(past, pd.concat([told, later]), young).rows
    assert rows["on"].unique().tolist() == [MET]
    assert set(rows["group"]) == {"pullets"}
    half = chicks(past, told[told["group"] == "cocks"], young).rows
    assert len(half) == 24  # half of the parentage stood: enough


ONE = np.zeros(30)


def drawn(seed: int = 1, n: int = 30) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(n)
    return x, 0.6 * x + rng.standard_normal(n)


def test_mean_is_scipys_t_interval() -> None:
    from scipy import stats

    x, _ = drawn()
    found = mean_of(x)
    expected = stats.t.interval(0.90, 29, loc=x.mean(), scale=stats.sem(x))
    assert (found.value, found.low, found.high) == pytest.approx((x.mean(), *expected))


def test_slope_of_one_group_is_scipys_regression() -> None:
    from scipy import stats

    x, y = drawn()
    found, fit = slope_of(x, y, ONE), stats.linregress(x, y)
    reach = stats.t.ppf(0.95, 28) * fit.stderr
    assert (found.value, found.low, found.high) == pytest.approx(
        (fit.slope, fit.slope - reach, fit.slope + reach)
    )


def test_correlation_of_one_group_is_scipys_fisher_interval() -> None:
    from scipy import stats

    x, y = drawn()
    found, fit = correlation_of(x, y, ONE), stats.pearsonr(x, y)
    expected = fit.confidence_interval(0.90)
    assert (found.value, found.low, found.high) == pytest.approx((fit.statistic, expected.low, expected.high))


def test_groups_are_compared_within_themselves() -> None:
    """Statsmodels' regression with a level for each group gives the same slope and interval."""
    import statsmodels.api as sm

    x, y = drawn()
    groups = np.repeat([0, 1, 2], 10)
    y = y + 50 * groups
    design = np.column_stack([x, *(groups == g for g in range(3))]).astype(float)
    fit = sm.OLS(y, design).fit()
    found = slope_of(x, y, groups)
    assert (found.value, found.low, found.high) == pytest.approx((fit.params[0], *fit.conf_int(0.10)[0]))


def test_a_group_of_one_tells_nothing() -> None:
    x, y = drawn()
    alone = np.append(ONE, 1.0)
    assert slope_of(np.append(x, 99.0), np.append(y, -99.0), alone).value == pytest.approx(
        slope_of(x, y, ONE).value
    )


@pytest.mark.parametrize("estimate", [slope_of, correlation_of])
def test_too_few_birds_have_words_and_no_figure(estimate) -> None:
    found = estimate(np.arange(3.0), np.arange(3.0), np.zeros(3))
    assert np.isnan(found.value)
    assert found.why == "too few to say: 3 of at least 5 birds"
    assert mean_of(np.arange(4.0)).why == "too few to say: 4 of at least 5 birds"


def test_birds_expected_alike_cannot_be_compared() -> None:
    assert "all were expected alike" in slope_of(np.ones(9), np.arange(9.0), np.zeros(9)).why
    assert "all were alike" in correlation_of(np.ones(9), np.arange(9.0), np.zeros(9)).why
