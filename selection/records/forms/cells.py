"""From what stands in a cell to a typed value, dates of any style among them, by the kind of its column.

A cell is the text of a CSV file or a workbook's own value (number, date, true/false). Each comes back as a
:class:`Cell`: its value, or the fault that refuses it, or a note where it was taken though it was not written
as expected. Nothing is guessed: what reads two ways is refused.
"""

from __future__ import annotations

import calendar
import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np
import pandas as pd

from selection.records.forms.columns import Column

_ISO = re.compile(r"(\d{4})-(\d{2})-(\d{2})(?:[ T]00:00(?::00(?:\.0+)?)?)?")
_YEAR_FIRST = re.compile(r"(\d{4})[-/. ](\d{1,2})[-/. ](\d{1,2})|(\d{4})(\d{2})(\d{2})")
_YEAR_LAST = re.compile(r"(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4})")
_SHORT_YEAR = re.compile(r"\d{1,2}[-/. ]\d{1,2}[-/. ]\d{2}")
_DAY_MONTH = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[-/. ]*([a-z]{3,9})[-/., ]*(\d{4})")
_MONTH_DAY = re.compile(r"([a-z]{3,9})[-/. ]*(\d{1,2})(?:st|nd|rd|th)?[-/., ]+(\d{4})")
_MONTHS = tuple(month.casefold() for month in calendar.month_name[1:])
_SERIAL = re.compile(r"\d{5}(?:\.0+)?")
_SERIAL_ZERO = date(1899, 12, 30)
"""Day 0 of a spreadsheet's day count, as it comes out after March 1900."""
_SERIALS = range(20_000, 80_000)
"""Day counts that may be meant: 1954 to 2119."""
YEARS = range(1900, 2201)
EXPECTED = "a date like 2026-04-18"


@dataclass(frozen=True, slots=True)
class Day:
    """A day read; else what was `expected`; a `note` where it was taken though not written as an ISO date."""

    day: date | None
    expected: str | None = None
    note: str | None = None


def read_date(cell: object) -> Day:
    """The day that a cell means: an ISO date, a spreadsheet's date or day count, or what reads one way."""
    if isinstance(cell, datetime):
        note = None if cell.time() == time() else f"taken as {cell:%Y-%m-%d}, its time of day left off"
        return _checked(cell.date(), note)
    if isinstance(cell, date):
        return _checked(cell, None)
    if isinstance(cell, bool) or not isinstance(cell, str | int | float):
        return Day(None, EXPECTED)
    text = str(cell)
    if iso := _ISO.fullmatch(text):
        return _of(iso[1], iso[2], iso[3], note=False)
    if _SERIAL.fullmatch(text) and int(float(text)) in _SERIALS:
        day = _SERIAL_ZERO + timedelta(days=int(float(text)))
        return Day(day, note=f"a spreadsheet's day count, taken as {day}")
    return _other(text.casefold().strip())


def _other(text: str) -> Day:
    """A day not written as an ISO date."""
    if found := _YEAR_FIRST.fullmatch(text):
        return _of(found[1] or found[4], found[2] or found[5], found[3] or found[6])
    if found := _YEAR_LAST.fullmatch(text):
        return _year_last(found[1], found[2], found[3])
    if found := _DAY_MONTH.fullmatch(text):
        return _of(found[3], _month(found[2]), found[1])
    if found := _MONTH_DAY.fullmatch(text):
        return _of(found[3], _month(found[1]), found[2])
    if _SHORT_YEAR.fullmatch(text):
        return Day(None, f"{EXPECTED}, with all four figures of the year")
    return Day(None, EXPECTED)


def _year_last(first: str, second: str, year: str) -> Day:
    """Day and month in either order: taken where only one order makes a day, or both the same."""
    readings = [_of(year, month, day) for day, month in ((first, second), (second, first))]
    days = sorted({str(reading.day) for reading in readings if reading.day})
    if len(days) == 2:
        return Day(None, f"{days[0]} or {days[1]}: it reads both ways; write one of them")
    return readings[0] if readings[0].day else readings[1]


def _of(year: str, month: str, day: str, note: bool = True) -> Day:
    try:
        found = date(int(year), int(month), int(day))
    except ValueError:
        return Day(None, f"{EXPECTED}; there is no such day")
    return _checked(found, f"taken as {found}" if note else None)


