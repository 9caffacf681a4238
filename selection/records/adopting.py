"""The settings a flock has had, read from its folder; new ones adopted with the day from which they hold."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from selection.records.errors import SettingsError
from selection.records.in_force import InForce
from selection.records.kept import Settings
from selection.records.settings import parse_plan, parse_standard
from selection.records.wanted import Plan, Standard

NO_STANDARD = (
    "no standard.toml yet: it says which sections a look has; put one beside the forms and try again"
)
NO_PLAN = "no plan.toml yet: it says the day of the meeting and whom to keep; put one beside the forms"


@dataclass(frozen=True)
class Adopted:
    """Settings to adopt: the texts that are new (else None), and every standard in force with them."""

    standard_text: str | None
    plan_text: str | None
    since: date
    in_force: InForce


def standards_of(settings: Settings) -> InForce:
    """Every standard of a flock with its day, the present `standard.toml` last; SettingsError without one."""
    if settings.standard is None:
        raise SettingsError(NO_STANDARD)
    kept = [(day, parse_standard(text, f"standard.toml of {day}")) for day, text in settings.standards]
    present = parse_standard(settings.standard)
    if not kept:
        return InForce(((date.min, present),))
    if settings.standard != settings.standards[-1][1]:
        kept[-1] = (kept[-1][0], present)
    return InForce(tuple(kept))


def plan_of(settings: Settings, standard: Standard) -> Plan:
    """The flock's plan; SettingsError without one."""
    if settings.plan is None:
        raise SettingsError(NO_PLAN)
    return parse_plan(settings.plan, standard)
