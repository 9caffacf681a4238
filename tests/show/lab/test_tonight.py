"""Tonight's looks typed into the grid, and settling by its buttons, without a browser."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from selection.decide.verdicts.look_rule import look_rule
from selection.records.after_meeting import season_decisions
from selection.records.flock import read_flock
from selection.show.lab.controls import Knobs
from selection.show.lab.tonight import Settle, TonightsLook
from tests.show import held


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the flock, to be recorded in."""
    copy = tmp_path_factory.mktemp("tonight") / "flock"
    shutil.copytree(held.flock_path(), copy)
    return copy


@pytest.fixture(scope="module")
def knobs(path: Path) -> Knobs:
    return Knobs(replace(held.meeting(), flock=read_flock(path)))


@pytest.mark.slow
def test_looks_typed_are_summed_choose_and_are_recorded_then_settled(knobs: Knobs, path: Path) -> None:
    grid = TonightsLook(knobs, path)
    assert grid.group.value is not None, "the simulated holding has birds worth another look"
    rule = look_rule(knobs.meeting.merit, knobs.meeting.flock, knobs.meeting.verdicts, grid.group.value)
    grid.record()
    assert "nothing is recorded" in grid.said.value
    for number, boxes in enumerate(grid.boxes.values()):
        for box in boxes.values():
            box.value = f"{4 + number}"
    last, boxes = list(grid.boxes.items())[-1]
    wanted = (4 + len(grid.boxes) - 1) * len(boxes)
    assert grid.totals[last].value == f"{wanted}"
    total = {b: rule.start[b] + rule.weights.sum() * (4 + n) for n, b in enumerate(grid.boxes)}
    best = sorted(total, key=lambda bird: -total[bird])[: rule.places]
    assert all(bird in grid.choice.value for bird in best) and "stays" in grid.choice.value
    assert {b: sum_.value for b, sum_ in grid.sums.items()} == {b: f"{t:+.1f}" for b, t in total.items()}
    typed, before = set(grid.boxes), len(read_flock(path).scores)
    grid.judge.value = "Ann"
    grid.record()
    looks = read_flock(path).scores
    assert len(looks) == before + len(typed) and "What changes" in grid.said.value
    assert set(looks["bird"][looks["judge"] == "Ann"]) >= typed

    box = Settle(knobs, path)
    box.who.value = "Bob"
    box.settle.click()
    decided = season_decisions(read_flock(path)).set_index("bird")
    stands = knobs.held.tables["flock"].set_index("bird")["stands"]
    assert decided["decided"].to_dict() == stands[stands != "open"].to_dict() and "settled" in box.said.value
    box.bird.value = decided.index[0]
    box.undo.click()
    assert decided.index[0] not in set(season_decisions(read_flock(path))["bird"])
    box.unsettle.click()
    assert season_decisions(read_flock(path)).empty
