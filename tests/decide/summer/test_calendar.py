"""The season's calendar by hand-worked days, and what tells most against published accuracies."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from selection.decide.summer.calendar import (
    _accuracy,
    calendar,
    left_unknown,
    look_gains,
    ring_ages,
    weighing_ages,
)
from selection.merit.season_model import Variances
from selection.records.flock import flock_on
from selection.records.intake.recording import record, record_rows
from selection.standard.deviations import Spread
from selection.standard.growth import fit_growth
from tests.records import small


def recorded(folder, forms, plan=small.PLAN):
    found = record(folder / "flock", small.write(folder / "forms", forms, plan=plan))
    assert found.status <= 1, found.words()
    return folder / "flock"


@pytest.fixture(scope="module")
def flock(tmp_path_factory):
    return recorded(tmp_path_factory.mktemp("calendar"), small.forms())


def days(path, day) -> pd.DataFrame:
    seen = flock_on(path, day)
    return calendar(seen.flock, seen.meeting).events


def of(events: pd.DataFrame, kind: str, clutch: str = "") -> list[str]:
    own = events[(events["kind"] == kind) & events["about"].str.split(";").map(lambda names: clutch in names)]
    return [f"{on:%Y-%m-%d}" for on in own["on"]]


def test_days_of_one_clutch_worked_out_by_hand(flock) -> None:
    """Set on 28 March: days 7 and 18, 21 days to hatching, rings at 3 days and at 2, 4, 9, 13 and 26 weeks."""
    events = days(flock, "2026-04-01")
    assert of(events, "candle", "26-H1") == ["2026-04-04", "2026-04-15"]
    assert of(events, "hatch", "26-H1") == ["2026-04-18"]
    assert of(events, "rings", "26-H1") == [
        "2026-04-21", "2026-05-02", "2026-05-16", "2026-06-20", "2026-07-18", "2026-10-17",
    ]  # fmt: skip
    assert of(events, "look") == ["2026-09-12", "2026-10-03"]
    assert of(events, "meeting") == ["2026-10-10"]


def test_a_leap_year_s_february_has_its_day(tmp_path) -> None:
    clutches = [{"clutch": "28-H1", "origin": "home-bred", "set_on": "2028-02-10"}]
    path = recorded(tmp_path, {"clutches": clutches}, small.PLAN.replace("2026", "2028"))
    events = days(path, "2028-02-29")
    assert of(events, "candle", "28-H1") == ["2028-02-17", "2028-02-28"]
    assert of(events, "hatch", "28-H1") == ["2028-03-02"]
    assert (
        events.set_index("on")["past"].loc["2028-02-28"]
        and not events.set_index("on")["past"].loc["2028-03-02"]
    )


def test_a_hatch_on_record_is_told_with_its_chicks_and_one_still_to_come_is_only_due(flock) -> None:
    hatched = [days(flock, day).query("kind == 'hatch'") for day in ("2026-04-18", "2026-04-19")]
    before, after = (events.set_index("about")["what"] for events in hatched)
    assert before["26-H1"] == "Clutch 26-H1 hatched: 8 chicks"
    assert before["26-B1"] == "Clutch 26-B1 due to hatch" and "7 chicks" in after["26-B1"]


def test_rings_follow_every_age_at_which_a_source_changes_its_size_and_say_where_they_disagree(flock) -> None:
    assert ring_ages("large") == [2, 4, 9, 13, 26]
    events = days(flock, "2026-04-01")
    at_nine = events[events["what"].str.contains("26-H1, 9 weeks")]["what"].iloc[0]
    assert "9.5 to 11.1 mm by different sources" in at_nine
    assert events.loc[events["kind"] == "rings", "why"].str.contains("disagree").any()


def test_clutches_of_one_age_are_weighed_together_and_never_after_the_meeting(flock) -> None:
    weighed = days(flock, "2026-04-01").query("kind == 'weigh'")
    assert set(weighed["about"]) == {"26-H1;26-B1"}
    assert weighed["on"].max() <= pd.Timestamp("2026-10-10")


def test_without_a_clutch_the_looks_and_the_meeting_stand_and_the_rest_is_said_to_be_unknown(
    tmp_path,
) -> None:
    path = recorded(tmp_path, {"birds": small.forms()["birds"][:2]})
    seen = flock_on(path, "2026-03-01")
    found = calendar(seen.flock, seen.meeting)
    assert set(found.events["kind"]) == {"look", "meeting", "rings"}
    assert any("No clutch of the season" in text for text in found.cannot)


# -- what tells most ------------------------------------------------------------------------------------------


def test_own_looks_have_the_published_accuracy() -> None:
    """Falconer and Mackay (1996), chapter 10: √h², and √(n·h²/(1 + (n − 1)·t)); h² = .3, t = .5 (from memory)."""
    one = np.ones((1, 1))
    variances = Variances(np.array([[0.0, 0.0, 0.0, 0.2, 0.3, 0.5]]), one, one, one)
    for looks, published in ((1, 0.54772), (2, 0.63246)):
        assert _accuracy(variances, np.ones(1), looks) == pytest.approx(published, abs=5e-6)


def test_two_judges_on_two_days_tell_more_than_one_look(flock) -> None:
    one, two, four = (gain.accuracy for gain in look_gains(flock_on(flock, "2026-06-10").flock))
    assert 0.3 < one < two < four < 1


class Grown:
    """A growth model of which only the spread is asked."""

    spread = Spread(between_sd=0.1, late_sd=0.05, early_sd=0.2, decay_weeks=4.0)


def test_what_a_weighing_leaves_unknown_is_the_regression_s_own_error() -> None:
    """One weighing: σ_b·√(1 − σ_b²/(σ_b² + σ_e²)), with σ_e² = late² + early²·exp(−age/5)."""
    error = 0.05**2 + 0.2**2 * np.exp(-12 / 5)
    assert left_unknown(Grown, (12.0,)) == pytest.approx(0.1 * np.sqrt(error / (0.01 + error)), rel=1e-4)


def test_a_second_weighing_in_the_same_week_tells_little_and_one_two_months_on_tells_more() -> None:
    alone, at_once, later = (left_unknown(Grown, ages) for ages in ((24.0,), (24.0, 24.2), (16.0, 24.0)))
    assert alone - at_once < 0.1 * (alone - later)


def test_the_ages_chosen_leave_less_unknown_than_any_other_three(flock) -> None:
    seen = flock_on(flock, "2026-06-10").flock
    growth = fit_growth(seen)
    aim, best = weighing_ages(seen.standard, growth)
    ages = tuple(weeks for weeks, _ in best)
    assert aim == 24 and len(ages) == 3
    assert [left for _, left in best] == sorted((left for _, left in best), reverse=True)
    for other in ((6.0, 8.0, 10.0), (20.0, 22.0, 24.0), (8.0, 16.0, 22.0)):
        assert left_unknown(growth, ages) <= left_unknown(growth, other) + 1e-12
    assert date(2026, 6, 10) == seen.plan.on


def test_grown_rings_are_asked_for_on_the_birds_kept_by_number_and_colours(tmp_path) -> None:
    path = recorded(tmp_path, small.forms())
    kept = {"on": "2026-10-10", "bird": "26-01", "decided": "keep", "who": "Ann"}
    assert record_rows(path, "decisions", [kept]).status == 0
    events = days(path, "2026-10-11")
    said = events.loc[events["on"] == pd.Timestamp("2026-10-17"), "what"].str.cat(sep=" ")
    assert "Grown rings on 26-01 (green, red)" in said
