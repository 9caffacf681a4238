"""`plan.toml`: what this season's meeting must settle, read, checked key by key, handed on as frozen records.

Every fault of the file is found before anything is raised, and says file, key, what was found, what is allowed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from selection.errors import RecordsError
from selection.records.forms.cells import read_date
from selection.records.forms.columns import ORIGINS, SOLD_AS
from selection.records.settings.reading import Standard
from selection.records.settings.toml_tables import Limits, Table, file_bytes, load

GROUPS = ("cockerels", "pullets", "hens", "cocks")
YOUNG = ("cockerels", "pullets")
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
class Spring:
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
    spring: Spring | None = None  # None: the plan asks nothing of it


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
    for group in GROUPS:
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
        for group in (group for group in YOUNG if group in given.values):
            wanted[group] = given.number(group, Limits(1, 100_000, whole=True), default=1)
        given.close("the groups " + ", ".join(YOUNG))
    sure = table.number("sure", Limits(0, 1, open_ended=True), default=0.9)
    offers = [_offer(t) for t in table.tables("offer")]
    sources = Counter(offer.source.casefold() for offer in offers if offer.source)
    for source in (source for source, times in sources.items() if times > 1):
        table.fault("offer", source, "each source once")
    return {"spring": Spring(wanted, sure, tuple(offers))}


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
