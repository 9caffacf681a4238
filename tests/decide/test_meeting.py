"""Trials of the meeting: what is tried is what changes, and the words say it."""

from __future__ import annotations

import pytest

from selection.decide.meeting import Meeting, Trial, as_planned, changes, what_if
from selection.decide.verdicts.choice import planned_counts
from tests.show import held


@pytest.fixture(scope="module")
def meeting() -> Meeting:
    return held.meeting()


def test_sections_count_for_their_points_times_their_worth(meeting: Meeting):
    counts = planned_counts(meeting.flock.standard, meeting.flock.plan)
    assert counts["type"] == meeting.flock.standard.section("type").points * meeting.flock.plan.worth["type"]
    assert counts["head"] == meeting.flock.standard.section("head").points


def test_the_plan_tried_as_it_is_changes_nothing(meeting: Meeting):
    counts = planned_counts(meeting.flock.standard, meeting.flock.plan)
    found = what_if(meeting, Trial(counts=counts))
    assert found.changes == ("No verdict changes.",)


def test_doubling_every_count_doubles_merit_and_leaves_the_order(meeting: Meeting):
    counts = planned_counts(meeting.flock.standard, meeting.flock.plan)
    once = what_if(meeting, Trial()).meeting.merit.ranking.set_index("bird")
    twice = what_if(meeting, Trial(counts={name: 2 * c for name, c in counts.items()})).meeting.merit.ranking
    twice = twice.set_index("bird")
    assert twice["rank"].equals(once["rank"])
    assert (twice["merit"] - 2 * once["merit"]).abs().max() < 1e-6


def test_a_barred_bird_is_out_and_the_next_comes_in(meeting: Meeting):
    planned = as_planned(meeting)
    table = planned.groups["pullets"].table
    best = table.loc[table["stands"] == "keep", "bird"].iloc[0]
    found = what_if(meeting, Trial(bars={best: "tried"}), planned)
    after = found.meeting.verdicts.groups["pullets"].table.set_index("bird")
    assert after.loc[best, "stands"] == "sell"
    assert any(line.startswith("Pullets: ") and f"instead of {best}" in line for line in found.changes)
    back = what_if(found.meeting, Trial(bars={best: None}), planned)
    assert not any(best in line for line in back.changes)


def test_a_ceiling_that_nobody_meets_is_no_error(meeting: Meeting):
    found = what_if(meeting, Trial(most_relationship=0.0))
    kept = found.meeting.verdicts.groups["pullets"].table["stands"] == "keep"
    assert kept.sum() == meeting.flock.plan.keep["pullets"].number


def test_fewer_kept_is_said_of_those_who_leave(meeting: Meeting):
    before = as_planned(meeting)
    number = meeting.flock.plan.keep["pullets"].number
    after = what_if(meeting, Trial(keep={"pullets": number - 1}), before)
    assert any("no longer kept" in line for line in changes(before, after.meeting.verdicts))
