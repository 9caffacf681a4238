"""The pack: one file that the meeting works from, made from the notebook `selection_meeting`; and the tables beside it.

The kernel that holds the meeting hands its tables to the program that runs the notebook, which alone writes: so
nothing stands half written anywhere while the pages are still being drawn.
"""

from __future__ import annotations

import json
import re
from base64 import b64decode, b64encode
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from selection.answer import Progress
from selection.errors import RecordsError, SelectionError
from selection.show.notebooks import NotebookError, loading_kernel, read_notebook, run_notebook
from selection.show.page.fragments import CLOSING, OPENING, slug, stylesheet

if TYPE_CHECKING:
    from nbformat import NotebookNode

    from selection.decide.meeting import Meeting
    from selection.records.settings.plan import Plan
    from selection.records.settings.reading import Standard

HAND_OVER = "-"
"""In the place of a folder: the tables go to the program that runs the notebook."""
TYPE = "application/x-selection-tables"
PACK, EARLIER = "meeting.html", "meeting-earlier.html"


@dataclass(frozen=True)
class Tables:
    """A meeting's tables as they are written (by file name), those kept with the flock (by name), and its day."""

    on: date
    files: Mapping[str, bytes]
    kept: Mapping[str, bytes]


def tables_of(meeting: Meeting) -> Tables:
    """The tables of a meeting, ready to be written and kept."""
    from selection.decide.meeting import kept_tables, table_files
    from selection.records.ledger.kept import stored

    kept = {name: stored(name, frame) for name, frame in kept_tables(meeting).items()}
    return Tables(meeting.flock.plan.on, table_files(meeting), kept)


def leave(meeting: Meeting, out: str | Path) -> None:
    """Write the meeting's tables into the folder `out`, or hand them over where it is `-`."""
    if str(out) != HAND_OVER:
        from selection.decide.meeting import write_tables

        write_tables(meeting, Path(out))
        return
    from IPython.display import display

    tables = tables_of(meeting)
    parts = {
        part: {name: b64encode(data).decode() for name, data in getattr(tables, part).items()}
        for part in ("files", "kept")
    }
    display({TYPE: json.dumps({"on": str(tables.on), **parts})}, raw=True)


def handed_over(book: NotebookNode) -> Tables | None:
    """The tables that a notebook run so far has handed over; None where it did not come to that."""
    for cell in book.cells:
        for output in cell.get("outputs", []):
            if TYPE in output.get("data", {}):
                said = json.loads(output["data"][TYPE])
                files, kept = (
                    {name: b64decode(data) for name, data in said[part].items()} for part in ("files", "kept")
                )
                return Tables(date.fromisoformat(said["on"]), files, kept)
    return None


def publish_meeting(out: Path, tables: Tables, page: bytes | None) -> None:
    """Put the tables and the pack into `out`, made if it is not there; what stood there stays until all is written.

    Without a `page` an earlier pack is no longer this meeting's, and is renamed. Raises RecordsError where the disk
    does not take it: the folder is then as it was.
    """
    from selection.records.ledger import durable

    files = {**tables.files, **({} if page is None else {PACK: page})}
    try:
        durable.publish_all(out, files)
        if page is None and (out / PACK).exists():
            (out / PACK).replace(out / EARLIER)
    except OSError as error:
        why = durable.reason(error)
        raise RecordsError(
            f"the meeting cannot be written into {out}: {why}. Nothing there was changed; choose another --out"
        ) from error


def keep(flock: Path, tables: Tables) -> str | None:
    """Keep the meeting with the flock, for later seasons to look back on; in words why it cannot be, else None."""
    from selection.records.ledger.kept import keep_tables

    try:
        keep_tables(flock, tables.on, tables.kept)
    except RecordsError as error:
        return f"not kept with the flock for later seasons to look back on: {error}"
    return None


_TEMPLATES = Path(__file__).with_name("templates")
NOTEBOOK_ONLY = "notebook-only"
"""Tag of cells that make sense on a screen alone: controls, recording a decision."""
NEW_PAGE = ("The season",)
"""Headings that begin a printed page: the first page stands alone, the rest fills the paper."""
OPEN = ("Read this first",)
"""Sections that stand open on a phone; the others are opened there when they are wanted."""
DRAWN_OR_TAG = re.compile(r"(<svg.*?</svg>|<[^>]+>)", re.DOTALL)
HYPHENED = re.compile(r"(?<![\w-])(?=[\w-]{1,12}(?![\w-]))(?=[a-zA-Z-]*\d)\w+(?:-\w+)+")


@dataclass(frozen=True)
class _Section:
    """One section of the pack: its heading, where links find it, all that stands under it, how it is laid out."""

    title: str
    anchor: str
    body: Markup
    new_page: bool
    stands_open: bool


@dataclass(frozen=True)
class Left:
    """What holding a meeting left, in `lines`; `failed` says why there is no pack, `unkept` why it is not kept."""

    lines: tuple[str, ...]
    failed: str | None = None
    unkept: str | None = None

    @property
    def status(self) -> int:
        """0: pack and tables left, and the meeting kept; 1: not kept with the flock; 2: no pack."""
        return 2 if self.failed else int(self.unkept is not None)


