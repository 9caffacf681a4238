"""The season's workbook: what it offers, what it holds already, and that it comes back as it went out."""

from __future__ import annotations

import shutil
import subprocess
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    import openpyxl

from selection.errors import RecordsError
from selection.records.flock import read_flock
from selection.records.forms.columns import FORMS
from selection.records.forms.season_workbook import birds_by_rings, columns_of, note_of, write_forms
from selection.records.intake.recording import record
from tests.records import small


@pytest.fixture(scope="module")
def flock(tmp_path_factory) -> Path:
    return small.flock(tmp_path_factory.mktemp("holding"))


@pytest.fixture(scope="module")
def season(flock) -> Path:
    """The workbook of the small holding's season."""
    return write_forms(read_flock(flock), flock.parent / "season.xlsx")


@pytest.fixture(scope="module")
def book(season) -> openpyxl.Workbook:
    import openpyxl

    return openpyxl.load_workbook(season)


def rules(sheet) -> dict[str, object]:
    """The rule of each column, by the column's name."""
    by_letter = {str(v.sqref).split("2", 1)[0]: v for v in sheet.data_validations.dataValidation}
    return {cell.value: by_letter.get(cell.column_letter) for cell in sheet[1]}


def words_of(book, rule) -> list[str]:
    """The words that a drop-down offers."""
    if rule.formula1.startswith('"'):
        return rule.formula1.strip('"').split(",")
    sheet, place = rule.formula1.split("!")
    return [row[0].value for row in book[sheet][place.replace("$", "")]]


def test_one_sheet_a_form_with_the_standards_sections_as_columns(book) -> None:
    assert [s.title for s in book] == ["read me", *FORMS, "words"]
    for name, form in FORMS.items():
        header = [cell.value for cell in book[name][1]]
        assert set(form.names) <= set(header)
    assert [c.value for c in book["scores"][1]][8:11] == ["type", "head", "total"]
    assert "size" not in [c.value for c in book["scores"][1]]  # awarded from weight, not by eye


def test_every_closed_set_has_its_drop_down(book) -> None:
    offered = {
        ("birds", "sex"): ["male", "female", "unknown"],
        ("clutches", "origin"): ["bought-in", "home-bred"],
        ("rings", "leg"): ["left", "right"],
        ("scores", "judge"): ["Ann"],
        ("scores", "faults"): ["wry tail", "pale legs"],
        ("scores", "bird"): ["24-C1", "24-H1", "26-01", "26-02", "26-03"],  # 24-H2 died, 26-04 was sold
        ("eggs", "pen"): ["Old Yard"],
        ("measures", "trait"): ["shank width"],
    }
    for (form, column), words in offered.items():
        assert words_of(book, rules(book[form])[column]) == words, (form, column)
    colours = words_of(book, rules(book["rings"])["colour"])
    assert {"red", "white", "green", "blue"} <= set(colours) and "red/white" not in colours
    assert book["words"].sheet_state == "hidden"


def test_a_set_that_may_grow_only_suggests_and_a_new_bird_may_be_named(book) -> None:
    assert rules(book["birds"])["sex"].errorStyle == "stop"
    assert rules(book["scores"])["judge"].errorStyle == "warning"
    assert not rules(book["scores"])["faults"].showErrorMessage  # several faults in one cell
    assert rules(book["birds"])["bird"] is None and rules(book["clutches"])["clutch"] is None


def test_points_and_sizes_are_held_to_their_limits(book) -> None:
    points = rules(book["scores"])["type"]
    assert (points.type, float(points.formula1), float(points.formula2)) == ("decimal", 0, 40)
    assert (rules(book["eggs"])["eggs"].type, rules(book["scores"])["on"].type) == ("whole", "date")


def test_headers_say_what_belongs_there_and_are_alone_in_being_locked(book) -> None:
    for name, form in FORMS.items():
        sheet = book[name]
        assert sheet.freeze_panes == "A2" and sheet.protection.sheet and not sheet.protection.password
        assert all(cell.comment.text and cell.protection.locked for cell in sheet[1])
        free = [d.protection.locked for d in sheet.column_dimensions.values()]
        assert free and not any(free), name
        assert not any(c.protection.locked for row in sheet.iter_rows(min_row=2) for c in row if c.value), (
            form
        )
    note = book["weights"]["H1"].comment.text
    assert "weight" in note and "unit: g" in note and "must be filled in" in note


