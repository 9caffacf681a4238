"""What is seen of birds as traits that are asked: judged by eye, or measured and held against a band.

A section's name is a value in a column here and above, never a column's own name: a standard may call its
sections what it likes. A new kind of measured trait is a module like :mod:`selection.standard.measured`, and a
branch of :func:`trait_of`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar, Protocol

import pandas as pd

from selection.records.flock import Flock
from selection.records.settings.reading import Measured, Section, Standard
from selection.standard.growth import Growth
from selection.standard.measured import Gauged, Weighed

__all__ = ["ByEye", "Gauged", "Measure", "Trait", "Weighed", "key_of", "measure_of", "trait_of", "traits_of"]

BY_EYE_SD = 0.1
"""Spread of a section's points among birds, a share of its points (common practice, no source)."""


class Trait(Protocol):
    """One trait of the model of merit.

    `key` names it within the program and `name` in tables; `prior` is what its published values are looked up by;
    `by_eye`: points that a judge gives; `hangs`: a bird's values hang together, the nearer in time the more.
    """

    @property
    def key(self) -> str: ...
    @property
    def name(self) -> str: ...
    @property
    def title(self) -> str: ...
    @property
    def unit(self) -> str: ...
    @property
    def prior(self) -> Section | Measured: ...
    @property
    def by_eye(self) -> bool: ...
    @property
    def hangs(self) -> bool: ...
    @property
    def record(self) -> str:
        """What a record of it is called, before its number."""

    @property
    def usual_variance(self) -> float:
        """Total variance where nothing else is known: a starting point, the records decide."""

    @property
    def to_record(self) -> str:
        """What to do, and on which form, where nothing of it is on record."""

    def rows(self, flock: Flock, growth: Growth) -> pd.DataFrame:
        """Long observations: bird (missing: unnamed chicks), clutch, sex, n, on, value, sd (relative), and judge
        where somebody judges.
        """


class Measure(Trait, Protocol):
    """A trait that sections with a band are awarded from.

    `logs`: the model's numbers are logarithms; `reach`: breeding values beyond it are as good as never seen.
    """

    @property
    def logs(self) -> bool: ...
    @property
    def reach(self) -> float: ...
    @property
    def band_called(self) -> str: ...

    def seen(self, section: Section, flock: Flock, growth: Growth) -> pd.DataFrame:
        """Every bird at the section's age (index: bird): group, value, se, points, points_se, state, why."""

    def offset(self, section: Section, growth: Growth, sex: str) -> float:
        """What the model's numbers for `sex` are counted from."""


@dataclass(frozen=True, slots=True)
class ByEye:
    """A section judged by eye, in points."""

    prior: Section

    unit: ClassVar[str] = "points"
    by_eye: ClassVar[bool] = True
    hangs: ClassVar[bool] = False
    record: ClassVar[str] = "look "

    @property
    def key(self) -> str:
        """The section's own name."""
        return self.prior.name

    @property
    def name(self) -> str:
        """The section's own name."""
        return self.prior.name

    @property
    def title(self) -> str:
        """The section's title."""
        return self.prior.title

    @property
    def to_record(self) -> str:
        """All by one judge on one day: a bird alone tells little."""
        return f"let one judge score all of them on one day: scores form, column {self.prior.name}"

    @property
    def usual_variance(self) -> float:
        """Of judges who spread birds over a tenth of the section's points."""
        return (BY_EYE_SD * self.prior.points) ** 2

    def rows(self, flock: Flock, growth: Growth) -> pd.DataFrame:
        """One row a look that scored the section."""
        given = flock.scores[["bird", "clutch", "sex", "n", "on", "judge"]]
        return given.assign(value=flock.scores[self.prior.name], sd=1.0).dropna(subset="value")


def trait_of(standard: Standard, section: Section) -> Trait:
    """The trait that a section is judged or awarded by."""
    return ByEye(section) if section.measured is None else measure_of(standard, section)


def measure_of(standard: Standard, section: Section) -> Measure:
    """The measured trait that a section is awarded from."""
    if section.measured == "weight":
        return _weight(tuple(s for s in standard.by_measure if s.measured == "weight"))
    alike = (section.measured, section.at_weeks)
    return _gauged(standard, tuple(s for s in standard.by_measure if (s.measured, s.at_weeks) == alike))


def traits_of(standard: Standard) -> tuple[Trait, ...]:
    """Every trait of the standard once, in the order of its sections; then those measured beyond the points."""
    found: dict[str, Trait] = {}
    for section in standard.sections:
        trait = trait_of(standard, section)
        found.setdefault(trait.key, trait)
    of_sections = {s.measured for s in standard.by_measure}
    beyond = [m for m in standard.measured if m.name not in of_sections]
    return (*found.values(), *(_beyond(m) for m in beyond))


def key_of(standard: Standard, name: str) -> str:
    """The key of the trait that a section or measured trait called `name` rests on; another name stays itself."""
    for section in standard.sections:
        if section.name == name:
            return trait_of(standard, section).key
    for section in standard.by_measure:
        if section.measured == name:
            return measure_of(standard, section).key
    return name


def _weight(sections: tuple[Section, ...]) -> Weighed:
    """Weight, called as its section where there is one alone."""
    first = sections[0]
    return (
        Weighed(first.name, first.title, first) if len(sections) == 1 else Weighed("weight", "Weight", first)
    )


def _gauged(standard: Standard, sections: tuple[Section, ...]) -> Gauged:
    """A measured trait at one age; the sections' own wishes for the prior go before the trait's."""
    first = sections[0]
    base = _beyond(next(m for m in standard.measured if m.name == first.measured))
    wishes = ("heritability", "repeatability", "like")
    wished = {w: value for w in wishes for s in sections if (value := getattr(s, w)) is not None}
    prior = replace(base.prior, **wished)
    if first.at_weeks is None:
        return replace(base, prior=prior, sections=sections)
    at = f" at {first.at_weeks:g} weeks"
    # a key that begins with a blank is no name of a standard's
    return replace(
        base,
        key=f" {base.name}{at}",
        name=base.name + at,
        title=base.title + at,
        prior=prior,
        sections=sections,
    )


def _beyond(trait: Measured) -> Gauged:
    return Gauged(trait.name, trait.name, trait.title or trait.name, trait.unit, trait.name, trait)
