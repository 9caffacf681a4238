"""The sheets of an .xlsx workbook as plain rows of values; a workbook that could do harm is refused.

Macros and links to other files are never followed. Dates come as dates, and a formula as the value last
stored for it.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from selection.errors import Finding
from selection.records.forms.cells import Uncomputed
from selection.records.forms.columns import FORMS

MOST_BYTES = 400_000_000
"""What a workbook may unpack to: some ten times the largest sheet of a flock's lifetime."""
MOST_RATIO = 200
"""A sheet packs ten- to fiftyfold; more than this, on more than `SMALL` bytes, is no sheet."""
SMALL = 20_000_000
AFTER_MEETING = "after the meeting"
NOTES_SHEETS = ("read me", "readme", "about", "words", AFTER_MEETING)
"""Sheets that explain and hold no records."""
_OLD = b"\xd0\xcf\x11\xe0"


@dataclass(frozen=True)
class Sheet:
    """One sheet: its title, the file it stands in, its rows from row 1 on (shorter rows end in blanks)."""

    title: str
    file: str
    rows: Sequence[Sequence[Any]]


def read_workbook(data: bytes, file: str, findings: list[Finding]) -> list[Sheet]:
    """The sheets that are named as a form; everything else about the workbook goes to `findings`."""
    if reason := _unsafe(data):
        findings.append(Finding(file, None, None, "", reason))
        return []
    try:
        return _sheets(data, file, findings)
    except Exception as error:  # a broken workbook fails anywhere inside the reader, in any way
        reason = f"an .xlsx workbook that opens in a spreadsheet; reading it failed ({type(error).__name__})"
        findings.append(Finding(file, None, None, "a damaged workbook", reason))
        return []


def _unsafe(data: bytes) -> str | None:
    """Why the workbook is not opened at all, or None."""
    if data.startswith(_OLD):
        return "an old .xls or a workbook under a password; save it as .xlsx without a password"
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            size = sum(part.file_size for part in parts.infolist())
            if size > MOST_BYTES or (size > SMALL and size > MOST_RATIO * len(data)):
                return f"refused: it would unpack to {size / 1e6:,.0f} MB, far more than any sheet of forms"
            if any(_declares(parts, part) for part in parts.infolist()):
                return "refused: it declares XML entities, as no spreadsheet does"
    except Exception:  # zipfile raises many kinds on junk
        return "not an .xlsx workbook; save it again from a spreadsheet as .xlsx"
    return None


def _declares(parts: zipfile.ZipFile, part: zipfile.ZipInfo) -> bool:
    """Whether an XML part opens with a document type, by which small files swell to fill the memory."""
    if not part.filename.casefold().endswith((".xml", ".rels")):
        return False
    with parts.open(part) as file:
        opening = file.read(4096)
    return b"<!DOCTYPE" in opening or b"<\x00!\x00D\x00O\x00C\x00T" in opening


def _sheets(data: bytes, file: str, findings: list[Finding]) -> list[Sheet]:
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
    found = []
    for sheet in book.worksheets:
        name = sheet.title.strip().casefold()
        if name in FORMS:
            sheet.reset_dimensions()  # the size a sheet claims may be a million empty rows
            found.append(Sheet(name, file, _trimmed(sheet.iter_rows(values_only=True))))
        elif name not in NOTES_SHEETS:
            words = f"not read: no form has that name; the forms are {', '.join(FORMS)}"
            findings.append(Finding(file, None, None, f"a sheet “{sheet.title}”", words, refused=False))
    return _with_formulas(data, found) if _has_formulas(data) else found


def _trimmed(rows: Any) -> list[Sequence[Any]]:
    """The rows up to the last that holds anything."""
    kept: list[Sequence[Any]] = []
    last = 0
    for row in rows:
        kept.append(row)
        if any(cell is not None for cell in row):
            last = len(kept)
    return kept[:last]


def _has_formulas(data: bytes) -> bool:
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        sheets = [n for n in parts.namelist() if n.startswith("xl/worksheets/") and n.endswith(".xml")]
        return any(b"<f>" in content or b"<f " in content for content in map(parts.read, sheets))


def _with_formulas(data: bytes, sheets: list[Sheet]) -> list[Sheet]:
    """The sheets, with a formula whose value was never stored standing as such instead of as a blank."""
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(data), read_only=True, keep_links=False)
    by_title = {sheet.title.strip().casefold(): sheet for sheet in book.worksheets}
    found = []
    for sheet in sheets:
        by_title[sheet.title].reset_dimensions()
        written = by_title[sheet.title].iter_rows(values_only=True)
        rows = [
            [_unless_stored(value, formula) for value, formula in zip(row, formulas, strict=False)]
            for row, formulas in zip(sheet.rows, written, strict=False)
        ]
        found.append(Sheet(sheet.title, sheet.file, rows))
    return found


def _unless_stored(value: Any, written: Any) -> Any:
    is_formula = not isinstance(written, str) or written.startswith("=")
    return Uncomputed(str(written)) if value is None and written is not None and is_formula else value
