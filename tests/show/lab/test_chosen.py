"""The flock that all notebooks speak of is chosen once and remembered beside them."""

from __future__ import annotations

from pathlib import Path

import ipywidgets as widgets
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


def test_what_stands_below_follows_the_flock_that_is_chosen():
    chooser, made = ChooseFlock("first"), []

    def typed(flock: str) -> widgets.Text:
        made.append(flock)
        return widgets.Text(value=flock)

    words, box = chooser.then(top), chooser.then(typed)
    assert "Flock: first" in words.children[0].value and box.children[0].value == "first"
    box.children[0].value = "typed by hand"
    chooser.told_anew()
    assert made == ["first"] and box.children[0].value == "typed by hand"
    chooser.path.value = "second"
    chooser.button.click()
    assert made == ["first", "second"] and "Flock: second" in words.children[0].value


def test_the_top_of_a_notebook_names_its_flock():
    assert "Flock: a &lt;b&gt;" in top("a <b>")
