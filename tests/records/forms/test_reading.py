"""Files of every kind: read as they stand, or refused in words; never a traceback."""

from __future__ import annotations

import io
import tracemalloc
import zipfile
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from selection.errors import RecordsError
from selection.records.forms import workbooks
from selection.records.forms.cells import Uncomputed
from selection.records.forms.reading import HandedIn, read_forms

WEIGHTS = "on,bird,grams,note\n2026-09-01,26-01,2900,café\n"


def handed(folder: Path, data: bytes | str, name: str = "weights.csv") -> HandedIn:
    path = folder / name
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return read_forms(path)


def refusal(found: HandedIn) -> str:
    (finding,) = found.findings
    assert finding.refused
    assert not found.forms
    return str(finding)


def cells(found: HandedIn, form: str = "weights") -> list[list[object]]:
    return found.forms[form].cells.to_numpy().tolist()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_encodings_delimiters_and_line_ends_all_read_the_same(tmp_path, encoding, delimiter, ending):
    text = WEIGHTS.replace(",", delimiter).replace("\n", ending)
    found = handed(tmp_path, text.encode(encoding))
    assert found.forms["weights"].header == ("on", "bird", "grams", "note")
    assert cells(found) == [["2026-09-01", "26-01", "2900", "café"]]


def test_rows_are_numbered_as_a_spreadsheet_shows_them(tmp_path):
    text = 'on,bird,grams,note\n\n2026-09-01,26-01,2900,"two\nlines"\n,,,\n2026-09-02,26-01,2950,\n'
    assert handed(tmp_path, text).forms["weights"].cells.index.tolist() == [3, 5]


def test_a_line_that_names_the_delimiter_is_no_row(tmp_path):
    found = handed(tmp_path, "sep=;\n" + WEIGHTS.replace(",", ";"))
    assert found.forms["weights"].cells.index.tolist() == [2]


def test_short_rows_end_in_blanks_and_long_ones_are_kept(tmp_path):
    found = handed(tmp_path, "on,bird,grams\n2026-09-01,26-01\n2026-09-02,26-02,2950,extra\n")
    assert found.forms["weights"].header == ("on", "bird", "grams", "")
    assert cells(found)[1] == ["2026-09-02", "26-02", "2950", "extra"]


