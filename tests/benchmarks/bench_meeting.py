"""How long the meeting of the demo takes beside its floor: run as a plain script, it prints a table.

The floor is what nobody can avoid who makes a page from a notebook, done by the standard tool for it: `jupyter
nbconvert --execute` on a notebook of one cell, which imports every module that the meeting's kernel ends up with.
Times of this machine, as ratios.

    python -m tests.benchmarks.bench_meeting
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import nbformat

from selection.show import notebooks, pack

ROOT = Path(__file__).resolve().parents[2]
TIMES = 5
"""Rounds of all commands in turn: a machine that is slow for a while is slow for all. Medians are told."""

IMPORTS = "import importlib; [importlib.import_module(name) for name in {!r}];"

LOADED = "import sys; print(*(m for m, x in sys.modules.items() if getattr(x, '__spec__', None)))"


def modules_of(flock: Path, folder: Path) -> list[str]:
    """The modules that the meeting's kernel has loaded when its notebook has run through."""
    book = nbformat.read(notebooks.find_notebook("selection_meeting"), as_version=4)
    book.cells = [cell for cell in book.cells if pack.NOTEBOOK_ONLY not in cell.metadata.get("tags", [])]
    bare = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(LOADED)])
    ran = []
    for cells in ([*book.cells, *bare.cells], bare.cells):
        nbformat.write(nbformat.v4.new_notebook(cells=cells), folder / "loaded.ipynb")
        notebooks.find_notebook = lambda name: folder / "loaded.ipynb"
        with notebooks.loading_kernel() as kernel:
            done = notebooks.run_notebook(
                kernel, notebooks.read_notebook("loaded", {"FLOCK": str(flock), "OUT": None})
            )
        ran.append(done.cells[-1].outputs[0].text.split())
    return [name for name in ran[0] if name not in set(ran[1]) and not name.startswith("__")]


def seconds(command: list[str]) -> tuple[float, float]:
    """Wall and processor seconds of a command and all that it starts."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(command, check=True, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Time floor, meeting and help, and print them side by side."""
    with tempfile.TemporaryDirectory() as folder:
        flock, out = Path(folder) / "flock", Path(folder) / "out"
        python = sys.executable
        subprocess.run(
            [python, "-m", "selection", "record", str(flock), "demo/forms"],
            check=True, cwd=ROOT, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        empty = Path(folder) / "floor.ipynb"
        imports = nbformat.v4.new_code_cell(IMPORTS.format(modules_of(flock, Path(folder))))
        nbformat.write(nbformat.v4.new_notebook(cells=[imports]), empty)
        commands = {
            "floor": [python, "-m", "nbconvert", "--to", "html", "--execute", str(empty)],
            "meeting": [python, "-m", "selection", "meeting", str(flock), "--out", str(out)],
            "--help": [python, "-m", "selection", "--help"],
        }
        rounds = [{name: seconds(command) for name, command in commands.items()} for _ in range(TIMES)]
        size = (out / "meeting.html").stat().st_size
    print(f"{'':<10}{'wall s':>8}{'cpu s':>8}{'of floor, wall':>16}{'cpu':>6}")
    for name in commands:
        wall, used = (statistics.median(r[name][k] for r in rounds) for k in (0, 1))
        ratios = [statistics.median(r[name][k] / r["floor"][k] for r in rounds) for k in (0, 1)]
        print(f"{name:<10}{wall:>8.2f}{used:>8.2f}{ratios[0]:>15.2f}×{ratios[1]:>5.2f}×")
    each = ", ".join(f"{r['meeting'][0] / r['floor'][0]:.2f}" for r in rounds)
    print(f"meeting beside the floor of its own round, wall: {each}")
    print(f"pack: {size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
