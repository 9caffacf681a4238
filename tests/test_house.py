"""The house: rooms and modules small enough to find one's way, and a public name that is defined once."""

from __future__ import annotations

import ast
import re
from collections import Counter
from pathlib import Path

HOUSE = Path(__file__).resolve().parents[1] / "selection"
MODULES = [path for path in HOUSE.rglob("*.py") if path.name != "__init__.py"]


def public_names(source: str) -> set[str]:
    """Functions, classes and constants of a module without a leading underscore."""
    names = set()
    for node in ast.parse(source).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            names.add(node.name)
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        names |= {target.id for target in targets if isinstance(target, ast.Name)}
    return {name for name in names if not name.startswith("_")}


def test_what_counts_as_a_public_name():
    source = (
        "from a import b\nONE = 1\nTWO: int = 2\n_three = 3\ndef four(): five = 5\nclass Six: seven = 7\n"
    )
    assert public_names(source) == {"ONE", "TWO", "four", "Six"}


def test_hardly_a_public_name_is_defined_in_more_than_one_module():
    counts = Counter(name for path in MODULES for name in public_names(path.read_text(encoding="utf-8")))
    twice = sorted(name for name, count in counts.items() if count > 1)
    assert len(counts) > 1000 and len(twice) <= 10, twice


def test_rooms_and_modules_stay_small():
    rooms = Counter(path.parent for path in MODULES)
    assert len(MODULES) <= 140 and max(rooms.values()) <= 12, rooms.most_common(3)
    long = {path.name: lines for path in MODULES if (lines := len(path.read_text().splitlines())) > 450}
    assert not long


def test_the_map_names_every_room_and_no_file_that_is_not_there():
    text = (HOUSE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    drawn = re.search(r"```\nselection/\n(.*?)```", text, re.DOTALL)[1]
    rooms = {path.parent.relative_to(HOUSE).parts for path in MODULES} - {()}
    assert not [room for room in rooms if not re.search(rf"\b{room[-1]}/", drawn)]
    files = [*HOUSE.rglob("*.py"), *(HOUSE.parent / "tests").rglob("*.py")]
    for named in re.findall(r"`([\w/*]+\.py)`", text):
        assert any(path.match(named) for path in files), named
