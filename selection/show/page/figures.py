"""Figures as the pages print them, rounded to what is known; a bird's measurements in words; and birds by name."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from selection.answer import REACH
from selection.decide import wording
from selection.decide.wording import each
from selection.merit.candidates import bars, called
from selection.records.flock import Flock
from selection.records.settings.reading import Section, Standard
from selection.standard.bands import GROWN, State
from selection.standard.traits import Measure, Weighed, measure_of

if TYPE_CHECKING:
    from selection.decide.meeting import Meeting

_HALF = "½"


def missing(value: object) -> bool:
    """True for None and for numbers that are not numbers."""
    return value is None or value != value


def signed(value: float, decimals: int = 1) -> str:
    """+1.6, −0.4, 0.0; blank where missing."""
    if missing(value):
        return ""
    text = f"{value:+.{decimals}f}".replace("-", "−")
    return text[1:] if float(text.replace("−", "-")) == 0 else text


def spread(value: float, se: float, decimals: int = 1) -> str:
    """A figure with its 90 % interval: +1.6 (−1.1 to +4.3); the figure alone where its error is missing."""
    if missing(se):
        return signed(value, decimals)
    low, high = value - REACH * se, value + REACH * se
    return f"{signed(value, decimals)} ({signed(low, decimals)} to {signed(high, decimals)})"


def between(low: float, high: float, decimals: int = 1) -> str:
    """−1.1 to +4.3; blank where missing."""
    return "" if missing(low) or missing(high) else f"{signed(low, decimals)} to {signed(high, decimals)}"


def halves(points: float) -> str:
    """Points to the nearest half, as judges write them: 61½."""
    if missing(points):
        return ""
    twice = round(2 * points)
    sign, whole, half = "−" if twice < 0 else "", abs(twice) // 2, _HALF if twice % 2 else ""
    return f"{sign}{whole or ('' if half else '0')}{half}"


def hundredths(chance: float | None) -> str:
    """A probability as so many in 100; blank where missing."""
    return "" if chance is None or missing(chance) else wording.in_hundred(chance)


def per_cent(share: float, low: float, high: float) -> str:
    """A share with its interval: 78 % (61 to 89); blank where missing."""
    if missing(share):
        return ""
    return f"{100 * share:.0f} %" + ("" if missing(low) else f" ({100 * low:.0f} to {100 * high:.0f})")


def kilograms(grams: float) -> str:
    """2.74; blank where missing."""
    return "" if missing(grams) else f"{grams / 1000:.2f}"


def picks(flock: Flock, birds: Iterable[str]) -> list[tuple[str, str]]:
    """What a picker offers for each bird: how it is called, whether it is barred from breeding, and its number."""
    of, barred = called(flock), bars(flock)
    return [(f"{of(bird)}{', barred' if bird in barred else ''}", bird) for bird in birds]


@dataclass(frozen=True)
class BandWords:
    """How values of a measured section are told: weight in kg, anything else in its own unit.

    `title` stands before them where the standard has more than a weight to tell.
    """

    section: Section
    measure: Measure
    title: str

    @property
    def weighed(self) -> bool:
        """Whether the values are weights."""
        return isinstance(self.measure, Weighed)

    def told(self, row: Any) -> str:
        """`3.6 ± 0.2 kg at 24 weeks, within 3.4–4.1`, or what is missing; `row` as in `Points.measured`."""
        if row.state != row.state or row.state == State.NEVER:
            return self.title + ("never weighed" if self.weighed else "never measured")
        if missing(row.value):
            return self.title + row.why
        place = f", {row.place} {self._edge(row.low)}–{self._edge(row.high)}" if row.place else ""
        unit = "kg" if self.weighed else self.measure.unit
        spread = self._number(REACH * row.se)
        return f"{self.title}{self._number(row.value)} ± {spread} {unit}{self._when(row.group)}{place}"

    def band(self, group: str) -> str:
        """The band of a class as it stands in the standard: `3,400 to 4,100 g at 24 weeks`; blank where it has none."""
        if group not in self.section.band:
            return ""
        low, high = self.section.band[group]
        return f"{low:,g} to {high:,g} {self.measure.unit}{self._when(group)}"

    def _number(self, value: float) -> str:
        return kilograms(value) if self.weighed else f"{value:.1f}"

    def _edge(self, value: float) -> str:
        return f"{value / 1000:.1f}" if self.weighed else f"{value:g}"

    def _when(self, group: object) -> str:
        if group in GROWN.values():
            return f" from {self.section.grown_weeks:g} weeks on"
        return f" at {self.section.at_weeks:g} weeks" if self.section.at_weeks else ""


def band_words(standard: Standard) -> tuple[BandWords, ...]:
    """The words of every measured section of a standard."""
    found = [(section, measure_of(standard, section)) for section in standard.by_measure]
    alone = len(found) == 1 and isinstance(found[0][1], Weighed)
    return tuple(BandWords(s, m, "" if alone else f"{s.title}: ") for s, m in found)


def measured_told(meeting: Meeting, birds: pd.Series) -> dict[str, str]:
    """Each bird in every measured section: its value with its 90 % interval, and where that is on the band."""
    told: dict[str, list[str]] = {}
    for words in band_words(meeting.flock.standard):
        seen = meeting.merit.points.in_section(words.section.name)
        for row in each(seen.reindex(birds).rename_axis("bird").reset_index()):
            told.setdefault(row.bird, []).append(words.told(row))
    return {bird: "; ".join(said) for bird, said in told.items()}


def never_measured(meeting: Meeting) -> dict[str, list[str]]:
    """What nobody ever measured of each bird that a section is awarded from: weighed, or measured in a section."""
    told: dict[str, list[str]] = {}
    for words in band_words(meeting.flock.standard):
        seen = meeting.merit.points.in_section(words.section.name)
        doing = "weighed" if words.weighed else f"measured ({words.section.title})"
        for bird in seen.index[seen["state"] == State.NEVER]:
            if doing not in told.setdefault(bird, []):
                told[bird].append(doing)
    return told


def off_band(meeting: Meeting) -> dict[str, list[str]]:
    """Which bands each bird is under or over without doubt."""
    told: dict[str, list[str]] = {}
    for words in band_words(meeting.flock.standard):
        seen = meeting.merit.points.in_section(words.section.name)
        for row in each(seen[seen["place"].isin(["under", "over"])].reset_index()):
            told.setdefault(row.bird, []).append(f"{row.place} the {words.measure.band_called}")
    return told
