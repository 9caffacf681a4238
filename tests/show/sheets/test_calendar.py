"""The calendar as a page and as an iCalendar file, read again by the rules of RFC 5545 and by its own library."""

from __future__ import annotations

import re
from datetime import date, timedelta

import icalendar
import pytest

from selection.decide.summer.calendar import calendar
from selection.decide.summer.worth_seeing import WORTH_SEEING_COLUMNS, WorthSeeing
from selection.errors import RecordsError
from selection.records.flock import flock_on
from selection.show.sheets.calendar import calendar_page, icalendar_of, write_calendar
from tests.decide.summer.test_calendar import recorded
from tests.records import small

EVIL = 'Tick & <b onclick="x()">, \\ long words of a breeder that run on and on ' + "ü" * 60


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    forms = small.forms()
    forms["clutches"].append({"clutch": EVIL, "origin": "home-bred", "set_on": "2026-05-01"})
    seen = flock_on(recorded(tmp_path_factory.mktemp("diary"), forms), "2026-04-10")
    later = flock_on(recorded(tmp_path_factory.mktemp("later"), forms), "2026-05-02")
    return seen, later


def read(data: bytes) -> list[dict[str, str]]:
    """Every VEVENT as name (with parameters) → value, by RFC 5545: lines, folding (3.1), text escapes (3.3.11)."""
    assert data.endswith(b"\r\n") and b"\n" not in data.replace(b"\r\n", b"")
    assert all(len(line) <= 75 for line in data.split(b"\r\n"))
    lines = re.sub(rb"\r\n[ \t]", b"", data).decode("utf-8").split("\r\n")[:-1]
    assert lines[0] == "BEGIN:VCALENDAR" and lines[-1] == "END:VCALENDAR"
    head = lines[: lines.index("BEGIN:VEVENT")]
    assert "VERSION:2.0" in head and any(line.startswith("PRODID:") for line in head)
    events: list[dict[str, str]] = []
    for line in lines:
        if line == "BEGIN:VEVENT":
            events.append({})
        elif events and not line.startswith(("END:", "BEGIN:")):
            name, value = line.split(":", 1)
            assert name not in events[-1], "3.6.1: none of these may come twice"
            events[-1][name] = value
    assert lines.count("BEGIN:VEVENT") == lines.count("END:VEVENT") == len(events)
    return events


def text(value: str) -> str:
    return re.sub(r"\\(.)", lambda m: "\n" if m[1] in "nN" else m[1], value)


def test_the_file_holds_every_day_by_the_rules_of_the_standard(seen) -> None:
    of = seen[1]
    days = calendar(of.flock, of.meeting)
    events = read(icalendar_of(days, of.flock))
    assert len(events) == len(days.events) > 20
    assert len({e["UID"] for e in events}) == len(events)
    for event, row in zip(events, days.events.itertuples(), strict=True):
        assert re.fullmatch(r"\d{8}T\d{6}Z", event["DTSTAMP"])
        start, end = (date.fromisoformat(event[f"{name};VALUE=DATE"]) for name in ("DTSTART", "DTEND"))
        assert start == row.on.date() and end == start + timedelta(days=1)  # DTEND is not included (3.6.1)
        assert text(event["SUMMARY"]) == row.what
        assert not re.search(r"(?<!\\)[,;]", event["SUMMARY"].replace("\\\\", ""))


def test_the_library_reads_its_own_file_again(seen) -> None:
    of = seen[1]
    days = calendar(of.flock, of.meeting)
    again = icalendar.Calendar.from_ical(icalendar_of(days, of.flock))
    assert [str(e["summary"]) for e in again.walk("VEVENT")] == list(days.events["what"])
    assert not [e for e in again.walk("VEVENT") if e.errors]


def test_a_later_file_moves_what_an_earlier_one_announced(seen) -> None:
    first, later = (
        {e["SUMMARY"]: e["UID"] for e in read(icalendar_of(calendar(s.flock, s.meeting), s.flock))}
        for s in seen
    )
    due, hatched = "Clutch 26-H1 due to hatch", "Clutch 26-H1 hatched: 8 chicks"
    assert first[due] == later[hatched]
    assert first["The selection meeting"] == later["The selection meeting"]


def test_the_page_has_what_is_to_come_first_escapes_what_was_typed_and_stands_alone(seen) -> None:
    of = seen[1]
    days = calendar(of.flock, of.meeting)
    shown = calendar_page(days, of.flock)
    assert "<b onclick" not in shown and "&lt;b onclick" in shown
    assert "http" not in shown and "<script" not in shown and "size: A4" in shown
    assert "as of 2026-05-02" in shown
    to_come, past = shown.split("Already past this season")
    assert "due to hatch" in to_come and "Clutch 26-H1 hatched: 8 chicks" in past
    assert "disagree" in to_come


def test_both_files_are_written_and_a_disk_that_takes_nothing_is_told_in_words(seen, tmp_path) -> None:
    flock, meeting = (
        seen[0].flock,
        date(2026, 1, 1),
    )  # a meeting past, so that nobody is worth seeing any more
    assert [p.name for p in write_calendar(flock, meeting, tmp_path)] == ["calendar.html", "calendar.ics"]
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordsError):
        write_calendar(flock, meeting, tmp_path / "file")


def test_the_week_s_list_stands_at_the_head(seen) -> None:
    import pandas as pd

    from selection.answer import Kind, Note

    listed = WorthSeeing(
        pd.DataFrame(columns=WORTH_SEEING_COLUMNS), (Note(Kind.LOOK, "pullets", "look at 26-02 & 26-04"),)
    )
    shown = calendar_page(calendar(seen[0].flock, seen[0].meeting), seen[0].flock, listed)
    assert shown.index("look at 26-02 &amp; 26-04") < shown.index("<table>")
