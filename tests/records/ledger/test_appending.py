"""The ledger: nothing lost, nothing half seen, nothing silently changed, whatever goes wrong."""

from __future__ import annotations

import errno
import json
import os
import random
import shutil
import subprocess
import sys
import warnings
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings, strategies as st

from selection.errors import RecordsError
from selection.records.check import check
from selection.records.forms.columns import FORMS
from selection.records.forms.schema import DTYPES, keys_of
from selection.records.ledger import batches, durable, pieces
from selection.records.ledger.appending import (
    ConflictError,
    SetAsideWarning,
    append,
    compact,
    find_rows,
    find_superseded,
    keep_meeting,
    read_days,
    read_meetings,
    read_recent,
    read_rows,
    read_settings,
    write_settings,
)
from tests.benchmarks import crash_ledger

SAMPLE = Path(__file__).parents[2] / "reference" / "ledger-v1"
DAY = "2026-04-18"


def weighings(birds: list[str], grams: float = 1000.0, on: str = DAY) -> pd.DataFrame:
    days = pd.Series(pd.to_datetime([on] * len(birds))).astype("datetime64[s]")
    return pd.DataFrame({"on": days, "bird": birds, "grams": grams})


def grams_of(flock: Path) -> dict[str, float]:
    frame = read_rows(flock, "weights")
    return dict(zip(frame["bird"], frame["grams"], strict=True))


def files_in(flock: Path) -> dict[str, bytes]:
    return {str(p.relative_to(flock)): p.read_bytes() for p in sorted(flock.rglob("*")) if p.is_file()}


def data_files(flock: Path, form: str) -> list[Path]:
    return sorted((flock / "records" / form).glob("*.parquet"), key=lambda p: p.stat().st_mtime_ns)


def quietly_read(flock: Path, form: str = "weights") -> tuple[pd.DataFrame, list[str]]:
    """The rows, and what the ledger said was left out."""
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        frame = read_rows(flock, form)
    return frame, [str(w.message) for w in said if w.category is SetAsideWarning]


# What goes in comes out


CELLS = {
    "date": st.dates(date(1990, 1, 1), date(2100, 1, 1)).map(pd.Timestamp),
    "number": st.floats(-1e9, 1e9, allow_nan=False).map(lambda x: x + 0.0),
    "born": st.sampled_from(["2020", DAY]),
}
TEXTS = (
    st.text(st.characters(codec="utf-8", exclude_characters="\x00"), min_size=1).map(str.strip).filter(bool)
)


def cells_of(kind: str) -> st.SearchStrategy:
    kind = "number" if DTYPES[kind] == "float64" else kind
    return CELLS.get(kind, TEXTS)


@st.composite
def frames(draw: st.DrawFn) -> tuple[str, pd.DataFrame]:
    """A form's name and rows of any content, one for each key."""
    form = FORMS[draw(st.sampled_from(sorted(FORMS)))]
    kinds = {c.name: c.kind for c in form.columns} | ({"type": "number"} if form.name == "scores" else {})
    rows = draw(st.integers(1, 6))
    columns = {
        name: pd.Series(
            draw(st.lists(st.none() | cells_of(kind), min_size=rows, max_size=rows)), dtype=DTYPES[kind]
        )
        for name, kind in kinds.items()
    }
    frame = pd.DataFrame(columns)
    return form.name, frame[~keys_of(form, frame).duplicated()].reset_index(drop=True)


@given(frames(), st.booleans())
@settings(max_examples=20, deadline=None)
def test_any_typed_frame_comes_back_cell_for_cell_and_dtype_for_dtype(tmp_path_factory, made, merged) -> None:
    form, frame = made
    flock = tmp_path_factory.mktemp("any") / "flock"
    append(flock, {form: frame.head(2)}, source="a")
    append(flock, {form: frame.iloc[2:]}, source="b")
    if merged:
        compact(flock)
    pd.testing.assert_frame_equal(read_rows(flock, form), frame)


def test_a_form_never_used_has_all_its_columns_in_their_dtypes(tmp_path: Path) -> None:
    append(tmp_path, {"weights": weighings(["k1"])}, source="a")
    for form in FORMS.values():
        frame = read_rows(tmp_path, form.name)
        assert {c: str(t) for c, t in frame.dtypes.items()} == {c.name: DTYPES[c.kind] for c in form.columns}


def test_sections_of_all_looks_become_columns_blank_where_not_seen(tmp_path: Path) -> None:
    on = weighings(["k1"])[["on", "bird"]].assign(judge="Ash")
    append(tmp_path, {"scores": on.assign(head=10.0)}, source="a")
    append(tmp_path, {"scores": on.assign(bird="k2", type=12.25)}, source="b")
    looks = read_rows(tmp_path, "scores")
    assert looks["head"].tolist()[0] == 10.0 and np.isnan(looks["head"][1])
    assert looks["type"].tolist()[1] == 12.25 and np.isnan(looks["type"][0])
    assert looks["type"].dtype == looks["head"].dtype == "float64"


def test_a_column_the_form_lacks_is_refused_not_dropped(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="weights: no column colour"):
        append(tmp_path, {"weights": weighings(["k1"]).assign(colour="red")}, source="a")
    with pytest.raises(RecordsError, match="column grams"):
        append(tmp_path, {"weights": weighings(["k1"]).assign(grams="heavy")}, source="a")
    assert not (tmp_path / "records").exists()


