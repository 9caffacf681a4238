"""Finding, filling in and running the notebooks."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from selection.records.errors import SelectionError

if TYPE_CHECKING:
    from nbformat import NotebookNode

Progress = Callable[[str, float], None]

SECONDS = 600
"""Longest that one cell may take before the run is called stuck."""

PARAMETERS = "parameters"
"""Tag of the cell that names the flock; its assignments are replaced."""


class NotebookError(SelectionError):
    """A notebook that did not run through; the text is the error's own words."""


def find_notebook(name: str) -> Path:
    """The notebook called `name`, from the installed package or the checkout; NotebookError where it is neither."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "notebooks", package.parent / "notebooks"):
        if (path := folder / f"{name}.ipynb").is_file():
            return path
    raise NotebookError(f"the notebook {name} is not installed; install the package anew")


def run_notebook(name: str, parameters: Mapping[str, Any], progress: Progress | None = None) -> NotebookNode:
    """Run a notebook from top to bottom with these parameters, in a kernel of this interpreter.

    Returns it with its outputs. Raises NotebookError with the error's own words where a cell fails.
    """
    import nbformat
    from jupyter_client.manager import AsyncKernelManager
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

    book = nbformat.read(find_notebook(name), as_version=4)
    _fill_in(book, parameters)
    manager = AsyncKernelManager()
    # the interpreter that runs this command, whatever kernels the machine has
    manager.kernel_spec.argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
    steps = sum(cell.cell_type == "code" for cell in book.cells)
    done = [0]

    def begun(cell: NotebookNode, cell_index: int) -> None:
        if progress and cell.cell_type == "code":
            progress(_step(book, cell_index), done[0] / max(steps, 1))
            done[0] += 1

    client = NotebookClient(book, km=manager, timeout=SECONDS, on_cell_execute=begun)
    try:
        client.execute()
    except CellExecutionError as error:
        raise NotebookError(_words(error)) from error
    except (CellTimeoutError, DeadKernelError) as error:
        raise NotebookError(f"the notebook {name} stopped before its end: {error}") from error
    return book


def _fill_in(book: NotebookNode, parameters: Mapping[str, Any]) -> None:
    """Set the parameters in the cell tagged for them."""
    for cell in book.cells:
        if PARAMETERS in cell.metadata.get("tags", []):
            cell.source = "\n".join(f"{name} = {value!r}" for name, value in parameters.items())
            return


def _step(book: NotebookNode, index: int) -> str:
    """The heading above a cell: what the reader is told is going on."""
    for cell in reversed(book.cells[:index]):
        if cell.cell_type == "markdown" and cell.source.lstrip().startswith("#"):
            return cell.source.strip().splitlines()[0].lstrip("# ")
    return "starting"


def _words(error: Any) -> str:
    """An error's own words: of a kernel's exception the message, without its type or traceback."""
    return f"{error.evalue}" if error.evalue else f"{error.ename}"
