"""The clutches' notebook: the figures drawn are the comparison's own, and the notebook runs from top to bottom."""

from __future__ import annotations

import pytest

from selection.compare.clutches.comparison import ClutchComparison, compare_clutches
from selection.compare.clutches.growth_by_clutch import growth_by_clutch
from selection.compare.hatch import hatch
from selection.records.flock import Flock
from selection.show.lab import clutch_details as show
from selection.standard.growth import fit_growth
from tests.compare.little_season import chicks, clutch, season
from tests.simulated import simulate


@pytest.fixture(scope="module")
def compared() -> tuple[Flock, ClutchComparison]:
    flock = simulate(1).flock()
    return flock, compare_clutches(flock)


def test_picture_shows_every_separable_difference_and_no_other(
    compared: tuple[Flock, ClutchComparison],
) -> None:
    table = compared[1].table
    told = table[(table["trait"] == "weight") & (table["separable"] == "yes")]
    frame = show.pairs_frame(compared[1], "weight")
    assert len(frame) == len(told) > 5
    assert frame["difference"].notna().all()
    page = show.pairs_picture(compared[1], "weight")
    assert "<img" in page
    assert f"{len(told)} differences" in page


def test_nothing_to_tell_is_a_sentence_and_no_empty_picture(compared: tuple[Flock, ClutchComparison]) -> None:
    page = show.pairs_picture(compared[1], "a trait nobody has")
    assert "<img" not in page
    assert "No two clutches can be compared in a trait nobody has." in page


def test_no_page_shows_a_missing_number(compared: tuple[Flock, ClutchComparison]) -> None:
    flock, found = compared
    growth = fit_growth(flock)
    hatched = hatch(flock)
    pages = [
        show.said(found),
        show.levels_table(found, "points"),
        show.remedies_table(found),
        show.suppliers_table(found),
        show.hatch_table(hatched, flock.plan.season),
        show.deaths_table(hatched),
        show.costs_table(hatched),
        show.growth_by_clutch_picture(growth_by_clutch(flock, growth, found), "male"),
    ]
    for page in pages:
        assert len(page) > 100
        assert "nan" not in page.split("base64")[0].casefold().replace("finance", "")


def test_untold_origins_and_their_remedy_are_on_the_page(compared: tuple[Flock, ClutchComparison]) -> None:
    assert "no home-bred cockerels were scored" in show.said(compared[1])
    assert "score 6 home-bred cockerels once" in show.remedies_table(compared[1])


def test_pages_of_an_empty_season_say_so() -> None:
    flock = season([clutch("26-H1")], chicks("26-H1", 2))
    found = compare_clutches(flock)
    assert "No chick was seen." in show.levels_table(found, "points")
    assert "No eggs were counted." in show.hatch_table(hatch(flock), 2026)
    assert "No bills on record." in show.costs_table(hatch(flock))
    grown = growth_by_clutch(flock, fit_growth(flock), found)
    assert "No cockerels of the season were weighed." in show.growth_by_clutch_picture(grown, "male")
