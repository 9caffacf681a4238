"""The pack's pages: everybody is on them, sums add up, and hostile names stay text."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from selection.decide.meeting import Meeting
from selection.merit.why import contributions
from selection.show import meeting as show
from selection.show.bird_cards import clutch_mates, reasons, rival_of
from selection.show.card_pictures import growth_frame, sections_frame
from selection.show.clutch_pages import levels_frame, told_frame
from selection.show.figures import halves
from selection.show.laying_pages import curve_frame
from selection.show.mating_pages import inbreeding_frame
from selection.show.merit_pages import by_whose, contributions_frame, orders_frame
from tests.show import held

HOSTILE = "<script>alert(1)</script>"
PAGES = [
    show.first_page, show.season, show.tipping, show.again, show.groups, show.verdict_table, show.cards,
    show.clutches, show.laying, show.matings, show.prices, show.worked_out,
]  # fmt: skip


@pytest.fixture(scope="module")
def meeting() -> Meeting:
    return held.meeting()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.__name__)
def test_no_page_shows_a_missing_number(meeting: Meeting, page):
    words = re.sub(r"<[^>]*>", " ", re.sub(r'src="[^"]*"', "", page(meeting)))
    assert words.strip()
    assert not re.search(r"\b(nan|NaN|NaT|None|inf)\b", words)


def test_the_first_page_names_everybody_once_by_what_becomes_of_them(meeting: Meeting):
    page = show.first_page(meeting)
    for row in meeting.verdicts.table.itertuples():
        assert row.bird in page
    stays = re.findall(r'<p class="lead">Stays</p><ul class="marks">(.*?)</ul>', page, re.S)
    kept = meeting.verdicts.table.query("stands == 'keep'")["bird"]
    assert sorted(re.findall(r"<b>([^<]+)</b>", "".join(stays))) == sorted(kept)


def test_every_candidate_has_a_card(meeting: Meeting):
    cards = show.cards(meeting)
    assert re.findall(r'<article class="card" id="bird-([^"]+)"', cards) == list(
        meeting.verdicts.table["bird"]
    )


def test_asking_for_the_card_of_another_bird_names_it(meeting: Meeting):
    with pytest.raises(KeyError, match="no-such-bird is no candidate"):
        show.card(meeting, "no-such-bird")


def test_a_cards_reasons_add_up_to_the_difference(meeting: Meeting):
    first, second = meeting.merit.ranking.query("group == 'pullets' and rank <= 2").sort_values("rank")[
        "bird"
    ]
    why = contributions(meeting.merit, meeting.flock, first, second)
    said = [float(line.split(":")[0].replace("−", "-")) for line in reasons(why)]
    assert sum(said) == pytest.approx(why.difference, abs=0.05 * len(said))
    assert by_whose(why)["points"].sum() == pytest.approx(why.difference)
    assert contributions_frame(why)["points"].sum() == pytest.approx(why.difference)


def test_a_kept_bird_is_measured_against_the_first_that_is_not_and_the_others_against_the_last_kept(
    meeting: Meeting,
):
    table = meeting.verdicts.groups["pullets"].table
    rank = meeting.merit.ranking.set_index("bird")["rank"]
    kept = table.loc[table["stands"] == "keep", "bird"]
    others = table.loc[(table["stands"] != "keep") & table["bird"].map(rank).notna(), "bird"]
    assert rival_of(meeting, kept.iloc[0], "pullets") == min(others, key=rank.get)
    assert rival_of(meeting, others.iloc[0], "pullets") == max(kept, key=rank.get)


def test_a_card_shows_the_birds_own_points_weighings_and_mates(meeting: Meeting):
    flock = meeting.flock
    bird = meeting.verdicts.groups["pullets"].table["bird"].iloc[0]
    points = meeting.merit.points.birds.set_index("bird").loc[bird]
    sections = sections_frame(meeting, bird)
    names = [s.name for s in flock.standard.sections]
    assert np.allclose(sections["points"], points[names].astype(float), equal_nan=True)
    weighed = flock.weights[(flock.weights["bird"] == bird) & flock.weights["grams"].notna()]
    assert sorted(growth_frame(meeting, bird)["grams"]) == sorted(weighed["grams"].astype(float))
    clutch = flock.birds.set_index("bird").loc[bird, "clutch"]
    mates, _ = clutch_mates(meeting, bird)
    assert len(mates) == (flock.birds["clutch"] == clutch).sum() - 1


def test_the_sheet_for_one_more_look_hides_earlier_points(meeting: Meeting):
    page = show.again(meeting)
    sheets = re.findall(r'<section class="sheet">.*?</section>', page, re.S)
    proposed = [g for g in meeting.verdicts.groups.values() if g.again is not None]
    assert proposed and len(sheets) == len(proposed)
    seen = meeting.merit.points.birds.set_index("bird")["points"]
    for sheet, group in zip(sheets, proposed, strict=True):
        assert all(bird in sheet for bird in group.again.birds)
        words = re.sub(r"<[^>]*>", " ", re.sub(r"<svg.*?</svg>", " ", sheet, flags=re.S)).split()
        told = [seen[bird] for bird in group.again.birds if seen[bird] == seen[bird]]
        assert told
        assert not {text for value in told for text in (f"{value:.1f}", halves(value))} & set(words)


def test_pages_of_the_other_stations_draw_what_those_worked_out(meeting: Meeting):
    told = meeting.clutches.table["separable"] == "yes"
    assert len(told_frame(meeting.clutches)) == told.sum()
    levels = levels_frame(meeting, "points")
    assert set(levels["clutch"]) <= set(meeting.flock.clutches["clutch"])
    assert (levels["low"] <= levels["level"]).all() and (levels["level"] <= levels["high"]).all()
    assert curve_frame(meeting.laying)["season"].unique().tolist() == [meeting.laying.curve["season"].max()]
    grid = inbreeding_frame(meeting.matings)
    for pair in meeting.matings.table.itertuples():
        assert grid.loc[pair.hen, pair.cock] == pair.inbreeding


def test_the_two_orders_are_places_by_merit_and_by_own_value(meeting: Meeting):
    frame = orders_frame(meeting.merit, "pullets")
    assert list(frame["by_merit"]) == list(range(1, len(frame) + 1))
    assert sorted(frame["by_own"]) == list(range(1, len(frame) + 1))
    assert frame.sort_values("by_own")["own_value"].is_monotonic_decreasing
    assert (frame["moved"] == frame["by_merit"] - frame["by_own"]).all()


def test_names_with_markup_are_shown_as_text(meeting: Meeting):
    flock = meeting.flock
    birds = flock.birds.assign(name=HOSTILE)
    clutches = flock.clutches.assign(source=HOSTILE)
    hostile = replace(meeting, flock=replace(flock, birds=birds, clutches=clutches))
    for page in (show.cards(hostile), show.season(hostile), show.clutches(hostile)):
        assert "<script>" not in page
        assert "&lt;script&gt;" in page


def test_a_meeting_without_candidates_says_so_on_every_page(meeting: Meeting):
    nobody = replace(
        meeting.verdicts,
        table=meeting.verdicts.table.head(0),
        groups={
            n: replace(g, table=g.table.head(0), tips=(), again=None, reweigh=pd.DataFrame())
            for n, g in meeting.verdicts.groups.items()
        },
    )
    empty = replace(meeting, verdicts=nobody)
    assert "No candidates" in show.cards(empty)
    assert "No candidates" in show.verdict_table(empty)
    assert "No pullets to choose from" in show.groups(empty)
    assert "nothing is left to see" in show.again(empty)
    assert "Stays" not in show.first_page(empty)
