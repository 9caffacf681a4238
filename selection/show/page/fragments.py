"""Pieces of a page: text, tables and pictures that a notebook shows and the pack takes over as they stand.

Every piece is built from escaped text: what a breeder typed is never markup.
"""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

Row = Mapping[Any, Any]

LONG = 50
"""Letters of a cell beyond which it stands under its heading on a phone, not beside it."""
SHORT = 18
"""Letters of a row's head that are never broken over two lines: a bird's number, a pair of them."""
OPENING, CLOSING = '<div class="selection">', "</div>"
"""What a notebook wraps a piece in, so that the style reaches it."""


class Fragment(Markup):
    """A piece of HTML that a notebook renders, in the pack's own style."""

    def _repr_html_(self) -> str:
        return f"{OPENING}{self}{CLOSING}" if self else ""


def begin() -> Fragment:
    """The pages' style, for a notebook, which has none of its own."""
    return Fragment("<style>{}</style>").format(Markup(stylesheet()))


def stylesheet() -> str:
    """The style that notebooks and pack share."""
    return Path(__file__).parents[1].joinpath("templates", "pages.css").read_text(encoding="utf-8")


def join(pieces: Iterable[Markup | str]) -> Fragment:
    """Pieces one after another; plain text among them is escaped."""
    return Fragment("\n").join(pieces)


def paragraph(text: str | Markup, kind: str = "") -> Fragment:
    """One paragraph of plain text; `kind` is its class on the page."""
    return Fragment("<p{}>{}</p>").format(_class(kind), text)


def bullets(texts: Sequence[str | Markup], kind: str = "", empty: str = "") -> Fragment:
    """A list of sentences; for none the sentence `empty`, or nothing."""
    if not texts:
        return paragraph(empty, "quiet") if empty else Fragment("")
    items = Markup("").join(Markup("<li>{}</li>").format(sentence(t)) for t in texts)
    return Fragment("<ul{}>{}</ul>").format(_class(kind), items)


def fold(summary: str, inside: Markup, on_paper: bool = True) -> Fragment:
    """Something that a reader on a screen opens when it is wanted; printed open, or left off paper."""
    kind = "" if on_paper else "screen"
    return Fragment("<details{}><summary>{}</summary>{}</details>").format(_class(kind), summary, inside)


FIRST = 3
"""Sentences that stand open beside a picture; the others lie behind a fold."""


def foremost_first(texts: Sequence[str | Markup], summary: str, kind: str = "") -> Fragment:
    """The first few sentences as a list, the others behind a fold that `summary` names; on paper they are left out."""
    rest = fold(summary, bullets(texts[FIRST:], kind), on_paper=False) if len(texts) > FIRST else Markup("")
    return join([bullets(texts[:FIRST], kind), rest])


def beside(*pieces: Markup) -> Fragment:
    """Pieces side by side where the page is wide enough, one below the other where it is not."""
    inside = Markup("").join(Markup("<div>{}</div>").format(piece) for piece in pieces if piece)
    return Fragment('<div class="beside">{}</div>').format(inside)


def heading(text: str, level: int = 3) -> Fragment:
    """A heading; those of level 2 stand in the pack's contents."""
    anchor = Markup(' id="{}"').format(slug(text)) if level == 2 else Markup("")
    return Fragment("<h{}{}>{}</h{}>").format(level, anchor, text, level)


def slug(text: str) -> str:
    """A heading as the end of a link: small letters and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.casefold()).strip("-")


def sentence(text: str | Markup) -> str | Markup:
    """A sentence with a capital, a stop, true minus signs and parted per cents; markup is left alone."""
    if isinstance(text, Markup) or not text.strip():
        return text
    text = re.sub(r"(?<![\w/–-])-(?=\d)", "−", text.strip())
    text = re.sub(r"(?<=\d)%", " %", text)
    begun = text if text[:1].isdigit() or text[1:2].isupper() else text[0].upper() + text[1:]
    return begun if begun[-1] in ".!?:" else f"{begun}."


def table(
    rows: Sequence[Row] | pd.DataFrame,
    columns: Mapping[str, str],
    caption: str,
    numbers: Iterable[str] = (),
    empty: str = "Nothing to show.",
    kind: str = "",
) -> Fragment:
    """A table of `columns` (key → heading), cells shown as they are, blanks for missing.

    The first column heads its row; `numbers` are set to the right. Without rows the sentence `empty` stands
    instead.
    """
    listed = list(rows) if isinstance(rows, Sequence) else rows.to_dict("records")
    if not listed:
        return paragraph(empty, "quiet")
    right = set(numbers)
    head = Markup("").join(
        Markup('<th scope="col"{}>{}</th>').format(_side(key, right), words) for key, words in columns.items()
    )
    body = Markup("").join(_row(row, columns, right) for row in listed)
    return Fragment(
        "<table{}><caption>{}</caption><thead><tr>{}</tr></thead><tbody>{}</tbody></table>"
    ).format(_class(kind), caption, head, body)


def _row(row: Row, columns: Mapping[str, str], right: set[str]) -> Markup:
    first, *others = columns
    head = _cell(row[first])
    short = Markup(' class="short"') if len(Markup(head).striptags()) <= SHORT else Markup("")
    cells = [Markup('<th scope="row"{}>{}</th>').format(short, head)]
    cells += [
        Markup('<td data-label="{}"{}>{}</td>').format(
            _label(columns[key]), _side(key, right, row[key]), _cell(row[key])
        )
        for key in others
    ]
    return Markup("<tr>{}</tr>").format(Markup("").join(cells))


def _label(heading: str) -> str:
    """A column's heading as an attribute holds it: its words without what is drawn beside them."""
    return heading.striptags() if isinstance(heading, Markup) else heading


def picture(figure: Figure, title: str, says: str) -> Fragment:
    """A figure with its title and, for readers who cannot see it, what it says in words."""
    from matplotlib import pyplot as plt

    out = io.BytesIO()
    figure.savefig(out, format="svg", metadata={"Date": None})
    plt.close(figure)
    data = base64.b64encode(out.getvalue()).decode("ascii")
    return Fragment(
        '<figure><figcaption>{}</figcaption><img alt="{}" src="data:image/svg+xml;base64,{}"></figure>'
    ).format(title, says, data)


def photo_img(data: bytes, says: str, kind: str = "photo") -> Fragment:
    """A prepared photo as it stands in a page; `says` is for readers who cannot see it."""
    return Fragment('<img class="{}" alt="{}" src="data:image/jpeg;base64,{}">').format(
        kind, says, base64.b64encode(data).decode("ascii")
    )


def _class(kind: str) -> Markup:
    return Markup(' class="{}"').format(kind) if kind else Markup("")


def _side(column: str, right: set[str], cell: object = "") -> Markup:
    """The class of a cell: a number, or words that need a line of their own on a phone."""
    if column in right:
        return _class("number")
    return _class("long" if isinstance(cell, str) and len(Markup(cell).striptags()) > LONG else "")


def _cell(value: object) -> object:
    return "" if value is None or value != value else value
