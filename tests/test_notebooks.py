"""Every notebook: thin, stored without outputs, and running from top to bottom on a flock given by its path."""

from __future__ import annotations

import ast
import shutil
from pathlib import Path

import pytest

from selection.show.notebooks import PARAMETERS, fill_in, find_notebook
from tests.show import held

pytestmark = pytest.mark.slow

NAMES = [
    "start_here", "selection_meeting", "clutches", "laying", "prices", "matings", "review", "merit", "spring", "bird",
]  # fmt: skip
MOST_LINES = 12


def code(book) -> list:
    return [cell for cell in book.cells if cell.cell_type == "code"]


def test_there_is_one_notebook_a_job_and_no_other():
    folder = find_notebook("selection_meeting").parent
    assert sorted(path.stem for path in folder.glob("*.ipynb")) == sorted(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_is_thin_and_stored_without_outputs(name: str):
    import nbformat

    book = nbformat.read(find_notebook(name), as_version=4)
    assert book.metadata.kernelspec.name == "python3"
    first = book.cells[0]
    titles = [
        line
        for c in book.cells
        if c.cell_type == "markdown"
        for line in c.source.splitlines()
        if line.startswith("# ")
    ]
    assert first.cell_type == "markdown" and len(titles) == 1
    opening = first.source.split("\n\n")[1]
    assert opening.endswith(".") and opening.count(".") == 1, "one sentence on what it settles"
    assert PARAMETERS in book.cells[1].metadata.tags and "FLOCK = " in book.cells[1].source
    for cell in code(book):
        assert not cell.outputs and cell.execution_count is None
        assert len(cell.source.splitlines()) <= MOST_LINES
        assert not any(
            isinstance(n, ast.FunctionDef | ast.ClassDef) for n in ast.walk(ast.parse(cell.source))
        )


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_runs_from_top_to_bottom_on_any_flock(name: str, tmp_path: Path, capsys):
    """In this process: real kernels run them in the browser tests and for the pack."""
    import nbformat

    flock = shutil.copytree(held.flock_path(), tmp_path / "flock")
    held.holding().write(tmp_path / "forms")
    book = nbformat.read(find_notebook(name), as_version=4)
    given = {
        "FLOCK": str(flock),
        "FORMS": str(tmp_path / "forms"),
        "OUT": None,
    }
    asked = book.cells[1].source
    fill_in(book, {key: value for key, value in given.items() if f"{key} = " in asked})
    space: dict[str, object] = {}
    shown = [run(cell.source, space) for cell in code(book)]
    assert sum(bool(value) for value in shown) >= 3, "a notebook shows what it settles"


def run(source: str, space: dict[str, object]) -> object:
    """Run a cell as a kernel would: the value of its last expression is what it shows."""
    tree = ast.parse(source)
    last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
    exec(compile(tree, "<cell>", "exec"), space)
    if last is None:
        return None
    value = eval(compile(ast.Expression(last.value), "<cell>", "eval"), space)
    page = getattr(value, "_repr_html_", None)
    return page() if page else value
