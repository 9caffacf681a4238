"""Refused rows on their way back to the breeder: the sheet as it was handed in, then `row` and `reason`.

`refused/<form>.csv` holds what still waits to be mended: the rows refused just now, then those refused earlier
that no later hand-in has answered. A row is answered when the file itself is handed in, when a row that says
the same is handed in, when a row under its key is taken or refused, and when a mended copy comes that still
carries its `row` and `reason`.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path

import pandas as pd

from selection.errors import Finding, RecordsError
from selection.records.forms.cells import parse_column, protect, tidy, unprotect
from selection.records.forms.columns import FORMS
from selection.records.forms.reading import HANDED_BACK, Raw, read_forms, without_clears
from selection.records.forms.schema import folded
from selection.records.ledger import durable

FOLDER = "refused"
WHO = ("bird", "pen", "left", "right")
"""Columns of a key one of which must be filled in, where a form has any of them."""


def refused_rows(raw: Raw, rows: pd.Index, found: Iterable[Finding]) -> pd.DataFrame:
    """The refused `rows` of a sheet: its own columns as typed, `row` as spreadsheets number it, `reason`.

    Protection against formulas is off here: it is put on once, where the rows are written.
    """
    reasons: dict[int, list[str]] = {}
    for finding in found:
        if finding.refused and finding.row is not None and finding.form == raw.form:
            reasons.setdefault(finding.row, []).append(finding.reason())
    kept = [i for i, name in enumerate(raw.header) if name.casefold() not in HANDED_BACK]
    frame = (
        raw.cells.loc[rows, kept]
        .map(lambda cell: unprotect(cell_text(cell)))
        .set_axis([raw.header[i] for i in kept], axis=1)
    )
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
    return "" if str(cell).isspace() else str(cell)


@dataclass(frozen=True)
class Returned:
    """The refused `rows` of one form as they come back, its sheet, and which of its rows brought anything new."""

    raw: Raw
    source: Path
    rows: pd.DataFrame
    new: pd.Index


def give_back(flock_path: Path, returned: Mapping[str, Returned]) -> list[Finding]:
    """Bring `refused/<form>.csv` of each form handed in up to date; remarks on the rows that wait from before.

    A form with nothing left to mend loses its file. Where the disk does not take it that is a fault of the form,
    since what was taken is safe by then.
    """
    found: list[Finding] = []
    with durable.alone(Path(flock_path)):  # two hand-ins at one moment add to one file
        for form, back in returned.items():
            try:
                found += _bring_up_to_date(Path(flock_path) / FOLDER / f"{form}.csv", back)
            except RecordsError as error:
                words = f"refused rows could not be given back; their reasons stand here alone: {error}"
                found.append(Finding(form, None, None, "", words))
    return found


def _bring_up_to_date(path: Path, back: Returned) -> list[Finding]:
    """One form's file as it should be now, and remarks on the rows that wait in it from before."""
    header, rows = [str(name) for name in back.rows.columns], back.rows.to_numpy().tolist()
    with durable.disk_faults(path):
        earlier, remarks = _waiting(path, back)
        if earlier is not None:
            waiting = list(earlier.header), earlier.cells.to_numpy().tolist()
            header, rows = _together((header, rows), waiting)
        if rows:
            durable.publish(path, _csv(header, rows))
        else:
            path.unlink(missing_ok=True)
    return remarks


def _waiting(path: Path, back: Returned) -> tuple[Raw | None, list[Finding]]:
    """The rows in the file at `path` that what is handed in does not answer (None: none), and remarks on them."""
    form = back.raw.form
    if not path.is_file() or (back.source.exists() and path.samefile(back.source)):
        return None, []
    earlier = read_forms(path).forms.get(form)
    if earlier is None:
        aside = path.with_name(f"{path.name}.old")
        path.replace(aside)
        found = "rows refused earlier, in a file that cannot be read"
        return None, [Finding(form, None, None, found, f"kept as {FOLDER}/{aside.name}", refused=False)]
    waits = earlier.cells[~_answered(earlier, back)].map(lambda cell: unprotect(cell_text(cell)))
    found = f"{len(waits)} row{'s' if len(waits) > 1 else ''} refused earlier"
    words = f"they still wait in {FOLDER}/{path.name}; delete there what needs no mending"
    remark = [Finding(form, None, None, found, words, refused=False)] if len(waits) else []
    return Raw(form, earlier.file, earlier.header, waits), remark


