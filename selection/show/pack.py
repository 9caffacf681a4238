"""The pack: one file that the meeting works from, made from the notebook `selection_meeting`."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from selection.records.errors import RecordsError
from selection.show.fragments import slug, stylesheet
from selection.show.notebooks import NotebookError, run_notebook

if TYPE_CHECKING:
    from nbformat import NotebookNode

Progress = Callable[[str, float], None]

TEMPLATES = Path(__file__).with_name("templates")
NOTEBOOK_ONLY = "notebook-only"
"""Tag of cells that make sense on a screen alone: controls, recording a decision."""
NEW_PAGE = ("The season", "One more look", "Each candidate's card", "Clutches", "How it was worked out")
"""Headings that begin a printed page."""


@dataclass(frozen=True)
class Entry:
    """One line of the contents."""

    text: str
    anchor: str


def hold_meeting(flock: Path, out: Path, progress: Progress | None = None) -> list[str]:
    """Hold the meeting of `flock` and leave the pack and its tables in `out`; lines that say what was left.

    Raises SelectionError, with nothing but its words, where the flock or its plan cannot be used. Where the
    notebook cannot run on this machine the tables are still written, and a line says why there is no pack.
    """
    parameters = {"FLOCK": str(flock.resolve()), "OUT": str(out.resolve())}
    try:
        page = render(run_notebook("selection_meeting", parameters, progress, NOTEBOOK_ONLY), _title(flock))
    except NotebookError as error:
        _tables_alone(flock, out, progress)
        said = [f"no pack: the notebook could not run here ({error})"]
    else:
        _write(page, out)
        said = [f"the pack: {out / 'meeting.html'}"]
    _keep(flock, out)
    if progress:
        progress("done", 1.0)
    return [*said, f"the tables: {', '.join(sorted(path.name for path in out.glob('*.csv')))}"]


def render(book: NotebookNode, title: str) -> str:
    """One self-contained page from a notebook's text and shown pieces; code and printed lines are left out."""
    from jinja2 import Environment, FileSystemLoader

    pieces = [_anchored(piece) for cell in book.cells for piece in _pieces(cell)]
    first = next((i for i, piece in enumerate(pieces) if "<h2" in piece), len(pieces))
    environment = Environment(loader=FileSystemLoader(TEMPLATES), autoescape=True)
    return environment.get_template("pack.html").render(
        title=title,
        css=Markup(stylesheet()),
        opening=pieces[:first],
        contents=[entry for piece in pieces for entry in _entries(piece)],
        pieces=pieces[first:],
    )


def _pieces(cell: NotebookNode) -> list[Markup]:
    """What a reader of the pack sees of a cell."""
    if NOTEBOOK_ONLY in cell.metadata.get("tags", []):
        return []
    if cell.cell_type == "markdown":
        from mistune import html

        return [Markup(html(cell.source))]
    shown = (output.get("data", {}).get("text/html") for output in cell.get("outputs", []))
    return [Markup(html) for html in shown if html]


def _anchored(piece: Markup) -> Markup:
    """A piece whose headings can be linked to, those that begin a printed page marked."""

    def anchor(found: re.Match[str]) -> str:
        text = Markup(found[1]).striptags()
        page = ' class="page"' if text in NEW_PAGE else ""
        return f'<h2 id="{slug(text)}"{page}>{found[1]}</h2>'

    return Markup(re.sub(r"<h2[^>]*>(.*?)</h2>", anchor, piece))


def _entries(piece: Markup) -> list[Entry]:
    """The headings of a piece as lines of the contents."""
    return [
        Entry(Markup(text).striptags(), at)
        for at, text in re.findall(r'<h2 id="([^"]*)"[^>]*>(.*?)</h2>', piece)
    ]


def _title(flock: Path) -> str:
    return f"Selection meeting: {flock.resolve().name}"


def _write(page: str, out: Path) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
        (out / "meeting.html").write_text(page, encoding="utf-8")
    except OSError as error:
        raise RecordsError(
            f"the pack cannot be written into {out}: {error.strerror}; choose another --out"
        ) from error


def _tables_alone(flock: Path, out: Path, progress: Progress | None) -> None:
    """The tables without the pack; a flock's own fault comes out as its own words."""
    from selection.decide.meeting import hold, write_tables
    from selection.records.flock import read_flock

    write_tables(hold(read_flock(flock), progress), out)


def _keep(flock: Path, out: Path) -> None:
    """Keep the ranking and verdicts with the flock, for later seasons to look back on."""
    import pandas as pd

    from selection.records.adopting import plan_of, standards_of
    from selection.records.kept import read_settings
    from selection.records.ledger import keep_meeting

    texts = read_settings(flock)
    on: date = plan_of(texts, standards_of(texts).latest).on
    keep_meeting(flock, on, {name: pd.read_csv(out / f"{name}.csv") for name in ("ranking", "verdicts")})