def test_a_plain_pandas_reader_sees_every_row_ever_written_with_its_moment(tmp_path: Path) -> None:
    append(tmp_path, {"weights": weighings(["k1"], 900)}, source="a", recorded_at=datetime(2026, 1, 1, 12))
    append(tmp_path, {"weights": weighings(["k1"], 950)}, source="b", correction=True)
    plain = pd.read_parquet(tmp_path / "records" / "weights")
    last = plain.sort_values("ledger.recorded_at").groupby(["on", "bird"]).last()
    assert len(plain) == 2 and last["grams"].tolist() == [950.0]


# One row for one key


def test_the_same_rows_again_change_nothing_at_all(tmp_path: Path) -> None:
    first = append(tmp_path, {"weights": weighings(["k1", "k2"])}, source="a")
    append(tmp_path, {"weights": weighings(["k3"])}, source="b")
    before = files_in(tmp_path)
    append(tmp_path, {"weights": weighings(["k2", "k1"])}, source="a again")
    append(tmp_path, {"weights": weighings(["K1 "])}, source="written otherwise")
    assert append(tmp_path, {"weights": weighings(["k9"])}, source="c", batch=first) == first
    assert files_in(tmp_path) == before


def test_a_blank_filled_in_later_completes_the_row_and_a_blank_never_erases(tmp_path: Path) -> None:
    birds = pd.DataFrame({"bird": ["k1", "k2"], "sex": ["unknown", "male"], "name": ["Rowan", None]})
    append(tmp_path, {"birds": birds}, source="a")
    later = pd.DataFrame({"bird": ["K1", "k2"], "sex": ["female", "unknown"], "gone_why": ["sold", None]})
    append(tmp_path, {"birds": later}, source="b")
    found = read_rows(tmp_path, "birds").set_index("bird")
    assert found.loc["k1", ["sex", "name", "gone_why"]].tolist() == ["female", "Rowan", "sold"]
    assert found.loc["k2", "sex"] == "male" and len(found) == 2


def test_a_changed_value_is_a_conflict_unless_it_is_a_correction(tmp_path: Path) -> None:
    append(tmp_path, {"weights": weighings(["k1", "k2"], 1000).assign(note="calm")}, source="a")
    before = files_in(tmp_path)
    with pytest.raises(ConflictError, match=f"weights: other values are on record for {DAY} k1"):
        append(tmp_path, {"weights": weighings(["k1"], 1200)}, source="b")
    assert files_in(tmp_path) == before
    append(tmp_path, {"weights": weighings(["k1"], 1200)}, source="b", correction=True)
    rows = read_rows(tmp_path, "weights").set_index("bird")
    assert rows["grams"].to_dict() == {"k1": 1200.0, "k2": 1000.0}
    assert rows.loc["k1", "note"] == "calm"  # a column that was not handed in keeps what it has
    append(tmp_path, {"weights": weighings(["k1"], 1200).assign(note=None)}, source="c", correction=True)
    assert pd.isna(read_rows(tmp_path, "weights").set_index("bird").loc["k1", "note"])


def test_a_blank_key_column_equals_a_blank_and_nothing_else(tmp_path: Path) -> None:
    bills = pd.DataFrame({"on": weighings(["x"])["on"], "item": "feed", "amount": 12.5})
    append(tmp_path, {"costs": bills}, source="a")
    append(tmp_path, {"costs": bills}, source="a again")
    append(tmp_path, {"costs": bills.assign(line="2", amount=3.0)}, source="b")
    assert sorted(read_rows(tmp_path, "costs")["amount"]) == [3.0, 12.5]
    with pytest.raises(ConflictError):
        append(tmp_path, {"costs": bills.assign(amount=13.0)}, source="c")


def test_rows_for_unnamed_chicks_are_told_apart_by_clutch_sex_and_number(tmp_path: Path) -> None:
    rows = weighings(["x"] * 4).assign(bird=None, clutch=["26-H1", "26-H1", "26-H1", "26-H2"])
    rows = rows.assign(sex=["male", "female", "female", "male"], grams=[1.0, 2.0, 3.0, 4.0])
    with pytest.raises(RecordsError, match="several rows for"):
        append(tmp_path, {"weights": rows}, source="a")
    rows["ledger.nth"] = [1.0, 1.0, 2.0, 1.0]
    append(tmp_path, {"weights": rows}, source="a")
    append(tmp_path, {"weights": rows}, source="a again")
    assert sorted(read_rows(tmp_path, "weights")["grams"]) == [1.0, 2.0, 3.0, 4.0]


def test_two_rows_with_one_key_in_a_batch_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match=f"several rows for {DAY} k1"):
        append(tmp_path, {"weights": weighings(["k1", "K1"])}, source="a")


# Looking rows up


