"""The season's calendar to pin up, and as an iCalendar file (RFC 5545) for whatever diary the holding keeps."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from selection.answer import Kind
from selection.decide.summer.calendar import Calendar, calendar
from selection.decide.summer.worth_seeing import WorthSeeing, this_week
from selection.records.flock import Flock
from selection.records.ledger import durable

if TYPE_CHECKING:
    from jinja2 import Template

_TEMPLATES = Path(__file__).parents[1] / "templates"
_NAMES = {
    "candle": "Candle",
    "hatch": "Hatch",
    "rings": "Rings",
    "weigh": "Weigh",
    "look": "Look",
    "meeting": "Meeting",
}
"""What the kinds of days are called on the page."""


def write_calendar(flock: Flock, meeting: date, out: str | Path) -> list[Path]:
    """Write `calendar.html` and `calendar.ics` of the season into the folder `out` and return their paths.

    `flock` is seen on the sheets' day, the selection meeting is on `meeting`; the week's short list of birds worth
    seeing stands at the head of the page while the meeting is to come. Raises RecordsError where the disk does not
    take the files.
    """
    days = calendar(flock, meeting)
    seeing = this_week(flock) if flock.plan.on <= meeting else None
    contents = {
        "calendar.html": calendar_page(days, flock, seeing).encode(),
        "calendar.ics": icalendar_of(days, flock),
    }
    written = []
    for name, content in contents.items():
        path = Path(out) / name
        with durable.disk_faults(path):
            durable.publish(path, content)
        written.append(path)
    return written


def write_season(path: Path, flock: Flock, meeting: date, out: str | Path) -> list[str]:
    """Write the workbook, the sheets to print and the calendar of the flock at `path` into `out`; what to say of it.

    `flock` is seen on the sheets' day; after the meeting the catch list is among them. A workbook that was written in
    is left as it is, and that is said.
    """
    from selection.decide.settling import to_sell
    from selection.records.forms.season_workbook import write_forms
    from selection.show.sheets.pen_sheets import write_catch_list, write_pen_sheets

    out = Path(out)
    asked, goes = out / f"forms-{flock.plan.season}.xlsx", to_sell(path, flock)
    written = [
        write_forms(flock, asked, goes),
        *([write_catch_list(flock, goes, out)] if len(goes) else []),
        *write_pen_sheets(flock, out),
        *write_calendar(flock, meeting, out),
    ]
    kept = f"{asked} has been written in and is left as it is: hand it in, or move it away"
    said = [] if written[0] == asked else [kept]
    return [*said, f"as of {flock.plan.on}", *(f"written: {file}" for file in written)]


def calendar_page(days: Calendar, flock: Flock, seeing: WorthSeeing | None = None) -> str:
    """The calendar as one HTML page: what is to come month by month, what is past; all that was typed is escaped."""
    events = days.events
    return _template().render(
        breed=flock.standard.breed,
        season=flock.plan.season,
        on=days.day,
        months=_months(events[~events["past"]]),
        past=_months(events[events["past"]]),
        names=_NAMES,
        seeing=seeing.texts(Kind.LOOK, Kind.SHORT) if seeing else (),
        notes=days.texts(Kind.WARNING, Kind.ASSUMED, Kind.CANNOT),
    )


@cache
def _template() -> Template:
    from jinja2 import Environment, FileSystemLoader

    pages = Environment(loader=FileSystemLoader(_TEMPLATES), autoescape=True)
    return pages.get_template("calendar.html")


def _months(events: pd.DataFrame) -> Sequence[tuple[str, list[dict[str, str]]]]:
    """The events month by month; the reason stands once a month where it is the same."""
    parts = []
    for month, rows in events.groupby(events["on"].dt.strftime("%Y-%m"), sort=True):
        told: set[str] = set()
        lines = []
        for on, kind, what, why in rows[["on", "kind", "what", "why"]].itertuples(index=False):
            lines.append(
                {"day": f"{on:%a} {on.day}", "kind": kind, "what": what, "why": "" if why in told else why}
            )
            told.add(why)
        parts.append((f"{pd.Timestamp(f'{month}-01'):%B %Y}", lines))
    return parts


def icalendar_of(days: Calendar, flock: Flock) -> bytes:
    """The calendar as an iCalendar object (RFC 5545): an all-day event for each day.

    An event keeps its UID as long as it is the same thing of the same clutch, so that a diary that has read an earlier
    file moves it instead of adding it again.
    """
    from icalendar import Calendar as Diary, Event

    diary = Diary()
    diary.add("prodid", "-//selection//season calendar//EN")
    diary.add("version", "2.0")
    diary.add("calscale", "GREGORIAN")
    diary.add("x-wr-calname", f"{flock.standard.breed}, season {flock.plan.season}")
    stamp = datetime.combine(days.day, time(), UTC)
    times: dict[str, int] = {}
    for on, kind, what, about, why in days.events[["on", "kind", "what", "about", "why"]].itertuples(
        index=False
    ):
        of = f"{flock.standard.breed}|{flock.plan.season}|{kind}|{about}"
        times[of] = times.get(of, 0) + 1
        event = Event()
        event.add("uid", f"{hashlib.sha256(f'{of}|{times[of]}'.encode()).hexdigest()[:32]}@selection")
        event.add("dtstamp", stamp)
        event.add("dtstart", on.date())
        event.add("dtend", on.date() + timedelta(days=1))
        event.add("summary", what)
        if why:
            event.add("description", why)
        event.add("categories", [_NAMES[kind]])
        event.add("transp", "TRANSPARENT")
        diary.add_component(event)
    return bytes(diary.to_ical())
