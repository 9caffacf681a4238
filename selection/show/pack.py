"""The pack: one file that the meeting works from, made from the notebook `selection_meeting`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
from markupsafe import Markup

from selection.records.errors import RecordsError, SelectionError
from selection.show.notebooks import NotebookError, run_notebook

if TYPE_CHECKING:
    from nbformat import NotebookNode

Progress = Callable[[str, float], None]

TEMPLATES = Path(__file__).with_name("templates")
OWN_WORDS = "meeting-stopped"
"""What the notebook prints before the words of an error that a user can mend."""


def hold_meeting(flock: Path, out: Path, progress: Progress | None = None) -> list[str]:
    """Hold the meeting of `flock` and leave the pack and its tables in `out`; lines that say what was left.

    Raises SelectionError, with nothing but its words, where the flock or its plan cannot be used. Where the
    notebook cannot run on this machine the tables are still written, and a line says why there is no pack.
    """
    from selection.records.flock import read_flock

    ready = read_flock(flock)  # what is wrong with a flock is said at once, before a kernel is started
    parameters = {"FLOCK": str(flock.resolve()), "OUT": str(out.resolve())}
    try:
        book = run_notebook("selection_meeting", parameters, progress)
    except NotebookError as error:
        return _tables_alone(flock, out, error)
    page = render(book, f"Selection meeting {ready.plan.season}")
    try:
        out.mkdir(parents=True, exist_ok=True)
        (out / "meeting.html").write_text(page, encoding="utf-8")
    except OSError as error:
        raise RecordsError(f"the pack cannot be written into {out}: {error.strerror}; choose another --out") from error
    _keep(flock, out, ready.plan.on)
    if progress:
        progress("done", 1.0)
    return [f"the pack: {out / 'meeting.html'}", f"the tables: {', '.join(sorted(p.name for p in out.glob('*.csv')))}"]


def render(book: NotebookNode, title: str) -> str:
    """One self-contained page from a notebook's headings, text and shown pieces; code and printed lines left out."""
    from jinja2 import Environment, FileSystemLoader

    pieces = [piece for cell in book.cells for piece in _pieces(cell)]
    environment = Environment(loader=FileSystemLoader(TEMPLATES), autoescape=True)
    return environment.get_template("pack.html").render(title=title, pieces=pieces)


def _pieces(cell: NotebookNode) -> list[Markup]:
    """What a reader sees of a cell."""
    if "notebook-only" in cell.metadata.get("tags", []):
        return []
    if cell.cell_type == "markdown":
        return [Markup(_markdown(cell.source))]
    shown = (o.get("data", {}).get("text/html") for o in cell.get("outputs", []))
    return [Markup(html) for html in shown if html]


def _markdown(source: str) -> str:
    from mistune import html

    return str(html(source))


def _tables_alone(flock: Path, out: Path, error: NotebookError) -> list[str]:
    """The tables without the pack; a flock's own fault comes out as its own words."""
    from selection.decide.meeting import hold, write_tables
    from selection.records.flock import read_flock

    written = write_tables(hold(read_flock(flock)), out)
    return [
        f"no pack: the notebook could not run on this machine ({error})",
        f"the tables: {', '.join(sorted(p.name for p in written))}",
    ]


def _keep(flock: Path, out: Path, on: object) -> None:
    """Keep the ranking and verdicts with the flock, for later seasons to look back on."""
    from selection.records.ledger import keep_meeting

    frames = {name: pd.read_csv(out / f"{name}.csv") for name in ("ranking", "verdicts")}
    keep_meeting(flock, on, frames)


__all__ = ["SelectionError", "hold_meeting", "render"]
