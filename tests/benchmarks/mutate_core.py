"""One-line mutations of the numerical core, and how many of them the tests notice.

    python -m tests.benchmarks.mutate_core [number] [seed] [ROOM …]

Each mutation changes one operator, number or call of one line in `merit/`, `compare/`, `decide/` or `standard/`. On a
copy of the tree, the tests of that room that come through its function then run, quickest first, for no longer than
`LONGEST`: which tests those are is found once, by a run of the rooms' tests not marked slow that notes which functions
each calls (a line outside any function belongs to all tests that come through its module). Survivors are printed with
their line, to be killed by a test or excused: a change that computes the same (a tolerance, a start, a memory
bound) is no fault.
"""

from __future__ import annotations

import ast
import importlib
import os
import pickle
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

# what every run of tests loads, loaded once: each run is a fork of this process
import hypothesis  # noqa: F401
import pandas  # noqa: F401
import pytest
import scipy.sparse.linalg
import scipy.stats  # noqa: F401

ROOT = Path(__file__).parents[2]
ROOMS = ("merit", "compare", "decide", "standard")
LONGEST = 120
"""Seconds that the tests of one mutation may take; one that is not noticed by then counts as a survivor."""

SWAPS: dict[type[ast.operator | ast.cmpop | ast.unaryop], tuple[str, str]] = {
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
    ast.Pow: ("**", "*"),
    ast.Lt: ("<", ">="),
    ast.Gt: (">", "<="),
    ast.LtE: ("<=", ">"),
    ast.GtE: (">=", "<"),
}
CALLS = {"sqrt": "abs", "max": "min", "min": "max", "maximum": "minimum", "minimum": "maximum", "mean": "sum"}


@dataclass(frozen=True)
class Mutation:
    """`file`, `line` (from 1), and that line before and after."""

    file: Path
    line: int
    before: str
    after: str

    def __str__(self) -> str:
        where = f"{self.file.relative_to(ROOT)}:{self.line}"
        return f"{where}\n    - {self.before.strip()}\n    + {self.after.strip()}"


def mutations(file: Path) -> Iterator[Mutation]:
    """Every one-line mutation of a module, in the order of its syntax tree."""
    text = file.read_text()
    lines = text.splitlines()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.BinOp) and type(node.op) in SWAPS:
            yield from _between(file, lines, node.left, node.right, SWAPS[type(node.op)])
        elif isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS:
            yield from _between(file, lines, node.left, node.comparators[0], SWAPS[type(node.ops[0])])
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float) and node.value != 0:
            yield from _at(file, lines, node, repr(node.value * 2))
        elif isinstance(node, ast.Attribute) and node.attr in CALLS and node.lineno == node.end_lineno:
            end = node.end_col_offset or 0
            yield from _replaced(file, lines, node.lineno, end - len(node.attr), end, CALLS[node.attr])


def _between(
    file: Path, lines: list[str], left: ast.expr, right: ast.expr, swap: tuple[str, str]
) -> Iterator[Mutation]:
    """The operator between two operands of one line."""
    if left.end_lineno == right.lineno:
        line = lines[right.lineno - 1].encode()
        gap = line[left.end_col_offset : right.col_offset]
        at = gap.find(swap[0].encode())
        if at >= 0:
            start = (left.end_col_offset or 0) + at
            yield from _replaced(file, lines, right.lineno, start, start + len(swap[0]), swap[1])


def _at(file: Path, lines: list[str], node: ast.expr, new: str) -> Iterator[Mutation]:
    if node.lineno == node.end_lineno:
        yield from _replaced(file, lines, node.lineno, node.col_offset, node.end_col_offset or 0, new)


def _replaced(file: Path, lines: list[str], line: int, start: int, end: int, new: str) -> Iterator[Mutation]:
    """Columns are bytes, as the syntax tree counts them."""
    before = lines[line - 1].encode()
    after = (before[:start] + new.encode() + before[end:]).decode()
    yield Mutation(file, line, before.decode(), after)


def chosen(number: int, seed: int, rooms: tuple[str, ...]) -> list[Mutation]:
    """`number` mutations drawn from all of the rooms' modules."""
    files = sorted(f for room in rooms for f in (ROOT / "selection" / room).rglob("*.py"))
    every = [
        m for file in files for m in mutations(file) if not m.before.lstrip().startswith(("import", "from"))
    ]
    return random.Random(seed).sample(every, min(number, len(every)))


@dataclass
class Watcher:
    """A plugin of the test runner that notes each test's seconds and the functions of the rooms it comes through."""

    tree: Path
    through: dict[str, set[tuple[str, int]]]
    seconds: dict[str, float]

    def __post_init__(self) -> None:
        self.now: set[tuple[str, int]] = set()
        self.inside = f"{self.tree}/selection/"

    def _called(self, frame: FrameType, event: str, argument: object) -> None:
        code = frame.f_code
        if code.co_filename.startswith(self.inside):
            self.now.add((code.co_filename[len(str(self.tree)) + 1 :], code.co_firstlineno))

    def _through(self, test: str, item_of: str) -> Iterator[None]:
        self.now = self.through[test]
        sys.settrace(self._called)
        begun = time.perf_counter()
        yield
        self.seconds[item_of] += time.perf_counter() - begun
        sys.settrace(None)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_setup(self, item) -> Iterator[None]:
        """What is made ready for one test may serve all of its module: what that calls counts for all of it."""
        yield from self._through(item.nodeid.split("::")[0], item.nodeid)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item) -> Iterator[None]:
        """The functions the test itself calls."""
        yield from self._through(item.nodeid, item.nodeid)


