"""This season's forms as one workbook, ready to fill in: a sheet a form, and nothing that can be got wrong easily.

Columns, notes and limits come from `tables.py` and the standard. Sheets are protected against a slip in the
header only, and without a password. What is on record and still open (living birds, rings worn, stays in a pen)
stands there already: a blank filled in completes its row, and rows left as they are change nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, time
from io import BytesIO
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from selection.records.after_meeting import after_meeting, to_go
from selection.records.flock import Flock
from selection.records.forms.cells import protect
from selection.records.forms.columns import FORMS, Column, Form
from selection.records.forms.reading import ASKED
from selection.records.forms.schema import folded
from selection.records.forms.workbooks import AFTER_MEETING
from selection.records.ledger import durable
from selection.records.rings import living, worn
from selection.records.settings.plan import Plan, section_columns

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.datavalidation import DataValidation
    from openpyxl.worksheet.worksheet import Worksheet

Lists = Mapping[str, list[str]]
SHEET = "words"
COLOURS = ("black", "blue", "green", "orange", "pink", "purple", "red", "white", "yellow")
"""Ring colours commonly sold (common practice, no source); those the flock has worn come on top."""
NUMBERS = ("number", "whole", "money")
SEVERAL = ("faults", "colour", "left", "right")
"""Columns where a cell may hold more than one word of its list, so that nothing is refused."""


def lists_of(flock: Flock) -> Lists:
    """The words to choose from, by what they are."""
    living = flock.birds.loc[flock.birds["alive"]]
    coloured = flock.rings["colour"].str.split("/").explode()
    return {
        "birds": names_in(living["bird"]),
        "cocks": names_in(living.loc[living["sex"] == "male", "bird"]),
        "hens": names_in(living.loc[living["sex"] == "female", "bird"]),
        "colours": names_in(COLOURS, coloured),
        "judges": names_in(flock.scores["judge"], flock.measures["judge"]),
        "faults": [fault.name for fault in flock.standard.faults],
        "pens": names_in(flock.pens["pen"], flock.clutches["pen"], flock.eggs["pen"]),
        "clutches": names_in(flock.clutches["clutch"]),
        "sources": names_in(flock.clutches["source"], flock.birds["source"]),
        "brooders": names_in(flock.clutches["brooder"]),
        "traits": [trait.name for trait in flock.standard.measured],
    }


LIST_OF = {
    "bird": "birds",
    "sire": "cocks",
    "dam": "hens",
    "colour": "colours",
    "left": "colours",
    "right": "colours",
    "judge": "judges",
    "faults": "faults",
    "pen": "pens",
    "clutch": "clutches",
    "source": "sources",
    "brooder": "brooders",
    "trait": "traits",
}
"""The list of a column, by the column's name."""


def names_in(*columns: Iterable[Any]) -> list[str]:
    """Every name in these columns once, in order, spelt as it comes first."""
    found: dict[str, str] = {}
    for column in columns:
        for value in column:
            if isinstance(value, str) and value.strip():
                found.setdefault(value.strip().casefold(), value.strip())
    return sorted(found.values(), key=str.casefold)


def put_lists(book: Workbook, lists: Lists) -> None:
    """Write the lists to their hidden sheet, one a column."""
    sheet = book.create_sheet(SHEET)
    sheet.sheet_state = "hidden"
    for number, (name, words) in enumerate(lists.items(), 1):
        for row, word in enumerate([name, *words], 1):
            sheet.cell(row, number, protect(word))


def restrict(sheet: Worksheet, number: int, column: Column, form: Form, lists: Lists, last_row: int) -> None:
    """Give a sheet's column its drop-down or its limits, from row 2 to `last_row`."""
    from openpyxl.utils import get_column_letter

    rule = _rule(column, form, lists)
    if rule is not None:
        letter = get_column_letter(number)
        rule.add(f"{letter}2:{letter}{last_row}")
        sheet.add_data_validation(rule)


def _rule(column: Column, form: Form, lists: Lists) -> DataValidation | None:
    from openpyxl.worksheet.datavalidation import DataValidation

    if column.kind == "choice":
        words = f'"{",".join(column.allowed)}"'
        return _told(DataValidation(type="list", formula1=words, allow_blank=True), column, "stop")
    # a section may be called as a list is: its points are a number all the same
    name = None if column.kind in NUMBERS else LIST_OF.get(column.name)
    names_new = form.key == (column.name,)  # the birds form names new birds, the clutches form new clutches
    if name and lists[name] and not names_new:
        rule = DataValidation(type="list", formula1=_place(lists, name), allow_blank=True)
        return _told(rule, column, None if column.name in SEVERAL else "warning")
    return _limits(column)


