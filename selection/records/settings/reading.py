"""`standard.toml` and `plan.toml`: read, checked key by key, and handed on as frozen records.

Every fault of a file is found before anything is raised, and says file, key, what was found, what is allowed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from selection.errors import SettingsError
from selection.records.forms.columns import FORMS, ORIGINS
from selection.records.ledger.durable import reason
from selection.records.settings.toml_tables import Limits, Table, load


@dataclass(frozen=True, slots=True)
class Section:
    """One section of the standard.

    `points` is the most a look can give. `heritability`, `repeatability` are the holding's own wish for the
    prior, else None; `like` names a trait of the published table. A measured section (`measured == "weight"`)
    is awarded from grams at `at_weeks`: full points inside `band[sex]` (low, high), none at or beyond
    `none[sex]` (low, high), linear between.
    """

    name: str
    title: str
    points: float
    heritability: float | None = None
    repeatability: float | None = None
    like: str | None = None
    measured: str | None = None
    at_weeks: float | None = None
    band: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    none: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault the standard names; a serious one bars from breeding; `costs` points come off the total."""

    name: str
    serious: bool = False
    costs: float = 0.0


@dataclass(frozen=True, slots=True)
class Measured:
    """A trait beyond the points, measured in `unit` on the measures form."""

    name: str
    unit: str
    title: str = ""
    heritability: float | None = None
    repeatability: float | None = None
    like: str | None = None


@dataclass(frozen=True, slots=True)
class Standard:
    """The breed's standard: sections whose points add up to 100, faults, measured traits."""

    breed: str
    sections: tuple[Section, ...]
    faults: tuple[Fault, ...] = ()
    measured: tuple[Measured, ...] = ()

    @property
    def by_eye(self) -> tuple[Section, ...]:
        """The sections judged by eye: the columns a look has."""
        return tuple(s for s in self.sections if s.measured is None)

    @property
    def traits(self) -> tuple[Section | Measured, ...]:
        """Every trait that has a name: the sections, then the measured traits beyond the points."""
        return (*self.sections, *self.measured)

    @property
    def by_measure(self) -> tuple[Section, ...]:
        """The sections awarded from a measurement."""
        return tuple(s for s in self.sections if s.measured is not None)

    def section(self, name: str) -> Section:
        """The section called `name`; raises KeyError naming the sections there are."""
        for section in self.sections:
            if section.name == name:
                return section
        raise KeyError(f"no section {name}; the standard has {', '.join(s.name for s in self.sections)}")


@dataclass(frozen=True, slots=True)
class Keep:
    """How many of one group the meeting keeps, and from which origins (empty: any)."""

    number: int
    reserve: int = 0
    origins: tuple[str, ...] = ()


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
    most_inbreeding: float | None = None
    correlations: Mapping[tuple[str, str], float] = field(default_factory=dict)
    currency: str = "GBP"


__all__ = [
    "Fault",
    "Keep",
    "Measured",
    "Plan",
    "Section",
    "Standard",
    "parse_plan",
    "parse_standard",
    "read_plan",
    "read_standard",
]

# Prior share of a trait's variance that the birds of one clutch have in common (common practice, no source).
CLUTCH_SHARE = 0.04
GROUPS = ("cockerels", "pullets", "hens", "cocks")
_SHARE = Limits(0, 1, open_ended=True)
_POSITIVE = Limits(0, open_ended=True)


def read_standard(path: Path) -> Standard:
    """The standard in the file at `path`.

    Raises SettingsError whose text lists every fault: file, key, what was found, what is allowed.
    """
    return parse_standard(_bytes(path), Path(path).name)


def read_plan(path: Path, standard: Standard) -> Plan:
    """The plan in the file at `path`, for a flock bred to `standard` (whose names its `worth` uses).

    Raises SettingsError whose text lists every fault: file, key, what was found, what is allowed.
    """
    return parse_plan(_bytes(path), standard, Path(path).name)


def parse_standard(text: str | bytes, file: str = "standard.toml") -> Standard:
    """The standard in the TOML `text`; `file` is how messages call it. Raises as `read_standard`."""
    top = load(text, file)
    standard = Standard(
        breed=top.text("breed", required=True) or "",
        sections=tuple(_section(t) for t in top.tables("section")),
        faults=tuple(_fault(t) for t in top.tables("fault")),
        measured=tuple(_measured(t) for t in top.tables("measured")),
    )
    top.close()
    _check_names(top, standard)
    _check_points(top, standard)
    _raise(top)
    return standard


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
    _raise(top)
    return Plan(on=on or date.min, **values)


def _bytes(path: Path) -> bytes:
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {reason(error)}") from error


def _raise(top: Table) -> None:
    if top.faults:
        raise SettingsError("\n".join(top.faults))


