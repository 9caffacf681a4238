"""Everything recorded, given back as forms: handed in again, they make the same flock.

The rows that stand come as a CSV file a form and as one workbook, with the settings beside them. Text that a
spreadsheet would run as a formula has an apostrophe before it, which the reader takes off again.
"""

from __future__ import annotations

import csv
import re
from io import BytesIO, StringIO
from pathlib import Path

import numpy as np
import pandas as pd

from selection.records.forms.cells import protect
from selection.records.forms.columns import FORMS
from selection.records.forms.schema import standing
from selection.records.forms.season_workbook import FORMATS, cell_value
from selection.records.ledger import durable
from selection.records.ledger.appending import read_rows
from selection.records.ledger.kept import PLAN, STANDARD, STANDARDS, read_settings

WORKBOOK = Path("workbook") / "forms.xlsx"
_NOT_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")


def export(flock_path: str | Path, out: str | Path) -> list[Path]:
    """Write every form of the flock to the folder `out`; the paths written.

    `out` holds `<form>.csv`, `standard.toml` and `plan.toml` (and under `standards/` every standard with its
    day, if there were several); `out/workbook/` the same with one workbook in the place of the CSV files. Either
    folder can be recorded as it is. Withdrawn rows stay out. Raises RecordsError where there is no flock or the
    disk does not take it.
    """
    out = Path(out)
    frames = {name: standing(form, read_rows(flock_path, name)) for name, form in FORMS.items()}
    files = {out / f"{name}.csv": csv_bytes(frame) for name, frame in frames.items()}
    files[out / WORKBOOK] = workbook_bytes(frames)
    files |= _settings(flock_path, out)
    for path, data in files.items():
        with durable.disk_faults(path):
            durable.publish(path, data)
    return list(files)


def _settings(flock_path: str | Path, out: Path) -> dict[Path, bytes]:
    """The settings in force, for both folders, and every standard there was if there were several."""
    settings = read_settings(flock_path)
    files: dict[Path, bytes] = {}
    for folder in (out, (out / WORKBOOK).parent):
        for name, text in ((STANDARD, settings.standard), (PLAN, settings.plan)):
            if text is not None:
                files[folder / name] = text.encode()
        for day, text in settings.standards if len(settings.standards) > 1 else ():
            files[folder / STANDARDS / f"{day}.toml"] = text.encode()
    return files


def export_table(frame: pd.DataFrame, path: Path) -> Path:
    """Write a table worked out from the records to `path`, as the forms are written; the path."""
    with durable.disk_faults(path):
        durable.publish(path, csv_bytes(frame))
    return path


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """A frame as CSV (UTF-8, comma, LF): of a form its columns and, for looks, every section's."""
    text = StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(protect(str(c)) for c in frame.columns)
    columns = [_as_text(frame[c]) for c in frame.columns]
    writer.writerows(zip(*columns, strict=True))
    return text.getvalue().encode()


def _as_text(values: pd.Series) -> list[str]:
    """One column as text: days as ISO dates, numbers in full and never with an exponent, blanks empty."""
    if pd.api.types.is_datetime64_any_dtype(values):
        return values.dt.strftime("%Y-%m-%d").fillna("").tolist()
    if pd.api.types.is_numeric_dtype(values):
        return ["" if np.isnan(v) else np.format_float_positional(v, trim="-") for v in values]
    return [protect(v) if isinstance(v, str) else "" for v in values]


def workbook_bytes(frames: dict[str, pd.DataFrame]) -> bytes:
    """Every form as a sheet of one .xlsx workbook; characters that no workbook can hold become blanks."""
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell

    book = Workbook(write_only=True)
    for name, frame in frames.items():
        sheet = book.create_sheet(name)
        sheet.append([protect(str(c)) for c in frame.columns])
        kinds = {c.name: c.kind for c in FORMS[name].columns}
        formats = [FORMATS.get(kinds.get(c, "number"), "@") for c in frame.columns]
        for row in frame.itertuples(index=False):
            cells = [WriteOnlyCell(sheet, _plain(cell_value(value))) for value in row]
            for cell, number_format in zip(cells, formats, strict=True):
                cell.number_format = number_format
            sheet.append(cells)
    data = BytesIO()
    book.save(data)
    return data.getvalue()


def _plain(value: object) -> object:
    return _NOT_XML.sub(" ", value) if isinstance(value, str) else value
