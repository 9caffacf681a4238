"""The sheets of a workbook (.xlsx, .ods) as plain rows of values; a workbook that could do harm is refused.

Macros and links to other files are never followed. Dates come as dates, and a formula as the value last
stored for it. Formatting below the data is dropped before anything is read, so that it costs nothing.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import IO, Any
from xml.etree.ElementTree import Element, iterparse

from selection.errors import Finding
from selection.records.forms.cells import Uncomputed
from selection.records.forms.columns import FORMS

_MOST_BYTES = 400_000_000
"""What the sheets of a workbook may unpack to: some ten times the largest sheet of a flock's lifetime."""
MOST_BESIDE = 100_000_000
"""What all else in it that is read (texts, styles) may unpack to."""
MOST_RATIO = 200
"""A sheet packs ten- to fiftyfold; more than this, on more than `SMALL` bytes, is no sheet."""
_SMALL = 20_000_000
MOST_CELLS = 5_000_000
"""Cells that may be filled in: more than a breed club writes in a lifetime."""
MOST_TEXT = 2_000_000_000
"""What the longest text of a workbook, written out for every cell that holds a text, may come to."""
KINDS = (".xlsx", ".ods")
AFTER_MEETING = "after the meeting"
NOTES_SHEETS = ("read me", "readme", "about", "words", AFTER_MEETING)
"""Sheets that explain and hold no records."""
_OLD = b"\xd0\xcf\x11\xe0"
_CHUNK = 1 << 20
_SHEET = re.compile(r"xl/worksheets/[^/]+\.xml|content\.xml")
_EMPTY_ROW = re.compile(rb"<row\b[^>]*/>")
_FILLED = re.compile(rb"<(?:v|is|f)[ />]")


class _RefusedError(Exception):
    """Why a workbook is not read, in words."""


@dataclass(frozen=True)
class Sheet:
    """One sheet: its title, the file it stands in, its rows from row 1 on (shorter rows end in blanks)."""

    title: str
    file: str
    rows: Sequence[Sequence[Any]]


@dataclass
class _Found:
    """What a sheet holds, found without reading it: filled cells, and hidden rows with anything in them."""

    cells: int = 0
    hidden: int = 0
    formulas: bool = field(default=False)


def read_workbook(data: bytes, file: str, findings: list[Finding]) -> list[Sheet]:
    """The sheets that are named as a form; everything else about the workbook goes to `findings`."""
    try:
        _refuse_unsafe(data)
        read = _read_ods if file.casefold().endswith(".ods") else _read_xlsx
        return read(data, file, findings)
    except _RefusedError as refused:
        findings.append(Finding(file, None, None, "", str(refused)))
        return []
    except Exception as error:  # a broken workbook fails anywhere inside the reader, in any way
        reason = f"a workbook that opens in a spreadsheet; reading it failed ({type(error).__name__})"
        findings.append(Finding(file, None, None, "a damaged workbook", reason))
        return []


def _refuse_unsafe(data: bytes) -> None:
    """Raise where the workbook is not opened at all."""
    if data.startswith(_OLD):
        raise _RefusedError("an old .xls or a workbook under a password; save it as .xlsx without a password")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            sizes = {part.filename: part.file_size for part in parts.infolist()}
            size = sum(sizes.values())
            beside = size - sum(n for name, n in sizes.items() if _SHEET.fullmatch(name))
            if (
                size > _MOST_BYTES
                or beside > MOST_BESIDE
                or (size > _SMALL and size > MOST_RATIO * len(data))
            ):
                raise _RefusedError(
                    f"refused: it would unpack to {size / 1e6:,.0f} MB, far more than any sheet of forms; copy the "
                    "rows into a new workbook, or save the sheet as CSV"
                )
            if any(_declares(parts, part) for part in parts.infolist()):
                raise _RefusedError("refused: it declares XML entities, as no spreadsheet does")
    except _RefusedError:
        raise
    except Exception as error:  # zipfile raises many kinds on junk
        raise _RefusedError(
            "not an .xlsx or .ods workbook; save it again from a spreadsheet as .xlsx"
        ) from error