def _section(table: Table) -> Section:
    name = table.text("name", required=True) or ""
    weighed = "measured" in table.values
    section = Section(
        name=name,
        title=table.text("title", default=name) or "",
        points=table.number("points", _POSITIVE, default=0.0, required=True),
        measured=table.choice("measured", ("weight",)),
        **_inheritance(table),
        **(_band(table) if weighed else {}),
    )
    if not weighed and not {"at_weeks", "band", "none"}.isdisjoint(table.values):
        table.fault("measured", None, '"weight", since at_weeks, band and none belong to a measured section')
        table.asked |= {"at_weeks", "band", "none"}
    table.close()
    return section


def _inheritance(table: Table) -> dict[str, Any]:
    """What the holding wishes the prior of a trait to be: heritability, repeatability, like."""
    heritability = table.number("heritability", _SHARE)
    repeatability = table.number("repeatability", _SHARE)
    if heritability and repeatability and repeatability < heritability + CLUTCH_SHARE - 1e-9:
        least = (
            f"at least {heritability + CLUTCH_SHARE:g} (heritability + {CLUTCH_SHARE:g}, the clutch's share)"
        )
        table.fault("repeatability", repeatability, least)
    return {"heritability": heritability, "repeatability": repeatability, "like": table.text("like")}


def _band(table: Table) -> dict[str, Any]:
    """Age and bands of a section awarded from a weight, each sex's `none` outside its `band`."""
    values: dict[str, Any] = {"at_weeks": table.number("at_weeks", _POSITIVE, required=True)}
    for key in ("band", "none"):
        if sexes := table.table(key, required=True):
            pairs = {sex: sexes.pair(sex, Limits(0)) for sex in ("male", "female")}
            values[key] = {sex: pair for sex, pair in pairs.items() if pair}
            sexes.close()
    for sex, (low, high) in values.get("band", {}).items():
        least, most = values.get("none", {}).get(sex, (-1, low + high))
        if not (least < low and high < most):
            table.fault(
                f"none.{sex}", [least, most], f"a pair that lies outside band.{sex} [{low:g}, {high:g}]"
            )
    return values


def _fault(table: Table) -> Fault:
    fault = Fault(
        name=table.text("name", required=True) or "",
        serious=table.flag("serious"),
        costs=table.number("costs", Limits(0, 100), default=0.0),
    )
    if ";" in fault.name:
        table.fault("name", fault.name, "a name without ; since that parts faults on the scores form")
    table.close()
    return fault


def _measured(table: Table) -> Measured:
    trait = Measured(
        name=table.text("name", required=True) or "",
        unit=table.text("unit", required=True) or "",
        title=table.text("title", default="") or "",
        **_inheritance(table),
    )
    table.close()
    return trait


def _check_names(top: Table, standard: Standard) -> None:
    """No name twice; no section named as another column of the scores form or as a row of the outputs."""
    taken = {c.casefold(): "a column of the scores form" for c in (*FORMS["scores"].names, "row", "reason")}
    taken["points"] = "the word for all sections together"
    for trait in standard.traits:
        what = "section" if isinstance(trait, Section) else "measured"
        if already := trait.name and taken.get(trait.name.casefold()):
            top.fault(f"{what} “{trait.name}”, name", trait.name, f"another name: that is {already} already")
        taken[trait.name.casefold()] = f"the name of a table headed [[{what}]]"
    seen: set[str] = set()
    for fault in standard.faults:
        if fault.name and fault.name.casefold() in seen:
            top.fault(f"fault “{fault.name}”, name", fault.name, "each fault once")
        seen.add(fault.name.casefold())


def _check_points(top: Table, standard: Standard) -> None:
    total = sum(s.points for s in standard.sections)
    if not standard.sections:
        top.fault("section", None, "at least one table headed [[section]]")
    elif abs(total - 100) > 1e-6 and all(s.points for s in standard.sections):
        parts = " + ".join(f"{s.name} {s.points:g}" for s in standard.sections)
        top.faults.append(
            f"{top.file}: section: the points add up to {total:g} ({parts}); allowed: exactly 100"
        )


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


_TABLES: dict[str, Callable[[Table], dict[str, Any]]] = {
    "keep": _keep,
    "look": lambda t: {"look_worth": t.number("worth_at_least", Limits(0, 100), default=0.1)},
    "parents": lambda t: {
        "egg_days": t.number("days", Limits(1, 60, whole=True), default=10),
        "cock_days": t.number("cock_days", Limits(0, 60, whole=True), default=21),
    },
    "blood": lambda t: {"same_pen": t.number("same_pen", Limits(0, 1), default=0.5)},
    "matings": lambda t: {"most_inbreeding": t.number("most_inbreeding", Limits(0, 1))},
    "prices": lambda t: {"currency": t.text("currency", default="GBP")},
}
