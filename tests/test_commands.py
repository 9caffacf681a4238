"""The commands as their user meets them: exit status, words instead of tracebacks, good rows kept.

Twenty kinds of bad input are handed in one by one, planted in a small holding; each must be named where it is.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from selection import __main__ as commands
from selection.__main__ import main
from selection.decide.meeting import hold, write_tables
from selection.errors import RecordsError, SettingsError
from selection.records.check import check
from selection.records.flock import read_flock
from tests.records import small

Forms = dict[str, list[dict[str, Any]]]


@pytest.fixture
def hand_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str]]:
    """Record the small holding with some forms or settings changed; the exit status and all that was printed."""

    def run(forms: Forms | None = None, **settings: str) -> tuple[int, str]:
        folder = tmp_path / "forms"
        small.write(folder, forms or small.forms(), **settings)
        status = main(["record", str(tmp_path / "flock"), str(folder)])
        told = capsys.readouterr()
        return status, told.out + told.err

    return run


def with_rows(form: str, *rows: dict[str, Any]) -> Forms:
    """The small holding's forms with more rows on one of them."""
    forms = small.forms()
    forms[form] = [*forms.get(form, []), *rows]
    return forms


LOOK = {"on": "2026-09-02", "judge": "Ann", "type": 30, "head": 20}
TWINS = [
    {"bird": "26-04", "leg": "left", "colour": "green", "fitted_on": "2026-06-01"},
    {"bird": "26-04", "leg": "right", "colour": "red", "fitted_on": "2026-06-01"},
]