def _answered(earlier: Raw, back: Returned) -> pd.Series:
    """Which rows refused earlier the sheet handed in answers (see the module's text)."""
    new = Raw(back.raw.form, back.raw.file, back.raw.header, back.raw.cells.loc[back.new])
    keys = set(_keys(new).dropna())
    same, carried = Counter(_said(back.raw)), Counter(_carried(back.raw).dropna())
    answered = _keys(earlier).isin(keys)
    for row, said, mark in zip(earlier.cells.index, _said(earlier), _carried(earlier), strict=True):
        for counter, label in ((same, said), (carried, mark)):
            if not answered[row] and counter[label]:
                counter[label] -= 1
                answered[row] = True
    return answered


def _said(raw: Raw) -> list[frozenset[tuple[str, str]]]:
    """By row everything it says, as comparable texts."""
    names = [name.casefold() for name in raw.header]
    kept = [(i, name) for i, name in enumerate(names) if name not in HANDED_BACK]
    texts = raw.cells.map(lambda cell: tidy(cell_text(cell)))
    return [
        frozenset((name, text) for i, name in kept if (text := row[i]))
        for row in texts.itertuples(index=False, name=None)
    ]


def _carried(raw: Raw) -> pd.Series:
    """By row its `row` and `reason` from when it was refused, as one text; blank where it has none."""
    places = raw.places()
    if any(name not in places for name in HANDED_BACK):
        return pd.Series(None, index=raw.cells.index, dtype="str")
    row, reason = (raw.cells[places[name][0]].map(cell_text).str.strip() for name in HANDED_BACK)
    return (row + " " + reason).where((row != "") & (reason != ""))


def _keys(raw: Raw) -> pd.Series:
    """By row its key as one text, colours as typed; blank where it lacks a part, or is of unnamed chicks."""
    form, places = FORMS[raw.form], raw.places()
    names = [*form.key, *(("left", "right") if form.names_bird else ())]
    parts = pd.DataFrame("", index=raw.cells.index, columns=names, dtype="str")
    for name in (name for name in names if name in places):
        cells = without_clears(raw.cells[places[name][0]])[0]
        typed = folded(parse_column(cells, form.column(name)).values)
        parts[name] = typed.where(typed != "", cells.map(lambda cell: tidy(cell_text(cell)).casefold()))
    needed = [name for name in names if form.column(name).required]
    who = [name for name in names if name in WHO]
    whole = (parts[needed] != "").all(axis=1) & ((parts[who] != "").any(axis=1) if who else True)
    if form.chicks and "clutch" in places:
        whole &= (parts["bird"] != "") | (raw.cells[places["clutch"][0]].map(cell_text).str.strip() == "")
    return parts.agg("\x1f".join, axis=1).where(whole)


_Rows = tuple[list[str], list[list[str]]]
"""A header, and rows of cells under it."""


def _together(first: _Rows, second: _Rows) -> _Rows:
    """Both under one header that has every column of either, `row` and `reason` last; a name may stand twice."""
    numbered = [_numbered(header) for header, _ in (first, second)]
    last = [(name, 1) for name in HANDED_BACK]
    columns = [c for c in dict.fromkeys([*numbered[0], *numbered[1]]) if c not in last] + last
    names = dict(zip(numbered[1], second[0], strict=True)) | dict(zip(numbered[0], first[0], strict=True))
    rows = [
        [cells.get(column, "") for column in columns]
        for place, (_, given) in zip(numbered, (first, second), strict=True)
        for cells in (dict(zip(place, row, strict=True)) for row in given)
    ]
    return [names.get(column, column[0]) for column in columns], rows


def _numbered(header: list[str]) -> list[tuple[str, int]]:
    """Each name folded, with how often it has stood there so far."""
    seen: Counter[str] = Counter()
    numbered = []
    for name in header:
        seen[name.casefold()] += 1
        numbered.append((name.casefold(), seen[name.casefold()]))
    return numbered


def _csv(header: list[str], rows: list[list[str]]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows([protect(cell) for cell in row] for row in (header, *rows))
    return text.getvalue().encode()
