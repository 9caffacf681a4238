"""From what a holding hands in (a folder, a CSV file, a workbook) to raw sheets, one for each form.

Nothing is interpreted here: cells stay as they stand, under the row numbers that a spreadsheet shows. What
cannot be read, or is not a form, becomes a finding; other sheets are read all the same.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from selection.errors import Finding, RecordsError
from selection.records.forms.columns import FORMS
from selection.records.forms.workbooks import KINDS, Sheet, read_workbook
from selection.records.ledger.durable import reason

SETTINGS = ("standard.toml", "plan.toml")
HANDED_BACK = ("row", "reason")
"""Columns that refused rows carry when they come back; they say nothing new when handed in again."""
PEDIGREE = "pedigree.csv"
"""What an export leaves beside the forms, worked out from them: no form, and passed over when handed in."""
OLD_ENCODING = "cp1252"
_DELIMITERS = ",;\t"
_LONGEST_CELL = 1_000_000
_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_CONTROLS = [chr(i) for i in range(32) if chr(i) not in "\t\r\n\f\v"]


@dataclass(frozen=True)
class Raw:
    """One form as handed in: `header` as typed, `cells` (object, one column each, under spreadsheet rows)."""

    form: str
    file: str
    header: tuple[str, ...]
    cells: pd.DataFrame

    def places(self) -> dict[str, list[int]]:
        """Where each column stands, by its case-folded name."""
        found: dict[str, list[int]] = {}
        for place, name in enumerate(self.header):
            found.setdefault(name.casefold(), []).append(place)
        return found


@dataclass(frozen=True)
class HandedIn:
    """Everything that was handed in: raw sheets by form, the settings files beside them, what was found."""

    forms: dict[str, Raw]
    settings: dict[str, Path]
    findings: tuple[Finding, ...]


def read_forms(path: Path) -> HandedIn:
    """All forms in a folder of CSV files and workbooks, in one workbook, or in one CSV file.

    Folders within the folder, hidden files, a spreadsheet's lock files and an export's pedigree are passed over.

    Raises RecordsError where there is nothing at `path` or it cannot be opened at all.
    """
    path = Path(path)
    try:
        there = path.exists()
        files = sorted(f for f in path.iterdir() if f.is_file()) if path.is_dir() else [path]
    except OSError as error:
        raise RecordsError(f"{path}: cannot be opened: {reason(error)}") from error
    if not there:
        raise RecordsError(f"{path}: nothing is there; give a folder of forms, a workbook or a CSV file")
    files = [f for f in files if not f.name.startswith((".", "~$")) and f.name != PEDIGREE]
    settings = {f.name: f for f in files if f.name in SETTINGS}
    sheets: list[Sheet] = []
    findings: list[Finding] = []
    for file in files:
        if file.name not in SETTINGS:
            _read_file(file, sheets, findings)
    return HandedIn(_by_form(sheets, findings), settings, tuple(findings))


def beside(path: Path) -> dict[str, Path]:
    """The settings files in the folder of a workbook or CSV file."""
    return {
        name: path.parent / name for name in SETTINGS if path.is_file() and (path.parent / name).is_file()
    }


def _read_file(file: Path, sheets: list[Sheet], findings: list[Finding]) -> None:
    """Add the sheets of one file, or the reason why there are none."""
    kind = file.suffix.casefold()
    expected = f"a form's name: {', '.join(FORMS)}"
    if kind not in (".csv", *KINDS):
        findings.append(
            _unread(file.name, "", "not read: forms are .csv files or sheets of an .xlsx or .ods workbook")
        )
    elif kind == ".csv" and file.stem.strip().casefold() not in FORMS:
        findings.append(_unread(file.name, f"the name {file.stem}", expected, refused=True))
    else:
        try:
            data = file.read_bytes()
        except OSError as error:
            findings.append(_unread(file.name, "", f"cannot be read: {reason(error)}", refused=True))
            return
        read = _read_csv if kind == ".csv" else read_workbook
        sheets += read(data, file.name, findings)


def _unread(form: str, found: str, expected: str, refused: bool = False) -> Finding:
    return Finding(form, None, None, found, expected, refused=refused)


def _by_form(sheets: Iterable[Sheet], findings: list[Finding]) -> dict[str, Raw]:
    forms: dict[str, Raw] = {}
    for sheet in sheets:
        name = sheet.title.strip().casefold()
        raw = _raw(sheet, name, findings)
        if raw and name in forms:
            found = f"a second sheet of this form in {sheet.file}"
            findings.append(_unread(name, found, f"one; that in {forms[name].file} was read", refused=True))
        elif raw:
            forms[name] = raw
    return {name: forms[name] for name in FORMS if name in forms}


def _raw(sheet: Sheet, form: str, findings: list[Finding]) -> Raw | None:
    """The sheet under its header; None (and a finding) where it has none. Rows wholly blank are left out."""
    rows = list(sheet.rows)
    header = [_name(cell) for cell in rows[0]] if rows else []
    if not any(header):
        findings.append(
            _unread(form, "an empty sheet", "a header in row 1 that names the columns", refused=True)
        )
        return None
    width = max(map(len, rows))
    header += [""] * (width - len(header))
    cells = np.full((len(rows) - 1, width), None, dtype=object)
    for i, row in enumerate(rows[1:]):
        cells[i, : len(row)] = row
    frame = pd.DataFrame(cells, index=range(2, len(rows) + 1), dtype="object")
    used = [i for i in range(width) if header[i] or filled_rows(frame[[i]]).any()]
    frame = frame.loc[filled_rows(frame), used].set_axis(range(len(used)), axis=1)
    return Raw(form, sheet.file, tuple(header[i] for i in used), frame)


def filled_rows(cells: pd.DataFrame) -> np.ndarray:
    """Which rows of raw cells hold anything at all."""
    rows = cells.to_numpy(dtype="object")
    return np.array([any(map(_is_filled, row)) for row in rows], dtype=bool)


def _is_filled(cell: Any) -> bool:
    return cell is not None and not (isinstance(cell, str) and (not cell or cell.isspace()))


def _name(cell: Any) -> str:
    return "" if cell is None else str(cell).strip().lstrip("\ufeff").strip()


def _read_csv(data: bytes, file: str, findings: list[Finding]) -> list[Sheet]:
    """The one sheet of a CSV file: UTF-8, UTF-16 with its mark, or Windows-1252; comma, semicolon or tab."""
    form = Path(file).stem.strip().casefold()
    text, encoding = _decoded(data)
    if text is None:
        expected = "a text file of comma-separated values; save the sheet again as CSV (UTF-8)"
        findings.append(_unread(form, "a file that is no text", expected, refused=True))
        return []
    if encoding == OLD_ENCODING:
        words = "taken as Windows-1252: look whether letters with accents came out right"
        findings.append(_unread(form, "a text file that is not UTF-8", words))
    text, delimiter = _delimiter(text)
    csv.field_size_limit(_LONGEST_CELL)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        rows: list[Sequence[Any]] = list(reader)
    except csv.Error as error:
        found = f"a cell near line {reader.line_num} that does not end"
        findings.append(_unread(form, found, f"quotation marks in pairs ({error})", refused=True))
        return []
    return [Sheet(form, file, rows)]


def _decoded(data: bytes) -> tuple[str | None, str]:
    """The text of the file, None where it is none, and its encoding."""
    marked = next((name for mark, name in _MARKS if data.startswith(mark)), None)
    for encoding in [marked] if marked else ["utf-8", OLD_ENCODING]:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        return None if any(control in text for control in _CONTROLS) else text, encoding
    return None, ""


def _delimiter(text: str) -> tuple[str, str]:
    """The text (without a leading `sep=` line) and what parts its cells: whatever parts the header most."""
    first, _, rest = text.partition("\n")
    if first.casefold().startswith("sep=") and first[4:5] in _DELIMITERS and first[4:5]:
        return rest, first[4]
    return text, max(_DELIMITERS, key=first.count)