def test_every_form_fits_the_width_of_paper_and_has_its_header_on_each_page(book) -> None:
    for name in FORMS:
        sheet = book[name]
        assert sheet.page_setup.orientation == "landscape" and sheet.sheet_properties.pageSetUpPr.fitToPage
        assert (int(sheet.page_setup.fitToWidth or 1), int(sheet.page_setup.fitToHeight)) == (1, 0)
        assert sheet.print_title_rows == "$1:$1"


def test_days_are_dates_and_labels_are_text_that_no_spreadsheet_turns_into_a_date(book) -> None:
    sheet = book["rings"]
    formats = {c.value: sheet.column_dimensions[c.column_letter].number_format for c in sheet[1]}
    assert formats["fitted_on"] == "yyyy-mm-dd" and formats["bird"] == "@"
    fitted = next(c for c in sheet[2] if c.column_letter == "G")
    assert fitted.value == datetime(2026, 6, 1) and fitted.is_date


def test_living_birds_stand_in_ring_order_and_open_rows_are_there_to_complete(book) -> None:
    rows = [[c.value for c in row[2:5]] for row in book["scores"].iter_rows(min_row=2)]
    assert rows == [
        ["26-02", "green", "blue"],
        ["26-01", "green", "red"],
        ["26-03", "white", "red/white"],
        ["24-C1", None, None],
        ["24-H1", None, None],
    ]
    assert [row[1].value for row in book["weights"].iter_rows(min_row=2)] == [r[0] for r in rows]
    assert {row[0].value for row in book["birds"].iter_rows(min_row=2)} == {r[0] for r in rows}
    assert [row[1].value for row in book["pens"].iter_rows(min_row=2)] == ["24-C1", "24-H1"]
    assert book["eggs"].max_row == 1


def test_the_workbook_as_it_is_changes_nothing(flock, season) -> None:
    before = {p: p.read_bytes() for p in sorted((flock / "records").rglob("*")) if p.is_file()}
    again = record(flock, season)
    assert again.status == 0, again.words()
    assert not again.taken and not again.completed and not any(len(r) for r in again.refused.values())
    assert "rows that name a bird and say nothing of it; left out as not filled in" in again.words()
    assert {p: p.read_bytes() for p in sorted((flock / "records").rglob("*")) if p.is_file()} == before


def test_what_is_filled_in_is_recorded_and_blanks_are_completed(flock, season, tmp_path) -> None:
    import openpyxl

    flock, book = shutil.copytree(flock, tmp_path / "flock"), openpyxl.load_workbook(season)
    sheet = book["scores"]
    for column, value in zip("ABIJ", [datetime(2026, 9, 9), "Bea", 30.25, 31], strict=True):
        sheet[f"{column}2"] = value
    gone = next(row for row in book["birds"].iter_rows(min_row=2) if row[0].value == "24-H1")
    gone[10].value, gone[11].value = datetime(2026, 9, 30), "given"
    book.save(tmp_path / "filled.xlsx")
    found = record(flock, tmp_path / "filled.xlsx")
    assert found.status == 0, found.words()
    assert found.taken == {"scores": 1} and found.completed == {"birds": 1}
    look = read_flock(flock).scores.iloc[-1]
    assert (look["bird"], look["judge"], look["type"], look["head"]) == ("26-02", "Bea", 30.25, 31.0)


@pytest.mark.skipif(shutil.which("soffice") is None, reason="needs LibreOffice")
def test_libreoffice_opens_it_and_what_it_saves_comes_back_the_same(flock, season, tmp_path) -> None:
    import openpyxl

    home = f"-env:UserInstallation=file://{tmp_path}/profile"
    command = ["soffice", home, "--headless", "--convert-to", "xlsx", "--outdir", str(tmp_path / "saved")]
    subprocess.run([*command, str(season)], check=True, capture_output=True, timeout=120)
    saved = openpyxl.load_workbook(tmp_path / "saved" / "season.xlsx")
    assert words_of(saved, rules(saved["birds"])["sex"]) == ["male", "female", "unknown"]
    assert words_of(saved, rules(saved["scores"])["judge"]) == ["Ann"]
    assert saved["rings"].protection.sheet and saved["rings"]["A1"].comment.text
    again = record(flock, tmp_path / "saved" / "season.xlsx")
    assert again.status == 0 and not again.taken and not again.completed, again.words()