def _place(lists: Lists, name: str) -> str:
    from openpyxl.utils import get_column_letter

    letter = get_column_letter([*lists].index(name) + 1)
    return f"{SHEET}!${letter}$2:${letter}${len(lists[name]) + 1}"


def _limits(column: Column) -> DataValidation | None:
    """The range of a number or a day; None for text."""
    from openpyxl.worksheet.datavalidation import DataValidation

    if column.kind == "date":
        rule = DataValidation(
            type="date", operator="greaterThan", formula1="DATE(1990,1,1)", allow_blank=True
        )
        return _told(rule, column, "warning")
    if column.kind not in NUMBERS:
        return None
    kind = "whole" if column.kind == "whole" else "decimal"
    low, high = column.low, column.high
    if low is not None and high is not None:
        rule = DataValidation(type=kind, operator="between", formula1=f"{low:g}", formula2=f"{high:g}")
    else:
        rule = DataValidation(type=kind, operator="greaterThanOrEqual", formula1=f"{low if low else 0:g}")
    rule.allow_blank = True
    return _told(rule, column, "stop" if low is not None else "warning")


def _told(rule: DataValidation, column: Column, style: str | None) -> DataValidation:
    """`rule` with what a wrong cell is told; no `style`: other words are taken without a word."""
    rule.showErrorMessage = style is not None
    rule.errorStyle = style
    rule.errorTitle, rule.error = (
        column.name,
        f"{column.meaning}{f' ({column.unit})' if column.unit else ''}"[:220],
    )
    return rule


LAST_ROW = 3000
"""Drop-downs reach down to this row."""
WIDTHS = {"date": 12, "born": 12, "number": 10, "whole": 9, "money": 10, "choice": 12, "label": 14}
FORMATS = {"date": "yyyy-mm-dd", "money": "0.00", "number": "General", "whole": "0"}
AS_TEXT = "@"  # a spreadsheet that is free to choose makes a date of the label 26-4
HEADER_COLOUR, REQUIRED_COLOUR = "E8E4DA", "D5CDB8"


def write_forms(flock: Flock, path: str | Path, to_sell: pd.DataFrame | None = None) -> Path:
    """Write the season's workbook for `flock` to `path` (an .xlsx file) and return it.

    Looks and weighings have a row for each living bird with its number and ring colours, in ring-colour
    order; birds, rings and pens have the rows still open; sales have a row for each bird of `to_sell` (bird, sold_as,
    price, lot, lot_price: what is asked), which lacks but the price paid. A workbook that somebody has written in since
    it was made is never overwritten: the new one gets the next free name beside it. Raises RecordsError where the disk
    does not take it.
    """
    book = _book(flock, to_sell)
    with durable.disk_faults(path):
        path = _free_name(Path(path))
        if path.exists() and _description(path) == book.properties.description:
            return path  # it says the same already
        data = BytesIO()
        book.save(data)
        durable.publish(path, data.getvalue())
    return path


def _description(path: Path) -> str | None:
    from openpyxl import load_workbook

    return str(load_workbook(path, read_only=True).properties.description)


def _free_name(path: Path) -> Path:
    """`path`, or the first of its name with a number behind it, that is no workbook somebody has written in."""
    names = (path.with_stem(f"{path.stem}-{n}") if n > 1 else path for n in count(1))
    return next(name for name in names if not written_in(name))


def written_in(path: Path) -> bool:
    """Whether the cells of a workbook are no longer those that it was made with, or it is none made here."""
    if not path.exists():
        return False
    from openpyxl import load_workbook

    try:
        book = load_workbook(path)
    except Exception:  # no workbook, or one that cannot be read: nothing of ours to write over
        return True
    return bool(book.properties.description != _digest(book))


def _digest(book: Workbook) -> str:
    """What all cells of a workbook say, in short: kept in its description, to tell when somebody has written in it."""
    said = hashlib.sha256()
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.value is not None:
                    value = cell.value
                    text = f"{value:%Y-%m-%d}" if isinstance(value, date) else f"{value}"
                    said.update(f"{sheet.title}!{cell.coordinate}={text}\n".encode())
    return f"cells {said.hexdigest()}"


