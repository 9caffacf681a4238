"""Finding, filling in and running the notebooks, what their kernel loads, and the one flock that all of them read."""

from __future__ import annotations

import importlib
import os
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from selection.answer import Progress
from selection.errors import SelectionError
from selection.show.page.fragments import Fragment, begin, join, paragraph

if TYPE_CHECKING:
    from jupyter_client.manager import AsyncKernelManager
    from nbclient.exceptions import CellExecutionError
    from nbformat import NotebookNode

    from selection.decide.meeting import Meeting

Page = Callable[..., Fragment]

SECONDS = 3600
"""Longest that one cell may take before the run is called stuck."""
LONGEST_SOCKET = 80
"""Letters of a folder's name beyond which a kernel is not spoken to through files in it (a system's limit)."""
LOADS = (
    "--InteractiveShellApp.exec_lines="
    "__import__('selection.show.notebooks', fromlist=['load_pages']).load_pages({folder!r})"
)
"""What a kernel does at once, without waiting to be asked: it watches over its folder, and loads the pages."""
NOTHING_OF_THE_FOLDER = ("-P", "-m", "ipykernel_launcher", "--InteractiveShellApp.ignore_cwd=True")
"""Starts a kernel that runs no file of the folder the user happens to stand in, whatever it is called."""
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
"""What a kernel's linear algebra is told where the user's own environment says nothing: a season's matrices are small,
and what is worth a second core is solved side by side already. With threads beside it takes half as much again."""
PARAMETERS = "parameters"
"""Tag of the cell that names the flock; its assignments are replaced."""
REMEMBERED = Path(".flock")
"""The small file, in the notebooks' folder; git ignores it."""
DEMO = "../demo/flock"
"""The flock where none was chosen yet."""


class NotebookError(Exception):
    """A notebook that did not run through for a reason that is no fault of the flock; its text says why."""


def find_notebook(name: str) -> Path:
    """The notebook called `name`, from the installed package or the checkout; NotebookError where it is in neither."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "notebooks", package.parent / "notebooks"):
        if (path := folder / f"{name}.ipynb").is_file():
            return path
    raise NotebookError(f"the notebook {name} is not installed; install the package anew")


@contextmanager
def loading_kernel() -> Iterator[AsyncKernelManager]:
    """A kernel of the interpreter that runs this, whatever kernels the machine has, spoken to on this machine alone.

    It loads what it needs while the caller goes on, and is ended whatever happens. NotebookError where it cannot
    be started.
    """
    from jupyter_client.kernelspec import KernelSpec
    from jupyter_client.manager import AsyncKernelManager
    from jupyter_core.utils import run_sync

    with tempfile.TemporaryDirectory(prefix="selection-") as folder:
        manager = AsyncKernelManager(connection_file=str(Path(folder) / "kernel.json"))
        if os.name == "posix" and len(folder) < LONGEST_SOCKET:
            manager.transport = "ipc"
            manager.ip = str(Path(folder) / "kernel")
        loads = LOADS.format(folder=folder)
        argv = [sys.executable, *NOTHING_OF_THE_FOLDER, "-f", "{connection_file}", loads]
        manager._kernel_spec = KernelSpec(argv=argv, display_name="Python 3", language="python")
        with _failures():
            run_sync(manager.start_kernel)(env=_environment(), cwd=folder)
        try:
            yield manager
        finally:
            run_sync(manager.shutdown_kernel)(now=True)


def _environment() -> dict[str, str]:
    """The user's own environment, in which a kernel finds this very package wherever it lies."""
    own = str(Path(__file__).resolve().parents[2])
    paths = [own, *os.environ.get("PYTHONPATH", "").split(os.pathsep)]
    return {**ONE_THREAD, **os.environ, "PYTHONPATH": os.pathsep.join(path for path in paths if path)}


def read_notebook(name: str, parameters: Mapping[str, Any], without: str | None = None) -> NotebookNode:
    """A notebook ready to be run with these parameters, its cells tagged `without` left out."""
    import nbformat  # slow to load: a kernel that was started before loads what it needs meanwhile

    book = nbformat.read(find_notebook(name), as_version=4)
    book.cells = [cell for cell in book.cells if without not in cell.metadata.get("tags", [])]
    fill_in(book, parameters)
    return book


