"""What README and docstrings show runs as it stands."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
import re
import textwrap
from functools import cache
from pathlib import Path

import pytest

import selection
from selection import hold, read_flock, record
from tests.show import held

ROOT = Path(__file__).resolve().parents[1]


def shown() -> list[str]:
    """The Python pieces of README."""
    return re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)


@pytest.mark.slow
@pytest.mark.parametrize("number", range(len(shown())))
def test_readme(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    exec(shown()[number], {})


def test_the_readmes_first_flock_records_and_holds_its_meeting(tmp_path: Path) -> None:
    """The three files that README begins with, as they stand there: nothing refused, everybody judged."""
    text = textwrap.dedent((ROOT / "README.md").read_text(encoding="utf-8").replace("\n   ", "\n"))
    files = dict(re.findall(r"`([a-z]+\.(?:toml|csv))`\n```\w+\n(.*?)```", text, re.DOTALL))
    assert set(files) == {"standard.toml", "plan.toml", "birds.csv"}
    forms = tmp_path / "myforms"
    forms.mkdir()
    for name, content in files.items():
        (forms / name).write_text(content, encoding="utf-8")
    recorded = record(tmp_path / "myflock", forms)
    assert recorded.status == 0, recorded.words()
    meeting = hold(read_flock(tmp_path / "myflock"))
    assert sorted(meeting.verdicts.table["bird"]) == ["24-007", "24-008", "26-001", "26-002"]
    assert (meeting.verdicts.table["stands"] == "keep").sum() == 2


def modules_with_examples() -> list[str]:
    """Modules whose source shows an interpreter's prompt."""
    found = pkgutil.walk_packages(selection.__path__, "selection.")
    paths = {m.name: ROOT / Path(*m.name.split(".")).with_suffix(".py") for m in found}
    return [
        name for name, path in paths.items() if path.is_file() and ">>> " in path.read_text(encoding="utf-8")
    ]


@cache
def held_before() -> dict[str, object]:
    """What docstrings' examples start from: a small holding's flock, ranking, verdicts and meeting, its folders."""
    meeting, folder = held.meeting(), held.flock_path()
    known = {"flock": meeting.flock, "merit": meeting.merit, "verdicts": meeting.verdicts, "meeting": meeting}
    places = {
        "flock_folder": folder,
        "forms_folder": folder.parent / "forms",
        "out_folder": folder.parent / "out",
    }
    return known | places


@pytest.mark.parametrize("name", modules_with_examples())
@pytest.mark.slow
def test_docstring_examples(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name), extraglobs=held_before())
    assert result.attempted and not result.failed