def filled(flock: Path, rng: np.random.Generator, rows: int) -> pd.DataFrame:
    """Weighings in three batches: a small, a large one with its index beside it, and one of corrections."""
    days = rng.choice(400, rows).astype("m8[D]") + np.datetime64("2025-01-01", "s")
    frame = pd.DataFrame({"on": days, "bird": [f"k{n}" for n in rng.choice(300, rows)], "grams": 1.0})
    frame = frame.drop_duplicates(["on", "bird"]).reset_index(drop=True)
    append(flock, {"weights": frame.head(100)}, source="small")
    append(flock, {"weights": frame.iloc[100:]}, source="large")
    append(flock, {"weights": frame.iloc[50:150].assign(grams=2.0)}, source="mended", correction=True)
    return frame.assign(grams=frame["grams"].where((frame.index < 50) | (frame.index >= 150), 2.0))


@pytest.mark.parametrize("harm", ["none", "index missing", "index torn", "merged"])
def test_rows_found_by_key_are_those_a_full_reading_gives(tmp_path: Path, harm: str) -> None:
    rng = np.random.default_rng(1)
    frame = filled(tmp_path, rng, 3000)
    (index,) = (tmp_path / "records" / "keys").iterdir()
    if harm == "index missing":
        index.unlink()
    if harm == "index torn":
        index.write_bytes(index.read_bytes()[:-3])
    if harm == "merged":
        compact(tmp_path)
    known = frame.iloc[rng.choice(len(frame), 40, replace=False)]
    asked = pd.concat([known[["on", "bird"]], weighings([f"new{i}" for i in range(9)])[["on", "bird"]]])
    asked = asked.sample(frac=1, random_state=1)
    found = find_rows(tmp_path, "weights", asked.assign(bird=asked["bird"].str.upper()))
    pd.testing.assert_series_equal(found["grams"].sort_index(), known["grams"].sort_index())


@pytest.mark.parametrize("merged", [False, True])
def test_rows_of_some_days_are_those_a_full_reading_gives(tmp_path: Path, merged: bool) -> None:
    filled(tmp_path, np.random.default_rng(4), 3000)
    if merged:
        compact(tmp_path)
    everything = read_rows(tmp_path, "weights")
    days = pd.Series(everything["on"].unique()[::29])
    found = read_days(tmp_path, "weights", pd.concat([days, weighings(["x"], on="1999-01-01")["on"]]))
    expected = everything[everything["on"].isin(days)].reset_index(drop=True)
    assert len(expected) > 50 and 2.0 in set(expected["grams"])
    pd.testing.assert_frame_equal(found.drop(columns="ledger.nth"), expected)
    assert read_days(tmp_path, "weights", days.head(0)).empty
    with pytest.raises(RecordsError, match="the key of this form has no day"):
        read_days(tmp_path, "birds", days)


def test_rows_of_a_day_are_found_in_large_files_without_reading_all_of_them(
    tmp_path: Path, monkeypatch
) -> None:
    rows = 2 * pieces.ROWS_A_GROUP + 1000
    days = np.random.default_rng(5).permutation(rows) % 3000
    on = pd.Series(np.datetime64("2015-01-01", "s") + days.astype("m8[D]"))
    frame = pd.DataFrame({"on": on, "bird": [f"k{n}" for n in range(rows)], "grams": 1.0})
    append(tmp_path, {"weights": frame}, source="a")
    read = []
    plain = pq.ParquetFile.read_row_groups
    monkeypatch.setattr(
        pq.ParquetFile,
        "read_row_groups",
        lambda self, groups, **kw: read.append(groups) or plain(self, groups, **kw),
    )
    found = read_days(tmp_path, "weights", on.head(1))
    assert sorted(found["bird"]) == sorted(frame.loc[on == on[0], "bird"])
    assert [len(groups) for groups in read] == [1]


@pytest.mark.parametrize("merged", [False, True])
def test_rows_that_stood_before_a_correction_are_found_by_key(tmp_path: Path, merged: bool) -> None:
    frame = filled(tmp_path, np.random.default_rng(6), 1000)
    if merged:
        compact(tmp_path)
    found = find_superseded(tmp_path, "weights", frame.iloc[40:60])
    assert found.index.tolist() == list(range(50, 60))
    assert found["grams"].tolist() == [1.0] * 10


@pytest.mark.parametrize("merged", [False, True])
def test_the_rows_recorded_last_are_found_without_reading_what_lies_before(
    tmp_path: Path, merged: bool
) -> None:
    filled(tmp_path, np.random.default_rng(7), 1000)
    if merged:
        compact(tmp_path)
    everything = read_rows(tmp_path, "weights")
    for most in (0, 60, 100, 400, 5000):
        found = read_recent(tmp_path, "weights", most).drop(columns="ledger.nth")
        pd.testing.assert_frame_equal(found, everything.tail(most).reset_index(drop=True))


def test_looking_up_nothing_finds_nothing(tmp_path: Path) -> None:
    three_batches(tmp_path)
    assert find_rows(tmp_path, "weights", weighings([])).empty


def test_a_lookup_reads_nothing_of_files_that_cannot_hold_the_key(tmp_path: Path, monkeypatch) -> None:
    append(tmp_path, {"weights": weighings([f"k{i}" for i in range(600)])}, source="a")
    opened = []
    monkeypatch.setattr(pieces, "opened", lambda *args: opened.append(args) or pytest.fail("opened"))
    append(tmp_path, {"weights": weighings([f"new{i}" for i in range(50)])}, source="b")
    assert find_rows(tmp_path, "weights", weighings(["unheard-of"], on="2020-01-01")).empty
    assert not opened


