"""The pack: one file that the meeting works from, made from the notebook `selection_meeting`."""

from __future__ import annotations

import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from markupsafe import Markup

from selection.errors import RecordsError
from selection.show.notebooks import NotebookError, loading_kernel, read_notebook, run_notebook
from selection.show.page.fragments import CLOSING, OPENING, slug, stylesheet

if TYPE_CHECKING:
    import pandas as pd
    from nbformat import NotebookNode

    from selection.records.settings.plan import Plan
    from selection.records.settings.reading import Standard

Progress = Callable[[str, float], None]

TEMPLATES = Path(__file__).with_name("templates")
NOTEBOOK_ONLY = "notebook-only"
"""Tag of cells that make sense on a screen alone: controls, recording a decision."""
NEW_PAGE = ("The season",)
"""Headings that begin a printed page: the first page stands alone, the rest fills the paper."""
OPEN = ("Read this first",)
"""Sections that stand open on a phone; the others are opened there when they are wanted."""
DRAWN_OR_TAG = re.compile(r"(<svg.*?</svg>|<[^>]+>)", re.DOTALL)
HYPHENED = re.compile(r"(?<![\w-])(?=[\w-]{1,12}(?![\w-]))(?=[a-zA-Z-]*\d)\w+(?:-\w+)+")


@dataclass(frozen=True)
class Section:
    """One section of the pack: its heading, where links find it, all that stands under it, how it is laid out."""

    title: str
    anchor: str
    body: Markup
    new_page: bool
    stands_open: bool


def hold_meeting(flock: Path, out: Path, progress: Progress | None = None) -> list[str]:
    """Hold the meeting of `flock` and leave the pack and its tables in `out`; lines that say what was left.

    Raises SelectionError, with nothing but its words, where the flock or its plan cannot be used. Where the
    notebook cannot run on this machine the tables are still written, and a line says why there is no pack.
    """
    parameters = {"FLOCK": str(flock.resolve()), "OUT": str(out.resolve())}
    try:
        with loading_kernel() as kernel, ThreadPoolExecutor(1) as aside:
            book = read_notebook("selection_meeting", parameters, NOTEBOOK_ONLY)
            settings = aside.submit(_settings, flock)  # with the tables it needs, while the kernel works
            run_notebook(kernel, book, progress)
        page = render(book, _title(flock), _foot(flock, *settings.result()))
    except NotebookError as error:
        _tables_alone(flock, out, progress)
        said = [f"no pack: the notebook could not run here ({error})"]
    else:
        _write(page, out)
        said = [f"the pack: {out / 'meeting.html'}"]
    said += _kept(flock, out)
    if progress:
        progress("done", 1.0)
    return [*said, f"the tables: {', '.join(sorted(path.name for path in out.glob('*.csv')))}"]


def render(book: NotebookNode, title: str, foot: str) -> str:
    """One self-contained page from a notebook's text and shown pieces; code and printed lines are left out.

    `foot` stands at the foot of every printed page, beside its number.
    """
    from jinja2 import Environment, FileSystemLoader

    whole = Markup("\n").join(piece for cell in book.cells for piece in _pieces(cell))
    opening, sections = _parted(unbroken(whole))
    environment = Environment(loader=FileSystemLoader(TEMPLATES), autoescape=True)
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


def _parted(page: Markup) -> tuple[Markup, list[Section]]:
    """What stands before the first heading of level 2, and a section for each of them."""
    opening, *parts = re.split(r"<h2[^>]*>(.*?)</h2>", page)
    return Markup(opening), [
        _section(Markup(title).striptags(), Markup(body))
        for title, body in zip(parts[::2], parts[1::2], strict=True)
    ]


def _section(title: str, body: Markup) -> Section:
    return Section(title, slug(title), body, title in NEW_PAGE, title in OPEN)


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
    from selection.records.settings.adopting import plan_of, standards_of

    texts = read_settings(flock)
    standard = standards_of(texts).latest
    return standard, plan_of(texts, standard)


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


def _kept(flock: Path, out: Path) -> list[str]:
    """Keep the ranking and verdicts with the flock, for later seasons to look back on; a line if it cannot be."""
    from selection.records.ledger.appending import keep_meeting

    on = _settings(flock)[1].on
    try:
        keep_meeting(flock, on, {name: _table(out / f"{name}.csv") for name in ("ranking", "verdicts")})
    except RecordsError as error:
        return [f"not kept with the flock for later seasons to look back on: {error}"]
    return []


def _table(path: Path) -> pd.DataFrame:
    """A table as it was written: a bird called 007 or NA stays that."""
    import pandas as pd

    texts = dict.fromkeys(("bird", "left", "right", "reason", "decided_why", "bar"), "str")
    return pd.read_csv(path, dtype=texts, keep_default_na=False, na_values=[""])
