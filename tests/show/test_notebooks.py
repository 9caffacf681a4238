"""Finding, filling in and running notebooks."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from selection.errors import SelectionError
from selection.show import notebooks
from selection.show.notebooks import (
    NotebookError,
    fill_in,
    find_notebook,
    loading_kernel,
    read_notebook,
    run_notebook,
)


@pytest.fixture
def written(tmp_path: Path, monkeypatch):
    """Write a notebook of these cells, to be found by any name."""
    import nbformat
    from nbformat.v4 import new_notebook

    def write(*cells):
        path = tmp_path / "book.ipynb"
        nbformat.write(new_notebook(cells=list(cells)), path)
        monkeypatch.setattr(notebooks, "find_notebook", lambda name: path)

    return write


def test_a_notebook_that_is_nowhere_is_named():
    assert find_notebook("selection_meeting").name == "selection_meeting.ipynb"
    with pytest.raises(NotebookError, match="no-such-notebook"):
        find_notebook("no-such-notebook")


def test_parameters_replace_the_cell_tagged_for_them_and_no_other():
    from nbformat.v4 import new_code_cell, new_notebook

    book = new_notebook(
        cells=[new_code_cell("A = 1"), new_code_cell("A = 2", metadata={"tags": ["parameters"]})]
    )
    fill_in(book, {"A": "it's", "B": None})
    assert [cell.source for cell in book.cells] == ["A = 1", 'A = "it\'s"\nB = None']


def test_a_notebook_runs_in_this_interpreter_with_steps_named_by_its_headings(written):
    from nbformat.v4 import new_code_cell, new_markdown_cell

    written(
        new_markdown_cell("## First step"),
        new_code_cell("X = 0", metadata={"tags": ["parameters"]}),
        new_code_cell("import sys; (sys.executable, X)"),
        new_code_cell("1 / 0", metadata={"tags": ["left out"]}),
    )
    steps: list[tuple[str, float]] = []
    with loading_kernel() as kernel:
        book = read_notebook("any", {"X": 7}, without="left out")
        run_notebook(kernel, book, lambda step, share: steps.append((step, share)))
    assert book.cells[2].outputs[0].data["text/plain"] == repr((sys.executable, 7))
    assert steps == [("First step", 0.0), ("First step", 0.5)]


def test_a_kernel_runs_no_file_of_the_folder_it_is_started_in(written, tmp_path: Path, monkeypatch):
    from nbformat.v4 import new_code_cell

    (tmp_path / "evil").mkdir()
    for name in ("numpy", "pandas", "ipykernel_launcher", "selection", "fractions"):
        (tmp_path / "evil" / f"{name}.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'w')")
    monkeypatch.chdir(tmp_path / "evil")
    written(new_code_cell("import fractions, numpy, pandas, selection; selection.__name__"))
    with loading_kernel() as kernel:
        book = read_notebook("any", {})
        run_notebook(kernel, book)
    assert book.cells[0].outputs[0].data["text/plain"] == "'selection'"
    assert not (tmp_path / "ran").exists()


KILLED = """
import sys, time
from selection.show.notebooks import loading_kernel
with loading_kernel() as kernel:
    print("started", flush=True)
    time.sleep(60)
"""


@pytest.mark.slow
@pytest.mark.parametrize("pause", [0.0, 1.5])
def test_a_meeting_that_is_killed_leaves_no_folder_behind(tmp_path: Path, pause: float):
    environment = {
        **os.environ,
        "TMPDIR": str(tmp_path),
        "PYTHONPATH": os.pathsep.join(filter(None, sys.path)),
    }
    with subprocess.Popen([sys.executable, "-c", KILLED], env=environment, stdout=subprocess.PIPE) as started:
        assert started.stdout is not None and started.stdout.readline() == b"started\n"
        assert list(tmp_path.iterdir())
        time.sleep(pause)
        started.kill()
    until = time.monotonic() + 60
    while list(tmp_path.iterdir()) and time.monotonic() < until:
        time.sleep(0.2)
    assert list(tmp_path.iterdir()) == []


def test_an_error_made_for_the_user_comes_out_as_its_words_alone(written):
    from nbformat.v4 import new_code_cell

    written(
        new_code_cell("from selection.errors import SettingsError\nraise SettingsError('plan.toml: on: …')")
    )
    with pytest.raises(SelectionError) as error, loading_kernel() as kernel:
        run_notebook(kernel, read_notebook("any", {}))
    assert str(error.value) == "plan.toml: on: …"


def test_any_other_failure_says_what_and_is_no_fault_of_the_flock(written):
    from nbformat.v4 import new_code_cell

    written(new_code_cell("{}['missing']"))
    with pytest.raises(NotebookError, match="KeyError: 'missing'"), loading_kernel() as kernel:
        run_notebook(kernel, read_notebook("any", {}))
    written(new_code_cell("import os; os._exit(3)"))
    with pytest.raises(NotebookError, match="kernel stopped"), loading_kernel() as kernel:
        run_notebook(kernel, read_notebook("any", {}))


TRIED = """
import sys, threading
from selection.show.notebooks import LATER, load_pages
assert not {"selection.show.meeting", *LATER} & sys.modules.keys()
load_pages()
assert "selection.show.meeting" in sys.modules
[thread.join() for thread in threading.enumerate() if thread.daemon]
assert {*LATER} <= sys.modules.keys()
"""


def test_pages_are_loaded_at_once_and_what_they_need_later_beside_the_first_work():
    done = subprocess.run([sys.executable, "-c", TRIED], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