def hold_meeting(flock: Path, out: Path, progress: Progress | None = None) -> Left:
    """Hold the meeting of `flock`, leave the pack and its tables in `out`, and keep it with the flock.

    Where only the pack fails the tables are left and the meeting counts as held. Raises SelectionError, with nothing
    but its words, where the flock or its plan cannot be used or the tables cannot be made or written: then `out` stays
    as it was.
    """
    parameters = {"FLOCK": str(flock.resolve()), "OUT": HAND_OVER}
    failed, page, book = None, None, None
    try:
        with loading_kernel() as kernel, ThreadPoolExecutor(1) as aside:
            book = read_notebook("selection_meeting", parameters, NOTEBOOK_ONLY)
            settings = aside.submit(_settings, flock)  # with the tables it needs, while the kernel works
            run_notebook(kernel, book, progress)
        page = _page(book, flock, settings.result())
        tables = handed_over(book)
    except (NotebookError, SelectionError) as error:
        tables = handed_over(book) if book else None
        if tables is None and isinstance(error, SelectionError):
            raise
        failed = f"no pack: the notebook could not run here ({error})"
    tables = tables or _tables_alone(flock, progress)
    publish_meeting(out, tables, page)
    unkept = keep(flock, tables)
    if progress:
        progress("done", 1.0)
    said = [] if failed else [f"the pack: {out / PACK}"]
    said.append(f"the tables: {', '.join(sorted(tables.files))}")
    return Left(tuple(said), failed, unkept)


def _page(book: NotebookNode, flock: Path, settings: tuple[Standard, Plan]) -> bytes:
    """The pack's bytes; NotebookError where what the notebook showed cannot be made a page."""
    try:
        page = _render(book, _title(flock), _foot(flock, *settings))
    except Exception as error:  # whatever is wrong with the page, the tables are worth having
        raise NotebookError(f"its page could not be made: {type(error).__name__}: {error}") from error
    return page.encode("utf-8", "backslashreplace")  # a folder's name may be no text


def _render(book: NotebookNode, title: str, foot: str) -> str:
    """One self-contained page from a notebook's text and shown pieces; code and printed lines are left out.

    `foot` stands at the foot of every printed page, beside its number.
    """
    from jinja2 import Environment, FileSystemLoader

    whole = Markup("\n").join(piece for cell in book.cells for piece in _pieces(cell))
    opening, sections = _parted(unbroken(whole))
    environment = Environment(loader=FileSystemLoader(_TEMPLATES), autoescape=True)
    return environment.get_template("pack.html").render(
        title=title, css=Markup(stylesheet()), foot=css_text(foot), opening=opening, sections=sections
    )


def _pieces(cell: NotebookNode) -> list[Markup]:
    """What a reader of the pack sees of a cell, without the wrapping that a notebook needs."""
    if NOTEBOOK_ONLY in cell.metadata.get("tags", []):
        return []
    if cell.cell_type == "markdown":
        from mistune import html

        return [Markup(html(cell.source))]
    shown = (output.get("data", {}).get("text/html") for output in cell.get("outputs", []))
    return [Markup(html.removeprefix(OPENING).removesuffix(CLOSING)) for html in shown if html]


def _parted(page: Markup) -> tuple[Markup, list[_Section]]:
    """What stands before the first heading of level 2, and a section for each of them."""
    opening, *parts = re.split(r"<h2[^>]*>(.*?)</h2>", page)
    return Markup(opening), [
        _section(Markup(title).striptags(), Markup(body))
        for title, body in zip(parts[::2], parts[1::2], strict=True)
    ]


def _section(title: str, body: Markup) -> _Section:
    return _Section(title, slug(title), body, title in NEW_PAGE, title in OPEN)


def unbroken(page: Markup) -> Markup:
    """The page with the numbers of birds and clutches, and days, kept on one line: 26-013, 2026-10-10."""
    parts = DRAWN_OR_TAG.split(page)
    parts[::2] = [HYPHENED.sub(r'<span class="whole">\g<0></span>', text) for text in parts[::2]]
    return Markup("".join(parts))


def css_text(text: str) -> Markup:
    """Text as a CSS string, so that nothing in it can end the string or the style around it."""
    safe = "".join(c if c.isalnum() or c in " .,;:-()" else f"\\{ord(c):x} " for c in text)
    return Markup(f'"{safe}"')


def _title(flock: Path) -> str:
    return f"Selection meeting: {flock.resolve().name}"


def _foot(flock: Path, standard: Standard, plan: Plan) -> str:
    """Breed, holding's folder, season and day, for the foot of a printed page."""
    day = f"{plan.on.day} {plan.on:%B} {plan.on.year}"
    return f"{standard.breed}; {flock.resolve().name}; season {plan.season}, meeting of {day}"


def _settings(flock: Path) -> tuple[Standard, Plan]:
    """The standard in force and the plan of a flock."""
    from selection.records.ledger.kept import read_settings
    from selection.records.settings.plan import plan_of, standards_of

    texts = read_settings(flock)
    standard = standards_of(texts).latest
    return standard, plan_of(texts, standard)


def _tables_alone(flock: Path, progress: Progress | None) -> Tables:
    """The tables without the pack; a flock's own fault comes out as its own words."""
    from selection.decide.meeting import hold
    from selection.records.flock import read_flock
    from selection.records.ledger.kept import read_meetings

    return tables_of(hold(read_flock(flock), progress, kept=read_meetings(flock)))
