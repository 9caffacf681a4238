"""Matings as a page: pairs, pens, and what relationship costs."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from selection.decide.matings.matings import Matings
from selection.decide.years.tradeoff import Tradeoff, fair_price, tradeoffs
from selection.show.sections import mating_pages as show
from tests.show import held


@pytest.fixture
def curve() -> Tradeoff:
    table = pd.DataFrame(
        {
            "step": [1.0, 2.0],
            "birds": ["a; b", "a; c"],
            "merit": [1.0, 0.2],
            "relationship": [0.2, 0.1],
            "inbreeding": [0.1, 0.05],
            "cost": [0.0, 0.8],
            "chosen": ["yes", "no"],
        }
    )
    return Tradeoff(table, True, ("pullets: a; b have a mean merit of +1.0.",), ())


def test_the_pens_proposed_are_framed_and_refused_pairs_struck_out() -> None:
    of: Matings = held.meeting().matings
    page = show.inbreeding_table(of)
    assert page.count("pair proposed") == of.allotment.table["cock"].notna().sum() > 0
    assert page.count("<s>") == (of.table["allowed"] == "no").sum()


def test_the_curve_marks_the_chosen_set_and_the_ceiling(curve: Tradeoff) -> None:
    page = show.tradeoff_picture(curve, "pullets", 0.15)
    assert "Pullets: mean merit of the best sets" in page and "the plan&#39;s ceiling" in page
    assert "a; b have a mean merit" in page
    far = show.tradeoff_picture(curve, "pullets", 1.5)
    assert "ceiling" not in far, "a ceiling far beyond the curve would squeeze it into a corner"


def test_no_curve_is_said(curve: Tradeoff) -> None:
    assert "no curve" in show.tradeoff_picture(replace(curve, table=curve.table.head(0)))


def test_the_page_says_what_relationship_costs_group_by_group() -> None:
    meeting = held.meeting()
    found = tradeoffs(meeting.flock, meeting.merit, meeting.verdicts)
    assert list(found) == ["cockerels", "pullets"]
    for group, of in found.items():
        chosen = of.table.loc[of.table["chosen"] == "yes", "birds"].str.split("; ").sum()
        table = meeting.verdicts.table
        kept = table.loc[(table["group"] == group) & (table["stands"] == "keep"), "bird"]
        assert of.table.empty or sorted(chosen) == sorted(kept)
    page = show.relationship_costs(meeting.flock, meeting.merit, meeting.verdicts)
    assert "0.5 between full sibs" in page
    price = fair_price(meeting.merit)
    assert price is not None and f"up to {price:.2f} points for each 0.01" in page


def test_a_plan_that_keeps_no_young_birds_has_nothing_to_weigh() -> None:
    meeting = held.meeting()
    flock = replace(meeting.flock, plan=replace(meeting.flock.plan, keep={}))
    assert "keeps no young birds" in show.relationship_costs(flock, meeting.merit, meeting.verdicts)
