"""The settings a flock has had, read from its folder; new ones adopted with the day from which they hold."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from selection.errors import SettingsError
from selection.records.forms.columns import Column
from selection.records.ledger.durable import reason
from selection.records.ledger.kept import PLAN, STANDARD, Settings
from selection.records.settings.plan import Plan, parse_plan
from selection.records.settings.reading import Standard, parse_standard


@dataclass(frozen=True)
class InForce:
    """Every standard a flock has had with the day from which it holds; the first holds for all before."""

    standards: tuple[tuple[date, Standard], ...]

    @property
    def latest(self) -> Standard:
        """The standard that holds now."""
        return self.standards[-1][1]

    def spells(self, days: pd.Series) -> Iterable[tuple[Standard, np.ndarray]]:
        """Each standard with the rows (True) whose day falls under it (no day: the latest)."""
        starts = np.array([start for start, _ in self.standards[1:]], dtype="datetime64[s]")
        position = np.searchsorted(starts, days.to_numpy("datetime64[s]"), side="right")
        for i, (_, standard) in enumerate(self.standards):
            yield standard, position == i

    def section_columns(self) -> tuple[Column, ...]:
        """One column of the scores form for each section ever judged by eye, up to the most it ever gave."""
        columns: dict[str, Column] = {}
        for _, standard in self.standards:
            for s in standard.by_eye:
                before = columns.get(s.name.casefold())
                most = max(s.points, before.high or 0 if before else 0)
                columns[s.name.casefold()] = Column(s.name, "number", s.title, "points", low=0, high=most)
        return tuple(columns.values())

    def units(self) -> dict[str, str]:
        """The unit of each trait ever measured, by its folded name; the latest standard that names it decides."""
        named = [trait for _, standard in self.standards for trait in standard.measured]
        return {trait.name.casefold(): trait.unit for trait in named}

    def on_present_scale(self, scores: pd.DataFrame) -> pd.DataFrame:
        """`scores` with each section's points taken to the scale of the latest standard.

        A look that was given 10 of 20 under an earlier standard counts as 7½ of 15 under the present one.
        """
        now = {s.name.casefold(): s.points for s in self.latest.by_eye}
        scores = scores.copy()
        for standard, here in self.spells(scores["on"]):
            then = {s.name.casefold(): s.points for s in standard.by_eye}
            for column in scores.columns:
                name = str(column).casefold()
                if name in now and now[name] != then.get(name, now[name]):
                    scores.loc[here, column] *= now[name] / then[name]
        return scores


def section_columns(standard: Standard) -> tuple[Column, ...]:
    """The columns a look has under this standard: one for each section judged by eye."""
    return InForce(((date.min, standard),)).section_columns()


NO_STANDARD = (
    "no standard.toml yet: it says which sections a look has; put one beside the forms and try again"
)
NO_PLAN = "no plan.toml yet: it says the day of the meeting and whom to keep; put one beside the forms"


Approve = Callable[[Standard], None]
"""What a layer above has to say of a standard before it is adopted: raises SettingsError with its faults."""


def standards_of(settings: Settings) -> InForce:
    """Every standard of a flock with its day, the present `standard.toml` last; SettingsError without one."""
    if settings.standard is None:
        raise SettingsError(NO_STANDARD)
    kept = [(day, parse_standard(text, f"standard.toml of {day}")) for day, text in settings.standards]
    present = parse_standard(settings.standard)
    if not kept:
        return InForce(((date.min, present),))
    kept[-1] = (kept[-1][0], present)
    return InForce(tuple(dict(kept).items()))


def plan_of(settings: Settings, standard: Standard) -> Plan:
    """The flock's plan; SettingsError without one."""
    if settings.plan is None:
        raise SettingsError(NO_PLAN)
    return parse_plan(settings.plan, standard)


@dataclass(frozen=True)
class Adopted:
    """Settings handed in: the texts that are new (else None), the day `since` which a new standard holds, all
    standards in force with it, and the plan (None: there is none yet).
    """

    standard_text: str | None
    plan_text: str | None
    since: date
    in_force: InForce
    plan: Plan | None


def adopt(
    settings: Settings, files: Mapping[str, Path], day: date, correct: bool, approve: Approve | None = None
) -> Adopted:
    """What comes of the settings `files` handed in (by name) to a flock that has `settings`.

    A new standard holds from `day`. With `correct`, or where only its wording is new, it takes the place of
    the present one. Raises SettingsError with the faults of both files, and those that `approve` finds in a
    new standard; a plan on record must fit too.
    """
    new = {name: _text(path) for name, path in files.items()}
    before = None if settings.standard is None else standards_of(settings)
    faults: list[str] = []
    standard = before.latest if before else None
    if STANDARD in new:
        standard = _parsed(faults, parse_standard, new[STANDARD])
        if standard and approve:
            _parsed(faults, approve, standard)
    plan_text = new.get(PLAN, settings.plan)
    plan = _parsed(faults, parse_plan, plan_text, standard) if standard and plan_text is not None else None
    if standard is None or faults:
        raise SettingsError("\n".join(faults) or NO_STANDARD)
    since, in_force = _in_force(before, standard, day, correct)
    changed = {
        name: text for name, text in new.items() if text != getattr(settings, name.removesuffix(".toml"))
    }
    return Adopted(changed.get(STANDARD), changed.get(PLAN), since, in_force, plan)


def _parsed(faults: list[str], parse: Callable[..., Any], *what: object) -> Any:
    """What `parse` makes of a file, None (and its faults added) where it cannot be used."""
    try:
        return parse(*what)
    except SettingsError as error:
        faults.append(str(error))
        return None


def _in_force(before: InForce | None, standard: Standard, day: date, correct: bool) -> tuple[date, InForce]:
    """From when `standard` holds, and all standards in force with it."""
    if before is None:
        return day, InForce(((day, standard),))
    last_day, latest = before.standards[-1]
    if correct or standard == latest:
        return max(last_day, date(1900, 1, 1)), InForce((*before.standards[:-1], (last_day, standard)))
    day = max(day, last_day)
    kept = tuple((since, s) for since, s in before.standards if since != day)
    return day, InForce((*kept, (day, standard)))


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {reason(error)}") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path.name}: not UTF-8 text; save it again as plain text in UTF-8") from error
