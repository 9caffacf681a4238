"""The candidates' table and picture, held against the ranking and its draws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from selection.decide.meeting import Meeting
from selection.show.page.figures import hundredths, signed
from selection.show.sections.candidates import (
    merit_frame,
    neighbours,
    points_told,
    standings_table,
)
from tests.show import held


@pytest.fixture(scope="module")
def meeting() -> Meeting:
    return held.meeting()


@pytest.mark.parametrize("group", ["cockerels", "pullets", "hens"])
def test_the_picture_draws_the_unbarred_by_rank_with_their_90_per_cent_interval(meeting: Meeting, group: str):
    frame = merit_frame(meeting, group)
    rows = meeting.merit.ranking
    rows = rows[(rows["group"] == group) & rows["bar"].isna()].sort_values("rank")
    assert list(frame["bird"]) == list(rows["bird"])
    assert np.allclose(frame["high"] - frame["low"], 2 * 1.645 * rows["merit_se"])
    assert np.allclose((frame["high"] + frame["low"]) / 2, rows["merit"])
    assert frame["merit"].is_monotonic_decreasing


def test_the_gap_and_the_chance_between_neighbours_come_from_merits_and_draws(meeting: Meeting):
    frame = merit_frame(meeting, "pullets")
    draws = meeting.merit.draws["pullets"]
    first, second = frame["bird"].iloc[:2]
    assert frame["gap"].iloc[0] == pytest.approx(frame["merit"].iloc[0] - frame["merit"].iloc[1])
    assert frame["ahead"].iloc[0] == pytest.approx(
        np.mean(draws[first].to_numpy() > draws[second].to_numpy())
    )
    assert np.isnan(frame["gap"].iloc[-1]) and np.isnan(frame["ahead"].iloc[-1])
    assert len(frame) - 1 == neighbours(meeting, "pullets").count("<li>")


def test_every_candidate_has_a_row_with_rings_and_verdict(meeting: Meeting):
    shown = standings_table(meeting, "pullets")
    verdicts = meeting.verdicts.table
    for row in verdicts[verdicts["group"] == "pullets"].itertuples():
        assert f">{row.bird}</b>" in shown
        assert f"{row.bird}: left {row.left if isinstance(row.left, str) else 'bare'}" in shown
        assert row.proposed in shown


def test_points_are_always_shown_with_what_they_rest_on():
    def told(points: float, seen: float, of_100: float) -> str:
        return points_told(pd.Series({"points": points, "points_seen": seen, "points_of_100": of_100}))

    assert told(61.5, 80, 76.2) == "61½ of 80 seen, about 76 of 100"
    assert told(74.8, 100, 74.8) == "75 of 100"
    assert told(float("nan"), 0, float("nan")) == "not scored"


def test_one_bird_alone_has_nothing_to_compare_with(meeting: Meeting):
    ranking, table = meeting.merit.ranking, meeting.verdicts.table
    first = (ranking["group"] == "cockerels") & (ranking["rank"] == 1)
    alone = ranking[(ranking["group"] != "cockerels") | first].assign(
        merit_se=ranking["merit_se"].mask(first)
    )
    verdicts = replace(meeting.verdicts, table=table[table["bird"].isin(alone["bird"])])
    shown = standings_table(
        replace(meeting, merit=replace(meeting.merit, ranking=alone), verdicts=verdicts), "cockerels"
    )
    assert "nothing to compare with" in shown


def test_each_row_says_in_words_what_it_draws(meeting: Meeting):
    shown = standings_table(meeting, "pullets")
    for row in merit_frame(meeting, "pullets").itertuples():
        assert f'aria-label="merit {signed(row.merit)} ({signed(row.low)} to {signed(row.high)})"' in shown
        assert f"<span>{hundredths(row.p_kept)}</span>" in shown


def test_the_kept_are_marked_as_having_a_place(meeting: Meeting):
    shown = standings_table(meeting, "pullets")
    kept = (meeting.verdicts.table.query("group == 'pullets'")["stands"] == "keep").sum()
    assert shown.count('<tr class="place">') == kept
