"""Every way the library says no, on one page.

All errors descend from :class:`SelectionError`, whose text is written for the breeder: where, what was
found, what was expected, what to do. The commands print that text and never a traceback.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
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
        return _reason(self.column, self.found, self.expected)

    def __str__(self) -> str:
        place = self.form if self.row is None else f"{self.form}, row {self.row}"
        return f"{place}: {self.reason()}"


def in_lines(findings: Iterable[Finding], most: int = 20) -> list[str]:
    """Findings in words, at most `most` lines a form; what is left out is counted.

    Those that expect the same in several rows are one line, with the first few of what was found.
    """
    alike: dict[tuple[str, str | None, str], list[Finding]] = {}
    for finding in findings:
        alike.setdefault((finding.form, finding.column, finding.expected), []).append(finding)
    lines: dict[str, list[str]] = {}
    for (form, column, expected), same in alike.items():
        rows = [finding.row for finding in same if finding.row is not None]
        found = _listed([text for text in dict.fromkeys(finding.found for finding in same) if text], 3)
        lines.setdefault(form, []).append(f"{form}{_rows_in_words(rows)}: {_reason(column, found, expected)}")
    for form, said in lines.items():
        if len(said) > most:
            lines[form] = [*said[:most], f"{form}: and {len(said) - most} more findings"]
    return [line for said in lines.values() for line in said]


def _listed(texts: Sequence[object], most: int) -> str:
    """`a, b, c and 4 more`."""
    more = f" and {len(texts) - most} more" if len(texts) > most else ""
    return ", ".join(map(str, texts[:most])) + more


def _reason(column: str | None, found: str, expected: str) -> str:
    where = f"{column}: " if column else ""
    return f"{where}found {found}; {expected}" if found else f"{where}{expected}"


def _rows_in_words(rows: list[int]) -> str:
    return f", row{'s' if len(rows) > 1 else ''} {_listed(rows, 6)}" if rows else ""
