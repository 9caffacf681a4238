"""Growth clutch by clutch: what is drawn is what was weighed."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from numpy.testing import assert_allclose

from selection.compare.clutches.comparison import ClutchComparison, compare_clutches
from selection.compare.clutches.growth_by_clutch import BEYOND, GrowthByClutch, growth_by_clutch, rings_on
from selection.records.flock import Flock
from selection.standard.growth import Growth, fit_growth
from tests.compare.little_season import BAND
from tests.simulated import simulate


@pytest.fixture(scope="module")
def drawn() -> tuple[Flock, Growth, ClutchComparison, GrowthByClutch]:
    flock = simulate(1).flock()
    growth = fit_growth(flock)
    compared = compare_clutches(flock, growth)
    return flock, growth, compared, growth_by_clutch(flock, growth, compared)


def test_every_weighing_of_the_seasons_sexed_chicks_is_there_as_it_was_written(
    drawn: tuple[Flock, Growth, ClutchComparison, GrowthByClutch],
) -> None:
    flock, _, _, seen = drawn
    birds = flock.birds[flock.birds["sex"] != "unknown"]
    chicks = birds.loc[birds["hatch_year"] == flock.plan.season, "bird"]
    written = flock.weights[flock.weights["bird"].isin(chicks)].sort_values(["bird", "grams"])
    shown = seen.weighings.dropna(subset="bird").sort_values(["bird", "grams"])
    assert_allclose(shown["grams"], written["grams"])


def test_a_curve_passes_through_its_clutchs_level_at_the_standards_age(
    drawn: tuple[Flock, Growth, ClutchComparison, GrowthByClutch],
) -> None:
    _, _, compared, seen = drawn
    levels = compared.clutches.query("trait == 'weight' and sex != 'both'").set_index(["clutch", "sex"])[
        "level"
    ]
    at = seen.curves[seen.curves["age_weeks"] == compared.weeks].set_index(["clutch", "sex"])["grams"]
    assert len(at) > 5
    assert_allclose(at, levels.reindex(at.index))


def test_no_curve_goes_far_beyond_the_last_weighing(
    drawn: tuple[Flock, Growth, ClutchComparison, GrowthByClutch],
) -> None:
    last = drawn[3].weighings.groupby(["clutch", "sex"])["age_weeks"].max()
    ends = drawn[3].curves.groupby(["clutch", "sex"])["age_weeks"].max()
    assert (ends <= last.reindex(ends.index) + BEYOND).all()


def test_rings_are_those_worn_on_the_day(
    drawn: tuple[Flock, Growth, ClutchComparison, GrowthByClutch],
) -> None:
    flock, _, _, seen = drawn
    worn = rings_on(flock)
    form = flock.rings[flock.rings["removed_on"].isna()]
    one = form[form["leg"] == "right"].iloc[-1]
    assert worn.loc[one["bird"], "right"] == one["colour"]
    labelled = seen.weighings.dropna(subset=["bird", "right"])
    assert len(labelled)
    assert (worn["right"].reindex(labelled["bird"]).to_numpy() == labelled["right"].to_numpy()).all()


def test_band_is_the_standards(drawn: tuple[Flock, Growth, ClutchComparison, GrowthByClutch]) -> None:
    flock, _, _, seen = drawn
    section = next(s for s in flock.standard.sections if s.measured)
    band = seen.band.set_index("sex")
    for sex in BAND:
        assert (band.loc[sex, "low"], band.loc[sex, "high"]) == tuple(section.band[sex])
    assert any("inside the standard's" in s or "below the standard's" in s for s in seen.sentences)


def test_each_weighed_section_has_its_band_at_its_own_age(
    drawn: tuple[Flock, Growth, ClutchComparison, GrowthByClutch],
) -> None:
    flock, growth, compared, first = drawn
    section = next(s for s in flock.standard.sections if s.measured)
    early = replace(section, name="early", at_weeks=12, band={"male": (900, 1000), "female": (700, 5000)})
    standard = replace(flock.standard, sections=(*flock.standard.sections, early))
    seen = growth_by_clutch(replace(flock, standard=standard), growth, compared)
    assert seen.band["at_weeks"].value_counts().to_dict() == {compared.weeks: 2, 12: 2}
    curves = seen.curves[seen.curves["age_weeks"] == 12].set_index(["clutch", "sex"])["grams"]
    assert len(curves) > 5
    for (clutch, sex), grams in curves.items():
        chicks = "cockerels" if sex == "male" else "pullets"
        where = "above" if sex == "male" else "inside"
        [said] = [s for s in seen.sentences if s.startswith(f"{clutch} {chicks} at 12 weeks: {grams:.0f} g")]
        assert f"{where} the standard's" in said
    assert set(first.sentences) < set(seen.sentences)


def test_a_season_without_weighings_draws_nothing() -> None:
    whole = simulate(1, seasons=1).flock()
    flock = Flock(**{**whole.__dict__, "weights": whole.weights.iloc[:0]})
    growth = fit_growth(flock)
    seen = growth_by_clutch(flock, growth, compare_clutches(flock, growth))
    assert seen.curves.empty
    assert isinstance(seen.weighings, pd.DataFrame)
    assert "no curve is drawn" in seen.cannot[0]