def _forked(tree: Path, arguments: list[str], longest: float, watched: Path | None = None) -> int | None:
    """The status of a run of tests on the copy `tree`, in a fork; None where it did not end in time."""
    child = os.fork()
    if child:
        until = time.monotonic() + longest
        while time.monotonic() < until:
            ended, status = os.waitpid(child, os.WNOHANG)
            if ended:
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.05)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return None
    status = 1
    try:
        with Path(os.devnull).open("w") as nothing:
            os.dup2(nothing.fileno(), 1)
            os.dup2(nothing.fileno(), 2)
        os.chdir(tree)
        sys.path = [str(tree), *(p for p in sys.path if p and Path(p).resolve() != ROOT)]
        os.environ["PYTHONPATH"] = str(tree)
        for name in [n for n in sys.modules if n.split(".")[0] in ("tests", "selection", "demo")]:
            del sys.modules[name]
        sys.dont_write_bytecode = watched is None
        watcher = Watcher(tree, defaultdict(set), defaultdict(float)) if watched else None
        plugins = ["-p", "no:cacheprovider", "-p", "no:xdist", "-m", "not slow", "-q"]
        status = int(pytest.main([*plugins, *arguments], plugins=[watcher] if watcher else []))
        if watched and watcher:
            watched.write_bytes(pickle.dumps((dict(watcher.through), dict(watcher.seconds))))
    finally:
        os._exit(status)


@dataclass(frozen=True)
class Tests:
    """First lines of the functions that each test (or test module, for what it makes ready) calls; `seconds`."""

    through: dict[str, set[tuple[str, int]]]
    seconds: dict[str, float]

    def of(self, mutation: Mutation) -> list[str]:
        """The tests of the mutation's room that come through its function, quickest first."""
        file = str(mutation.file.relative_to(ROOT))
        room = f"tests/{mutation.file.relative_to(ROOT).parts[1]}/"
        first, last = _around(mutation)

        def comes(test: str) -> bool:
            return any(f == file and first <= line <= last for f, line in self.through.get(test, ()))

        found = [t for t in self.seconds if t.startswith(room) and (comes(t) or comes(t.split("::")[0]))]
        return sorted(found, key=lambda t: self.seconds[t])


def _around(mutation: Mutation) -> tuple[int, int]:
    """First and last line of the function a mutation is in; of the module where it is in none."""
    tree = ast.parse(mutation.file.read_text())
    whole = [n for part in ast.walk(tree) if isinstance(part, ast.Module | ast.ClassDef) for n in part.body]
    for node in whole:
        if isinstance(node, ast.FunctionDef):
            first = min(n.lineno for n in (node, *node.decorator_list))
            if node.body[0].lineno <= mutation.line <= (node.end_lineno or 0):
                return first, node.end_lineno or 0
    return 1, len(mutation.file.read_text().splitlines())


def noticed(mutation: Mutation, tree: Path, tests: Tests) -> bool:
    """Whether a test that comes through the mutated line fails with it, on the copy `tree`."""
    target = tree / mutation.file.relative_to(ROOT)
    asked = tests.of(mutation)
    if not asked:
        return False
    kept = target.read_text()
    lines = kept.splitlines(keepends=True)
    lines[mutation.line - 1] = mutation.after + "\n"
    target.write_text("".join(lines))
    for compiled in target.parent.glob(f"__pycache__/{target.stem}.*"):
        compiled.unlink()
    try:
        return _forked(tree, ["-x", *asked], LONGEST) not in (0, None)
    finally:
        target.write_text(kept)


def _tests(tree: Path, rooms: tuple[str, ...]) -> Tests:
    """Run the rooms' quick tests once, unmutated, and note what each comes through."""
    lines: dict[str, set[tuple[str, int]]] = {}
    seconds: dict[str, float] = {}
    for room in rooms:
        noted = tree.parent / "noted"
        status = _forked(tree, [f"tests/{room}"], 3600, noted)
        if status != 0:
            raise SystemExit(
                f"the tests of {room} fail as they are (status {status}): nothing can be noticed"
            )
        more, longer = pickle.loads(noted.read_bytes())
        lines |= more
        seconds |= longer
        print(f"{room}: {len(longer)} tests, {sum(longer.values()):.0f} seconds", flush=True)
    return Tests(lines, seconds)


def main() -> None:
    """Mutate, test, and print the survivors with their number."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    rooms = tuple(sys.argv[3:]) or ROOMS
    tree = Path(tempfile.mkdtemp()).resolve() / "tree"
    shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".git", ".venv", "*cache*"))
    for file in sorted(f for room in rooms for f in (ROOT / "selection" / room).rglob("*.py")):
        importlib.import_module(".".join(file.relative_to(ROOT).with_suffix("").parts))
    tests = _tests(tree, rooms)
    done, survivors = 0, []
    for done, mutation in enumerate(chosen(number, seed, rooms), 1):
        if not noticed(mutation, tree, tests):
            survivors.append(mutation)
            print(f"survived: {mutation}", flush=True)
        if done % 10 == 0:
            print(f"{done} tried, {len(survivors)} survived", flush=True)
    shutil.rmtree(tree.parent)
    print(f"{done - len(survivors)} of {done} noticed")


if __name__ == "__main__":
    main()
