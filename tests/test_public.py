"""The public face: every name real to tools, cheap to import, and described by the numpydoc convention."""

from __future__ import annotations

import inspect
import json
import subprocess
import sys
from pathlib import Path

import pytest
from numpydoc.validate import validate

import selection
from selection import Answer

ROOT = Path(__file__).resolve().parents[1]
WANTED = {
    "GL08": "no docstring",
    "SS03": "the summary ends in a stop",
    "PR01": "every parameter is described",
    "PR02": "no parameter is described that is not there",
    "PR03": "parameters stand in their order",
    "PR04": "every parameter has a type",
    "PR07": "every parameter has a description",
    "RT01": "what is returned is described",
    "RT03": "what is returned has a description",
    "EX01": "there is an example",
}
FUNCTIONS = [name for name in selection.__all__ if inspect.isfunction(getattr(selection, name))]
ANSWERS = [
    name
    for name in selection.__all__
    if inspect.isclass(kind := getattr(selection, name)) and issubclass(kind, Answer) and kind is not Answer
]


def run(code: str) -> str:
    """What a fresh interpreter prints."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    return done.stdout


def test_names_are_listed_for_completion_and_nothing_heavy_is_loaded() -> None:
    code = "import json, sys, selection; print(json.dumps([dir(selection), sorted(sys.modules)]))"
    listed, loaded = json.loads(run(code))
    assert {"rank", "hold", "fit_model", "from_shares", "group_shares", "Merit", "Flock"} <= set(listed)
    assert not {"pandas", "numpy", "scipy", "pyarrow"} & set(loaded)
    with pytest.raises(AttributeError, match="nothing_of_the_kind"):
        selection.nothing_of_the_kind  # noqa: B018


def test_the_commands_help_loads_nothing_heavy() -> None:
    code = (
        "import contextlib, io, json, sys; from selection.__main__ import main\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit): main(['--help'])\n"
        "print(json.dumps(sorted(sys.modules)))"
    )
    assert not {"pandas", "numpy", "scipy", "pyarrow", "openpyxl"} & set(json.loads(run(code)))


@pytest.mark.slow
def test_a_type_checker_sees_what_functions_take(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.py"
    wrong.write_text(
        "from selection import hold, rank, read_flock\n"
        "rank(42, nonsense=True)\n"
        "hold('demo')\n"
        "rank(read_flock('flock'), seed=3)\n"
        "from selection import no_such_name\n",
        encoding="utf-8",
    )
    checker = [sys.executable, "-m", "mypy", "--config-file", str(ROOT / "pyproject.toml"), str(wrong)]
    said = subprocess.run(checker, capture_output=True, text=True, check=False, cwd=ROOT).stdout
    assert 'wrong.py:2: error: Unexpected keyword argument "nonsense"' in said
    assert 'wrong.py:2: error: Argument 1 to "rank" has incompatible type "int"; expected "Flock"' in said
    assert 'wrong.py:3: error: Argument 1 to "hold" has incompatible type "str"' in said
    assert "wrong.py:4" not in said
    assert 'wrong.py:5: error: Module "selection" has no attribute "no_such_name"' in said


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_public_function_is_described(name: str) -> None:
    faults = validate(f"selection.{name}")["errors"]
    assert [f"{code}: {text}" for code, text in faults if code in WANTED] == []


@pytest.mark.parametrize("name", selection.__all__)
def test_every_public_name_says_what_it_is(name: str) -> None:
    assert (getattr(selection, name).__doc__ or "").strip()


@pytest.mark.parametrize("name", ANSWERS)
def test_every_answer_goes_by_the_same_names(name: str) -> None:
    kind = getattr(selection, name)
    assert kind.TITLE and "notes" in {*kind.__annotations__, *vars(kind)}
    assert kind.__repr__ is Answer.__repr__
    assert kind.TABLES or "tables" in vars(kind)
