"""Drop-downs and limits of the season's workbook: every closed set as a list, every number within its range.

The lists stand on a hidden sheet. A set that may grow while the forms are filled in (birds, judges, pens) only
suggests; a set that cannot (sex, origin, legs, what a bird was sold as) refuses anything else.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from selection.records.flock import Flock
from selection.records.forms.cells import protect
from selection.records.forms.columns import Column, Form

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
