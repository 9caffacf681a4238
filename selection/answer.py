"""What every answer of the library has in common: its frames, its facts, and a page about itself.

The level of every interval, its reach in standard errors and the seed of every draw stand here, once each.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum
from html import escape
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]
Progress = Callable[[str, float], None]
"""Is told the step that a long work has come to, and the share of it that is done."""

LEVEL = 0.90
"""Probability that every interval covers."""
TAILS = (0.05, 0.95)
"""The interval's ends as quantiles: as much left out below as above."""
REACH = 1.645
"""Standard errors to either side of an interval: the normal distribution's 95 % point."""
SEED = 20
"""Seed of every generator where the caller gives none: the same records give the same answer."""

_WIDTH = 100
"""Letters a line of a summary."""
SHOWN = 10
"""Rows of a table that a summary shows, and notes of one kind that it prints."""
REPR_LINES = 10
"""Lines that an answer takes at a prompt, at the most."""


class Kind(StrEnum):
    """What sort of fact a note holds; a summary prints the kinds in this order."""

    SHORT = "in short"
    FOUND = "found"
    PROPOSED = "proposed"
    LOOK = "look again"
    POLICY = "policy"
    ADVICE = "advice"
    ASSUMED = "assumed"
    LEFT_OUT = "left out"
    DECIDED = "decided"
    BARRED = "barred"
    UNSCORED = "never scored"
    UNWEIGHED = "never weighed"
    BAND = "off the band"
    REFUSED = "refused"
    REMARK = "worth another look"
    WARNING = "warning"
    CANNOT = "cannot be said"


ASIDE = (Kind.SHORT, Kind.ADVICE, Kind.WARNING, Kind.CANNOT)
"""Kinds that stand apart from an answer's `sentences`."""


@dataclass(frozen=True, slots=True)
class Note:
    """One fact: its kind, what it is about (a bird, a group, a policy; None: all of it), and its wording.

    The wording does not name what it is about; `str` puts that before it.
    """

    kind: Kind
    about: str | None
    text: str

    def __str__(self) -> str:
        return self.text if self.about is None else f"{self.about}: {self.text}"


def notes(kind: Kind, facts: Iterable[str | Note]) -> tuple[Note, ...]:
    """A note of `kind` for each text; what is a note already stays as it is."""
    return tuple(fact if isinstance(fact, Note) else Note(kind, None, fact) for fact in facts)


def facts(found: Iterable[str | Note], cannot: Iterable[str | Note] = ()) -> tuple[Note, ...]:
    """The notes of an answer: what was found, then what cannot be said."""
    return (*notes(Kind.FOUND, found), *notes(Kind.CANNOT, cannot))


class Answer:
    """The base of every answer.

    A subclass is a frozen dataclass (`repr=False`) with a field or property `notes`, and names in `TABLES` its
    attributes that are frames to look at, the one first that a summary shows. `CSV` is the name of the file
    without .csv that `table` is written as.
    """

    TITLE: ClassVar[str] = ""
    CSV: ClassVar[str] = "table"
    TABLES: ClassVar[tuple[str, ...]] = ()

    if TYPE_CHECKING:

        @property
        def notes(self) -> tuple[Note, ...]:
            """Every fact of the answer."""

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """The frames, by the name of the CSV that each is written as, or of the attribute that holds it."""
        return {self.CSV if name == "table" else name: getattr(self, name) for name in self.TABLES}

    @property
    def sentences(self) -> tuple[str, ...]:
        """The answer in words, without what stands apart (`cannot` and the like)."""
        return tuple(str(note) for note in self.notes if note.kind not in ASIDE)

    @property
    def cannot(self) -> tuple[str, ...]:
        """What cannot be said, and why."""
        return self.texts(Kind.CANNOT)

    def texts(self, *kinds: Kind, about: str | None = None) -> tuple[str, ...]:
        """The notes of these kinds in words; of those about one thing the bare wording."""
        chosen = [note for note in self.notes if note.kind in kinds]
        if about is None:
            return tuple(map(str, chosen))
        return tuple(note.text for note in chosen if note.about == about)

    def summary(self) -> str:
        """The answer on a page of text: the first rows of its first table, its notes by kind, its tables."""
        parts = [self._title(), *(_shown(frame) for frame in list(self.tables.values())[:1])]
        for kind, texts in _by_kind(self.notes).items():
            lines = [_item(text) for text in texts[:SHOWN]]
            more = len(texts) - SHOWN
            lines += [f"- and {more} more, in .notes"] if more > 0 else []
            parts.append("\n".join([f"{kind.value.capitalize()}:", *lines]))
        parts.append(textwrap.fill(f"Tables: {self._sizes() or 'none'}.", _WIDTH, subsequent_indent="  "))
        return "\n\n".join(part for part in parts if part)

    def _repr_html_(self) -> str:
        """The same page for a notebook; what was typed is escaped."""
        pieces = [f"<h4>{escape(self._title())}</h4>"]
        for frame in list(self.tables.values())[:1]:
            pieces.append(frame.head(SHOWN).to_html(index=False, na_rep="", border=0, escape=True))
        for kind, texts in _by_kind(self.notes).items():
            items = "".join(f"<li>{escape(text)}</li>" for text in texts)
            pieces.append(f"<p>{escape(kind.value.capitalize())}</p><ul>{items}</ul>")
        pieces.append(f"<p>Tables: {escape(self._sizes() or 'none')}.</p>")
        return f"<div>{''.join(pieces)}</div>"

    def __repr__(self) -> str:
        counts = {kind.value: len(texts) for kind, texts in _by_kind(self.notes).items()}
        noted = ", ".join(f"{number} {kind}" for kind, number in counts.items())
        lines = textwrap.wrap(f"tables: {self._sizes() or 'none'}", _WIDTH, subsequent_indent="  ")
        lines += textwrap.wrap(f"notes: {noted or 'none'}", _WIDTH, subsequent_indent="  ")
        room = REPR_LINES - 2
        lines = lines if len(lines) <= room else [*lines[: room - 1], "  …"]
        return "\n".join([f"<{type(self).__name__}: {self._title()}>", *lines, "summary() prints a page."])

    def _title(self) -> str:
        return self.TITLE or type(self).__name__

    def _sizes(self) -> str:
        """Every table with its size: ranking (12 × 13)."""
        return ", ".join(
            f"{name} ({frame.shape[0]} × {frame.shape[1]})" for name, frame in self.tables.items()
        )


def _by_kind(facts: Iterable[Note]) -> dict[Kind, list[str]]:
    """The notes in words by kind, in the order of the kinds; kinds without a note are left out."""
    listed: dict[Kind, list[str]] = {kind: [] for kind in Kind}
    for note in facts:
        listed[note.kind].append(str(note))
    return {kind: texts for kind, texts in listed.items() if texts}


def _item(text: str) -> str:
    return textwrap.fill(text, _WIDTH, initial_indent="- ", subsequent_indent="  ")


def _shown(frame: pd.DataFrame) -> str:
    """The first rows of a table as text, with as many columns as the width takes."""
    if frame.empty:
        return ""
    return frame.head(SHOWN).to_string(index=False, na_rep="", max_colwidth=30, line_width=None, max_cols=9)