REFUSED = {
    "an empty file": (b"", "an empty sheet; a header in row 1"),
    "blank lines": (b"\n\n \n", "an empty sheet"),
    "binary junk": (bytes(range(256)), "a file that is no text"),
    "a workbook under another name": (b"PK\x03\x04\x00\x00", "a file that is no text"),
    "UTF-16 without its mark": (WEIGHTS.encode("utf-16-le"), "a file that is no text"),
    "half a UTF-16 file": (b"\xff\xfe" + b"a\x00b", "a file that is no text"),
    "a quotation mark alone": (b'on,bird\n"2026-09-01,26-01\n', "a cell near line"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_file_that_cannot_be_read_says_why(tmp_path, name):
    data, expected = REFUSED[name]
    assert expected in refusal(handed(tmp_path, data))


def test_a_form_is_known_by_the_name_of_its_file(tmp_path):
    assert "found the name weigts; a form's name: clutches, birds" in refusal(
        handed(tmp_path, WEIGHTS, "weigts.csv")
    )


@pytest.mark.parametrize("name", ["weights.xls", "weights.odt", "weights.txt", "weights"])
def test_other_kinds_of_file_are_said_not_to_be_read(tmp_path, name):
    (finding,) = handed(tmp_path, WEIGHTS, name).findings
    assert "forms are .csv files or sheets of an .xlsx or .ods workbook" in str(finding)


def test_an_old_encoding_is_reported(tmp_path):
    assert "Windows-1252" in str(handed(tmp_path, WEIGHTS.encode("cp1252")).findings[0])
    assert handed(tmp_path, WEIGHTS).findings == ()


def test_what_is_not_there_or_no_folder_is_said(tmp_path):
    with pytest.raises(RecordsError, match="nothing is there"):
        read_forms(tmp_path / "nowhere")


def test_a_folder_gives_its_forms_and_its_settings_and_no_hidden_files(tmp_path):
    for name in ("weights.csv", "Birds.CSV", "standard.toml", "~$forms.xlsx", ".eggs.csv", "letter.txt"):
        (tmp_path / name).write_text(WEIGHTS)
    found = read_forms(tmp_path)
    assert set(found.forms) == {"birds", "weights"}
    assert set(found.settings) == {"standard.toml"}
    assert [f.form for f in found.findings] == ["letter.txt"]


# workbooks


def book(rows: dict[str, list[list[object]]]) -> bytes:
    from openpyxl import Workbook

    workbook = Workbook()
    workbook.remove(workbook.active)
    for title, sheet_rows in rows.items():
        sheet = workbook.create_sheet(title)
        for row in sheet_rows:
            sheet.append(row)
    data = io.BytesIO()
    workbook.save(data)
    return data.getvalue()


HEADER = ["on", "bird", "grams"]


def test_a_workbooks_own_dates_and_numbers_stay_what_they_are(tmp_path):
    data = book(
        {"Weights": [HEADER, [datetime(2026, 9, 1), "26-01", 2900], [None, None, None], [True, "NA", 2.5]]}
    )
    found = handed(tmp_path, data, "forms.xlsx")
    assert cells(found) == [[datetime(2026, 9, 1), "26-01", 2900], [True, "NA", 2.5]]
    assert found.forms["weights"].cells.index.tolist() == [2, 4]


def test_sheets_that_are_no_forms_are_reported(tmp_path):
    found = handed(tmp_path, book({"weights": [HEADER], "plans for spring": [["x"]]}), "forms.xlsx")
    assert list(found.forms) == ["weights"]
    assert "plans for spring" in str(found.findings[0])


def test_a_formula_is_its_stored_value_and_without_one_is_seen(tmp_path):
    data = book({"weights": [HEADER, ["2026-09-01", "26-01", "=1000+900"], ["2026-09-02", "26-01", 1900]]})
    (row, other) = cells(handed(tmp_path, data, "forms.xlsx"))
    assert row[2] == Uncomputed("=1000+900")
    assert other[2] == 1900
    stored = edited(data, "xl/worksheets/sheet1.xml", b"<v />", b"<v>1900</v>")
    assert cells(handed(tmp_path, stored, "forms.xlsx"))[0][2] == 1900


def edited(data: bytes, part: str, old: bytes, new: bytes) -> bytes:
    """The workbook with `old` replaced in one of its parts."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data)) as source,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for name in source.namelist():
            content = source.read(name)
            if name == part:
                assert old in content, content
                content = content.replace(old, new)
            target.writestr(name, content)
    return out.getvalue()


def with_part(data: bytes, name: str, content: bytes) -> bytes:
    out = io.BytesIO(data)
    with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as target:
        target.writestr(name, content)
    return out.getvalue()


def test_a_workbook_that_would_fill_the_memory_is_refused(tmp_path):
    bomb = with_part(book({"weights": [HEADER]}), "xl/media/image1.png", bytes(30_000_000))
    assert "it would unpack to 30 MB" in refusal(handed(tmp_path, bomb, "forms.xlsx"))


def test_a_workbook_that_declares_entities_is_refused(tmp_path):
    part = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaa">]><x>&a;</x>'
    found = handed(tmp_path, with_part(book({"weights": [HEADER]}), "xl/extra.xml", part), "forms.xlsx")
    assert "declares XML entities" in refusal(found)


def test_a_sheet_that_claims_a_million_rows_is_read_for_what_it_holds(tmp_path):
    data = book({"weights": [HEADER, ["2026-09-01", "26-01", 2900]]})
    huge = edited(data, "xl/worksheets/sheet1.xml", b'ref="A1:C2"', b'ref="A1:XFD1048576"')
    assert cells(handed(tmp_path, huge, "forms.xlsx")) == [["2026-09-01", "26-01", 2900]]


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"\xd0\xcf\x11\xe0 old or locked", "under a password"),
        (b"PK\x03\x04 half a file", "not an .xlsx or .ods workbook"),
        (b"", "not an .xlsx or .ods workbook"),
        (with_part(b"", "a.txt", b"no workbook"), "a damaged workbook"),
    ],
)
def test_what_is_no_workbook_says_what_to_do(tmp_path, data, expected):
    assert expected in refusal(handed(tmp_path, data, "forms.xlsx"))


def test_one_form_in_two_places_is_read_once_and_said(tmp_path):
    (tmp_path / "a.xlsx").write_bytes(book({"weights": [HEADER, ["2026-09-01", "26-01", 2900]]}))
    (tmp_path / "weights.csv").write_text(WEIGHTS)
    found = read_forms(tmp_path)
    assert found.forms["weights"].file == "a.xlsx"
    assert "a second sheet of this form in weights.csv" in str(found.findings[0])


@given(data=st.binary(max_size=300), kind=st.sampled_from(["weights.csv", "weights.xlsx", "weights.ods"]))
@settings(max_examples=150)
def test_any_bytes_give_rows_or_a_message(tmp_path_factory, data, kind):
    found = handed(tmp_path_factory.getbasetemp(), data, kind)
    assert found.forms or found.findings


OPEN = "urn:oasis:names:tc:opendocument:xmlns"
NAMESPACES = " ".join(f'xmlns:{short}="{OPEN}:{short}:1.0"' for short in ("office", "table", "text", "style"))


def ods(tables: str) -> bytes:
    """An .ods workbook of these tables."""
    manifest = '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>'
    hidden = (
        '<office:automatic-styles><style:style style:name="off" style:family="table">'
        '<style:table-properties table:display="false"/></style:style></office:automatic-styles>'
    )
    content = f"<office:document-content {NAMESPACES}>{hidden}<office:body><office:spreadsheet>{tables}"
    content += "</office:spreadsheet></office:body></office:document-content>"
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as parts:
        parts.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        parts.writestr("META-INF/manifest.xml", manifest)
        parts.writestr("content.xml", content)
    return out.getvalue()


def row(*cells: object, terms: str = "") -> str:
    return f"<table:table-row {terms}>{''.join(map(ods_cell, cells))}</table:table-row>"


def ods_cell(value: object, terms: str = "") -> str:
    if value is None:
        return f"<table:table-cell {terms}/>"
    kind, held = "string", ""
    if isinstance(value, float):
        kind, held = "float", f'office:value="{value}"'
    elif isinstance(value, datetime):
        kind, held = "date", f'office:date-value="{value:%Y-%m-%d}"'
    attributes = f'office:value-type="{kind}" {held} {terms}'
    return f"<table:table-cell {attributes}><text:p>{value}</text:p></table:table-cell>"


EMPTY_BELOW = (
    '<table:table-row table:number-rows-repeated="1048000"><table:table-cell table:number-columns-repeated="1024"/>'
    "</table:table-row>"
)


def table(rows: str, name: str = "weights", terms: str = "") -> str:
    return f'<table:table table:name="{name}" {terms}>{rows}</table:table>'


def test_an_ods_workbook_is_read_as_an_xlsx_one(tmp_path):
    rows = row("on", "bird", "grams") + row(datetime(2026, 9, 1), "007", 2900.0) + row(None, None, None)
    rows += row("2026-09-02", "26-01", 2.5, terms='table:visibility="collapse"') + EMPTY_BELOW
    found = handed(tmp_path, ods(table(rows) + table(row("x"), "plans")), "forms.ods")
    first, second = cells(found)
    assert [str(first[0])[:10], *first[1:]] == ["2026-09-01", "007", 2900] and isinstance(first[2], int)
    assert second == ["2026-09-02", "26-01", 2.5]
    assert found.forms["weights"].cells.index.tolist() == [2, 4]
    said = [str(finding) for finding in found.findings]
    assert len(said) == 2 and "1 hidden row" in said[0] and "plans" in said[1]


def test_a_cell_that_stands_there_a_million_times_is_refused(tmp_path):
    many = row("on", "bird", "grams") + '<table:table-row table:number-rows-repeated="1000000">'
    many += ods_cell("x", 'table:number-columns-repeated="1000"') + "</table:table-row>"
    assert "more than any sheet of forms" in refusal(handed(tmp_path, ods(table(many)), "forms.ods"))
    long = row("on", "bird", "grams") + '<table:table-row table:number-rows-repeated="100000">'
    long += ods_cell("x" * 100_000) + "</table:table-row>"
    assert "more than any sheet of forms" in refusal(handed(tmp_path, ods(table(long)), "forms.ods"))


def test_hidden_sheets_and_rows_are_read_and_said(tmp_path):
    from openpyxl import Workbook

    workbook = Workbook()
    sheet = workbook.active
    sheet.title = "weights"
    for line in (HEADER, ["2026-09-01", "26-01", 2900], ["2026-09-02", "26-01", 2950]):
        sheet.append(line)
    sheet.row_dimensions[3].hidden = True
    workbook.create_sheet("words").sheet_state = "hidden"
    data = io.BytesIO()
    workbook.create_sheet("eggs").append(["on", "pen", "eggs"])
    workbook["eggs"].sheet_state = "hidden"
    workbook.save(data)
    found = handed(tmp_path, data.getvalue(), "forms.xlsx")
    assert len(found.forms["weights"].cells) == 2 and "eggs" in found.forms
    said = [str(finding) for finding in found.findings]
    assert said == [
        "weights: found 1 hidden row; read like all others",
        "eggs: found a hidden sheet; read like all others",
    ]
    plain = ods(table(row("on", "pen", "eggs"), "eggs", 'table:style-name="off"'))
    assert "a hidden sheet" in str(handed(tmp_path, plain, "forms.ods").findings[0])


def test_formatting_far_below_the_data_costs_nothing(tmp_path):
    data = book({"weights": [HEADER, ["2026-09-01", "26-01", 2900]]})
    below = b"".join(
        b'<row r="%d" s="1" customFormat="1"><c r="A%d" s="1"/><c r="B%d" s="1"/></row><row r="%d" hidden="1"/>'
        % (i, i, i, i + 1)
        for i in range(3, 120_000, 2)
    )
    data = edited(data, "xl/worksheets/sheet1.xml", b"</sheetData>", below + b"</sheetData>")
    tracemalloc.start()
    found = handed(tmp_path, data, "forms.xlsx")
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert cells(found) == [["2026-09-01", "26-01", 2900]] and not found.findings
    assert most < 12_000_000  # a row each of Python's own would be more


def test_more_cells_than_a_club_writes_in_a_lifetime_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(workbooks, "MOST_CELLS", 10)
    data = book({"weights": [HEADER, *[["2026-09-01", "26-01", 2900]] * 3]})
    assert "more than any sheet of forms" in refusal(handed(tmp_path, data, "forms.xlsx"))
