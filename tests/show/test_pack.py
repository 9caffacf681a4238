"""The pack: one self-contained page beside the contract's tables, and words where it cannot be made."""

from __future__ import annotations

import errno
import io
import os
import re
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from markupsafe import Markup

from selection.decide.meeting import table_files, write_tables
from selection.errors import RecordsError, SelectionError
from selection.records.ledger import durable
from selection.records.ledger.kept import read_meetings
from selection.show import pack
from selection.show.notebooks import NotebookError
from selection.show.pack import hold_meeting
from tests.show import held

pytestmark = pytest.mark.slow

TABLES = [
    "clutches",
    "flock",
    "laying",
    "matings",
    "prices",
    "ranking",
    "review",
    "spring",
    "unsexed",
    "verdicts",
]
MOST = 5_000_000
"""Bytes that a pack may have, so that it can be sent by mail."""


@pytest.fixture(scope="module")
def page() -> str:
    return (held.pack_folder() / "meeting.html").read_text(encoding="utf-8")


def test_the_page_needs_nothing_from_anywhere(page: str):
    for address in re.findall(r'(?:src|href|url\()\s*=?\s*["\']?([^"\')\s>]+)', page):
        assert address.startswith(("data:", "#")), address
    assert len(page.encode()) < MOST


def test_the_contents_lead_to_every_section(page: str):
    linked = re.findall(r'<a href="#([^"]+)">', page)
    headings = re.findall(r'<h2 id="([^"]+)"', page)
    assert linked == headings and len(set(headings)) == len(headings)
    assert headings[0] == "read-this-first"
    for needed in (
        "what-would-tip-it",
        "one-more-look",
        "each-candidate-s-card",
        "clutches",
        "laying",
        "matings",
    ):
        assert needed in headings
    assert {"prices", "cautions", "how-it-was-worked-out", "words-used"} <= set(headings)


def test_every_picture_has_words_and_a_title(page: str):
    pictures = re.findall(r"<figure.*?</figure>", page, re.S)
    assert pictures
    for figure in pictures:
        assert re.search(r"<figcaption>[^<]{10,}", figure)
        assert re.search(r'(alt|aria-label)="[^"]{10,}"', figure)


def test_code_controls_and_their_headings_stay_in_the_notebook(page: str):
    assert "read_flock(" not in page
    assert "Try it otherwise" not in page and "Decide otherwise" not in page


def test_the_tables_are_those_of_the_meeting_byte_for_byte(tmp_path: Path):
    write_tables(held.meeting(), tmp_path)
    for name in TABLES:
        left = (held.pack_folder() / f"{name}.csv").read_bytes()
        assert left == (tmp_path / f"{name}.csv").read_bytes(), name


def test_the_meeting_is_kept_with_the_flock():
    held.pack_folder()
    kept = read_meetings(held.flock_path())
    on = held.holding().plan.on
    assert list(kept) == [date(on.year, on.month, on.day)]
    for name in ("ranking", "verdicts"):  # at full precision: two processes differ by rounding alone
        ranked = held.meeting().tables[name]
        pd.testing.assert_frame_equal(
            kept[on][name], ranked, rtol=1e-9, atol=1e-12, check_dtype=False, check_column_type=False
        )


def test_a_meeting_that_cannot_be_kept_is_held_all_the_same(tmp_path: Path, monkeypatch):
    def full(*_):
        raise RecordsError("flock: the disk is full")

    monkeypatch.setattr("selection.records.ledger.kept.keep_tables", full)
    said = pack.keep(held.flock_path(), pack.tables_of(held.meeting()))
    assert said is not None and said.endswith("the disk is full") and "not kept with the flock" in said
    assert pack.Left((), None, said).status == 1


def test_a_flock_that_cannot_be_used_is_refused_in_its_own_words(tmp_path: Path):
    with pytest.raises(SelectionError) as error:
        hold_meeting(tmp_path / "nowhere", tmp_path / "out")
    assert "nowhere" in str(error.value)
    assert "Traceback" not in str(error.value)
    assert not (tmp_path / "out").exists()


NO_KERNEL = NotebookError("no kernel on this machine")


