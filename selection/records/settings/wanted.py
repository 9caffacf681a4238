"""What the breed should be and what the meeting must settle, as frozen records.

They sit with the records because the looks' own columns are the standard's sections: no look can be checked
without them. :mod:`selection.records.settings.reading` reads them from `standard.toml` and `plan.toml`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date


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
