"""The next season in one step: after a meeting, a folder with its plan and workbook, to be handed in by itself."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from selection.errors import RecordsError, SettingsError
from selection.records.flock import read_flock
from selection.records.forms.season_workbook import write_forms, written_in
from selection.records.ledger import durable
from selection.records.ledger.kept import read_meetings, read_settings
from selection.records.settings.plan import Plan, parse_plan, plan_of, standards_of
from selection.records.settings.reading import Standard

_FOLDER = "next"
KEYS = {"on": r"\d{4}-\d{2}-\d{2}", "season": r"[+]?\d+"}
"""The keys of plan.toml that move on, with how their values are written."""


@dataclass(frozen=True)
class NextSeason:
    """What was left for the next season: the files written, and in words what was left as it is, and why."""

    written: tuple[Path, ...] = ()
    said: tuple[str, ...] = ()


def write_next(flock_path: str | Path, out: str | Path, day: date) -> NextSeason:
    """Leave `out`/next with next season's plan.toml and workbook; nothing before a meeting of the season was held.

    Parameters
    ----------
    flock_path
        The flock's folder.
    out
        The folder that the season's forms go to.
    day
        Who is alive on that day, and what each wears, is in the workbook.

    Returns
    -------
    NextSeason
        A plan or a workbook there that somebody has changed is left as it is, and that is said.

    Raises
    ------
    RecordsError
        Where the plan's text cannot be moved on, or the disk does not take the files.
    """
    settings = read_settings(flock_path)
    standard = standards_of(settings).latest
    plan = plan_of(settings, standard)
    if not _was_held(flock_path, plan, standard):
        return NextSeason()
    text = next_plan(settings.plan or "", plan, standard)
    coming = parse_plan(text, standard)
    folder = Path(out) / _FOLDER
    settled, book = folder / "plan.toml", folder / f"forms-{coming.season}.xlsx"
    written, said = [], []
    if settled.exists() and settled.read_text(encoding="utf-8", errors="replace") != text:
        said.append(f"{settled} says otherwise than this season's plan moved on, and is left as it is")
    else:
        with durable.disk_faults(folder):
            folder.mkdir(parents=True, exist_ok=True)
            durable.publish(settled, text.encode())
        written.append(settled)
    if written_in(book):
        said.append(f"{book} has been written in and is left as it is")
    else:
        written.append(write_forms(read_flock(flock_path, replace(coming, on=day)), book))
    return NextSeason(tuple(written), tuple(said))


def next_plan(text: str, plan: Plan, standard: Standard) -> str:
    """The text of plan.toml with the meeting's day and the season a year on, the rest as it was.

    `plan` is what `text` says. Raises RecordsError where the text is written so that this cannot be done.
    """
    coming = replace(plan, on=a_year_on(plan.on), season=plan.season + 1)
    wanted: Mapping[str, str] = {"on": f"{coming.on}", "season": f"{coming.season}"}
    head, *rest = re.split(r"(?m)^(?=\s*\[)", text, maxsplit=1)
    for key, value in KEYS.items():
        head = re.sub(rf'(?m)^(\s*(["\']?){key}\2\s*=\s*){value}', rf"\g<1>{wanted[key]}", head, count=1)
    moved = "".join([head, *rest])
    try:
        done = parse_plan(moved, standard) == coming
    except SettingsError:
        done = False
    if not done:
        raise RecordsError(
            "plan.toml: its lines `on` and `season` cannot be moved on; write each on a line of its own before the "
            f"first table, like on = {plan.on} and season = {plan.season}"
        )
    return moved


def a_year_on(day: date) -> date:
    """The same day of the next year; 28 February for the 29th."""
    return day.replace(year=day.year + 1, day=28 if (day.month, day.day) == (2, 29) else day.day)


def _was_held(flock_path: str | Path, plan: Plan, standard: Standard) -> bool:
    """Whether a meeting of the plan's season was held."""
    for day, tables in read_meetings(flock_path).items():
        if day == plan.on:
            return True
        if "read" in tables:
            texts = tables["read"].set_index("what")["text"]
            try:
                if parse_plan(texts["plan"], standard).season == plan.season:
                    return True
            except SettingsError:
                continue
    return False