def test_a_workbook_somebody_has_written_in_is_never_overwritten(flock, tmp_path) -> None:
    """Made anew over its own like; beside one with a cell filled in; and beside a file that is none of ours."""
    import openpyxl

    path = tmp_path / "forms.xlsx"
    assert [write_forms(read_flock(flock), path) for _ in range(2)] == [path, path]
    book = openpyxl.load_workbook(path)
    book["weights"]["A2"] = datetime(2026, 10, 1)
    book.save(path)
    filled = path.read_bytes()
    assert write_forms(read_flock(flock), path) == tmp_path / "forms-2.xlsx"
    assert path.read_bytes() == filled
    (tmp_path / "forms-2.xlsx").write_bytes(b"none of ours")
    assert write_forms(read_flock(flock), path) == tmp_path / "forms-3.xlsx"


def test_a_section_called_as_a_list_is_has_its_points_for_limits(tmp_path) -> None:
    """`colour` is a section here and a ring's column there: no ring colours for points."""
    import openpyxl

    standard = small.STANDARD.replace('name = "head"', 'name = "colour"', 1)
    scores = [{k.replace("head", "colour"): v for k, v in row.items()} for row in small.forms()["scores"]]
    record(
        tmp_path / "flock",
        small.write(tmp_path / "forms", small.forms() | {"scores": scores}, standard=standard),
    )
    book = openpyxl.load_workbook(write_forms(read_flock(tmp_path / "flock"), tmp_path / "season.xlsx"))
    assert rules(book["scores"])["colour"].type == "decimal"
    assert rules(book["rings"])["colour"].type == "list"


def test_names_that_look_like_formulas_or_markup_stay_text(tmp_path) -> None:
    import openpyxl

    forms = small.forms()
    forms["birds"][0]["name"] = '=HYPERLINK("http://x";"y")'
    forms["birds"][1]["name"] = "<b>Moss</b>"
    forms["pens"] = [{**row, "pen": "+Yard"} for row in forms["pens"]]
    forms["clutches"][0]["pen"] = "+Yard"
    forms["eggs"] = []
    flock = tmp_path / "flock"
    first = record(flock, small.write(tmp_path / "forms", {k: v for k, v in forms.items() if v}))
    assert first.status == 0, first.words()
    path = write_forms(read_flock(flock), tmp_path / "season.xlsx")
    cells = [c for sheet in openpyxl.load_workbook(path) for row in sheet.iter_rows() for c in row]
    assert not [c.coordinate for c in cells if c.data_type == "f"]
    again = record(flock, path)
    assert again.status == 0 and not again.completed, again.words()
    assert read_flock(flock).birds["name"].iloc[0].startswith("=HYPERLINK")


def test_an_empty_flock_still_gives_every_sheet(tmp_path) -> None:
    import openpyxl

    flock = tmp_path / "flock"
    record(flock, small.write(tmp_path / "forms", {"clutches": small.forms()["clutches"]}))
    book = openpyxl.load_workbook(write_forms(read_flock(flock), tmp_path / "season.xlsx"))
    assert set(FORMS) <= set(book.sheetnames) and book["scores"].max_row == 1
    assert birds_by_rings(read_flock(flock)).empty


def test_a_place_that_cannot_be_written_is_said_in_words(flock, tmp_path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordsError, match="a file stands where a folder is needed"):
        write_forms(read_flock(flock), tmp_path / "file" / "season.xlsx")


def test_notes_name_unit_limits_and_choices() -> None:
    assert "from 1 to 40" in note_of(FORMS["rings"].column("size_mm"))
    assert "one of: left, right" in note_of(FORMS["rings"].column("leg"))
    assert "may be blank" in note_of(FORMS["rings"].column("mark"))


def test_sections_stand_before_the_total(flock) -> None:
    names = [c.name for c in columns_of(FORMS["scores"], read_flock(flock))]
    assert names.index("head") + 1 == names.index("total")
