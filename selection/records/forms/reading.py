"""From what a holding hands in (a folder, a CSV file, a workbook) to raw sheets, and from a raw sheet to typed rows.

A raw sheet's cells stay as they stand, under the row numbers that a spreadsheet shows. Its header is then understood
and its cells read by their columns' kinds. What cannot be read, or is not a form, becomes a finding in its place; all
else is read all the same.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from selection.errors import Finding, RecordsError
from selection.records.forms.cells import Parsed, parse_column, shown, tidy
from selection.records.forms.columns import FORMS, Column, Form
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


def settings_beside(path: Path) -> dict[str, Path]:
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


ASKED = "price asked: {}"
"""The note of a sale that the workbook has ready, to be filled in with the price paid."""
CLEAR = "(blank)"
"""What a cell says to clear the value on record: a blank cell only says nothing."""
_MEANT = {
    **dict.fromkeys(("date", "day"), ("on", "set_on", "fitted_on", "from")),
    **dict.fromkeys(("weight", "kg", "g"), ("grams",)),
    **dict.fromkeys(("number", "name", "id"), ("bird", "clutch")),
    "count": ("eggs",),
}
"""Columns that a breeder may mean by another word."""


@dataclass(frozen=True)
class Typed:
    """Typed `rows` of one form under spreadsheet rows: the columns handed in, faulty cells blank.

    `cleared` holds, by column, the rows whose cell asks for the value on record to be cleared; `lacking` a fault for
    each value that a row must give unless its key is on record already.
    """

    rows: pd.DataFrame
    cleared: dict[str, pd.Index]
    findings: list[Finding]
    lacking: list[Finding]


def read_sheet(
    raw: Raw, sections: Iterable[Column] = (), units: Mapping[str, str] = MappingProxyType({})
) -> Typed:
    """The typed rows of a raw sheet; `sections` are the looks' own columns (scores only).

    `units` gives, by folded name, the unit of each trait of the measures form; a value may be written with it.
    A column of the key that is missing, or one that stands there twice, refuses every row of the sheet. Rows that
    name a bird and say nothing of it (the season's workbook has one for each living bird) are left out.
    """
    form = FORMS[raw.form]
    raw, idle = _without_idle(raw, form)
    columns = {c.name.casefold(): c for c in (*form.columns, *sections)}
    places = raw.places()
    findings = idle + _header_findings(raw, form, columns)
    lacking = _columns_lacking(raw, form)
    rows, cleared = {}, {}
    for name, column in columns.items():
        if name in places:
            cells, cleared[column.name] = without_clears(raw.cells[places[name][0]])
            measured = units and raw.form == "measures" and column.name == "value"
            parsed = _by_unit(raw, cells, column, units) if measured else parse_column(cells, column)
            rows[column.name] = _with_meaning(parsed.values, column, cleared[column.name])
            findings += _cell_findings(form.name, column, cells, parsed.expected, parsed.notes)
            blank = _blanks(form.name, column, parsed, cleared[column.name])
            findings += blank if column.name in form.key else []
            lacking += [] if column.name in form.key else blank
    frame = pd.DataFrame(rows, index=raw.cells.index)
    if raw.cells.empty:
        findings, lacking = findings + lacking, []
    return Typed(frame, {c: at for c, at in cleared.items() if len(at)}, findings, lacking)


def _by_unit(raw: Raw, cells: pd.Series, column: Column, units: Mapping[str, str]) -> Parsed:
    """The measurements, each in the unit of the trait that its row names."""
    at = raw.places().get("trait")
    traits = raw.cells[at[0]] if at else pd.Series("", cells.index)
    unit = pd.Series(
        [units.get(tidy(str(trait)).casefold(), "") for trait in traits], cells.index, dtype="str"
    )
    parts = [parse_column(own, replace(column, unit=str(one))) for one, own in cells.groupby(unit)]
    if not parts:
        return parse_column(cells, column)
    return Parsed(
        pd.concat([part.values for part in parts]).reindex(cells.index),
        {row: words for part in parts for row, words in part.expected.items()},
        {row: words for part in parts for row, words in part.notes.items()},
    )


def _without_idle(raw: Raw, form: Form) -> tuple[Raw, list[Finding]]:
    """The sheet without rows that only say which bird they would be about, and a remark on those."""
    if form.name == "sales":
        idle = _unsold(raw)
    else:
        naming = {"bird", "left", "right", *HANDED_BACK}
        says = [i for i, name in enumerate(raw.header) if name.casefold() not in naming]
        if not form.names_bird or raw.cells.empty or not says:
            return raw, []
        idle = ~filled_rows(raw.cells[says])
    if not idle.any():
        return raw, []
    found = f"{idle.sum()} rows that name a bird and say nothing of it"
    remark = Finding(raw.form, None, None, found, "left out as not filled in", refused=False)
    return replace(raw, cells=raw.cells[~idle]), [remark]


def _unsold(raw: Raw) -> pd.Series:
    """Which rows of a sales sheet stand as the workbook had them: with a note of what is asked, and no price paid."""
    places = raw.places()
    if not {"price", "note"} <= set(places):
        return pd.Series(False, index=raw.cells.index)
    note = raw.cells[places["note"][0]].astype("str").str.strip()
    return note.str.startswith(ASKED.format("")) & ~filled_rows(raw.cells[places["price"][:1]])


def _header_findings(raw: Raw, form: Form, columns: dict[str, Column]) -> list[Finding]:
    """What is wrong with the header; a fault of the header is a fault of each row."""
    places = raw.places()
    unlisted = (at for name, at in places.items() if name not in {*columns, *HANDED_BACK})
    findings = [finding for at in unlisted for finding in _unlisted(raw, at, columns)]
    twice = [raw.header[at[0]] for name, at in places.items() if name in columns and len(at) > 1]
    for name in twice:
        findings += _on_each_row(raw, name, "two columns of that name", "leave one of them")
    for name in (c for c in form.required if c in form.key and c not in places):
        words = "every row needs it: name it in the header"
        findings += _on_each_row(raw, name, "no column of that name", words)
    return findings


def _columns_lacking(raw: Raw, form: Form) -> list[Finding]:
    """A fault on each row for each column that only rows whose key is on record may leave out."""
    places = raw.places()
    words = "every row needs it whose key is not on record yet: name it in the header"
    missing = [c for c in form.required if c not in form.key and c not in places]
    return [f for c in missing for f in _on_each_row(raw, c, "no column of that name", words)]


def _on_each_row(raw: Raw, column: str, found: str, expected: str) -> list[Finding]:
    rows: Iterable[int | None] = raw.cells.index if len(raw.cells) else [None]
    return [Finding(raw.form, row, column, found, expected) for row in rows]


def _unlisted(raw: Raw, at: list[int], columns: dict[str, Column]) -> list[Finding]:
    """A remark on a column that the form does not have; on each row with cells under no name at all."""
    name = raw.header[at[0]]
    if not name:
        found = f"a cell without a name over it, in column {at[0] + 1}"
        words = "not recorded; was a decimal comma meant (write 2.3), or a name for the column forgotten?"
        rows = raw.cells.index[filled_rows(raw.cells[at])]
        return [Finding(raw.form, row, None, found, words, refused=False) for row in rows]
    near = get_close_matches(name.casefold(), columns, n=1) or _MEANT.get(name.casefold(), ())
    hint = " or ".join(columns[one].name for one in near if one in columns)
    hint = f"perhaps {hint}" if hint else f"the columns are {_listed(columns.values())}"
    found = "a column that this form does not have"
    return [Finding(raw.form, None, name, found, f"not recorded; {hint}", refused=False)]


def _listed(columns: Iterable[Column]) -> str:
    return ", ".join(c.name for c in columns)


def without_clears(cells: pd.Series) -> tuple[pd.Series, pd.Index]:
    """The cells without those that ask to clear a value, and the rows where these stand."""
    asking = [cell for cell in set(cells) if isinstance(cell, str) and tidy(cell).casefold() == CLEAR]
    asks = cells.isin(asking)
    return (cells.mask(asks, None) if asking else cells), cells.index[asks]


def _with_meaning(values: pd.Series, column: Column, cleared: pd.Index) -> pd.Series:
    """The values with what a blank cell says filled in, where it says anything."""
    if column.blank_means is None:
        return values
    return values.mask(values.isna() & ~values.index.isin(cleared), column.blank_means)


def _cell_findings(
    form: str, column: Column, cells: pd.Series, expected: dict[int, str], notes: dict[int, str]
) -> list[Finding]:
    name = column.name
    faults = [
        Finding(form, row, name, shown(cells[row]), f"expected {what}") for row, what in expected.items()
    ]
    taken = [Finding(form, row, name, shown(cells[row]), what, refused=False) for row, what in notes.items()]
    return faults + taken


def _blanks(form: str, column: Column, parsed: Parsed, cleared: pd.Index) -> list[Finding]:
    """A fault for each blank in a column that must be filled."""
    if not column.required or column.blank_means:
        return []
    blank = parsed.values.index[parsed.values.isna()].difference(cleared).difference(list(parsed.expected))
    return [Finding(form, row, column.name, "a blank cell", f"expected {column.meaning}") for row in blank]
