"""The one flock that all notebooks speak of: chosen in `start_here`, remembered in a small file beside them."""

from __future__ import annotations

from pathlib import Path

from selection.show.page.fragments import Fragment, begin, join, paragraph

REMEMBERED = Path(".flock")
"""The small file, in the notebooks' folder; git ignores it."""
DEMO = "../demo/flock"
"""The flock where none was chosen yet."""


def chosen_flock(given: str | None = None) -> str:
    """The flock's folder: `given`, else the one chosen last, else the demo's.

    A remembered folder that is there no more is still named, so that what reads it can say so.
    """
    if given is not None:
        return given
    remembered = REMEMBERED.read_text(encoding="utf-8").strip() if REMEMBERED.is_file() else ""
    return remembered or DEMO


def choose_flock(path: str) -> None:
    """Remember `path` as the flock of all notebooks; a blank goes back to the demo's."""
    REMEMBERED.write_text(f"{path.strip()}\n", encoding="utf-8")


def top(flock: str) -> Fragment:
    """What stands at the top of each notebook: the pages' style, and whose records it reads."""
    return join([begin(), paragraph(f"Flock: {flock} (chosen in start_here)", "small")])