def test_keys_that_share_a_hash_are_still_told_apart(tmp_path: Path, monkeypatch) -> None:
    from selection.records.ledger import pieces

    monkeypatch.setattr(pieces, "hashes", lambda parts: np.zeros(len(parts), dtype=np.uint64))
    append(tmp_path, {"weights": weighings(["k1", "k2"])}, source="a")
    append(tmp_path, {"weights": weighings(["k3"], 2000)}, source="b")
    assert grams_of(tmp_path) == {"k1": 1000.0, "k2": 1000.0, "k3": 2000.0}
    assert find_rows(tmp_path, "weights", weighings(["k2", "k4"])).index.tolist() == [0]


# As it stood earlier


def test_records_read_as_they_stood_at_any_earlier_moment_before_and_after_a_merge(tmp_path: Path) -> None:
    def at(day: int) -> datetime:
        return datetime(2026, 5, day, tzinfo=UTC)

    append(tmp_path, {"weights": weighings(["k1", "k2"], 1000)}, source="a", recorded_at=at(1))
    append(tmp_path, {"weights": weighings(["k1"], 1100)}, source="b", correction=True, recorded_at=at(3))
    append(
        tmp_path, {"weights": weighings(["k1", "k3"], 1200)}, source="c", correction=True, recorded_at=at(5)
    )
    expected = {
        0: {},
        2: {"k1": 1000.0, "k2": 1000.0},
        4: {"k1": 1100.0, "k2": 1000.0},
        6: {"k1": 1200.0, "k2": 1000.0, "k3": 1200.0},
    }
    for merged in (False, True):
        if merged:
            compact(tmp_path)
        for day, grams in expected.items():
            moment = at(max(day, 1)) if day else datetime(2026, 4, 1)
            frame = read_rows(tmp_path, "weights", as_recorded=moment)
            assert dict(zip(frame["bird"], frame["grams"], strict=True)) == grams, (merged, day)


# Others at work


def _record_many(flock: Path, writer: int) -> None:
    for number in range(8):
        append(
            flock,
            {"weights": weighings([f"w{writer}-{number}"]), "eggs": _basket(writer, number)},
            source="w",
        )


def _basket(writer: int, number: int) -> pd.DataFrame:
    return pd.DataFrame({"on": weighings(["x"])["on"], "pen": f"{writer}-{number}", "eggs": 3.0})


@pytest.mark.slow
def test_writers_at_once_lose_nothing(tmp_path: Path) -> None:
    with ProcessPoolExecutor(3) as pool:
        list(pool.map(_record_many, [tmp_path] * 3, range(3)))
    birds = set(read_rows(tmp_path, "weights")["bird"])
    assert birds == {f"w{w}-{n}" for w in range(3) for n in range(8)}
    assert len(read_rows(tmp_path, "eggs")) == 24


def test_of_two_who_record_one_row_otherwise_one_is_told(tmp_path: Path) -> None:
    def attempt(grams: float) -> bool:
        try:
            append(tmp_path, {"weights": weighings(["k1"], grams)}, source="w")
        except ConflictError:
            return False
        return True

    with ThreadPoolExecutor(4) as pool:
        won = list(pool.map(attempt, [1.0, 2.0, 3.0, 4.0]))
    assert won.count(True) == 1
    assert grams_of(tmp_path) == {"k1": 1.0 + won.index(True)}


@pytest.mark.slow
def test_reading_never_fails_while_files_are_merged_and_rows_added(tmp_path: Path) -> None:
    append(tmp_path, {"weights": weighings(["k"])}, source="a")

    def write_and_merge() -> None:
        for n in range(25):
            append(tmp_path, {"weights": weighings([f"k{n}"])}, source="w")
            if n % 3 == 0:
                compact(tmp_path)

    with ThreadPoolExecutor(1) as pool, warnings.catch_warnings():
        warnings.simplefilter("error")
        work = pool.submit(write_and_merge)
        last = 1
        while not work.done():
            found = len(read_rows(tmp_path, "weights"))
            assert found >= last
            last = found
        work.result()
    assert len(read_rows(tmp_path, "weights")) == 26


def test_two_merges_and_a_correction_at_once_keep_every_row(tmp_path: Path, monkeypatch) -> None:
    for n in range(5):
        append(tmp_path, {"weights": weighings([f"k{n}"], n)}, source="w")
    plain = batches.commit
    others = iter([lambda: compact(tmp_path), lambda: append(tmp_path, change, source="x", correction=True)])
    change = {"weights": weighings(["k2"], 99)}

    def interrupted(*args, **kwargs):
        next(others, lambda: None)()
        return plain(*args, **kwargs)

    monkeypatch.setattr("selection.records.ledger.appending.commit", interrupted)
    compact(tmp_path)
    assert grams_of(tmp_path) == {"k0": 0.0, "k1": 1.0, "k2": 99.0, "k3": 3.0, "k4": 4.0}