def _checked(day: date, note: str | None) -> Day:
    if day.year not in YEARS:
        return Day(None, f"{EXPECTED}, of the years {YEARS[0]} to {YEARS[-1]}")
    return Day(day, note=note)


def _month(name: str) -> str:
    """The number of a month from its English name or the first three letters or more; 0 if none."""
    return str(next((i for i, month in enumerate(_MONTHS, start=1) if month.startswith(name)), 0))


_MOST = 1e12
OR_BLANK = ", or a blank cell where it is not recorded"
"""Ends what is expected of a cell; left off where the cell must be filled in."""
"""Beyond this no weight, count or price of a flock can lie."""

_PLAIN = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")
_GROUPED = re.compile(r"[+-]?\d{1,3}([ '])\d{3}(\1\d{3})*([.,]\d+)?")  # 1 200 or 1'200,5
_COMMA_GROUPS = re.compile(r"[+-]?\d{1,3}(,\d{3})+\.\d+|[+-]?\d{1,3}(,\d{3}){2,}")  # 1,200.5 or 1,200,000
_DOT_GROUPS = re.compile(r"[+-]?\d{1,3}(\.\d{3})+,\d+|[+-]?\d{1,3}(\.\d{3}){2,}")  # 1.200,5 or 1.200.000
_COMMA = re.compile(r"[+-]?\d*,\d+")
_TWO_WAYS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")  # 1,200: a thousand and more, or a little over one
_QUARTER = re.compile(r"(\d*) ?([¼½¾])")
_QUARTERS = {"¼": 0.25, "½": 0.5, "¾": 0.75}
_FRACTION = re.compile(r"(?:(\d+) +)?([1-7])/([2348])")
_LETTERS = re.compile(r"[\s_-]")
_UNIT = re.compile(r"([^\d\s.,+-]*) *([+-]?[\d.,][\d.,' ¼½¾/]*?) *([^\d\s.,]*)")
UNITS = {
    "g": {"g": 1.0, "gram": 1.0, "grams": 1.0, "kg": 1000.0},
    "kg": {"kg": 1.0, "g": 0.001},
    "mm": {"mm": 1.0, "cm": 10.0},
    "cm": {"cm": 1.0, "mm": 0.1},
}
"""What a column's unit may be written as, and how many of it that is."""
MONEY = ("£", "€", "$", "gbp", "eur", "usd", "chf", "fr", "fr.", "kr")
"""What may stand beside an amount: it is in the plan's currency all the same."""
WORDS_FOR = {
    **dict.fromkeys(("cock", "cockerel", "rooster"), ("male",)),
    **dict.fromkeys(("hen", "pullet"), ("female",)),
    "dead": ("died",),
}
"""Words that breeders write for one of a column's own."""
_SPACES = str.maketrans({"\u00a0": " ", "\u2009": " ", "\u202f": " ", "\u2212": "-", "’": "'"})
_INVISIBLE = "\ufeff\u200b\u2060"
_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_SPREADSHEET_ERRORS = {"#n/a", "#ref!", "#value!", "#name?", "#div/0!", "#num!", "#null!"}
_NOT_A_NAME = _SPREADSHEET_ERRORS | {"n/a", "n.a.", "-", "--", "?", "??"}


@dataclass(frozen=True, slots=True)
class Cell:
    """What a cell was read as: `value` (blank: None), or what was `expected` instead, or a `note`."""

    value: Any
    expected: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Uncomputed:
    """A cell of a workbook with a formula whose result was never stored."""

    formula: str

    def __str__(self) -> str:
        return self.formula


@dataclass(frozen=True)
class Parsed:
    """One column read: typed `values`, and by row what was `expected` of refused cells and the `notes`."""

    values: pd.Series
    expected: dict[int, str]
    notes: dict[int, str]


def parse_column(cells: pd.Series, column: Column) -> Parsed:
    """Every cell of a column by the column's kind; each distinct cell is read once.

    `cells` holds text or a workbook's own values, under spreadsheet row numbers; refused ones are blank.
    """
    read = READERS[column.kind]
    keys = [(type(cell), cell) for cell in cells]  # 1, 1.0 and True are equal but not the same cell
    known = {key: _within(_read(read, key[1], column), column) for key in set(keys)}
    found = [known[key] for key in keys]
    rows = cells.index.tolist()
    return Parsed(
        _typed([c.value for c in found], column, cells.index),
        {
            row: c.expected.removesuffix(OR_BLANK if column.required else "")
            for row, c in zip(rows, found, strict=True)
            if c.expected
        },
        {row: c.note for row, c in zip(rows, found, strict=True) if c.note},
    )


