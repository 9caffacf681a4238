"""The flock that all notebooks speak of is chosen once and remembered beside them."""

from __future__ import annotations

from pathlib import Path

import pytest

from selection.show.lab.record_pages import ChooseFlock
from selection.show.notebooks import DEMO, choose_flock, chosen_flock, top


@pytest.fixture(autouse=True)
def notebooks(tmp_path: Path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_without_a_choice_the_demos_flock_is_read():
    assert chosen_flock() == DEMO


def test_a_choice_is_remembered_for_every_notebook_but_a_given_path_goes_first():
    choose_flock("  ../ours ")
    assert chosen_flock() == "../ours"
    assert chosen_flock("elsewhere") == "elsewhere"
    choose_flock("")
    assert chosen_flock() == DEMO


def test_the_button_remembers_what_was_typed_and_says_what_follows(notebooks: Path):
    chooser = ChooseFlock()
    chooser.path.value = "new & ours"
    chooser.button.click()
    assert chosen_flock() == "new & ours"
    assert "new &amp; ours" in chooser.said.value and "not there yet" in chooser.said.value
    (notebooks / "new & ours").mkdir()
    chooser.button.click()
    assert "not there yet" not in chooser.said.value


def test_the_top_of_a_notebook_names_its_flock():
    assert "Flock: a &lt;b&gt;" in top("a <b>")