def _declares(parts: zipfile.ZipFile, part: zipfile.ZipInfo) -> bool:
    """Whether an XML part opens with a document type, by which small files swell to fill the memory."""
    if not part.filename.casefold().endswith((".xml", ".rels")):
        return False
    with parts.open(part) as file:
        opening = file.read(4096)
    return b"<!DOCTYPE" in opening or b"<\x00!\x00D\x00O\x00C\x00T" in opening


def _refuse_many(found: _Found, letters: int = 0) -> None:
    """Raise where reading these cells (with so many letters in each, at most) would fill the memory."""
    if found.cells > MOST_CELLS or found.cells * letters > MOST_TEXT:
        raise _RefusedError(
            f"refused: it holds more than any sheet of forms ({found.cells:,} filled cells and more); hand in the "
            "forms' own rows alone"
        )


def _of_forms(titles: Sequence[tuple[str, bool, int]], file: str, findings: list[Finding]) -> dict[str, str]:
    """Which sheets are forms, title to form; what is hidden in them, and sheets that are none, are said.

    `titles` has each sheet's title, whether it is hidden, and its hidden rows.
    """
    forms = {}
    for title, hidden, rows in titles:
        name = title.strip().casefold()
        if name in FORMS:
            forms[title] = name
            said = ["a hidden sheet"] if hidden else []
            said += [f"{rows} hidden row{'s' if rows > 1 else ''}"] if rows else []
            findings += [
                Finding(name, None, None, what, "read like all others", refused=False) for what in said
            ]
        elif name not in NOTES_SHEETS:
            words = f"not read: no form has that name; the forms are {', '.join(FORMS)}"
            findings.append(Finding(file, None, None, f"a sheet “{title}”", words, refused=False))
    return forms


def _trimmed(rows: Any) -> list[Sequence[Any]]:
    """The rows up to the last that holds anything."""
    kept: list[Sequence[Any]] = []
    last = 0
    for row in rows:
        kept.append(row)
        if any(cell is not None for cell in row):
            last = len(kept)
    return kept[:last]


# .xlsx


def _read_xlsx(data: bytes, file: str, findings: list[Finding]) -> list[Sheet]:
    from openpyxl import load_workbook

    slim, found = _slim(data)
    book = load_workbook(io.BytesIO(slim), read_only=True, data_only=True, keep_links=False)
    parts = {sheet.title: found.get(sheet._worksheet_path, _Found()) for sheet in book.worksheets}
    told = [(s.title, s.sheet_state != "visible", parts[s.title].hidden) for s in book.worksheets]
    sheets = {}
    for title, name in _of_forms(told, file, findings).items():
        book[title].reset_dimensions()  # the size a sheet claims may be a million empty rows
        sheets[title] = Sheet(name, file, _trimmed(book[title].iter_rows(values_only=True)))
    formulas = any(parts[title].formulas for title in sheets)
    return _with_formulas(slim, sheets) if formulas else list(sheets.values())


def _slim(data: bytes) -> tuple[bytes, dict[str, _Found]]:
    """The workbook without pictures and without rows that hold nothing, and what each of its sheets holds."""
    out, found = io.BytesIO(), {}
    with zipfile.ZipFile(io.BytesIO(data)) as parts, zipfile.ZipFile(out, "w") as target:
        for part in parts.infolist():
            if _SHEET.fullmatch(part.filename):
                found[part.filename] = _Found()
                with parts.open(part) as sheet:
                    target.writestr(part.filename, b"".join(_filled_rows(sheet, found[part.filename])))
            elif part.filename.casefold().endswith((".xml", ".rels")):
                target.writestr(part.filename, parts.read(part))
    _refuse_many(_Found(sum(f.cells for f in found.values())))
    return out.getvalue(), found