REFUSED = {
    "unknown bird": (with_rows("weights", {"on": "2026-09-02", "bird": "99-99", "grams": 2000}), "weights", "99-99"),
    "unringed pair": (with_rows("scores", {**LOOK, "left": "pink", "right": "pink"}), "scores", "pink"),
    "score over the section's points": (with_rows("scores", {**LOOK, "bird": "26-01", "type": 41}), "scores", "41"),
    "date before hatch": (
        with_rows("weights", {"on": "2026-04-01", "bird": "26-01", "grams": 500}), "weights", "2026-04-01",
    ),
    "text in a number": (
        with_rows("weights", {"on": "2026-09-02", "bird": "26-01", "grams": "heavy"}), "weights", "heavy",
    ),
    "parent loop": (
        with_rows(
            "birds",
            {"bird": "25-01", "sex": "male", "hatched_on": "2025", "sire": "25-02"},
            {"bird": "25-02", "sex": "male", "hatched_on": "2025", "sire": "25-01"},
        ), "birds", "25-01",
    ),
    "parent younger than chick": (
        with_rows("birds", {"bird": "25-01", "sex": "male", "hatched_on": "2025", "sire": "26-01"}), "birds", "26-01",
    ),
    "a cock laying": (
        with_rows("eggs", {"on": "2026-06-02", "pen": "Old Yard", "bird": "24-C1", "eggs": 1}), "eggs", "24-C1",
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", REFUSED)
def test_a_bad_row_is_refused_and_the_rest_is_kept(kind: str, hand_in, tmp_path: Path) -> None:
    forms, form, found = REFUSED[kind]
    status, said = hand_in(forms)
    assert status == 1
    assert form in said and found in said and "Traceback" not in said
    back = pd.read_csv(tmp_path / "flock" / "refused" / f"{form}.csv", dtype=str)
    assert back["reason"].notna().all() and back["row"].str.fullmatch(r"\d+").all()
    kept = read_flock(tmp_path / "flock")
    assert len(getattr(kept, form)) >= len(small.forms().get(form, [])) - 0
    assert len(kept.birds) >= 7 and len(kept.rings) >= 6


def test_parents_that_no_meeting_can_reckon_with_are_said_when_recorded_and_by_check(
    hand_in, tmp_path: Path, capsys
) -> None:
    """A hen entered as of a clutch for which she stood in the pen herself."""
    forms = with_rows("birds", {"bird": "25-09", "sex": "female", "hatched_on": "2025", "clutch": "26-H1"})
    forms["pens"] = [*forms["pens"], {"pen": "Old Yard", "bird": "25-09", "from": "2026-01-10"}]
    status, said = hand_in(forms)
    assert status == 1 and "a meeting cannot be held so: a loop of parents" in said and "25-09" in said
    assert main(["check", str(tmp_path / "flock")]) == 1
    assert "a loop of parents" in capsys.readouterr().out


def test_an_ambiguous_pair_names_all_that_fit(hand_in) -> None:
    status, said = hand_in(with_rows("rings", *TWINS))
    assert status == 1 and "26-01" in said and "26-04" in said


def test_a_missing_required_column_is_named(hand_in) -> None:
    forms = small.forms()
    forms["weights"] = [{"on": "2026-09-02", "bird": "26-01", "note": "fat"}]
    status, said = hand_in(forms)
    assert status == 1 and "grams" in said and "weights" in said


@pytest.mark.parametrize("column", ["wattle", "tail feathers"])
def test_an_unlisted_column_is_reported_never_dropped_in_silence(column: str, hand_in) -> None:
    """An unknown column of a form, or a section that the standard does not have."""
    status, said = hand_in(with_rows("scores", {**LOOK, "bird": "26-01", column: 5}))
    assert column in said
    assert status in (0, 1)


def test_a_bad_key_names_file_and_key(hand_in) -> None:
    status, said = hand_in(plan=small.PLAN.replace("season", "saison"))
    assert status == 2 and "plan.toml" in said and "saison" in said


def test_points_that_do_not_add_up(hand_in) -> None:
    status, said = hand_in(standard=small.STANDARD.replace("points = 20", "points = 25"))
    assert status == 2 and "standard.toml" in said and "105" in said and "100" in said


LIKES = small.STANDARD.replace("points = 40", 'points = 40\nlike = "tpye"', 1) + 'like = "wnig"\n'


def test_every_unknown_like_is_named_with_what_is_allowed_before_anything_is_recorded(
    hand_in, tmp_path
) -> None:
    status, said = hand_in(standard=LIKES)
    assert status == 2
    assert (
        "standard.toml, type: like: found tpye; expected one of age at first egg" in said and "wnig" in said
    )
    assert not (tmp_path / "flock").exists()


def test_a_meeting_names_every_unknown_like_of_a_standard_edited_by_hand(hand_in, tmp_path) -> None:
    hand_in()
    (tmp_path / "flock" / "standard.toml").write_text(LIKES)
    with pytest.raises(SettingsError, match=r"(?s)tpye.*wnig"):
        hold(read_flock(tmp_path / "flock"))


def test_an_empty_file(hand_in, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert hand_in()[0] == 0
    empty = tmp_path / "weights.csv"
    empty.write_bytes(b"")
    status = main(["record", str(tmp_path / "flock"), str(empty)])
    said = capsys.readouterr()
    assert status == 2 and "weights.csv" in said.out + said.err


class TestThinMeetings:
    """Meetings with next to nothing to go on are held in words, with every table written."""

    def hold(self, tmp_path: Path, forms: Forms, plan: str = small.PLAN) -> dict[str, pd.DataFrame]:
        small.write(tmp_path / "forms", forms, plan=plan)
        assert main(["record", str(tmp_path / "flock"), str(tmp_path / "forms")]) == 0
        meeting = hold(read_flock(tmp_path / "flock"))
        return {p.stem: pd.read_csv(p) for p in write_tables(meeting, tmp_path / "out")}

    def test_no_bird_at_all(self, tmp_path: Path) -> None:
        with pytest.raises(RecordsError, match="no bird is on record up to 2026-10-10"):
            self.hold(tmp_path, {"clutches": small.forms()["clutches"]})

    def test_no_candidates(self, tmp_path: Path) -> None:
        tables = self.hold(tmp_path, small.forms(), small.PLAN.replace("2026", "2025"))
        assert tables["ranking"].empty and tables["verdicts"].empty

    def test_one_candidate(self, tmp_path: Path) -> None:
        tables = self.hold(tmp_path, small.forms())
        [row] = tables["ranking"].query("group == 'cockerels'").to_dict("records")
        assert pd.isna(row["merit_se"]) and pd.isna(row["p_best"])
        assert "nothing to compare with" in tables["verdicts"].query("group == 'cockerels'")["reason"].iloc[0]

    def test_no_looks(self, tmp_path: Path) -> None:
        forms = {
            name: rows
            for name, rows in small.forms().items()
            if name not in ("scores", "weights", "measures")
        }
        tables = self.hold(tmp_path, forms)
        assert len(tables["ranking"]) == len(tables["verdicts"]) > 0
        assert tables["ranking"]["points"].isna().all()

    def test_all_looks_by_one_judge_at_one_clutch(self, tmp_path: Path) -> None:
        forms = small.forms()
        forms["birds"] += [{"bird": f"26-1{i}", "sex": "female", "clutch": "26-H1"} for i in range(4)]
        forms["scores"] = [{**LOOK, "bird": f"26-1{i}", "type": 25 + i} for i in range(4)]
        tables = self.hold(tmp_path, forms)
        pullets = tables["ranking"].query("group == 'pullets'")
        assert pullets["p_kept"].sum() == pytest.approx(2, abs=0.005)
        assert pullets.iloc[0]["bird"] == "26-13"


@pytest.mark.parametrize(
    ("bird", "decided", "said"),
    [
        ("26-03", "keep", "is barred from breeding: wry tail (Ann, 2026-09-02)"),
        ("26-03", "sell", None),
        ("26-02", "keep", None),
        ("24-H1", "keep", "stands in no group of this plan"),
    ],
)
def test_a_decision_against_a_bar_or_outside_the_plan_is_taken_and_answered(
    hand_in: Callable[..., tuple[int, str]],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    bird: str,
    decided: str,
    said: str | None,
) -> None:
    hand_in(with_rows("scores", {**LOOK, "bird": "26-03", "faults": "wry tail"}))
    assert main(["decide", str(tmp_path / "flock"), bird, decided, "--why", "only the once"]) == 0
    told = capsys.readouterr().out
    assert "decisions: 1 taken" in told
    assert re.search(rf"^{bird}\b.*: {decided}, as of \d{{4}}-\d\d-\d\d$", told, re.M)
    last = told.splitlines()[-1]
    assert (last.startswith(bird) and said in last) if said else len(told.splitlines()) == 2
    assert read_flock(tmp_path / "flock").decisions["bird"].tolist() == [bird]


@pytest.mark.parametrize("there", ["nothing", "an empty folder", "a file", "a folder of other things"])
@pytest.mark.parametrize("command", ["check", "rings", "forms", "export", "merge", "decide", "meeting"])
def test_what_is_no_flock_is_said_by_every_command_and_nothing_is_made(
    command: str, there: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / "place"
    if there == "a file":
        place.write_text("a letter")
    elif there != "nothing":
        place.mkdir()
    if there == "a folder of other things":
        (place / "standard.toml").write_text(small.STANDARD)
    before = sorted(tmp_path.rglob("*"))
    more = {"export": ["--out", str(tmp_path / "out")], "meeting": ["--out", str(tmp_path / "out")],
            "decide": ["26-01", "keep"]}  # fmt: skip
    assert main([command, str(place), *more.get(command, [])]) == 2
    said = capsys.readouterr().err
    expected = (
        "a file, where a flock is a folder; give the flock's folder"
        if there == "a file"
        else "no flock here; make one by recording its forms"
    )
    assert f"{place}: {expected}" in said
    assert sorted(tmp_path.rglob("*")) == before


def test_a_spoilt_file_is_named_in_plain_words(
    hand_in: Callable[..., tuple[int, str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hand_in()
    spoilt = next((tmp_path / "flock" / "records" / "weights").glob("*.parquet"))
    spoilt.write_bytes(spoilt.read_bytes()[:-9])
    assert main(["rings", str(tmp_path / "flock")]) == 0
    said = capsys.readouterr().err
    assert said.startswith(f"weights/{spoilt.name}: ") and said.count("\n") == 1


def test_settings_handed_in_again_by_themselves_are_answered(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = small.write(tmp_path / "forms", {})
    for said in ("plan.toml adopted", "nothing new"):
        assert main(["record", str(tmp_path / "flock"), str(folder)]) == 0
        assert said in capsys.readouterr().out


def test_help_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["--help"])
    assert stop.value.code == 0
    said = capsys.readouterr().out
    for command in ("record", "meeting", "forms", "rings", "decide", "check", "export", "merge"):
        assert command in said


def test_importing_the_package_pays_for_nothing_slow() -> None:
    """A fresh interpreter that imports selection and its command has loaded no plotting, statistics or arrow."""
    import subprocess
    import sys

    slow = ("pandas", "statsmodels", "matplotlib", "pyarrow", "scipy")
    code = f"import sys, selection, selection.__main__; print([m for m in {slow} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_fault_of_the_program_is_said_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Never a traceback on the screen: it goes into a file that can be sent along."""
    from selection.records import check

    def broken(path: Path, progress: object = None) -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(check, "check", broken)
    assert main(["check", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert "a fault of this program" in said and "Traceback" not in said
    account = Path(said.strip().rsplit(" ", 1)[1])
    assert "ZeroDivisionError" in account.read_text(encoding="utf-8")
    account.unlink()


def test_a_long_command_says_what_is_left(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    monkeypatch.setattr(commands.time, "monotonic", lambda: commands._STARTED + 30.0)
    commands._progress("checking birds", 0.25)
    assert "checking birds, 90 s left" in capsys.readouterr().err
    commands._progress("checking birds", 0.02)
    assert "left" not in capsys.readouterr().err


def test_check_tells_how_far_it_is(tmp_path: Path, hand_in: Callable[..., tuple[int, str]]) -> None:
    hand_in()
    told: list[float] = []
    check(tmp_path / "flock", lambda step, share: told.append(share))
    assert told == sorted(told) and told[-1] == 1.0 and len(told) > 5