def run_notebook(
    kernel: AsyncKernelManager, book: NotebookNode, progress: Progress | None = None
) -> NotebookNode:
    """Run a notebook from top to bottom, in a kernel that serves it alone, and give it back with its outputs.

    Raises SelectionError with nothing but its words where a cell raised one, and NotebookError where the notebook
    or its kernel failed in any other way.
    """
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError

    client = NotebookClient(book, km=kernel, timeout=SECONDS, on_cell_execute=_steps(book, progress))
    try:
        with _failures():
            client.execute()
    except CellExecutionError as error:
        raise _in_words(error) from None
    return book


def fill_in(book: NotebookNode, parameters: Mapping[str, Any]) -> None:
    """Set the parameters in the cell tagged for them."""
    for cell in book.cells:
        if PARAMETERS in cell.metadata.get("tags", []):
            cell.source = "\n".join(f"{name} = {value!r}" for name, value in parameters.items())
            return


@contextmanager
def _failures() -> Iterator[None]:
    """Raises what befalls a kernel, and not a notebook, as NotebookError: that it died, or took too long, too."""
    try:
        yield
    except (RuntimeError, OSError) as error:
        raise NotebookError(f"its kernel stopped: {error}") from error


def _steps(book: NotebookNode, progress: Progress | None) -> Callable[..., None]:
    """What tells `progress` of each cell as it is begun, by the heading above it."""
    code = [index for index, cell in enumerate(book.cells) if cell.cell_type == "code"]

    def begun(cell: NotebookNode, cell_index: int) -> None:
        if progress and cell_index in code:
            progress(_heading_above(book, cell_index), code.index(cell_index) / len(code))

    return begun


def _heading_above(book: NotebookNode, index: int) -> str:
    """The heading above a cell: what the reader is told is going on."""
    for cell in reversed(book.cells[:index]):
        if cell.cell_type == "markdown" and cell.source.lstrip().startswith("#"):
            return cell.source.strip().splitlines()[0].lstrip("# ")
    return "starting"


def _in_words(error: CellExecutionError) -> Exception:
    """The exception of a cell as this side raises it: the words of a SelectionError, else a NotebookError."""
    words = error.evalue or error.ename
    if error.ename in _names(SelectionError):
        return SelectionError(words)
    return NotebookError(f"{error.ename}: {words}")


def _names(kind: type[Exception]) -> set[str]:
    """The names of an exception's class and of all that descend from it."""
    return {kind.__name__}.union(*(_names(child) for child in kind.__subclasses__()))


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


class Pages:
    """The meeting's pages where a notebook's cells show them, and shown anew in their places once it was held again."""

    def __init__(self, meeting: Meeting) -> None:
        self.meeting = meeting
        self.shown: dict[str, tuple[Page, tuple[Any, ...]]] = {}

    def __call__(self, page: Page, *more: Any) -> Shown:
        """Show one page; `more` is what it needs beside the meeting."""
        self.shown[page.__name__] = page, more
        return Shown(page.__name__, page(self.meeting, *more))

    def again(self, meeting: Meeting) -> None:
        """Show every page anew, each where it stands."""
        from IPython.display import update_display

        self.meeting = meeting
        for name, (page, more) in self.shown.items():
            update_display(page(meeting, *more), display_id=name)


@dataclass(frozen=True)
class Shown:
    """A page in its place, where a later one of the same name takes over."""

    name: str
    page: Fragment

    def _ipython_display_(self) -> None:
        from IPython.display import display

        display(self.page, display_id=self.name)

    def _repr_html_(self) -> str:
        return self.page._repr_html_()


LATER = ("statsmodels.regression.linear_model", "matplotlib.pyplot")
"""Slow to load, and wanted only when the prices are fitted and the pages drawn."""


def load_pages(folder: str | None = None) -> None:
    """Load the pages, and begin to load what is wanted later: the kernel waits a while for its first cell.

    `folder` is the kernel's own, where its sockets lie: should the program that started the kernel be killed, the
    folder is removed and the kernel ends.
    """
    if folder is not None and os.name == "posix":
        threading.Thread(target=_watch, args=(folder,), daemon=True).start()
    importlib.import_module("selection.show.meeting")
    threading.Thread(target=_load_later, daemon=True).start()


def _load_later() -> None:
    for name in LATER:
        importlib.import_module(name)


def _watch(folder: str) -> None:
    """Wait until the program that started this kernel is gone, then clear up after it and end."""
    starter = int(os.environ.get("JPY_PARENT_PID", os.getppid()))
    while os.getppid() == starter:
        time.sleep(0.2)
    shutil.rmtree(folder, ignore_errors=True)
    os._exit(1)