def test_corrections_go_on_while_files_are_merged_away_under_them(tmp_path: Path) -> None:
    def correct(writer: int) -> None:
        for n in range(6):
            change = {"weights": weighings([f"w{writer}"], n + 1.0)}
            append(tmp_path, change, source="w", correction=True)

    (tmp_path / "records").mkdir()
    with ThreadPoolExecutor(3) as pool:
        work = [pool.submit(correct, writer) for writer in range(2)]
        work += [pool.submit(compact, tmp_path) for _ in range(8)]
        for done in work:
            done.result()
    assert grams_of(tmp_path) == {"w0": 6.0, "w1": 6.0}


def test_a_number_once_taken_is_never_free_again(tmp_path: Path) -> None:
    """A writer that looked before a merge must not take a number from before it: nobody would read its batch."""
    three_batches(tmp_path)
    before = batches.read_state(tmp_path / "records")
    append(tmp_path, {"weights": weighings(["k8"])}, source="w")
    compact(tmp_path)
    late = batches.LedgerState(before.number + 1, {"late": batches.Batch("late", datetime.now(UTC), "late")})
    assert not batches.commit(tmp_path / "records", late)


# Merging


def test_merging_leaves_one_file_a_form_and_every_row_as_it_was(tmp_path: Path) -> None:
    frame = filled(tmp_path, np.random.default_rng(2), 1500)
    append(tmp_path, {"eggs": _basket(1, 1)}, source="e")
    keep_meeting(tmp_path, date(2026, 10, 10), {"ranking": frame.head(3)})
    before = read_rows(tmp_path, "weights")
    assert compact(tmp_path) == 2
    pd.testing.assert_frame_equal(read_rows(tmp_path, "weights"), before)
    assert len(data_files(tmp_path, "weights")) == 1 and len(data_files(tmp_path, "eggs")) == 1
    pd.testing.assert_frame_equal(read_meetings(tmp_path)[date(2026, 10, 10)]["ranking"], frame.head(3))
    append(tmp_path, {"weights": frame.head(1).assign(grams=7.0)}, source="x", correction=True)
    assert (read_rows(tmp_path, "weights")["grams"] == 7.0).sum() == 1


def test_a_merge_waits_while_a_batch_cannot_be_read_and_skips_damaged_data(tmp_path: Path) -> None:
    for n in range(4):
        append(tmp_path, {"weights": weighings([f"k{n}"])}, source="w")
    torn = tmp_path / "records" / "batches" / "00000002.json"
    whole = torn.read_bytes()
    torn.write_bytes(whole[:40])
    with pytest.raises(RecordsError, match=r"not merged, for batches/00000002.json: torn"):
        compact(tmp_path)
    torn.write_bytes(whole)
    damaged = data_files(tmp_path, "weights")[0]
    damaged.write_bytes(damaged.read_bytes()[:-9])
    compact(tmp_path)
    frame, said = quietly_read(tmp_path)
    assert set(frame["bird"]) == {"k1", "k2", "k3"} and len(said) == 1
    assert damaged.exists()


def test_a_merge_takes_away_what_dead_writers_left_a_day_ago(tmp_path: Path) -> None:
    append(tmp_path, {"weights": weighings(["k1"])}, source="w")
    folder = tmp_path / "records" / "weights"
    left = [folder / "abc-01234567.parquet", folder / ".abc-01234567.parquet.0a1b2c3d.tmp"]
    foreign = folder / "notes.txt"
    for path in (*left, foreign):
        path.write_bytes(b"x")
    compact(tmp_path)
    assert all(path.exists() for path in left)  # perhaps a writer is still at work
    for path in (*left, foreign):
        os.utime(path, (0, 0))
    compact(tmp_path)
    assert not any(path.exists() for path in left) and foreign.exists()


# Files that are not what they should be


def three_batches(flock: Path) -> list[Path]:
    for n in range(3):
        append(flock, {"weights": weighings([f"k{n}"])}, source="w")
    return data_files(flock, "weights")


@pytest.mark.parametrize(
    ("harm", "why"),
    [
        (lambda p: p.write_bytes(p.read_bytes()[:-20]), "bytes long, and"),
        (lambda p: p.write_bytes(b"\x00" * p.stat().st_size), "torn or changed"),
        (lambda p: p.write_bytes(_flipped(p.read_bytes(), 60)), "torn or changed"),
        (lambda p: p.unlink(), "missing"),
        (lambda p: (p.unlink(), p.symlink_to("/etc/hostname")), "leads out of the flock"),
    ],
    ids=["cut short", "zeroes", "a bit flipped", "missing", "a link out"],
)
def test_a_damaged_data_file_is_named_and_the_rest_is_read(tmp_path: Path, harm, why: str) -> None:
    files = three_batches(tmp_path)
    harm(files[1])
    frame, said = quietly_read(tmp_path)
    assert frame["bird"].tolist() == ["k0", "k2"]
    assert len(said) == 1 and files[1].name in said[0] and why in said[0]
    append(tmp_path, {"weights": weighings(["k9"])}, source="still records")
    assert "k9" in set(quietly_read(tmp_path)[0]["bird"])


def _flipped(data: bytes, place: int) -> bytes:
    return data[:place] + bytes([data[place] ^ 4]) + data[place + 1 :]


