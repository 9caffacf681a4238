"""Checking a flock: everything wrong is found and named, and nothing is said of what is right."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from selection.errors import RecordsError
from selection.records.check import check, stock_take
from selection.records.flock import read_flock
from selection.records.intake.recording import record
from selection.records.ledger.appending import append, compact, read_rows
from tests.records import small


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    return small.flock(tmp_path_factory.mktemp("holding"))


@pytest.fixture
def flock(whole, tmp_path) -> Path:
    return shutil.copytree(whole, tmp_path / "flock")


def days(*texts: str) -> pd.Series:
    return pd.Series(pd.to_datetime(list(texts))).astype("datetime64[s]")


def put(flock: Path, form: str, correction: bool = False, **columns: list) -> None:
    """Rows straight into the ledger, past every rule, as a careless program would."""
    append(flock, {form: pd.DataFrame(columns)}, source="past the rules", correction=correction)


@pytest.mark.slow
def test_a_sound_flock_has_no_fault_and_says_what_was_gone_through(flock) -> None:
    found = check(flock)
    assert (found.faults, found.status) == ((), 0)
    assert found.rows == {form: len(rows) for form, rows in small.forms().items()} | {"decisions": 0}
    assert "No faults" in found.text() and "checksums" in found.text()
    compact(flock)
    assert check(flock).faults == ()


def test_checking_changes_nothing(flock) -> None:
    before = {p: p.read_bytes() for p in flock.rglob("*") if p.is_file()}
    check(flock)
    assert {p: p.read_bytes() for p in flock.rglob("*") if p.is_file()} == before


NEVER_TAKEN = {
    "a bird unknown": (
        ("weights", {"on": days("2026-09-02"), "bird": ["99-01"], "grams": [1000.0]}),
        "weights, 2026-09-02 99-01: bird: ",
    ),
    "a clutch unknown": (
        ("birds", {"bird": ["26-09"], "sex": ["male"], "clutch": ["26-X9"]}),
        "birds, 26-09: clutch: ",
    ),
    "a sire recorded female": (
        ("birds", {"bird": ["26-09"], "sex": ["male"], "clutch": ["26-H1"], "sire": ["24-H1"]}),
        "birds, 26-09: sire: ",
    ),
    "seen before it hatched": (
        ("weights", {"on": days("2020-01-01"), "bird": ["26-01"], "grams": [1000.0]}),
        "weights, 2020-01-01 26-01: on: ",
    ),
    "too many points": (
        ("scores", {"on": days("2026-09-03"), "judge": ["Ann"], "bird": ["26-01"], "type": [99.0]}),
        "scores, 2026-09-03 Ann 26-01: type: ",
    ),
}


@pytest.mark.parametrize(("rows", "expected"), NEVER_TAKEN.values(), ids=NEVER_TAKEN)
def test_rows_that_no_rule_would_have_taken_are_named_by_their_keys(flock, rows, expected) -> None:
    put(flock, rows[0], **rows[1])
    found = check(flock)
    assert found.status == 1
    assert any(line.startswith(expected) for line in found.faults), found.faults


def test_a_ring_clash_names_both_birds(flock) -> None:
    legs = {
        "leg": ["left", "right"],
        "colour": ["green", "red"],
        "fitted_on": days("2026-06-02", "2026-06-02"),
    }
    put(flock, "rings", bird=["26-04"] * 2, **legs)
    clash = [line for line in check(flock).faults if line.startswith("rings")]
    assert any("26-01" in line and "26-04" in line for line in clash)


def test_a_loop_in_the_pedigree_is_a_fault(flock) -> None:
    old = {"hatched_on": ["2020", "2020"], "sex": ["male", "male"]}
    put(flock, "birds", bird=["20-1", "20-2"], sire=["20-2", "20-1"], **old)
    assert any("20-1" in line and "birds" in line for line in check(flock).faults)


def test_changed_bytes_that_a_reading_may_not_notice_are_found_by_the_checksum(flock) -> None:
    path = next((flock / "records" / "birds").glob("*.parquet"))
    data = path.read_bytes()
    at = data.rindex(b"parquet-cpp")  # who wrote the file: no reading looks at it
    path.write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
    assert any(f"{path.name}: its checksum is wrong" in line for line in check(flock).faults)


def test_missing_torn_and_foreign_files_are_named(flock) -> None:
    records = flock / "records"
    weights = next((records / "weights").glob("*.parquet"))
    eggs = next((records / "eggs").glob("*.parquet"))
    weights.unlink()
    eggs.write_bytes(eggs.read_bytes()[:-5])
    (records / "costs" / "holiday.txt").write_text("hello")
    (records / "costs" / ".0123456789ab-01234567.parquet.0a1b2c3d.tmp").write_text("")
    found = check(flock)
    assert any(weights.name in line and "missing" in line for line in found.faults)
    assert any(eggs.name in line and "bytes long" in line for line in found.faults)
    assert any("holiday.txt: not a file of this ledger" in line for line in found.remarks)
    assert any(".tmp: left by a writer that was stopped" in line for line in found.remarks)


def test_a_torn_manifest_is_a_fault(flock) -> None:
    path = flock / "records" / "batches" / "00000001.json"
    path.write_bytes(path.read_bytes()[:100])
    assert any("00000001.json: torn" in line for line in check(flock).faults)


def test_a_damaged_index_is_named(flock) -> None:
    many = pd.Series(pd.date_range("2025-01-01", periods=600)).astype("datetime64[s]")
    put(flock, "costs", on=many, item=["rings"] * 600, amount=[1.0] * 600)
    (index,) = (flock / "records" / "keys").iterdir()
    assert check(flock).faults == ()
    kept = np.fromfile(index, dtype="<u8")
    index.write_bytes(kept[::-1].tobytes())
    assert any("its index" in line for line in check(flock).faults)


@pytest.mark.parametrize("form", small.forms())
@pytest.mark.slow
def test_a_key_that_stands_twice_is_a_fault_until_its_row_is_handed_in_with_correct(flock, form) -> None:
    """As comes of it when a file is away, its last row is recorded anew, and the file comes back."""
    last = read_rows(flock, form).tail(1)
    (file,) = (flock / "records" / form).iterdir()
    away = file.rename(flock.parent / "away")
    put(flock, form, **last)
    away.rename(file)
    (fault,) = check(flock).faults
    assert fault.startswith(f"{form}, ") and "this key stands twice, and the last row counts" in fault
    assert len(read_flock(flock).birds) == 7
    old = small.write(flock.parent / "forms", {form: small.forms()[form]})
    assert record(flock, old).status == 0
    assert record(flock, old, correct=True).corrected == {form: 1}
    assert check(flock).faults == ()


def test_settings_that_cannot_be_read_are_faults_and_the_rest_is_checked_all_the_same(flock) -> None:
    (flock / "plan.toml").write_text("on = 2026-10-10\nseason = 2026\nhats = 3\n")
    put(flock, "weights", on=days("2026-09-02"), bird=["99-01"], grams=[1000.0])
    faults = check(flock).faults
    assert any("hats" in line for line in faults) and any("99-01" in line for line in faults)


def test_birds_not_seen_for_a_year_are_listed_with_where_they_were_seen_last(flock) -> None:
    put(
        flock,
        "birds",
        bird=["23-01", "23-02", "23-03"],
        sex=["female"] * 3,
        hatched_on=["2023", "2023", None],
    )
    put(
        flock, "weights", on=days("2025-10-09", "2025-10-12"), bird=["23-01", "23-02"], grams=[2500.0, 2500.0]
    )
    unseen = stock_take(read_flock(flock)).set_index("bird")
    assert "23-02" not in unseen.index  # 363 days before the plan's day
    assert unseen.loc["23-01", "form"] == "weights" and unseen.loc["23-01", "last_seen"] == pd.Timestamp(
        "2025-10-09"
    )
    assert pd.isna(unseen.loc["23-03", "last_seen"])
    assert "24-H2" not in unseen.index and "26-04" not in unseen.index  # one died, the other was sold
    text = check(flock).text()
    assert "23-01: last seen 2025-10-09 on weights" in text and "23-03: never seen on any form" in text


def test_no_flock_is_said_in_words(tmp_path) -> None:
    with pytest.raises(RecordsError, match="no flock here"):
        check(tmp_path / "nowhere")