def _book(flock: Flock, to_sell: pd.DataFrame | None) -> Workbook:
    from openpyxl import Workbook

    book = Workbook()
    book.properties.title = f"{flock.standard.breed}: forms of {flock.plan.season}"
    book.properties.created = book.properties.modified = datetime.combine(flock.plan.on, time())
    _read_me(book.active, flock)
    _after_meeting(book, flock)
    lists = lists_of(flock)
    for form in FORMS.values():
        sheet = book.create_sheet(form.name)
        columns = columns_of(form, flock)
        _header(sheet, columns)
        _rows(sheet, columns, prefilled(form, flock, to_sell))
        _whole_columns(sheet, columns)
        for number, column in enumerate(columns, 1):
            restrict(sheet, number, column, form, lists, LAST_ROW)
        _on_paper(sheet, flock.plan)
    put_lists(book, lists)
    book.properties.description = _digest(book)
    return book


def columns_of(form: Form, flock: Flock) -> tuple[Column, ...]:
    """The columns of a form's sheet: the form's own, for looks with the standard's sections before `total`."""
    if form.name != "scores":
        return form.columns
    at = form.names.index("total")
    return (*form.columns[:at], *section_columns(flock.standard), *form.columns[at:])


def _read_me(sheet: Worksheet, flock: Flock) -> None:
    """How to fill the forms in, on the first sheet."""
    sheet.title = "read me"
    lines = [
        f"{flock.standard.breed}: forms of the season {flock.plan.season}, as of {flock.plan.on}",
        "One sheet a form. A note on each column's name says what belongs there and in which unit.",
        "A blank cell means: not recorded. It is never taken as zero.",
        "Days are written as 2026-04-18, or typed as dates of the spreadsheet.",
        "Rows that stand here already may be completed, or left as they are.",
        "Name a bird by its number, or by the colours on its legs that day; not by both unless you wish to.",
        "Look at growing birds' rings weekly at least: a ring that is outgrown injures (common practice).",
    ]
    for line in lines:
        sheet.append([protect(line)])
    sheet.column_dimensions["A"].width = 110


def _after_meeting(book: Workbook, flock: Flock) -> None:
    """A sheet to read of what the decisions leave to be done; none where they leave nothing."""
    listed = after_meeting(flock).lines()
    if not listed:
        return
    sheet = book.create_sheet(AFTER_MEETING)
    for title, said in listed:
        for line in (title, *(f"    {one}" for one in said), ""):
            sheet.append([protect(line) if line else None])
    sheet.column_dimensions["A"].width = 110


def _header(sheet: Worksheet, columns: Sequence[Column]) -> None:
    """Column names, each with its note; frozen, and alone in being locked."""
    from openpyxl.comments import Comment
    from openpyxl.styles import Font, PatternFill, Protection

    for number, column in enumerate(columns, 1):
        cell = sheet.cell(1, number, column.name)
        cell.comment = Comment(note_of(column), "forms", width=260, height=110)
        cell.font = Font(bold=True)
        cell.fill = PatternFill("solid", fgColor=REQUIRED_COLOUR if column.required else HEADER_COLOUR)
        cell.protection = Protection(locked=True)
    sheet.freeze_panes = "A2"
    sheet.protection.sheet = True
    for allowed in (
        "formatCells",
        "formatColumns",
        "formatRows",
        "insertRows",
        "deleteRows",
        "sort",
        "autoFilter",
    ):
        setattr(sheet.protection, allowed, False)  # False is not forbidden


def note_of(column: Column) -> str:
    """What the note on a column's name says: meaning, unit, limits, what is allowed, whether it must be there."""
    lines = [column.meaning]
    if column.unit:
        lines.append(f"unit: {column.unit}")
    if column.low is not None and column.high is not None:
        lines.append(f"from {column.low:g} to {column.high:g}")
    if column.unit == "points":
        lines.append("quarters allowed; blank: not scored")
    if column.allowed:
        lines.append(f"one of: {', '.join(column.allowed)}")
    if column.kind == "date":
        lines.append("a day, like 2026-04-18")
    lines.append("must be filled in" if column.required else "may be blank")
    return "\n".join(lines)


