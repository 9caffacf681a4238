"""Controls of the bird's notebook: rings to a page, and photos to birds."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import pytest
from PIL import Image

from selection.errors import RecordsError
from selection.records.photos import album, name_photo
from selection.show.lab.birds import BirdByRings, ContactSheet
from tests.records import small
from tests.records.test_export import recorded


@pytest.fixture
def flock(tmp_path: Path) -> Path:
    return recorded(tmp_path, small.forms())


def test_colours_chosen_one_by_one_come_to_a_page(flock: Path) -> None:
    chooser = BirdByRings(flock)
    assert [b.description for b in chooser.buttons["left"]] == ["green", "white"]
    assert "Choose the colours" in chooser.shown.value
    chooser.buttons["left"][0].click()
    assert "2 birds wear these" in chooser.shown.value and "26-01" in chooser.shown.value
    chooser.buttons["right"][[b.description for b in chooser.buttons["right"]].index("blue")].click()
    assert "left green, right blue" in chooser.picture.value
    assert "26-02: pullet" in chooser.shown.value and "Rings through its life" in chooser.shown.value
    chooser.buttons["left"][0].click()  # lets it go again: blue alone fits one
    assert chooser.chosen == {"left": "", "right": "blue"} and "26-02: pullet" in chooser.shown.value
    chooser.buttons["left"][1].click()
    assert "No living bird wears these" in chooser.shown.value


def test_a_number_or_a_name_does_as_well_and_a_wrong_one_is_said(flock: Path) -> None:
    chooser = BirdByRings(flock)
    chooser.said.value = "24-c1"
    assert "24-C1: cock" in chooser.shown.value
    chooser.said.value = "<b>ghost</b>"
    assert "no bird&#39;s number" in chooser.shown.value and "<b>" not in chooser.shown.value


def test_a_dropped_in_photo_is_called_after_its_bird(flock: Path) -> None:
    folder = flock / "photos"
    folder.mkdir()
    Image.new("RGB", (40, 30), "red").save(folder / "IMG_1.jpg")
    (folder / "IMG_2.jpg").write_text("no picture")
    (folder / "letter.txt").write_text("hello")
    sheet = ContactSheet(flock)
    rows = sheet.children[:-1]
    assert len(rows) == 2 and "data:image/jpeg" in rows[0].children[0].value
    assert "not a picture" in rows[1].children[0].value and "letter.txt" in sheet.children[-1].value
    bird, on, button, said = rows[0].children[1].children
    button.click()
    assert "no bird" in said.value and (folder / "IMG_1.jpg").exists()
    bird.value = next(said for said in bird.options if said.startswith("26-01 ("))
    on.value = date(2026, 8, 1)
    button.click()
    assert (folder / "26-01 2026-08-01.jpg").is_file() and len(sheet.children) == 2
    assert album(flock, ["26-01"], date(2026, 10, 10)).latest("26-01")


@pytest.mark.parametrize("bird", ["", "  ", "../../etc", "a/b", ".hidden", "x\x00", "a:b"])
def test_a_number_that_can_name_no_file_is_refused(tmp_path: Path, bird: str) -> None:
    path = tmp_path / "IMG.jpg"
    path.write_bytes(b"")
    with pytest.raises(RecordsError, match=r"IMG\.jpg: found"):
        name_photo(path, bird)
    assert path.exists()


def test_no_photo_takes_the_place_of_another(tmp_path: Path) -> None:
    for name in ("IMG.jpg", "26.1.png"):
        (tmp_path / name).write_text(name)
    with pytest.raises(RecordsError, match=r"called 26\.1 already"):
        name_photo(tmp_path / "IMG.jpg", "26.1")
    assert name_photo(tmp_path / "IMG.jpg", "26.1", date(2026, 8, 1)).name == "26.1 2026-08-01.jpg"
    assert (tmp_path / "26.1.png").read_text() == "26.1.png"


def test_a_flock_without_photos_or_rings_has_its_controls_all_the_same(tmp_path: Path) -> None:
    forms = {key: rows for key, rows in small.forms().items() if key not in ("rings", "scores")}
    flock = recorded(tmp_path, forms)
    assert "called after a bird" in ContactSheet(flock).children[0].value
    assert BirdByRings(flock).buttons == {"left": [], "right": []}
    shutil.rmtree(flock)
