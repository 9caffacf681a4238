"""How long the meeting of the demo takes beside its floor: run as a plain script, it prints a table.

The floor is what nobody can avoid who makes a page from a notebook: a new interpreter, the same imports in the
notebook's kernel, an otherwise empty notebook executed, its page written. Wall times of this machine, as ratios.

    python -m tests.benchmarks.bench_meeting
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TIMES = 3

FLOOR = """
import sys
from pathlib import Path
import nbformat
from nbformat.v4 import new_code_cell, new_notebook
from selection.show import notebooks, pack
book = Path(sys.argv[1]) / "floor.ipynb"
imports = "import matplotlib.pyplot, selection.decide.meeting, selection.show.meeting, selection.merit.ranking"
nbformat.write(new_notebook(cells=[new_code_cell(imports)]), book)
notebooks.find_notebook = lambda name: book
(Path(sys.argv[1]) / "floor.html").write_text(pack.render(notebooks.run_notebook("floor", {}), "floor"))
"""


def seconds(command: list[str]) -> tuple[float, float]:
    """Wall and processor seconds of a command and all that it starts, the better of TIMES."""
    best = (float("inf"), float("inf"))
    for _ in range(TIMES):
        before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        subprocess.run(command, check=True, cwd=ROOT, stdout=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        best = min(best, (time.perf_counter() - start, used))
    return best


def main() -> None:
    """Time floor, meeting and help, and print them side by side."""
    with tempfile.TemporaryDirectory() as folder:
        flock, out = Path(folder) / "flock", Path(folder) / "out"
        python = sys.executable
        subprocess.run(
            [python, "-m", "selection", "record", str(flock), "demo/forms"],
            check=True, cwd=ROOT, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        floor = seconds([python, "-c", FLOOR, folder])
        meeting = seconds([python, "-m", "selection", "meeting", str(flock), "--out", str(out)])
        asked = seconds([python, "-m", "selection", "--help"])
        size = (out / "meeting.html").stat().st_size
    print(f"{'':<10}{'wall s':>8}{'cpu s':>8}{'of floor':>10}")
    for name, (wall, used) in {"floor": floor, "meeting": meeting, "--help": asked}.items():
        print(f"{name:<10}{wall:>8.2f}{used:>8.2f}{wall / floor[0]:>9.1f}×")
    print(f"pack: {size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