def _whole_columns(sheet: Worksheet, columns: Sequence[Column]) -> None:
    """Width, number format and freedom to type, for the whole of each column."""
    from openpyxl.styles import Protection
    from openpyxl.utils import get_column_letter

    for number, column in enumerate(columns, 1):
        whole = sheet.column_dimensions[get_column_letter(number)]
        whole.width = max(WIDTHS.get(column.kind, 18), len(column.name) + 3)
        whole.number_format = FORMATS.get(column.kind, AS_TEXT)
        whole.protection = Protection(locked=False)


def _on_paper(sheet: Worksheet, plan: Plan) -> None:
    """A sheet printed: as wide as A4 lies, the header on every page, lines to write on, form, day and page below."""
    sheet.page_setup.orientation, sheet.page_setup.paperSize = "landscape", sheet.PAPERSIZE_A4
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.page_setup.fitToHeight = 0  # as many pages as it takes
    sheet.print_title_rows = "1:1"
    sheet.print_options.gridLines = True
    sheet.oddFooter.center.text = f"&A, season {plan.season}, as of {plan.on}, page &P of &N"


def _rows(sheet: Worksheet, columns: Sequence[Column], rows: pd.DataFrame) -> None:
    """The rows that stand in a sheet already."""
    from openpyxl.styles import Protection

    for at, row in enumerate(rows.to_dict("records"), 2):
        for number, column in enumerate(columns, 1):
            cell = sheet.cell(at, number, cell_value(row.get(column.name)))
            cell.number_format = FORMATS.get(column.kind, AS_TEXT)
            cell.protection = Protection(locked=False)


def cell_value(value: Any) -> str | float | int | date | None:
    """A value as a workbook's cell holds it; text that a spreadsheet would run as a formula is protected."""
    if pd.isna(value):
        return None
    if isinstance(value, pd.Timestamp):
        return value.date()
    if isinstance(value, float):
        return int(value) if value.is_integer() and abs(value) < 1e15 else value
    return protect(str(value))


def prefilled(form: Form, flock: Flock, to_sell: pd.DataFrame | None = None) -> pd.DataFrame:
    """The rows that stand in a form's sheet: living birds to be seen, or rows on record that are still open.

    Birds decided to go are not among those to be seen, and stand first among the rows still open.
    """
    if form.name in ("scores", "weights"):
        rows = birds_by_rings(flock)
        return rows[~folded(rows["bird"]).isin(to_go(flock))]
    if form.name == "clutches":
        return flock.clutches[flock.clutches["hatched_on"].isna()]
    if form.name == "sales" and to_sell is not None:
        return _sales(flock, to_sell).reindex(columns=list(form.names))
    closing = {"birds": "gone_on", "rings": "removed_on", "pens": "to"}.get(form.name)
    if closing is None:
        return pd.DataFrame(columns=list(form.names))
    rows = getattr(flock, form.name)
    here = rows["bird"].str.casefold().isin(_here(flock).index)
    rows = rows.loc[rows[closing].isna() & here, list(form.names)]
    # those whose going is to be confirmed stand first
    stays = ~folded(rows["bird"]).isin(to_go(flock))
    return rows.loc[stays.sort_values(kind="stable").index]


def _sales(flock: Flock, to_sell: pd.DataFrame) -> pd.DataFrame:
    """Sales that lack but the price paid: dated the flock's day, with what is asked as a note."""
    asked = to_sell["lot_price"].fillna(to_sell["price"])
    notes = [ASKED.format("nothing yet" if price != price else f"{price:.2f}") for price in asked]
    return to_sell[["bird", "sold_as", "lot"]].assign(on=pd.Timestamp(flock.plan.on), note=notes)


def birds_by_rings(flock: Flock) -> pd.DataFrame:
    """The living birds on the plan's day in ring-colour order: bird, left, right; birds without rings last."""
    here = _here(flock)
    legs = worn(flock.rings, pd.Timestamp(flock.plan.on)).reindex(here.index)
    rows = legs.assign(bird=here.to_numpy()).reset_index(drop=True)
    return rows.sort_values(["left", "right", "bird"])[["bird", "left", "right"]].reset_index(drop=True)


def _here(flock: Flock) -> pd.Series:
    return living(flock.birds[flock.birds["alive"]], pd.Timestamp(flock.plan.on))
