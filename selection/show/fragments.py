"""Pieces of a page: text that a notebook shows and the pack takes over as it stands.

Every piece is built from escaped text; what a breeder typed is never markup.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import pandas as pd
from markupsafe import Markup, escape

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class Fragment(Markup):
    """A piece of HTML that a notebook renders."""

    def _repr_html_(self) -> str:
        return str(self)


def join(pieces: Iterable[Markup | str]) -> Fragment:
    """Pieces one after another; plain text among them is escaped."""
    return Fragment("\n".join(str(escape(p)) for p in pieces))


def paragraph(text: str, kind: str = "") -> Fragment:
    """One paragraph of plain text; `kind` is its class on the page."""
    return Fragment('<p class="{}">{}</p>').format(kind, text)


def bullets(texts: Sequence[str | Markup], kind: str = "") -> Fragment:
    """A list of sentences; nothing for none."""
    if not texts:
        return Fragment("")
    items = Markup("").join(Markup("<li>{}</li>").format(t) for t in texts)
    return Fragment('<ul class="{}">{}</ul>').format(kind, items)


def heading(text: str, level: int = 3, anchor: str = "") -> Fragment:
    """A heading, with an anchor for the contents where given."""
    mark = Markup(' id="{}"').format(anchor) if anchor else Markup("")
    return Fragment("<h{}{}>{}</h{}>").format(level, mark, text, level)


def table(
    frame: pd.DataFrame,
    columns: Mapping[str, str],
    caption: str,
    numbers: Iterable[str] = (),
    empty: str = "Nothing to show.",
) -> Fragment:
    """A table of the frame's `columns` (name → heading), cells shown as they are, blanks for missing.

    `numbers` are set to the right. Where the frame has no rows the sentence `empty` stands instead.
    """
    if frame.empty:
        return paragraph(empty, "quiet")
    right = set(numbers)
    head = Markup("").join(Markup('<th scope="col"{}>{}</th>').format(_side(c, right), h) for c, h in columns.items())
    rows = (
        Markup("<tr>{}</tr>").format(
            Markup("").join(
                Markup('<td data-label="{}"{}>{}</td>').format(h, _side(c, right), _cell(row[c]))
                for c, h in columns.items()
            )
        )
        for _, row in frame.iterrows()
    )
    return Fragment(
        '<div class="wide"><table><caption>{}</caption><thead><tr>{}</tr></thead><tbody>{}</tbody></table></div>'
    ).format(caption, head, Markup("").join(rows))


def picture(figure: Figure, title: str, says: str) -> Fragment:
    """A figure as an SVG image with its title and what it says in words (for readers who cannot see it)."""
    from matplotlib import pyplot as plt

    out = io.BytesIO()
    figure.savefig(out, format="svg", metadata={"Date": None})
    plt.close(figure)
    data = base64.b64encode(out.getvalue()).decode("ascii")
    return Fragment(
        '<figure><figcaption>{}</figcaption><img alt="{}" src="data:image/svg+xml;base64,{}"></figure>'
    ).format(title, says, data)


def _side(column: str, right: set[str]) -> Markup:
    return Markup(' class="number"') if column in right else Markup("")


def _cell(value: object) -> object:
    missing = value is None or (isinstance(value, float) and value != value) or value is pd.NaT
    return "" if missing else value
