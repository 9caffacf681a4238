"""Refused rows on their way back to the breeder: the sheet as it was handed in, then `row` and `reason`."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from datetime import date, datetime, time
from pathlib import Path

import pandas as pd

from selection.records import durable
from selection.records.errors import Finding
from selection.records.parsing import protect
from selection.records.reading import HANDED_BACK, Raw

FOLDER = "refused"


def refused_rows(raw: Raw, rows: pd.Index, found: Iterable[Finding]) -> pd.DataFrame:
    """The refused `rows` of a sheet: its own columns as typed, `row` as spreadsheets number it, `reason`."""
    reasons: dict[int, list[str]] = {}
    for finding in found:
        if finding.refused and finding.row is not None and finding.form == raw.form:
            reasons.setdefault(finding.row, []).append(finding.reason())
    kept = [i for i, name in enumerate(raw.header) if name.casefold() not in HANDED_BACK]
    frame = raw.cells.loc[rows, kept].map(cell_text).set_axis([raw.header[i] for i in kept], axis=1)
    frame["row"] = [str(row) for row in rows]
    frame["reason"] = ["; ".join(dict.fromkeys(reasons[row])) for row in rows]
    return frame.reset_index(drop=True)


def cell_text(cell: object) -> str:
    """A raw cell as a CSV file holds it."""
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        return cell.date().isoformat() if cell.time() == time() else cell.isoformat(sep=" ")
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)


def give_back(flock_path: Path, refused: Mapping[str, pd.DataFrame]) -> None:
    """Write `refused/<form>.csv` for each form with refused rows; a form without any loses its earlier file.

    Raises RecordsError where the disk does not take it.
    """
    folder = Path(flock_path) / FOLDER
    with durable.in_words(folder):
        for form, rows in refused.items():
            path = folder / f"{form}.csv"
            if len(rows):
                durable.publish(path, _csv(rows))
            else:
                path.unlink(missing_ok=True)


def _csv(frame: pd.DataFrame) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(map(protect, frame.columns))
    writer.writerows([protect(cell) for cell in row] for row in frame.itertuples(index=False, name=None))
    return text.getvalue().encode()
