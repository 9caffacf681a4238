"""Start here without a browser: forms made, forms taken in, refused rows mended in their boxes, notebooks as cards."""

from __future__ import annotations

from pathlib import Path

import pytest

from selection.records.flock import read_flock
from selection.show.lab.record_pages import HandIn, MakeForms, overview, what_is_recorded
from selection.show.notebooks import find_notebook
from tests.records import small


def test_a_refused_row_is_mended_in_its_box_and_taken(tmp_path: Path) -> None:
    forms = small.forms()
    forms["weights"][0]["grams"] = "heavy"
    flock = tmp_path / "flock"
    box = HandIn(flock, small.write(tmp_path / "forms", forms))
    assert box.rows.children == ()
    box.button.click()
    assert "1 refused" in box.said.value or ">1<" in box.said.value
    ((form, _), boxes), *more = box.boxes.items()
    assert form == "weights" and not more and boxes["grams"].value == "heavy"
    assert "row" not in boxes and "reason" not in boxes
    assert "grams" in box.rows.children[1].children[0].value
    before = len(read_flock(flock).weights)
    boxes["grams"].value = "1234"
    box.again.click()
    weights = read_flock(flock).weights
    assert len(weights) == before + 1 and 1234 in set(weights["grams"])
    assert not box.boxes and box.rows.children == ()


def test_forms_are_made_for_a_day_and_a_day_that_is_none_is_said(tmp_path: Path) -> None:
    flock = tmp_path / "flock"
    HandIn(flock, small.write(tmp_path / "forms", small.forms())).button.click()
    make = MakeForms(flock)
    make.day.value, make.out.value = "2026-08-01", str(tmp_path / "out")
    make.button.click()
    assert "as of 2026-08-01" in make.said.value.casefold()
    assert (tmp_path / "out" / "forms-2026.xlsx").is_file() and (tmp_path / "out" / "calendar.ics").is_file()
    make.day.value = "in June"
    make.button.click()
    assert "in June" in make.said.value and "written" not in make.said.value


def test_where_there_is_no_flock_that_is_said(tmp_path: Path) -> None:
    assert "no flock" in what_is_recorded(tmp_path / "nothing")
    make = MakeForms(tmp_path / "nothing")
    make.button.click()
    assert "no flock" in make.said.value


@pytest.mark.parametrize("name", [path.name for path in find_notebook("start_here").parent.glob("*.ipynb")])
def test_every_notebook_has_its_card(name: str) -> None:
    assert f'href="{name}"' in overview()
