"""The rule for one more look: level-free, consistent with what is known, and nearly the whole calculation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from selection.decide.meeting import Meeting
from selection.decide.verdicts.look_rule import LookRule, look_rule
from selection.merit.explain import detail
from tests.show import held


@pytest.fixture(scope="module")
def meeting() -> Meeting:
    return held.meeting()


@pytest.fixture(scope="module")
def rule(meeting: Meeting) -> LookRule:
    found = look_rule(meeting.merit, meeting.flock, meeting.verdicts, "hens")
    assert found is not None
    return found


def test_it_is_about_the_birds_proposed_and_as_many_as_stay_of_them(meeting: Meeting, rule: LookRule):
    group = meeting.verdicts.groups["hens"]
    assert group.again is not None
    assert sorted(rule.birds) == sorted(group.again.birds)
    kept = group.table.loc[group.table["stands"] == "keep", "bird"]
    assert rule.places == kept.isin(rule.birds).sum()


def test_no_look_proposed_is_no_rule(meeting: Meeting):
    without = [name for name, g in meeting.verdicts.groups.items() if g.again is None]
    assert without
    assert look_rule(meeting.merit, meeting.flock, meeting.verdicts, without[0]) is None


def test_points_as_expected_leave_the_order_of_merit(meeting: Meeting, rule: LookRule):
    """Who is given just what was expected stands as before: head start and points give today's merit back."""
    from selection.decide.verdicts.look_rule import _expected

    again = meeting.verdicts.groups["hens"].again
    assert again is not None and meeting.merit.known is not None
    points = pd.DataFrame(_expected(meeting.merit.known, meeting.flock, again), index=list(again.birds))
    sums = points.to_numpy() @ rule.weights.to_numpy() + rule.start.reindex(points.index)
    known = detail(meeting.merit, meeting.flock, pd.Index(again.birds))
    apart = sums - sums.mean()
    assert np.allclose(apart, known.merit - known.merit.mean(), atol=0.06)  # head starts are given to 0.1


def test_a_section_worth_nothing_weighs_less_than_one_worth_most(meeting: Meeting, rule: LookRule):
    worth = meeting.flock.plan.worth
    assert worth["condition"] == 0 and worth["type"] > 1
    assert rule.weights["type"] > rule.weights["condition"]
    assert (rule.weights < 1.5).all(), "one look can never move merit by more than the points it gave"


def test_on_paper_it_mostly_chooses_as_the_calculation_does(rule: LookRule):
    assert 0.6 < rule.agreement <= 1
    assert rule.value > 0


def test_the_same_meeting_gives_the_same_sheet(meeting: Meeting, rule: LookRule):
    again = look_rule(meeting.merit, meeting.flock, meeting.verdicts, "hens")
    assert again is not None
    assert (again.birds, again.agreement) == (rule.birds, rule.agreement)
