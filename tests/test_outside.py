"""What comes from outside: odd folders, terminals and moments; nothing lost, and the right words and status."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from selection.__main__ import main
from selection.errors import RecordsError
from selection.records.intake.recording import record, record_rows
from selection.records.ledger.batches import SetAsideWarning
from selection.records.ledger.kept import keep_meeting, read_meetings
from selection.records.ledger.lookup import kept_left_out, read_rows
from tests.records import small


@pytest.fixture
def flock(tmp_path: Path) -> Path:
    """The small holding, recorded; its forms stand beside it."""
    return small.flock(tmp_path)


def command(
    *arguments: object, stdout: object = subprocess.PIPE, **environment: str
) -> subprocess.CompletedProcess:
    """Run a command as its own process."""
    paths = {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    line = [sys.executable, "-m", "selection", *map(os.fsencode, map(str, arguments))]
    return subprocess.run(
        line, stdout=stdout, stderr=subprocess.PIPE, env={**os.environ, **paths, **environment}, check=False
    )  # type: ignore[call-overload]


@pytest.mark.parametrize("asked", ["record", "check", "forms", "meeting", "merge"])
def test_a_flock_that_is_a_file_is_said_to_be_one(asked: str, tmp_path: Path, capsys):
    (tmp_path / "flock").write_text("x")
    forms = small.write(tmp_path / "forms", small.forms())
    more = {"record": [str(forms)], "meeting": ["--out", str(tmp_path / "out")]}
    assert main([asked, str(tmp_path / "flock"), *more.get(asked, [])]) == 2
    told = capsys.readouterr()
    assert "file" in told.out + told.err and "fault of this program" not in told.err
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_where_the_words_cannot_be_printed_the_rows_are_said_to_be_taken(tmp_path: Path):
    forms = small.write(tmp_path / "forms", small.forms())
    with Path("/dev/full").open("w") as full:
        done = command("record", tmp_path / "flock", forms, stdout=full)
    assert done.returncode == 1
    assert b"what was recorded is safe" in done.stderr and b"Traceback" not in done.stderr
    assert len(read_rows(tmp_path / "flock", "birds")) == len(small.forms()["birds"])


@pytest.mark.slow
def test_names_that_are_no_text_and_a_terminal_that_knows_few_letters(flock: Path):
    odd = Path(os.fsdecode(os.fsencode(flock.parent) + b"/b\xe9b"))
    flock.rename(odd)
    forms = Path(os.fsdecode(os.fsencode(flock.parent) + b"/f\xe9"))
    small.write(forms, {"birds": [{"bird": "26-é", "sex": "female", "hatched_on": "2025"}]}, None, None)
    plain = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    for environment in ({"LC_ALL": "C.UTF-8"}, plain):
        done = command("record", odd, forms, **environment)
        assert done.returncode == 0 and b"birds: 1" in done.stdout, done
        lost = command("check", Path(f"{odd}-lost"), **environment)
        assert lost.returncode == 2 and b"no flock here" in lost.stderr and b"Traceback" not in lost.stderr


def test_records_behind_a_link_work_wholly(flock: Path, capsys):
    elsewhere = flock.parent / "elsewhere"
    (flock / "records").rename(elsewhere)
    (flock / "records").symlink_to(elsewhere)
    (flock.parent / "link").symlink_to(flock)
    row = {"on": "2026-09-09", "bird": "26-01", "grams": 3000}
    assert record_rows(flock.parent / "link", "weights", [row]).taken == {"weights": 1}
    assert len(read_rows(flock, "weights")) == len(small.forms()["weights"]) + 1
    assert main(["check", str(flock)]) in (0, 1)
    assert "leads out" not in capsys.readouterr().out
    keep_meeting(flock, date(2026, 10, 10), {"ranking": pd.DataFrame({"bird": ["26-01"]})})
    assert list(read_meetings(flock)) == [date(2026, 10, 10)]


def test_a_form_behind_a_link_is_refused_before_anything_is_taken(flock: Path):
    elsewhere = flock.parent / "elsewhere"
    (flock / "records" / "weights").rename(elsewhere)
    (flock / "records" / "weights").symlink_to(elsewhere)
    before = sorted(elsewhere.iterdir())
    found = record_rows(flock, "weights", [{"on": "2026-09-09", "bird": "26-01", "grams": 3000}])
    assert found.status == 2 and "leads out of the flock" in found.words()
    assert sorted(elsewhere.iterdir()) == before


def test_a_bit_flipped_in_a_kept_meeting_is_named_and_set_aside(flock: Path):
    table = pd.DataFrame({"bird": [f"26-{i:03}" for i in range(50)], "merit": [i / 7 for i in range(50)]})
    keep_meeting(flock, date(2026, 10, 10), {"ranking": table})
    (path,) = (flock / "records" / "meetings").glob("*.parquet")
    whole = path.read_bytes()
    assert kept_left_out(flock) == []
    for at in range(0, len(whole), max(1, len(whole) // 60)):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :])
        with pytest.warns(SetAsideWarning, match=r"changed since it was kept"):
            assert read_meetings(flock)[date(2026, 10, 10)] == {}
        (found,) = kept_left_out(flock)
        assert path.name in str(found)
    path.write_bytes(whole)
    pd.testing.assert_frame_equal(
        read_meetings(flock)[date(2026, 10, 10)]["ranking"], table, check_exact=True
    )


def test_hand_ins_at_one_moment_keep_all_their_refused_rows(flock: Path):
    def hand_in(number: int) -> int:
        row = {"on": "2026-09-09", "bird": f"99-{number:02}", "grams": 3000}
        return record(flock, small.write_csv(flock.parent / str(number) / "weights.csv", [row])).status

    for number in range(8):
        (flock.parent / str(number)).mkdir()
    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(hand_in, range(8))) == [1] * 8
    waiting = small.read_csv(flock / "refused" / "weights.csv")
    assert sorted(row["bird"] for row in waiting) == [f"99-{number:02}" for number in range(8)]


def test_an_error_of_the_ledger_says_nothing_was_recorded(flock: Path):
    shutil.rmtree(flock / "records")
    (flock / "records").write_text("x")
    with pytest.raises(RecordsError, match="no flock here"):
        read_rows(flock, "weights")