def protect(text: str) -> str:
    """`text` with an apostrophe before it where a spreadsheet would take it for a formula."""
    return "'" + text if _FORMULA.match(text) else text


def unprotect(text: str) -> str:
    """`text` as it was before :func:`protect`."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


def tidy(text: str) -> str:
    """`text` trimmed, its letters composed, its export protection and invisible marks taken off."""
    return unprotect(unicodedata.normalize("NFC", text).strip().strip(_INVISIBLE).strip()).strip()


def shown(cell: object) -> str:
    """A cell as a message quotes it."""
    if isinstance(cell, datetime):
        cell = cell.date() if cell.time() == time() else cell
    text = cell.strip() if isinstance(cell, str) else str(cell)
    return text if len(text) <= 60 else text[:57] + "…"


def _read(read: Callable[[Any, Column], Cell], cell: Any, column: Column) -> Cell:
    if isinstance(cell, str):
        cell = tidy(cell)
    if cell is None or cell == "" or (isinstance(cell, float) and cell != cell):
        return Cell(None)
    if isinstance(cell, Uncomputed):
        return Cell(None, "a value: open the workbook in a spreadsheet and save it, so that it is worked out")
    if isinstance(cell, str) and column.kind != "text" and cell.casefold() in _SPREADSHEET_ERRORS:
        return Cell(None, "a value or a blank cell; this is a spreadsheet's error")
    return read(cell, column)


def _within(cell: Cell, column: Column) -> Cell:
    """The cell, refused if its number lies outside the column's limits."""
    value = cell.value
    if not isinstance(value, float):
        return cell
    low, high = column.low, column.high
    if (low is None or value >= low) and (high is None or value <= high):
        return cell
    unit = f" {column.unit}" if column.unit else ""
    limits = f"{low:g} to {high:g}" if low is not None and high is not None else f"{low:g} or more"
    return Cell(None, f"{limits if low is not None else f'at most {high:g}'}{unit}")


def _text(cell: Any, column: Column | None = None) -> Cell:
    if isinstance(cell, datetime):
        return Cell(cell.date().isoformat() if cell.time() == time() else cell.isoformat(sep=" "))
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < _MOST:
        return Cell(str(int(cell)))
    return Cell(str(cell))


def _label(cell: Any, column: Column | None = None) -> Cell:
    if isinstance(cell, date | time | timedelta):
        return Cell(
            None, "a name: a spreadsheet made a date of it; format the column as text and type it again"
        )
    found = _text(cell)
    if found.value.casefold() in _NOT_A_NAME:
        return Cell(None, "a name" + OR_BLANK)
    return found


def _labels(cell: Any, column: Column) -> Cell:
    whole = _label(cell)
    if whole.expected:
        return whole
    parts = [part.strip() for part in whole.value.split(";")]
    return Cell(";".join(dict.fromkeys(part for part in parts if part)) or None)


def _choice(cell: Any, column: Column) -> Cell:
    text = str(cell).casefold()
    allowed = {a.casefold(): a for a in column.allowed}
    if text in allowed:
        return Cell(allowed[text])
    meant = _meant(text, column.allowed)
    if meant is None:
        return Cell(None, f"one of {', '.join(column.allowed)}")
    return Cell(meant, note=f"taken as {meant}")


def _meant(text: str, allowed: Sequence[str]) -> str | None:
    """The one of `allowed` that a word means: its initial, a word for it, its letters without dashes, one or many."""
    plain = _LETTERS.sub("", text)
    meant = {
        a for a in allowed if _LETTERS.sub("", a.casefold()).removesuffix("s") == plain.removesuffix("s")
    }
    meant |= {a for a in allowed if len(text) == 1 and a.casefold().startswith(text)}
    meant |= {a for a in allowed if a in WORDS_FOR.get(text, ())}
    return meant.pop() if len(meant) == 1 else None


