"""`standard.toml`: read, checked key by key, and handed on as frozen records.

Every fault of a file is found before anything is raised, and says file, key, what was found, what is allowed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from selection.records.forms.columns import FORMS
from selection.records.settings.toml_tables import Limits, Table, file_bytes, load


@dataclass(frozen=True, slots=True)
class Section:
    """One section of the standard.

    `points` is the most a look can give. `heritability`, `repeatability` are the holding's own wish for the
    prior, else None; `like` names a trait of the published table. A measured section is awarded from what
    `measured` names, `weight` or a [[measured]] trait, at `at_weeks` (None: at any age): full points inside
    `band[class]` (low, high), none at or beyond `none[class]` (low, high), linear between. The classes are male
    and female, or cockerel, pullet, cock and hen, of which the last two are judged from `grown_weeks` on.
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
    grown_weeks: float = 52.0


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


# Prior share of a trait's variance that the birds of one clutch have in common (common practice, no source).
CLUTCH_SHARE = 0.04
_SHARE = Limits(0, 1, open_ended=True)
_POSITIVE = Limits(0, open_ended=True)
_AGE = Limits(1, 520)
WEIGHT = "weight"
"""What `measured` says of a section that is awarded from the weights form."""
_GROWN_WEEKS = 52.0
BY_SEX = ("male", "female")
BY_AGE_AND_SEX = ("cockerel", "pullet", "cock", "hen")
"""The classes that a band may tell apart: one set or the other, whole."""


def read_standard(path: Path) -> Standard:
    """The standard in the file at `path`.

    Raises SettingsError whose text lists every fault: file, key, what was found, what is allowed.
    """
    return parse_standard(file_bytes(path), Path(path).name)


def parse_standard(text: str | bytes, file: str = "standard.toml") -> Standard:
    """The standard in the TOML `text`; `file` is how messages call it. Raises as `read_standard`."""
    top = load(text, file)
    measured = tuple(_measured(t) for t in top.tables("measured"))
    standard = Standard(
        breed=top.text("breed", required=True) or "",
        sections=tuple(_section(t, measured) for t in top.tables("section")),
        faults=tuple(_fault(t) for t in top.tables("fault")),
        measured=measured,
    )
    top.close()
    _check_names(top, standard)
    _check_points(top, standard)
    top.raise_faults()
    return standard


OF_MEASURED = ("at_weeks", "band", "none", "grown_weeks")
"""Keys that belong to a measured section alone."""


def _section(table: Table, traits: Sequence[Measured]) -> Section:
    name = table.text("name", required=True) or ""
    awarded = "measured" in table.values
    measured = table.choice("measured", (WEIGHT, *(t.name for t in traits if t.name)))
    section = Section(
        name=name,
        title=table.text("title", default=name) or "",
        points=table.number("points", _POSITIVE, default=0.0, required=True),
        measured=measured,
        **_inheritance(table),
        **(_band(table, measured) if awarded else {}),
    )
    if not awarded and not set(OF_MEASURED).isdisjoint(table.values):
        words = f'"{WEIGHT}" or the name of a [[measured]], since {", ".join(OF_MEASURED)} belong to a measured section'
        table.fault("measured", None, words)
        table.asked |= set(OF_MEASURED)
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


def _band(table: Table, measured: str | None) -> dict[str, Any]:
    """Age and bands of a measured section, each class's `none` outside its `band`."""
    values: dict[str, Any] = {
        "at_weeks": table.number("at_weeks", _AGE, required=measured == WEIGHT),
        "grown_weeks": table.number("grown_weeks", _AGE, default=_GROWN_WEEKS),
    }
    wanted: tuple[str, ...] = ()
    for key in ("band", "none"):
        if classes := table.table(key, required=True):
            if not wanted:
                wanted = BY_SEX if set(BY_AGE_AND_SEX).isdisjoint(classes.values) else BY_AGE_AND_SEX
            pairs = {one: classes.pair(one, Limits(0)) for one in wanted}
            values[key] = {one: pair for one, pair in pairs.items() if pair}
            classes.close(
                f"{' and '.join(BY_SEX)}, or {', '.join(BY_AGE_AND_SEX)}, the same in band and none"
            )
    for one, (low, high) in values.get("band", {}).items():
        least, most = values.get("none", {}).get(one, (-1, low + high))
        if not (least < low and high < most):
            table.fault(
                f"none.{one}", [least, most], f"a pair that lies outside band.{one} [{low:g}, {high:g}]"
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
    taken |= {"points": "the word for all sections together", "laying": "the word for a hen's eggs"}
    for trait in standard.traits:
        what = "section" if isinstance(trait, Section) else "measured"
        if what == "measured" and trait.name.casefold() == WEIGHT:
            words = "another name: weight is on the weights form"
            top.fault(f"measured “{trait.name}”, name", trait.name, words)
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