@pytest.mark.parametrize(
    ("step", "error", "why"),
    [
        ("run_notebook", NO_KERNEL, "no kernel on this machine"),
        ("_render", TypeError("no text"), "its page could not be made: TypeError: no text"),
    ],
    ids=["notebook", "page"],
)
def test_where_notebook_or_page_fails_the_tables_are_left_and_it_is_said(
    tmp_path: Path, monkeypatch, step: str, error: Exception, why: str
):
    flock = shutil.copytree(held.flock_path(), tmp_path / "flock")

    def fails(*_):
        raise error

    monkeypatch.setattr(pack, "run_notebook", lambda *_: None)
    monkeypatch.setattr(pack, step, fails)
    monkeypatch.setattr("selection.decide.meeting.hold", lambda *_, **__: held.meeting())
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "meeting.html").write_text("last week's")
    left = hold_meeting(flock, tmp_path / "out")
    assert left.failed == f"no pack: the notebook could not run here ({why})"
    assert left.status == 2 and not any("meeting.html" in line for line in left.lines)
    files = sorted(p.name for p in (tmp_path / "out").iterdir())
    assert files == sorted([*(f"{name}.csv" for name in TABLES), "meeting-earlier.html"])
    assert (tmp_path / "out" / "meeting-earlier.html").read_text() == "last week's"
    assert list(read_meetings(flock)) == [held.meeting().flock.plan.on]  # it counts as held


def test_where_the_tables_cannot_be_made_or_written_the_folder_stays_as_it_was(tmp_path: Path, monkeypatch):
    flock = shutil.copytree(held.flock_path(), tmp_path / "flock")
    held_before = read_meetings(flock)
    out = tmp_path / "out"
    (out / "verdicts.csv").mkdir(parents=True)
    (out / "meeting.html").write_text("last week's")
    tables = pack.tables_of(held.meeting())
    with pytest.raises(RecordsError, match=r"a folder stands where .* Nothing there was changed"):
        pack.publish_meeting(out, tables, b"new")

    def full(path: Path, data: bytes) -> Path:
        if path.name == "verdicts.csv":
            raise OSError(errno.ENOSPC, "No space left on device", str(path))
        return hidden(path, data)

    hidden = durable._hidden
    (out / "verdicts.csv").rmdir()
    monkeypatch.setattr(durable, "_hidden", full)
    for folder in (out, tmp_path / "new"):
        with pytest.raises(RecordsError, match="the disk is full"):
            pack.publish_meeting(folder, tables, b"new")
    assert [p.name for p in out.iterdir()] == ["meeting.html"] and not (tmp_path / "new").exists()
    assert (out / "meeting.html").read_text() == "last week's"
    assert read_meetings(flock).keys() == held_before.keys()


def test_what_a_killed_writer_left_beside_a_table_is_removed(tmp_path: Path):
    left, fresh = (tmp_path / f".ranking.csv.{name}.tmp" for name in ("0a1b2c3d", "4e5f6a7b"))
    left.write_text("half")
    fresh.write_text("another meeting writes it just now")
    os.utime(left, (0, 0))
    durable.publish_all(tmp_path, {"ranking.csv": b"whole"})
    assert sorted(p.name for p in tmp_path.iterdir()) == [fresh.name, "ranking.csv"]


def test_text_that_people_typed_begins_no_cell_as_a_formula_would():
    rows = held.meeting().verdicts.table.copy()
    rows["decided_why"] = ["=1+1", "+44", "-5", "@now", "'=x"] + ["plain"] * (len(rows) - 5)
    verdicts = replace(held.meeting().verdicts, table=rows)
    said = table_files(replace(held.meeting(), verdicts=verdicts))["verdicts.csv"].decode()
    found = pd.read_csv(io.StringIO(said), dtype=str)["decided_why"].tolist()
    assert found[:6] == ["'=1+1", "'+44", "'-5", "'@now", "''=x", "plain"]


def test_numbers_of_birds_and_days_are_kept_on_one_line_and_nothing_else_changes():
    page = Markup(
        '<p title="26-013">26-013 &lt;b&gt;, 26-H1 on 2026-10-10</p><svg><text>26-013</text></svg> side-by-side'
    )
    found = pack.unbroken(page)
    assert re.sub(r'<span class="whole">|</span>', "", found) == page
    assert re.findall(r'<span class="whole">(.*?)</span>', found) == ["26-013", "26-H1", "2026-10-10"]


def test_the_foot_of_a_printed_page_cannot_end_its_own_style():
    foot = pack.css_text('Old "English" \\ </style><script>alert(1)</script>\nGame')
    assert not set('<>"\n/') & set(foot[1:-1])
    assert re.sub(r"\\([0-9a-f]+) ", lambda m: chr(int(m[1], 16)), foot[1:-1]) == (
        'Old "English" \\ </style><script>alert(1)</script>\nGame'
    )


def test_every_printed_page_tells_its_number_breed_and_day(page: str):
    standard, on = held.meeting().flock.standard, held.meeting().flock.plan.on
    assert 'counter(page) " of " counter(pages)' in page
    foot = re.search(r'@bottom-left \{ content: "([^"]*)"', page)
    assert foot is not None
    assert standard.breed in foot[1] and f"meeting of {on.day} {on:%B} {on.year}" in foot[1]
