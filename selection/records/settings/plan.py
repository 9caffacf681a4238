"""`plan.toml`: what this season's meeting must settle, read, checked key by key, handed on as frozen records.

Every fault of the file is found before anything is raised, and says file, key, what was found, what is allowed. The
settings that a flock has had are read from its folder; new ones are adopted with the day from which they hold.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from selection.errors import RecordsError, SettingsError
from selection.records.forms.cells import read_date
from selection.records.forms.columns import ORIGINS, SOLD_AS, Column
from selection.records.ledger.durable import reason
from selection.records.ledger.kept import PLAN, STANDARD, Settings
from selection.records.settings.reading import Standard, parse_standard
from selection.records.settings.toml_tables import Limits, Table, file_bytes, load

_GROUPS = ("cockerels", "pullets", "hens", "cocks")
_YOUNG = ("cockerels", "pullets")
"""The groups of birds hatched in the season."""


MOST_INBREEDING = 0.0625
"""Ceiling on F of a pair's chicks where the plan names none: as from first cousins (common practice)."""


@dataclass(frozen=True, slots=True)
class Keep:
    """How many of one group the meeting keeps, and from which origins (empty: any)."""

    number: int
    reserve: int = 0
    origins: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Offer:
    """Hatching eggs to be had of a supplier: `price` an egg (None: the last on record), `most` of them.

    `cocks` and `hens` say how many stand in that pen; None where it was not told.
    """

    source: str
    price: float | None = None
    most: int = 24
    cocks: int | None = None
    hens: int | None = None


