"""The years ahead as a page: what is drawn is what the runs found."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd
import pytest

from selection.answer import facts
from selection.decide.years.years import Years, years_ahead
from selection.show.sections import years_pages as show
from tests.show import held


@pytest.fixture(scope="module")
def ahead() -> Years:
    meeting = held.meeting()
    return years_ahead(meeting.flock, meeting.merit, meeting.verdicts, runs=30, years=6)


def test_every_policy_has_its_pictures_in_words_too(ahead: Years) -> None:
    page = show.years_ahead_page(ahead)
    assert page.count('<div class="policy">') == len(ahead.policies) == 5
    assert page.count('class="plot"') == 3 * len(ahead.policies) + 1
    row = ahead.table.query("quantity == 'inbreeding' and year == 6").iloc[0]
    assert f"{row['policy']}, inbreeding, F: {row['mean']:.2f} in year 6" in page
    assert "nan" not in re.sub(r"<svg.*?</svg>", "", page, flags=re.S).casefold()
    assert not re.search(r"[\d ]nan[\" ,]", page)


def test_shares_of_blood_add_up_each_year(ahead: Years) -> None:
    for policy in ahead.policies:
        shares = show.policy_blood_frame(ahead, policy.name)
        assert shares.sum(axis=1).to_numpy() == pytest.approx(1.0)
        assert (shares.max() > 0).all()


def test_without_merit_inbreeding_and_blood_are_drawn_alone(ahead: Years) -> None:
    bare = replace(
        ahead,
        table=ahead.table[ahead.table["quantity"] != "merit"],
        by_policy=ahead.by_policy.assign(merit=float("nan")),
        ceiling=pd.DataFrame(),
    )
    page = show.years_ahead_page(bare)
    assert page.count('class="plot"') == 2 * len(ahead.policies)
    assert "merit, points</text>" not in page


def test_nothing_to_follow_is_said(ahead: Years) -> None:
    empty = pd.DataFrame()
    none = Years(
        empty, empty, empty, empty, (), ahead.season, 0, facts((), ["No cock stays after this meeting."])
    )
    assert "No cock stays" in show.years_ahead_page(none)
    assert "no ceiling" in show.ceiling_picture(none)
    assert "closed flocks alone" in show.closed(none)


def test_the_formulas_stand_beside_the_runs_for_closed_policies_alone(ahead: Years) -> None:
    page = show.closed(ahead)
    row = ahead.closed.iloc[0]
    assert page.count('<th scope="row"') == len(ahead.closed)
    assert f"{row['effective_size']:.1f}" in page and f"{100 * row['rate']:.1f} %" in page


@pytest.mark.parametrize(
    ("years", "marked"), [(range(1, 11), [1, 5, 10]), (range(1, 2), [1]), (range(1, 7), [1, 6])]
)
def test_years_below_a_picture_do_not_crowd(years: range, marked: list[int]) -> None:
    assert show._marked(years) == marked