def _date(cell: Any, column: Column) -> Cell:
    found = read_date(cell)
    return Cell(found.day, found.expected, found.note)


def _born(cell: Any, column: Column) -> Cell:
    year = str(int(cell)) if isinstance(cell, int | float) and float(cell).is_integer() else str(cell)
    if re.fullmatch(r"(19|20)\d\d", year) and not isinstance(cell, bool):
        return Cell(year)
    found = read_date(cell)
    expected = found.expected and found.expected + ", or a bare year like 2020"
    return Cell(found.day.isoformat() if found.day else None, expected, found.note)


def _number(cell: Any, column: Column) -> Cell:
    if isinstance(cell, bool) or not isinstance(cell, int | float | str):
        return Cell(None, "a number")
    value, note = _of_text(cell.translate(_SPACES)) if isinstance(cell, str) else (cell, None)
    if value is None and note is None and isinstance(cell, str):
        value, note = _with_unit(cell.translate(_SPACES).casefold(), column)
    if value is None:
        return Cell(None, note or "a number by itself, without its unit" + OR_BLANK)
    if not abs(value) <= _MOST:
        return Cell(None, "a number that can be")
    return Cell(float(value), note=note and f"taken as {value:g}")


def _with_unit(text: str, column: Column) -> tuple[float | None, str | None]:
    """The number a text reads as once the column's own unit, or a sign of money, is taken off."""
    found = _UNIT.fullmatch(text)
    if not found:
        return None, None
    before, number, after = found.groups()
    unit, own = before or after, column.unit.casefold()
    factor = UNITS.get(own, {own: 1.0}).get(unit)
    if column.kind == "money":
        factor = 1.0 if unit in MONEY else None
    if before and (after or column.kind != "money"):
        return None, None
    if factor is None:
        return None, f"a number in {column.unit}, not in {unit}" if own and unit else None
    value, note = _of_text(number)
    return (None, note) if value is None else (round(value * factor, 9), "with its unit")


def _of_text(text: str) -> tuple[float | None, str | None]:
    """The number a text reads as, and a note where it was not written plainly (or why it reads as none)."""
    if _PLAIN.fullmatch(text):
        return float(text), None
    if quarter := _QUARTER.fullmatch(text):
        return float(quarter[1] or 0) + _QUARTERS[quarter[2]], "a quarter sign"
    if part := _FRACTION.fullmatch(text):
        return float(part[1] or 0) + int(part[2]) / int(part[3]), "a fraction"
    if _TWO_WAYS.fullmatch(text):
        plain = text.replace(",", "")
        return (
            None,
            f"{plain} or {text.replace(',', '.')}: with a comma it reads both ways; write one of them",
        )
    if _COMMA_GROUPS.fullmatch(text):
        return float(text.replace(",", "")), "commas between thousands"
    if _DOT_GROUPS.fullmatch(text):
        return float(text.replace(".", "").replace(",", ".")), "dots between thousands"
    if _GROUPED.fullmatch(text):
        return float(re.sub("[ ']", "", text).replace(",", ".")), "spaces between thousands"
    if _COMMA.fullmatch(text):
        return float(text.replace(",", ".")), "a decimal comma"
    return None, None


def _whole(cell: Any, column: Column) -> Cell:
    found = _number(cell, column)
    if found.expected is None and not float(found.value).is_integer():
        return Cell(None, "a whole number")
    return found


def _money(cell: Any, column: Column) -> Cell:
    found = _number(cell, column)
    if found.expected is not None or round(found.value, 2) == found.value:
        return found
    return Cell(round(found.value, 2), note=f"kept as {found.value:.2f}, to two decimals")


READERS: dict[str, Callable[[Any, Column], Cell]] = {
    "text": _text,
    "label": _label,
    "labels": _labels,
    "choice": _choice,
    "date": _date,
    "born": _born,
    "number": _number,
    "whole": _whole,
    "money": _money,
}


def _typed(values: list[Any], column: Column, index: pd.Index) -> pd.Series:
    if column.kind == "date":
        return pd.Series(np.array(values, dtype="datetime64[s]"), index=index, name=column.name)
    if column.kind in ("number", "whole", "money"):
        return pd.Series(values, index=index, name=column.name, dtype="float64")
    return pd.Series(values, index=index, name=column.name, dtype="str")