@dataclass(frozen=True, slots=True)
class SpringPlan:
    """What next spring is to give: by group how many to choose from, with which chance, and eggs on offer.

    A group that `choose_from` does not name: four times its number and reserve.
    """

    choose_from: Mapping[str, int] = field(default_factory=dict)
    sure: float = 0.9
    offers: tuple[Offer, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """What this season's meeting must settle. Defaults are those of the plan's documentation."""

    on: date
    season: int
    keep: Mapping[str, Keep]  # cockerels, pullets, hens, cocks: those the plan names, in that order
    most_relationship: float | None = None
    worth: Mapping[str, float] = field(default_factory=dict)
    look_worth: float = 0.1
    egg_days: int = 10
    cock_days: int = 21
    same_pen: float = 0.5
    most_inbreeding: float = MOST_INBREEDING
    correlations: Mapping[tuple[str, str], float] = field(default_factory=dict)
    currency: str = ""  # blank: amounts stand without one
    usual: Mapping[str, float] = field(default_factory=dict)  # what such birds bring hereabouts, by sold_as
    holding: str | None = None  # its name, and how to reach it: printed on a buyer's sheet
    contact: str | None = None
    spring: SpringPlan | None = None  # None: the plan asks nothing of it


def day_meant(plan: Plan, on: date | str | None, today: date | None = None) -> tuple[date, str | None]:
    """The day that stands in for the plan's, and a remark where it lies outside the season.

    `on` is the day asked for, as a day or in words like 2026-04-18; blank: `today` where that lies within the
    season, and the plan's day where it does not or `today` is blank. Raises RecordsError for words that are no day.
    """
    if on is None or on == "":
        return (today, None) if today is not None and in_season(plan, today) else (plan.on, None)
    read = read_date(on)
    if read.day is None:
        raise RecordsError(f"--on: found {on}; expected {read.expected}")
    if in_season(plan, read.day):
        return read.day, None
    first, last = season_days(plan)
    return (
        read.day,
        f"{read.day} lies outside the season {plan.season} ({first} to {last}); taken all the same",
    )


def season_days(plan: Plan) -> tuple[date, date]:
    """The first and the last day of the plan's season: it ends with its year, or with a meeting held after that."""
    return date(plan.season, 1, 1), max(date(plan.season, 12, 31), plan.on)


def in_season(plan: Plan, day: date) -> bool:
    """Whether `day` lies in the plan's season."""
    first, last = season_days(plan)
    return first <= day <= last


def read_plan(path: Path, standard: Standard) -> Plan:
    """The plan in the file at `path`, for a flock bred to `standard` (whose names its `worth` uses).

    Raises SettingsError whose text lists every fault: file, key, what was found, what is allowed.
    """
    return parse_plan(file_bytes(path), standard, Path(path).name)


def parse_plan(text: str | bytes, standard: Standard, file: str = "plan.toml") -> Plan:
    """The plan in the TOML `text`; `file` is how messages call it. Raises as `read_plan`."""
    top = load(text, file)
    on = top.day("on")
    values: dict[str, Any] = {"season": _season(top, on), "keep": {}}
    for name, read in _TABLES.items():
        if table := top.table(name):
            values |= read(table)
            table.close()
    values |= _by_trait(top, standard)
    top.close()
    top.raise_faults()
    return Plan(on=on or date.min, **values)


def _season(top: Table, on: date | None) -> int:
    """The season the meeting closes, its day's year unless given; a meeting may fall in the winter after."""
    year = on.year if on else date.max.year
    return int(top.number("season", Limits(year - 1 if on else 1900, year, whole=True), default=year))


def _keep(table: Table) -> dict[str, Any]:
    keep = {}
    for group in _GROUPS:
        if wanted := table.table(group):
            keep[group] = Keep(
                number=wanted.number("number", Limits(0, 100_000, whole=True), default=0, required=True),
                reserve=wanted.number("reserve", Limits(0, 100_000, whole=True), default=0),
                origins=_origins(wanted),
            )
            wanted.close()
    in_order = {group: keep[group] for group in table.values if group in keep}
    return {"keep": in_order, "most_relationship": table.number("most_relationship", Limits(0, 2))}


def _origins(table: Table) -> tuple[str, ...]:
    """The origins a group is chosen from: one, a list, or none named (any)."""
    found = table.values.get("from", [])
    table.asked.add("from")
    wanted = found if isinstance(found, list) else [found]
    known = [w.strip().casefold() if isinstance(w, str) else "" for w in wanted]
    if ("from" in table.values and not wanted) or not set(known) <= set(ORIGINS):
        allowed = " or ".join(f'"{origin}"' for origin in ORIGINS)
        table.fault("from", found, f"{allowed}, or a list of them; leave the key out for any origin")
        return ()
    return tuple(dict.fromkeys(known))


def _by_trait(top: Table, standard: Standard) -> dict[str, Any]:
    """`worth` and `correlations`, whose keys are the names of sections, measured traits, or `laying`."""
    names = {t.name.casefold(): t.name for t in standard.traits}
    names.setdefault("laying", "laying")
    words = "the standard's names: " + ", ".join(names.values())
    worth: dict[str, float] = {}
    if table := top.table("worth"):
        for key in list(table.values):
            if key.strip().casefold() in names:
                worth[names[key.strip().casefold()]] = table.number(key, Limits(-1000, 1000), default=1.0)
        table.close(words)
    given = top.table("correlations")
    return {"worth": worth, "correlations": _correlations(given, names, words) if given else {}}


def _correlations(table: Table, names: dict[str, str], words: str) -> dict[tuple[str, str], float]:
    found: dict[tuple[str, str], float] = {}
    for first in [key for key in table.values if key.strip().casefold() in names]:
        row = table.table(first)
        for second in [key for key in row.values if key.strip().casefold() in names] if row else ():
            pair = names[first.strip().casefold()], names[second.strip().casefold()]
            value = row.number(second, Limits(-1, 1, open_ended=True), default=0.0) if row else 0.0
            if pair[0] == pair[1] or pair in found or pair[::-1] in found:
                table.fault(
                    f"{first}.{second}",
                    row.values[second] if row else None,
                    "each pair of two different traits once",
                )
            found[pair] = value
        if row:
            row.close(words)
    table.close(words)
    return found


def _prices(table: Table) -> dict[str, Any]:
    usual = {}
    if given := table.table("usual"):
        usual = {kind: given.number(kind, Limits(0, 1e6, open_ended=True)) for kind in SOLD_AS}
        given.close("what birds are sold as: " + ", ".join(SOLD_AS))
    return {
        "currency": table.text("currency", default=""),
        "usual": {kind: price for kind, price in usual.items() if price is not None},
    }


def _spring(table: Table) -> dict[str, Any]:
    wanted = {}
    if given := table.table("choose_from"):
        for group in (group for group in _YOUNG if group in given.values):
            wanted[group] = given.number(group, Limits(1, 100_000, whole=True), default=1)
        given.close("the groups " + ", ".join(_YOUNG))
    sure = table.number("sure", Limits(0, 1, open_ended=True), default=0.9)
    offers = [_offer(t) for t in table.tables("offer")]
    sources = Counter(offer.source.casefold() for offer in offers if offer.source)
    for source in (source for source, times in sources.items() if times > 1):
        table.fault("offer", source, "each source once")
    return {"spring": SpringPlan(wanted, sure, tuple(offers))}


def _offer(table: Table) -> Offer:
    birds = Limits(1, 1000, whole=True)
    offer = Offer(
        source=table.text("source", required=True) or "",
        price=table.number("price", Limits(0, 1e6)),
        most=table.number("most", Limits(1, 100_000, whole=True), default=24),
        cocks=table.number("cocks", birds),
        hens=table.number("hens", birds),
    )
    table.close()
    return offer


_TABLES: dict[str, Callable[[Table], dict[str, Any]]] = {
    "keep": _keep,
    "look": lambda t: {"look_worth": t.number("worth_at_least", Limits(0, 100), default=0.1)},
    "parents": lambda t: {
        "egg_days": t.number("days", Limits(1, 60, whole=True), default=10),
        "cock_days": t.number("cock_days", Limits(0, 60, whole=True), default=21),
    },
    "blood": lambda t: {"same_pen": t.number("same_pen", Limits(0, 1), default=0.5)},
    "matings": lambda t: {
        "most_inbreeding": t.number("most_inbreeding", Limits(0, 1), default=MOST_INBREEDING)
    },
    "holding": lambda t: {"holding": t.text("name"), "contact": t.text("contact")},
    "prices": _prices,
    "spring": _spring,
}


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
