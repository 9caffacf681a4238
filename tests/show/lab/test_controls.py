"""Knobs and decisions of the meeting's notebook, turned without a browser."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from selection.decide.meeting import Trial, what_if
from selection.merit.candidates import called
from selection.records.flock import read_flock
from selection.records.intake.recording import record_rows
from selection.show.lab import controls
from selection.show.lab.controls import Knobs, Overrule, SpringWishes
from selection.show.lab.merit_pages import WhyAbove
from selection.show.notebooks import Pages
from selection.show.page.fragments import paragraph
from selection.show.sections.candidates import standings_table
from tests.show import held


@pytest.fixture(scope="module")
def knobs() -> Knobs:
    return Knobs(held.meeting())


def test_nothing_changes_while_every_knob_is_as_planned(knobs: Knobs):
    knobs.as_planned()
    assert "No verdict changes." in knobs.told.value


def test_as_planned_the_meetings_own_verdicts_are_shown(knobs: Knobs):
    knobs.as_planned()
    knobs.group.value = "hens"
    assert standings_table(held.meeting(), "hens") in knobs.shown.value


def test_one_more_kept_is_named_and_undone(knobs: Knobs):
    knobs.group.value = "pullets"
    number = knobs.keep["pullets"].value
    knobs.keep["pullets"].value = number + 1
    ranked = what_if(held.meeting(), Trial()).meeting.merit.ranking.query("group == 'pullets'")
    fifth = ranked.set_index("rank").loc[number + 1, "bird"]
    who = called(held.meeting().flock)(fifth)
    assert who.colours and f"Pullets: {who} kept as well" in knobs.told.value
    knobs.as_planned()
    assert knobs.keep["pullets"].value == number
    assert "No verdict changes." in knobs.told.value


def test_a_bird_barred_leaves_its_place_and_comes_back(knobs: Knobs):
    knobs.as_planned()
    knobs.group.value = "pullets"
    table = held.meeting().verdicts.groups["pullets"].table
    best = table.loc[table["stands"] == "keep", "bird"].iloc[0]
    knobs.bird.value = best
    knobs.turn_bar()
    assert f"instead of {best}" in knobs.told.value
    assert "barred" in knobs.shown.value
    knobs.turn_bar()
    assert "No verdict changes." in knobs.told.value


def test_counting_one_section_alone_reorders_the_table_shown(knobs: Knobs):
    knobs.as_planned()
    before = knobs.shown.value
    for name, knob in knobs.counts.items():
        knob.value = 40 if name == "tail" else 0
    assert knobs.shown.value != before
    assert "No verdict changes." not in knobs.told.value
    knobs.as_planned()


def test_a_decision_is_recorded_with_its_reason_and_the_rest_follows(tmp_path: Path, monkeypatch):
    flock = shutil.copytree(held.flock_path(), tmp_path / "flock")
    meeting = replace(held.meeting(), flock=read_flock(flock))
    knobs, shown = Knobs(meeting, Pages(meeting)), []
    monkeypatch.setattr(knobs.pages, "again", shown.append)
    overrule = Overrule(knobs, flock)
    table = meeting.verdicts.groups["pullets"].table
    best = table.loc[table["stands"] == "keep", "bird"].iloc[0]
    overrule.bird.value, overrule.decided.value = best, "sell"

    overrule.record()
    assert "Say why" in overrule.said.value
    assert best not in set(read_flock(flock).decisions.query("on == @meeting.flock.plan.on")["bird"])

    overrule.why.value = "crooked toes <b>"
    overrule.record()
    made = read_flock(flock).decisions
    made = made[made["bird"] == best].iloc[-1]
    assert (made["decided"], made["why"]) == ("sell", "crooked toes <b>")
    after = knobs.meeting.verdicts.groups["pullets"].table.set_index("bird")
    assert after.loc[best, "stands"] == "sell"
    assert (after["stands"] == "keep").sum() == meeting.flock.plan.keep["pullets"].number

    assert (
        "Out of date" in knobs.stale.said.value and knobs.stale.button in knobs.stale.children and not shown
    )
    monkeypatch.setattr(controls, "hold", lambda flock, kept: replace(meeting, flock=flock))
    knobs.stale.button.click()
    assert [made.flock.decisions["why"].iloc[-1] for made in shown] == ["crooked toes <b>"]
    assert knobs.stale.children == () and knobs.held is shown[0]


def test_the_wishes_for_spring_choose_anew_and_put_back_give_the_plan_s_answer() -> None:
    spring = held.meeting().spring
    wishes = SpringWishes(spring)
    assert wishes.spring.table.to_csv() == spring.table.to_csv()
    group = next(iter(wishes.wanted))
    before = wishes.wanted[group].value
    wishes.wanted[group].value = 1
    fewer = wishes.spring.table
    assert fewer["enough"].sum() > spring.table["enough"].sum()
    wishes.budget.value = 0
    assert not (wishes.spring.table["chosen"] == "yes").any()
    wishes.budget.value, wishes.wanted[group].value = wishes.top, before
    assert wishes.spring.table.to_csv() == spring.table.to_csv()
    assert "Chance of enough" in wishes.shown.value


def test_pages_shown_in_a_notebook_take_over_from_those_of_the_meeting_before(monkeypatch) -> None:
    import IPython.display as shown

    said = []
    monkeypatch.setattr(shown, "update_display", lambda page, display_id: said.append((display_id, page)))
    pages = Pages("before")  # type: ignore[arg-type]

    def season(meeting, more=""):
        return paragraph(f"{meeting} {more}")

    assert "before now" in pages(season, "now")._repr_html_()
    pages.again("after")  # type: ignore[arg-type]
    assert said == [("season", paragraph("after now"))]


def test_a_barred_bird_may_only_go_and_a_bird_sold_since_is_no_choice(tmp_path: Path) -> None:
    flock = shutil.copytree(held.flock_path(), tmp_path / "flock")
    plan = held.meeting().flock.plan
    alive = held.meeting().verdicts.groups["pullets"].table["bird"]
    sold, barred = alive.iloc[-1], alive.iloc[0]
    serious = next(fault.name for fault in held.meeting().flock.standard.faults if fault.serious)
    seen = {"on": plan.on, "judge": "M", "bird": barred, "faults": serious}
    assert record_rows(flock, "scores", [seen]).status == 0
    after = {"on": plan.on + timedelta(days=1), "bird": sold, "price": 10, "sold_as": "pet"}
    assert record_rows(flock, "sales", [after]).status == 0
    meeting = replace(held.meeting(), flock=read_flock(flock))
    overrule = Overrule(Knobs(meeting), flock)
    offered = {bird: words for words, bird in overrule.bird.options}
    birds = meeting.flock.birds
    assert set(offered) == set(birds["bird"][birds["alive"]]) - {sold} and barred in offered
    assert offered[barred].endswith(", barred")
    overrule.bird.value = alive.iloc[1]
    assert overrule.decided.options == ("keep", "reserve", "sell") and not overrule.said.value
    overrule.bird.value = barred
    assert overrule.decided.options == ("sell",) and serious in overrule.said.value


def test_two_birds_of_one_group_are_chosen_and_what_parts_them_follows() -> None:
    merit = held.meeting().merit
    pair = WhyAbove(held.meeting().flock, merit)
    group = merit.ranking.set_index("bird")["group"]
    offered = [bird for _, bird in pair.second.options]
    assert offered and pair.first.value not in offered
    assert {group[bird] for bird in offered} == {group[pair.first.value]}
    before = pair.shown.value
    assert offered[0] in before
    pair.second.value = offered[-1]
    assert offered[-1] in pair.shown.value and pair.shown.value != before
    pair.first.value = merit.ranking.loc[merit.ranking["rank"].notna(), "bird"].iloc[-1]
    assert {group[bird] for _, bird in pair.second.options} == {group[pair.first.value]}


def test_a_decision_is_chosen_from_the_first() -> None:
    overrule = controls.Overrule(Knobs(held.meeting()), held.flock_path())
    assert overrule.decided.value == overrule.decided.options[0]