def _rewritten(path: Path, **changes: object) -> None:
    """A manifest with other content and a right checksum, as a hostile or later writer would leave it."""
    body = json.loads(path.read_bytes()) | changes
    body.pop("checksum")
    path.write_bytes(batches.sealed(body))


@pytest.mark.parametrize(
    ("harm", "why"),
    [
        (lambda p: p.write_bytes(p.read_bytes()[:-30]), "torn or cut short"),
        (lambda p: p.write_bytes(b""), "torn or cut short"),
        (lambda p: p.write_bytes(p.read_bytes().replace(b'"rows": 1', b'"rows": 2')), "checksum is wrong"),
        (lambda p: p.write_bytes(b'{"some": "other file"}'), "not a file of this ledger"),
        (lambda p: p.write_bytes(b"[" * 100_000), "torn or cut short"),
        (lambda p: p.write_bytes(b"\x80\x04cos\nsystem\n."), "torn or cut short"),
        (lambda p: _rewritten(p, version=2), "written as version 2"),
        (lambda p: _rewritten(p, files=[{"form": "weights", "file": "../../x.parquet"}]), "not written as"),
        (lambda p: _rewritten(p, superseded={"../secret": []}), "not written as"),
        (lambda p: _rewritten(p, batches=7), "not written as"),
        (lambda p: (p.unlink(), p.mkdir()), "not a file of this ledger"),
    ],
)
def test_a_damaged_manifest_is_named_and_its_batch_left_out(tmp_path: Path, harm, why: str) -> None:
    three_batches(tmp_path)
    harm(tmp_path / "records" / "batches" / "00000002.json")
    frame, said = quietly_read(tmp_path)
    assert frame["bird"].tolist() == ["k0", "k2"]
    assert any("00000002.json" in line and why in line for line in said)
    append(tmp_path, {"weights": weighings(["k9"])}, source="still records")
    assert quietly_read(tmp_path)[0]["bird"].tolist() == ["k0", "k2", "k9"]


def _leaves(body: object, path: tuple = ()) -> list[tuple]:
    """The place of every value in a manifest."""
    if isinstance(body, dict | list):
        items = body.items() if isinstance(body, dict) else enumerate(body)
        return [path, *(leaf for key, value in items for leaf in _leaves(value, (*path, key)))]
    return [path]


@given(st.data())
@settings(max_examples=15, deadline=None)
@pytest.mark.slow
def test_a_manifest_made_up_by_anyone_is_read_or_named_and_stops_nothing(tmp_path_factory, data) -> None:
    flock = tmp_path_factory.mktemp("hostile") / "flock"
    three_batches(flock)
    append(flock, {"weights": weighings(["k1"], 7.0)}, source="x", correction=True)
    keep_meeting(flock, date(2026, 10, 10), {"ranking": pd.DataFrame({"bird": ["k1"]})})
    path = flock / "records" / "batches" / f"0000000{data.draw(st.integers(1, 5))}.json"
    body = json.loads(path.read_bytes())
    place = data.draw(st.sampled_from([leaf for leaf in _leaves(body) if leaf and leaf[0] != "checksum"]))
    junk = data.draw(
        st.none() | st.integers(-(2**70), 2**70) | st.floats() | st.text(max_size=9) | st.just([]) | st.just({"a": [1]})
        | st.sampled_from(["../../etc/passwd.parquet", "weights/x.parquet", "2026-13-45", "AAAAAAAAAAA="])
    )  # fmt: skip
    at = body
    for key in place[:-1]:
        at = at[key]
    at[place[-1]] = junk
    body.pop("checksum", None)
    path.write_bytes(batches.sealed(body))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SetAsideWarning)
        assert {"k0", "k2"} & set(read_rows(flock, "weights")["bird"])
        find_rows(flock, "weights", weighings(["k0", "k1", "k2"]))
        read_meetings(flock)
        assert isinstance(check(flock).status, int)
        with suppress(RecordsError):
            append(flock, {"weights": weighings(["k1", "k9"], 7.0)}, source="y", correction=True)
            compact(flock)
        read_rows(flock, "weights")


def test_a_missing_manifest_and_a_foreign_file_are_named(tmp_path: Path) -> None:
    three_batches(tmp_path)
    folder = tmp_path / "records" / "batches"
    (folder / "00000001.json").unlink()
    (folder / "Copy of 00000002.json").write_text("{}")
    frame, said = quietly_read(tmp_path)
    assert frame["bird"].tolist() == ["k1", "k2"]
    assert any("00000001.json: the file is missing" in line for line in said)
    assert any("Copy of 00000002.json: not a file of this ledger" in line for line in said)


def test_the_manifest_of_a_merge_has_a_twin_that_stands_in_for_it(tmp_path: Path) -> None:
    three_batches(tmp_path)
    compact(tmp_path)
    merged = tmp_path / "records" / "batches" / "00000004.json"
    merged.write_bytes(merged.read_bytes()[:50])
    frame, said = quietly_read(tmp_path)
    assert frame["bird"].tolist() == ["k0", "k1", "k2"]
    assert len(said) == 1 and "its twin was read instead, nothing is lost" in said[0]
    compact(tmp_path)
    assert quietly_read(tmp_path)[1] == []


