"""A day as people write it, taken only where it reads one way."""

from __future__ import annotations

import calendar
import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

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