def _filled_rows(sheet: IO[bytes], found: _Found) -> Iterator[bytes]:
    """A sheet's XML piece by piece, rows without a value left out; what it holds goes to `found`."""
    held, head = b"", True
    while chunk := sheet.read(_CHUNK):
        held += chunk
        if not head and not _FILLED.search(held):
            held = held[held.rfind(b"</row>") + len(b"</row>") :] if b"</row>" in held else held
        *rows, held = held.split(b"</row>")
        held = _EMPTY_ROW.sub(b"", held)
        for row in rows:
            if head:
                start = row.find(b"<row")
                yield row[:start]
                row, head = row[start:], False
            if _FILLED.search(row):
                _count(row, found)
                yield row + b"</row>"
        if len(held) > 64 * _CHUNK:
            raise _RefusedError("refused: a row of it is longer than any sheet's; save the sheet as CSV")
        _refuse_many(found)
    yield held


def _count(row: bytes, found: _Found) -> None:
    found.cells += row.count(b"<v>") + row.count(b"<v ") + row.count(b"<is>")
    found.formulas |= b"<f" in row
    opening = row[row.rfind(b"<row") :].split(b">", 1)[0]
    found.hidden += b'hidden="1"' in opening or b'hidden="true"' in opening


def _with_formulas(data: bytes, sheets: dict[str, Sheet]) -> list[Sheet]:
    """The sheets, with a formula whose value was never stored standing as such instead of as a blank."""
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(data), read_only=True, keep_links=False)
    found = []
    for title, sheet in sheets.items():
        book[title].reset_dimensions()
        written = book[title].iter_rows(values_only=True)
        rows = [
            [_unless_stored(value, formula) for value, formula in zip(row, formulas, strict=False)]
            for row, formulas in zip(sheet.rows, written, strict=False)
        ]
        found.append(Sheet(sheet.title, sheet.file, rows))
    return found


def _unless_stored(value: Any, written: Any) -> Any:
    is_formula = not isinstance(written, str) or written.startswith("=")
    return Uncomputed(str(written)) if value is None and written is not None and is_formula else value


# .ods


def _read_ods(data: bytes, file: str, findings: list[Finding]) -> list[Sheet]:
    from python_calamine import CalamineWorkbook, SheetVisibleEnum

    found = _scan_ods(data)
    book = CalamineWorkbook.from_filelike(io.BytesIO(data))
    told = [
        (sheet.name, sheet.visible != SheetVisibleEnum.Visible, found.get(sheet.name, _Found()).hidden)
        for sheet in book.sheets_metadata
    ]
    sheets = []
    for title, name in _of_forms(told, file, findings).items():
        rows = book.get_sheet_by_name(title).to_python(skip_empty_area=False)
        sheets.append(Sheet(name, file, _trimmed([[_plain(cell) for cell in row] for row in rows])))
    return sheets


def _plain(cell: Any) -> Any:
    """A cell as the other reader gives it: blank is None, a number without decimals is whole."""
    if cell == "" and isinstance(cell, str):
        return None
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 2**53:
        return int(cell)
    return cell


def _scan_ods(data: bytes) -> dict[str, _Found]:
    """What each sheet holds: a cell or a row may say that it stands there a million times."""
    found: dict[str, _Found] = {}
    with zipfile.ZipFile(io.BytesIO(data)) as parts, parts.open("content.xml") as content:
        table, filled, widest = _Found(), 0, 0
        for event, element in iterparse(content, events=("start", "end")):
            kind = element.tag.rpartition("}")[2]
            if event == "start":
                if kind == "table":
                    table = found.setdefault(_said(element, "name"), _Found())
                continue
            if kind in ("table-cell", "covered-table-cell"):
                times = int(_said(element, "number-columns-repeated") or 1)
                holds = bool(_said(element, "value-type"))
                filled += times if holds else 0
                widest = max(widest, sum(len(text) for text in element.itertext()) if holds else 0)
                element.clear()
            elif kind == "table-row":
                times = int(_said(element, "number-rows-repeated") or 1)
                table.cells += filled * times
                table.hidden += (
                    times if filled and _said(element, "visibility") in ("collapse", "filter") else 0
                )
                filled = 0
                element.clear()
                _refuse_many(table, widest)
    return found


def _said(element: Element, name: str) -> str:
    """An attribute by its name without its namespace; empty where it is not there."""
    return next((value for key, value in element.attrib.items() if key.rpartition("}")[2] == name), "")
