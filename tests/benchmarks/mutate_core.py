"""One-line mutations of the numerical core, and how many of them the tests notice.

    python -m tests.benchmarks.mutate_core [number] [seed] [ROOM …]

Each mutation changes one operator, number or sign of one line in `merit/`, `compare/`, `decide/` or `standard/`; the
quick tests of that room (those not marked slow) then run on a copy of the tree. Survivors are printed with their line,
to be killed by a test or excused: a change that computes the same (a tolerance, a start, a memory bound) is no fault.
"""

from __future__ import annotations

import ast
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
ROOMS = ("merit", "compare", "decide", "standard")
LONGEST = 900
"""Seconds after which a mutated run counts as noticed: it does not end."""

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


def noticed(mutation: Mutation, tree: Path) -> bool:
    """Whether the quick tests of the mutation's room fail with it, on the copy `tree`."""
    inside = mutation.file.relative_to(ROOT)
    target = tree / inside
    kept = target.read_text()
    lines = kept.splitlines(keepends=True)
    lines[mutation.line - 1] = mutation.after + "\n"
    target.write_text("".join(lines))
    tests = tree / "tests" / inside.parts[1]
    command = [
        sys.executable,
        "-m",
        "pytest",
        str(tests),
        "-x",
        "-q",
        "-m",
        "not slow",
        "-p",
        "no:cacheprovider",
    ]
    try:
        run = subprocess.run(
            command, cwd=tree, capture_output=True, timeout=LONGEST, env={"PYTHONPATH": str(tree)}
        )
        return run.returncode != 0
    except subprocess.TimeoutExpired:
        return True
    finally:
        target.write_text(kept)


def main() -> None:
    """Mutate, test, and print the survivors with their number."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    rooms = tuple(sys.argv[3:]) or ROOMS
    tree = Path(tempfile.mkdtemp()) / "tree"
    shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".git", ".venv", "*cache*"))
    survivors = []
    for done, mutation in enumerate(chosen(number, seed, rooms), 1):
        if not noticed(mutation, tree):
            survivors.append(mutation)
            print(f"survived: {mutation}", flush=True)
        if done % 10 == 0:
            print(f"{done} tried, {len(survivors)} survived", flush=True)
    shutil.rmtree(tree.parent)
    print(f"{number - len(survivors)} of {number} noticed")


if __name__ == "__main__":
    main()
