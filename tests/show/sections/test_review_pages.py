"""Looking back as a page: the same figures as the review's, and words where there are none."""

from __future__ import annotations

import pytest

from selection.decide.review.review import Review, review
from selection.merit.ranking import rank
from selection.show.sections import review_pages as show
from tests.show import held


@pytest.fixture(scope="module")
def looked_back() -> Review:
    meeting = held.meeting()
    return review({}, meeting.flock, meeting.merit, rank_as_of=rank)


def test_without_an_earlier_meeting_the_pack_says_so_and_what_can_be_said() -> None:
    page = show.looking_back(held.meeting())
    assert "No earlier meeting is kept with this flock" in page
    assert "possible</td>" in page and "merit: what they were bred to be" in page
    assert "Predictions against what came later" not in page
    assert "nan" not in page.casefold()


def test_every_figure_has_its_interval_or_the_word_that_birds_are_too_few(looked_back: Review) -> None:
    page = show.checks_table(looked_back)
    for row in looked_back.checks.itertuples():
        if row.value == row.value:
            assert f"{row.value:.2f} ({row.low:.2f} to {row.high:.2f})".replace("-", "−") in page
    without = looked_back.checks[looked_back.checks["value"].isna()]
    assert page.count(">none</td>") == len(without)
    assert without["says"].str.match("too few to say|nothing to compare").all()


def test_predictions_are_drawn_bird_by_bird(looked_back: Review) -> None:
    page = show.predictions_picture(looked_back)
    kept = int(looked_back.birds["kept"].sum())
    assert f"{kept} kept and {len(looked_back.birds) - kept} other birds" in page
    assert "no predictions" in show.predictions_picture(review({}, *_today()))


def test_hatch_years_are_drawn_and_listed(looked_back: Review) -> None:
    picture, listed = show.years_picture(looked_back), show.years(looked_back)
    for year in looked_back.years["hatch_year"]:
        assert f"{year}: " in picture and f">{year}</th>" in listed


def _today():
    meeting = held.meeting()
    return meeting.flock, meeting.merit
