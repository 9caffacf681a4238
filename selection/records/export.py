"""What is written out of a flock: everything recorded, as forms that make the same flock; and the next season's folder.

The rows that stand come as a CSV file a form and as one workbook, with the settings beside them. Text that a
spreadsheet would run as a formula has an apostrophe before it, which the reader takes off again.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from io import BytesIO, StringIO
from pathlib import Path

import numpy as np
import pandas as pd

from selection.errors import RecordsError, SettingsError
from selection.records.flock import read_flock
from selection.records.forms.cells import protect
from selection.records.forms.columns import FORMS
from selection.records.forms.schema import standing
from selection.records.forms.season_workbook import FORMATS, cell_value, write_forms, written_in
from selection.records.ledger import durable
from selection.records.ledger.appending import read_rows
from selection.records.ledger.kept import PLAN, STANDARD, STANDARDS, read_meetings, read_settings
from selection.records.settings.plan import Plan, parse_plan, plan_of, standards_of
from selection.records.settings.reading import Standard

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


_FOLDER = "next"
KEYS = {"on": r"\d{4}-\d{2}-\d{2}", "season": r"[+]?\d+"}
"""The keys of plan.toml that move on, with how their values are written."""


@dataclass(frozen=True)
class NextSeason:
    """What was left for the next season: the files written, and in words what was left as it is, and why."""

    written: tuple[Path, ...] = ()
    said: tuple[str, ...] = ()


def write_next(flock_path: str | Path, out: str | Path, day: date) -> NextSeason:
    """Leave `out`/next with next season's plan.toml and workbook; nothing before a meeting of the season was held.

    Parameters
    ----------
    flock_path
        The flock's folder.
    out
        The folder that the season's forms go to.
    day
        Who is alive on that day, and what each wears, is in the workbook.

    Returns
    -------
    NextSeason
        A plan or a workbook there that somebody has changed is left as it is, and that is said.

    Raises
    ------
    RecordsError
        Where the plan's text cannot be moved on, or the disk does not take the files.
    """
    settings = read_settings(flock_path)
    standard = standards_of(settings).latest
    plan = plan_of(settings, standard)
    if not _was_held(flock_path, plan, standard):
        return NextSeason()
    text = next_plan(settings.plan or "", plan, standard)
    coming = parse_plan(text, standard)
    folder = Path(out) / _FOLDER
    settled, book = folder / "plan.toml", folder / f"forms-{coming.season}.xlsx"
    written, said = [], []
    if settled.exists() and settled.read_text(encoding="utf-8", errors="replace") != text:
        said.append(f"{settled} says otherwise than this season's plan moved on, and is left as it is")
    else:
        with durable.disk_faults(folder):
            folder.mkdir(parents=True, exist_ok=True)
            durable.publish(settled, text.encode())
        written.append(settled)
    if written_in(book):
        said.append(f"{book} has been written in and is left as it is")
    else:
        written.append(write_forms(read_flock(flock_path, replace(coming, on=day)), book))
    return NextSeason(tuple(written), tuple(said))


def next_plan(text: str, plan: Plan, standard: Standard) -> str:
    """The text of plan.toml with the meeting's day and the season a year on, the rest as it was.

    `plan` is what `text` says. Raises RecordsError where the text is written so that this cannot be done.
    """
    coming = replace(plan, on=a_year_on(plan.on), season=plan.season + 1)
    wanted: Mapping[str, str] = {"on": f"{coming.on}", "season": f"{coming.season}"}
    head, *rest = re.split(r"(?m)^(?=\s*\[)", text, maxsplit=1)
    for key, value in KEYS.items():
        head = re.sub(rf'(?m)^(\s*(["\']?){key}\2\s*=\s*){value}', rf"\g<1>{wanted[key]}", head, count=1)
    moved = "".join([head, *rest])
    try:
        done = parse_plan(moved, standard) == coming
    except SettingsError:
        done = False
    if not done:
        raise RecordsError(
            "plan.toml: its lines `on` and `season` cannot be moved on; write each on a line of its own before the "
            f"first table, like on = {plan.on} and season = {plan.season}"
        )
    return moved


def a_year_on(day: date) -> date:
    """The same day of the next year; 28 February for the 29th."""
    return day.replace(year=day.year + 1, day=28 if (day.month, day.day) == (2, 29) else day.day)


def _was_held(flock_path: str | Path, plan: Plan, standard: Standard) -> bool:
    """Whether a meeting of the plan's season was held."""
    for day, tables in read_meetings(flock_path).items():
        if day == plan.on:
            return True
        if "read" in tables:
            texts = tables["read"].set_index("what")["text"]
            try:
                if parse_plan(texts["plan"], standard).season == plan.season:
                    return True
            except SettingsError:
                continue
    return False