def test_where_a_correction_cannot_be_read_the_earlier_row_stands(tmp_path: Path) -> None:
    append(tmp_path, {"weights": weighings(["k1"], 900)}, source="a")
    append(tmp_path, {"weights": weighings(["k1"], 950)}, source="b", correction=True)
    data_files(tmp_path, "weights")[1].write_bytes(b"")
    frame, said = quietly_read(tmp_path)
    assert frame["grams"].tolist() == [900.0] and said


def test_no_flock_and_no_form_of_that_name_are_said_plainly(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="no flock here"):
        read_rows(tmp_path / "nowhere", "weights")
    with pytest.raises(RecordsError, match="there is no form 'wieghts'; the forms are clutches"):
        read_rows(tmp_path, "wieghts")
    with pytest.raises(RecordsError, match="no flock here"):
        compact(tmp_path / "nowhere")
    assert find_rows(tmp_path / "nowhere", "weights", weighings(["k1"])).empty


# The disk says no


@pytest.mark.parametrize(
    ("number", "words"),
    [(errno.ENOSPC, "the disk is full"), (errno.EACCES, "no permission"), (errno.EROFS, "can only be read")],
)
@pytest.mark.parametrize("call", ["os.write", "os.fsync", "os.link"])
def test_a_disk_that_says_no_at_any_step_leaves_the_flock_as_it_was(
    tmp_path: Path, monkeypatch, number: int, words: str, call: str
) -> None:
    append(tmp_path, {"weights": weighings(["k1"])}, source="a")
    before, plain = files_in(tmp_path), getattr(os, call.split(".")[1])
    calls = 0

    def counted(*args, **kwargs):
        nonlocal calls
        calls += 1
        return plain(*args, **kwargs)

    monkeypatch.setattr(durable.os, call.split(".")[1], counted)
    append(tmp_path / "other", {"weights": weighings(["k2"]), "eggs": _basket(1, 1)}, source="b")
    shutil.rmtree(tmp_path / "other")
    for failing in range(calls):
        left = failing

        def refuses(*args, **kwargs):
            nonlocal left
            left -= 1
            if left < 0:
                raise OSError(number, os.strerror(number))
            return plain(*args, **kwargs)

        monkeypatch.setattr(durable.os, call.split(".")[1], refuses)
        if call == "os.fsync" and failing == calls - 1:
            continue  # the manifest has its name by then: see the next test
        with pytest.raises(RecordsError, match=words):
            append(tmp_path, {"weights": weighings(["k2"]), "eggs": _basket(1, 1)}, source="b")
        seen = files_in(tmp_path)
        if call == "os.fsync":  # a file whose folder could not be synced may stay, known to nobody
            seen = {name: data for name, data in seen.items() if name in before or not _left_over(name)}
        assert seen == before
        assert grams_of(tmp_path) == {"k1": 1000.0}


def _left_over(name: str) -> bool:
    return batches.is_left_over(name.removeprefix("records/"), ())


def test_a_batch_that_took_its_name_is_never_taken_apart_though_the_last_sync_failed(
    tmp_path: Path, monkeypatch
) -> None:
    def refuses(folder: Path) -> None:
        if folder.name == "batches":
            raise OSError(errno.EIO, "input or output error")

    monkeypatch.setattr(durable, "sync_folder", refuses)
    with pytest.raises(RecordsError):
        append(tmp_path, {"weights": weighings(["k1"])}, source="a")
    monkeypatch.undo()
    assert quietly_read(tmp_path)[0]["bird"].tolist() == ["k1"]
    append(tmp_path, {"weights": weighings(["k1"])}, source="a")
    assert quietly_read(tmp_path)[0]["bird"].tolist() == ["k1"] and not quietly_read(tmp_path)[1]


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on file sizes")
def test_a_real_limit_on_file_size_is_said_in_words(tmp_path: Path) -> None:
    append(tmp_path, {"weights": weighings(["k1"])}, source="a")
    code = (
        "import resource, signal, sys\n"
        "from selection.records.ledger.appending import append\n"
        "from tests.records.ledger.test_appending import weighings\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "append(sys.argv[1], {'weights': weighings([str(i) for i in range(400)])}, source='b')\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert "RecordsError" in run.stderr and "the disk takes no file of this size" in run.stderr
    assert grams_of(tmp_path) == {"k1": 1000.0}


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_folder_without_permission_is_said_in_words(tmp_path: Path) -> None:
    append(tmp_path, {"weights": weighings(["k1"])}, source="a")
    (tmp_path / "records" / "weights").chmod(0o500)
    with pytest.raises(RecordsError, match="no permission"):
        append(tmp_path, {"weights": weighings(["k2"])}, source="b")
    (tmp_path / "records" / "weights").chmod(0o700)


def test_a_file_where_the_flock_should_be_is_said_in_words(tmp_path: Path) -> None:
    (tmp_path / "flock").write_text("not a folder")
    with pytest.raises(RecordsError, match="a file stands where a folder is needed"):
        append(tmp_path / "flock", {"weights": weighings(["k1"])}, source="a")


def test_a_disk_without_hard_links_still_gives_each_number_to_one_writer(tmp_path: Path, monkeypatch) -> None:
    def no_links(*args) -> None:
        raise OSError(errno.EPERM, "operation not permitted")

    monkeypatch.setattr(durable.os, "link", no_links)
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda n: append(tmp_path, {"weights": weighings([f"k{n}"])}, source="w"), range(12)))
    assert len(read_rows(tmp_path, "weights")) == 12


