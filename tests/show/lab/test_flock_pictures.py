"""The notebooks' pictures of whole tables: what they draw, and words where there is nothing to draw."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from selection.show.lab import record_pages as show


@pytest.fixture
def basket() -> SimpleNamespace:
    """Two pens over two weeks; Barn was not counted in the second."""
    on = pd.to_datetime(["2026-06-15", "2026-06-16", "2026-06-22", "2026-06-15", "2026-06-22"])
    days = pd.DataFrame(
        {
            "on": on,
            "season": 2026,
            "pen": ["Run", "Run", "Run", "Barn", "Barn"],
            "counted": [True, True, True, True, False],
            "hens": [4, 4, 4, 5, 5],
            "eggs": [2.0, 4.0, 1.0, 5.0, np.nan],
        }
    )
    return SimpleNamespace(days=days)


def test_the_calendar_is_eggs_over_hen_days_and_leaves_gaps(basket: SimpleNamespace) -> None:
    frame = show.calendar_frame(basket)
    assert frame.loc["Run"].tolist() == [6 / 8, 1 / 4]
    assert frame.loc["Barn", 25] == 1.0 and np.isnan(frame.loc["Barn", 26])


def test_pictures_say_what_they_show(basket: SimpleNamespace) -> None:
    assert "1 of the pens&#39; weeks without a count" in show.calendar_picture(basket)
    kin = pd.DataFrame([[1.0, 0.25], [0.25, 1.0]], index=["<a>", "b"], columns=["<a>", "b"])
    drawn = show.relationship_picture(SimpleNamespace(relationship=kin, call="{} (red)".format))
    assert "&lt;a&gt; (red) and b (red), relationship 0.25" in drawn and "<a>" not in drawn
    accounts = pd.DataFrame({"season": [2025, 2025], "side": ["spent", "taken"], "amount": [60.0, 45.5]})
    assert "spent 60, taken 46" in show.accounts_picture(SimpleNamespace(accounts=accounts))


def test_ages_start_where_each_hatch_year_started() -> None:
    ages = pd.DataFrame(
        {"hatch_year": [2024, 2024, 2025], "laying_season": [1.0, 2.0, 1.0], "rate": [0.6, 0.5, 0.7]}
    ).assign(low=0.4, high=0.8)
    assert "2024: 0.60 at first; 2025: 0.70 at first" in show.ages_picture(SimpleNamespace(by_age=ages))


def test_nothing_to_draw_is_said() -> None:
    none = pd.DataFrame()
    assert "no curve by age" in show.ages_picture(SimpleNamespace(by_age=none))
    assert "no relationship" in show.relationship_picture(SimpleNamespace(relationship=none))
    assert "no accounts" in show.accounts_picture(SimpleNamespace(accounts=none))
