"""Every way the library says no, on one page.

All errors descend from :class:`SelectionError`, whose text is written for the breeder: where, what was
found, what was expected, what to do. The commands print that text and never a traceback.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


class SelectionError(Exception):
    """Root of every error raised on purpose; its text can be shown to a user as it stands."""


class SettingsError(SelectionError):
    """`standard.toml` or `plan.toml` cannot be used; the text lists every fault by file and key."""


class RecordsError(SelectionError):
    """The forms or the ledger cannot be read at all (nothing was recorded)."""


class PedigreeError(SelectionError):
    """Parents that cannot be: a loop, a parent younger than its chick, a sire recorded female."""


class ModelError(SelectionError):
    """A model that cannot be fitted or solved; the text says which term and why."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found wrong with, or worth another look at in, a form.

    `row` is numbered as a spreadsheet numbers it (the header is row 1); `None` means the whole form.
    `refused` tells a fault (the row is not recorded) from a warning (the row is kept).
    """

    form: str
    row: int | None
    column: str | None
    found: str
    expected: str
    refused: bool = True

    def reason(self) -> str:
        """The finding in words, without the place: what was found, what was expected."""
        where = f"{self.column}: " if self.column else ""
        found = f"found {self.found}; " if self.found else ""
        return f"{where}{found}{self.expected}"

    def __str__(self) -> str:
        place = self.form if self.row is None else f"{self.form}, row {self.row}"
        return f"{place}: {self.reason()}"


def in_lines(findings: Iterable[Finding], most: int = 20) -> list[str]:
    """Findings in words, those that say the same of several rows on one line, at most `most` lines a form.

    Faults come before remarks; what is left out is counted.
    """
    rows: dict[tuple[str, str, bool], list[int]] = {}
    for finding in findings:
        same = rows.setdefault((finding.form, finding.reason(), finding.refused), [])
        same += [] if finding.row is None else [finding.row]
    lines: dict[str, list[str]] = {}
    for (form, reason, _), at in sorted(rows.items(), key=lambda item: not item[0][2]):
        lines.setdefault(form, []).append(f"{form}{_rows_in_words(at)}: {reason}")
    for form, said in lines.items():
        if len(said) > most:
            lines[form] = [*said[:most], f"{form}: and {len(said) - most} more findings"]
    return [line for said in lines.values() for line in said]


def _rows_in_words(rows: list[int], most: int = 6) -> str:
    if not rows:
        return ""
    listed = ", ".join(map(str, rows[:most]))
    more = f" and {len(rows) - most} more" if len(rows) > most else ""
    return f", row{'s' if len(rows) > 1 else ''} {listed}{more}"