# Writers killed


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.slow
def test_writers_killed_at_random_lose_nothing_and_leave_no_half_batch(tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.crash_ledger", "12", "7"],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "TMPDIR": str(tmp_path)},
    )
    found = json.loads(run.stdout.splitlines()[-1])
    assert found["kills"] == 12 and found["acknowledged"] >= 6
    assert found["lost"] == found["unreadable"] == found["halves"] == []


def test_the_crash_test_itself_notices_a_lost_batch_a_half_one_and_an_unreadable_flock() -> None:
    rows = crash_ledger.ROWS
    outcome = crash_ledger.Outcome()
    crash_ledger.judge(f"1:{rows},2:{rows - 1}|1:{rows},2:{rows}", {1, 2, 3}, outcome, at_rest=True)
    crash_ledger.judge("!RecordsError()", set(), outcome, at_rest=True)
    assert (
        outcome.lost == ["3"] and outcome.halves == [f"2: {rows - 1} rows"] and len(outcome.unreadable) == 1
    )


# Settings and meetings


def test_settings_change_in_one_step_and_every_standard_is_kept_with_its_day(tmp_path: Path) -> None:
    assert read_settings(tmp_path).standard is None
    write_settings(tmp_path, 'breed = "Marsh Fowl"', "season = 2025", date(2025, 1, 1))
    write_settings(tmp_path, 'breed = "Marsh Fowl"', "season = 2026", date(2026, 1, 1))
    write_settings(tmp_path, 'breed = "Fen Fowl"', None, date(2026, 5, 1))
    write_settings(tmp_path, 'breed = "Féñ"', None, date(2026, 5, 1))
    found = read_settings(tmp_path)
    assert (found.standard, found.plan) == ('breed = "Féñ"', "season = 2026")
    assert found.standards == (
        (date(2025, 1, 1), 'breed = "Marsh Fowl"'),
        (date(2026, 5, 1), 'breed = "Fen Fowl"'),
        (date(2026, 5, 1), 'breed = "Féñ"'),
    )


def test_each_meeting_is_kept_with_its_day_and_the_last_of_a_day_is_given(tmp_path: Path) -> None:
    first = pd.DataFrame({"bird": ["k1", "k2"], "rank": [1.0, np.nan]})
    keep_meeting(tmp_path, date(2025, 10, 11), {"ranking": first})
    keep_meeting(tmp_path, date(2025, 10, 11), {"ranking": first})
    assert len(data_files(tmp_path, "meetings")) == 1
    keep_meeting(tmp_path, date(2025, 10, 11), {"ranking": first.head(1), "verdicts": first.tail(1)})
    keep_meeting(tmp_path, date(2026, 10, 10), {"ranking": first})
    found = read_meetings(tmp_path)
    assert list(found) == [date(2025, 10, 11), date(2026, 10, 10)]
    pd.testing.assert_frame_equal(found[date(2025, 10, 11)]["ranking"], first.head(1))
    assert list(found[date(2025, 10, 11)]) == ["ranking", "verdicts"]
    with pytest.raises(RecordsError, match="small letters"):
        keep_meeting(tmp_path, date(2026, 10, 10), {"../ranking": first})


# A flock written by version 1


def test_a_flock_written_as_version_1_is_read_for_good(tmp_path: Path) -> None:
    flock = shutil.copytree(SAMPLE / "flock", tmp_path / "flock")
    told = json.loads((SAMPLE / "content.json").read_text())
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for form, rows in told["forms"].items():
            frame = read_rows(flock, form)
            read = json.loads(frame.to_json(orient="records", date_format="iso", date_unit="s"))
            known = list(rows[0]) if rows else []
            assert [{column: row[column] for column in known} for row in read] == rows, form
            later = set(frame.columns) - set(known)
            assert not rows or frame[list(later)].isna().all(axis=None), "columns that came later are blank"
        early = read_rows(flock, "weights", datetime.fromisoformat(told["early"]["moment"]))
    assert early["grams"].tolist() == told["early"]["grams"]
    assert read_settings(flock).standard.startswith("breed")
    assert [len(d) for _, d in sorted(read_meetings(flock).items())] == [1]
    append(flock, {"weights": weighings(["new"])}, source="now")
    compact(flock)
    assert len(read_rows(flock, "weights")) == len(told["forms"]["weights"]) + 1


def test_every_page_of_every_file_carries_a_checksum(tmp_path: Path) -> None:
    random.seed(1)
    frame = weighings([f"k{i}" for i in range(2000)]).assign(grams=[random.random() for _ in range(2000)])
    append(tmp_path, {"weights": frame}, source="a")
    (path,) = data_files(tmp_path, "weights")
    whole, unseen = path.read_bytes(), 0
    footer = pq.ParquetFile(path).metadata.serialized_size
    for place in range(200, len(whole) - footer - 8, len(whole) // 25):
        path.write_bytes(_flipped(whole, place))
        found, said = quietly_read(tmp_path)
        unseen += not said and not found["grams"].equals(frame["grams"])
    assert unseen == 0
