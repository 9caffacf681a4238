"""Reading a settings file key by key: every value by its kind, every fault noted, none raised until the end.

A fault says the file, the key, what was found and what is allowed. :class:`Table` hands out values; whatever
key nobody asked for is unknown and becomes a fault too.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from selection.errors import SettingsError
from selection.records.forms.cells import read_date
from selection.records.ledger.durable import reason

_A_DAY = re.compile(r"\s*([\w.-]+)\s*=\s*(\d{1,4}[./-]\d{1,2}[./-]\d{1,4})\s*(?:#.*)?")
_KINDS = {int: "a whole number", float: "a number", str: "text", list: "a list", dict: "a table"}


@dataclass
class Table:
    """One table of a settings file; messages call it `place`; `faults` is shared by the whole file."""

    file: str
    place: str
    values: dict[str, Any]
    faults: list[str]
    asked: set[str] = field(default_factory=set)

    def fault(self, key: str, found: object, allowed: str) -> None:
        """Note that `key` holds `found` where `allowed` was expected."""
        where = ", ".join(part for part in (self.place, key) if part)
        self.faults.append(f"{self.file}: {where}: found {describe(found)}; allowed: {allowed}")

    def text(self, key: str, *, default: str | None = None, required: bool = False) -> str | None:
        """A text, trimmed; not blank."""
        value = self._value(key, required, "text in quotes")
        if value is None:
            return default
        if not isinstance(value, str) or not value.strip():
            self.fault(key, value, "text in quotes, not blank")
            return default
        return value.strip()

    def choice(self, key: str, allowed: Iterable[str]) -> str | None:
        """A text that is one of `allowed`, compared case-folded; None where absent."""
        value = self.text(key)
        known = {a.casefold(): a for a in allowed}
        if value is not None and value.casefold() not in known:
            self.fault(key, value, ", ".join(known.values()))
            return None
        return None if value is None else known[value.casefold()]

    def number(self, key: str, allowed: Limits, *, default: Any = None, required: bool = False) -> Any:
        """A finite number within `allowed`; a true or false is no number. Whole if the limits say so."""
        value = self._value(key, required, str(allowed))
        if value is None:
            return default
        if not allowed.hold(value):
            self.fault(key, value, str(allowed))
            return default
        return int(value) if allowed.whole else float(value)

    def flag(self, key: str) -> bool:
        """True or false; false where absent."""
        value = self._value(key, False, "true or false")
        if value is not None and not isinstance(value, bool):
            self.fault(key, value, "true or false, without quotes")
        return value is True

    def day(self, key: str) -> date | None:
        """A required date without a time of day."""
        allowed = "a date without quotes, like 2026-10-10"
        value = self._value(key, True, allowed)
        if value is None:
            return None
        if not isinstance(value, date) or isinstance(value, datetime):
            day = read_date(value).day if isinstance(value, str) else None
            self.fault(key, value, f"a date without quotes: write the day as {day}" if day else allowed)
            return None
        return value

    def pair(self, key: str, allowed: Limits) -> tuple[float, float] | None:
        """A required list of two numbers, the lower first."""
        words = f"two numbers, the lower first, like [2000, 2600], each {allowed}"
        value = self._value(key, True, words)
        if value is None:
            return None
        if not isinstance(value, list) or len(value) != 2 or not all(map(allowed.hold, value)):
            self.fault(key, value, words)
            return None
        low, high = map(float, value)
        if low >= high:
            self.fault(key, value, words)
            return None
        return low, high

    def table(self, key: str, required: bool = False) -> Table | None:
        """The table under `key`; None where absent (or no table, which is a fault)."""
        value = self._value(key, required, "a table")
        if value is not None and not isinstance(value, dict):
            self.fault(key, value, "a table")
            value = None
        return None if value is None else self._below(key, value)

    def tables(self, key: str) -> list[Table]:
        """The tables of a list written as `[[key]]`, each named by its own `name` where it has one."""
        value = self._value(key, False, "")
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            self.fault(key, value, f"tables, each headed [[{key}]]")
            return []
        return [self._below(_called(key, i, v), v) for i, v in enumerate(value, start=1)]

    def close(self, meant: str | None = None) -> None:
        """Note every key that was never asked for; `meant` says what the table may hold."""
        for key in self.values.keys() - self.asked if self.values else ():
            known = meant or "the keys " + ", ".join(sorted(self.asked))
            near = get_close_matches(key.casefold(), self.asked, n=1)
            hint = f"perhaps {near[0]}; " if near else ""
            self.fault(key, self.values[key], f"nothing by that name; {hint}this table holds {known}")

    def raise_faults(self) -> None:
        """Raise SettingsError with every fault of the whole file, if there is one."""
        if self.faults:
            raise SettingsError("\n".join(self.faults))

    def _value(self, key: str, required: bool, allowed: str) -> Any:
        self.asked.add(key)
        if required and key not in self.values:
            self.fault(key, None, allowed)
        return self.values.get(key)

    def _below(self, name: str, values: dict[str, Any]) -> Table:
        place = ", ".join(part for part in (self.place, name) if part)
        return Table(self.file, place, values, self.faults)


@dataclass(frozen=True)
class Limits:
    """What a number may be: `low` and `high` (themselves allowed unless `open_ended`), whole or not."""

    low: float = -math.inf
    high: float = math.inf
    open_ended: bool = False
    whole: bool = False

    def hold(self, value: object) -> bool:
        """Whether `value` is a number of the kind within the limits."""
        if isinstance(value, bool) or not isinstance(value, int if self.whole else (int, float)):
            return False
        if not abs(value) <= 1e15:  # neither infinite, nor not-a-number, nor beyond exact arithmetic
            return False
        return self.low < value < self.high if self.open_ended else self.low <= value <= self.high

    def __str__(self) -> str:
        kind = "a whole number" if self.whole else "a number"
        low, high = math.isfinite(self.low), math.isfinite(self.high)
        if low and high:
            return f"{kind} {'between' if self.open_ended else 'from'} {self.low:g} " + (
                f"and {self.high:g}, neither included" if self.open_ended else f"to {self.high:g}"
            )
        if low:
            return f"{kind} {'above' if self.open_ended else 'not below'} {self.low:g}"
        return kind


def file_bytes(path: Path) -> bytes:
    """What stands in a settings file; SettingsError where it cannot be read."""
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {reason(error)}") from error


def load(text: str | bytes, file: str) -> Table:
    """The whole settings file as a table; raises SettingsError where it is no readable TOML."""
    try:
        values = tomllib.loads(text.decode("utf-8-sig") if isinstance(text, bytes) else text)
    except UnicodeDecodeError as error:
        raise SettingsError(f"{file}: not UTF-8 text; save it again as plain text in UTF-8") from error
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        days = _days_written_otherwise(text, file)
        raise SettingsError(
            "\n".join(days) or f"{file}: not readable as TOML: {error}. Mend that line and try again"
        ) from error
    return Table(file, "", values, [])


def _days_written_otherwise(text: str | bytes, file: str) -> list[str]:
    """What to write for each day that a settings file has in figures, but not as it should be."""
    lines = (text.decode("utf-8-sig") if isinstance(text, bytes) else text).splitlines()
    found = [(number, match) for number, line in enumerate(lines, 1) if (match := _A_DAY.fullmatch(line))]
    return [
        f"{file}: line {number}: {match[1]}: found {match[2]}; write the day as {day.day or day.expected}"
        for number, match in found
        if (day := read_date(match[2])).note or day.expected
    ]


def describe(value: object) -> str:
    """`value` in words, with its kind, short enough for a message."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).casefold()
    if isinstance(value, dict):
        return f"a table of {', '.join(value) or 'nothing'}"
    kind = "a date" if isinstance(value, date) else _KINDS.get(type(value), "a value")
    shown = f'"{value}"' if isinstance(value, str) else str(value)
    return f"{kind} {shown if len(shown) <= 60 else shown[:57] + '…'}"


def _called(key: str, number: int, values: dict[str, Any]) -> str:
    name = values.get("name")
    return f"{key} “{name}”" if isinstance(name, str) and name.strip() else f"{key} number {number}"
