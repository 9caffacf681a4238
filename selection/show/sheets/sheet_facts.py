"""What a buyer's sheet says of each bird: facts as text, gathered from the records; nothing is drawn here."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from selection.answer import REACH
from selection.decide.wording import each
from selection.records.flock import Flock
from selection.records.settings.reading import Section
from selection.show.page.figures import BandWords, band_words
from selection.standard.bands import State

if TYPE_CHECKING:
    from selection.merit.relationship.pedigree import Pedigree
    from selection.standard.growth import Growth
    from selection.standard.points import Points


@dataclass(frozen=True)
class Sources:
    """What the facts are looked up in; rows are gathered by bird once for all the birds that are asked for.

    Without `pedigree` only the parents on record are named.
    """

    flock: Flock
    points: Points
    growth: Growth
    pedigree: Pedigree | None

    @cached_property
    def birds(self) -> dict[str, Any]:
        return {row.bird: row for row in each(self.flock.birds)}

    @cached_property
    def rings(self) -> dict[str, list[Any]]:
        worn = self.flock.rings[self.flock.rings["removed_on"].isna()]
        return _by("bird", each(worn.sort_values(["leg", "fitted_on"])))

    @cached_property
    def scored(self) -> Counter[str]:
        return Counter(self.flock.scores["bird"].dropna())

    @cached_property
    def faulty(self) -> list[Any]:
        """Looks with a fault, the earliest first."""
        wanted = ["bird", "clutch", "sex", "judge", "on", "faults"]
        return list(each(self.flock.scores[self.flock.scores["faults"].notna()].sort_values("on")[wanted]))

    @cached_property
    def weighings(self) -> dict[str, list[Any]]:
        """Weighings of each bird, the last one last."""
        return _by("bird", each(self.flock.weights.dropna(subset=["bird", "grams"]).sort_values("on")))

    @cached_property
    def totals(self) -> dict[str, Any]:
        wanted = ["bird", "looks", "points_seen", "points_of_100", "points_of_100_se"]
        return {row.bird: row for row in each(self.points.birds[wanted])}

    @cached_property
    def sections(self) -> dict[str, dict[str, float]]:
        """Mean points of each section, by bird."""
        return {
            bird: dict(zip(own["section"], own["points"], strict=True))
            for bird, own in self.points.sections.groupby("bird")
        }

    @cached_property
    def looks(self) -> dict[str, dict[str, list[float]]]:
        """Points given in each section judged by eye, look by look, by bird."""
        given = self.points.given.join(self.points.looks.set_index("row")[["bird"]], on="row")
        found: dict[str, dict[str, list[float]]] = {}
        for (bird, section), points in given.groupby(["bird", "section"])["points"]:
            found.setdefault(bird, {})[section] = points.tolist()
        return found


def _by(key: str, rows: Iterable[Any]) -> dict[str, list[Any]]:
    """Rows by what they have under `key`, in their order."""
    found: dict[str, list[Any]] = {}
    for row in rows:
        found.setdefault(getattr(row, key), []).append(row)
    return found


_YOUNG = {"male": "cockerel", "female": "pullet"}
_GROWN = {"male": "cock", "female": "hen"}
_MOST_PARENTS = 4
"""Possible parents named on a sheet."""
LIKELIER = 1.5
"""Times as likely as the least likely from which a possible parent is worth its name."""
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")


@dataclass(frozen=True, slots=True)
class Ring:
    """One ring as it is worn: leg, colour in words, kind and mark (blank where not recorded)."""

    leg: str
    colour: str
    kind: str
    mark: str


@dataclass(frozen=True, slots=True)
class SectionSeen:
    """One section on a sheet: its title, points at most, the bird's points and their spread, as text."""

    title: str
    most: str
    points: str
    spread: str


@dataclass(frozen=True, slots=True)
class FaultSeen:
    """A fault that somebody saw: its name, whether it is serious, who saw it and when."""

    name: str
    serious: bool
    seen: str


@dataclass(frozen=True, slots=True)
class Facts:
    """One bird's part of a sheet, all of it text ready to be written (never markup)."""

    number: str
    name: str
    kind: str
    rings: tuple[Ring, ...]
    hatched: str
    descent: tuple[str, ...]
    sections: tuple[SectionSeen, ...]
    total: str
    weight: tuple[str, ...]
    faults: tuple[FaultSeen, ...]
    looks: int
    unknown: tuple[str, ...]


def facts_of(bird: str, sources: Sources) -> Facts:
    """The facts of one bird of the flock. Raises KeyError for a bird that is not in it."""
    row = sources.birds[bird]
    rings = _rings_worn(sources, bird)
    looks = sources.scored[bird]
    sections = _sections(bird, sources)
    weight = _weight(row, sources)
    return Facts(
        number=readable(bird),
        name=readable(row.name),
        kind=kind_of(row, sources.flock.plan.season),
        rings=rings,
        hatched=hatched_in_words(row),
        descent=_descent(row, sources),
        sections=sections,
        total=_total(bird, sources),
        weight=weight,
        faults=faults_seen(row, sources),
        looks=looks,
        unknown=_unknown(row, rings, looks, sections, bird in sources.weighings),
    )


def readable(value: object) -> str:
    """Text as it may be printed: blank for missing, control characters shown as �."""
    return _CONTROL.sub("\ufffd", value).strip() if isinstance(value, str) else ""


def day(when: pd.Timestamp) -> str:
    """A day in words: 10 April 2026."""
    return f"{when.day} {when:%B} {when.year}"


def _rings_worn(sources: Sources, bird: str) -> tuple[Ring, ...]:
    """The rings on its legs on the plan's day, left first; a row of two colours is two rings, upper first."""
    return tuple(
        Ring(str(row.leg), readable(colour), readable(row.kind), readable(row.mark))
        for row in sources.rings.get(bird, ())
        for colour in str(row.colour).split("/")
    )


def faults_seen(bird: Any, sources: Sources) -> tuple[FaultSeen, ...]:
    """Every fault written down on the bird, and on unnamed chicks that may be it; serious ones first."""
    serious = {fault.name.casefold() for fault in sources.flock.standard.faults if fault.serious}
    clutches = [c.strip() for c in bird.clutch.split(";")] if isinstance(bird.clutch, str) else []
    not_its = _other_sexes(bird.sex)
    found = []
    for look in sources.faulty:
        unnamed = not isinstance(look.bird, str)
        if not (look.clutch in clutches and look.sex not in not_its if unnamed else look.bird == bird.bird):
            continue
        doubt = ", on an unnamed chick of its clutch that may be this bird" if unnamed else ""
        for name in str(look.faults).split(";"):
            seen = f"{readable(look.judge)}, {day(look.on)}{doubt}"
            if name.strip():
                found.append(FaultSeen(readable(name), name.strip().casefold() in serious, seen))
    return tuple(sorted(dict.fromkeys(found), key=lambda fault: not fault.serious))


def _other_sexes(sex: str) -> set[str]:
    return {"male", "female"} - {sex} if sex in ("male", "female") else set()


def kind_of(bird: Any, season: int) -> str:
    """What a bird is in that season: pullet; hen; chick, sex not known."""
    words = _YOUNG if bird.hatch_year == season else _GROWN
    return words.get(bird.sex, "chick" if bird.hatch_year == season else "bird") + (
        "" if bird.sex in words else ", sex not known"
    )


def hatched_in_words(bird: Any) -> str:
    """When a bird hatched: a day in words, `in 2024`, or not recorded."""
    if pd.isna(bird.hatched):
        return "not recorded"
    if isinstance(bird.hatched_on, str) and len(bird.hatched_on.strip()) == 4:
        return f"in {bird.hatched_on.strip()}"
    return day(bird.hatched)


def _descent(bird: Any, sources: Sources) -> tuple[str, ...]:
    """Where it comes from: supplier or parents, with the doubt there is about them."""
    clutch = f", clutch {readable(bird.clutch)}" if isinstance(bird.clutch, str) else ""
    if isinstance(bird.source_of, str):
        how = "from bought-in eggs" if clutch else "bought grown"
        return (f"{how} of {readable(bird.source_of)}{clutch}",)
    known = [
        f"{side} {readable(p)}" for side, p in (("sire", bird.sire), ("dam", bird.dam)) if isinstance(p, str)
    ]
    if not clutch:
        young = bird.hatch_year == sources.flock.plan.season
        unknown = (
            "its clutch and parents not on record" if young else "of the old flock, parents not on record"
        )
        return ("home-bred, clutch not on record", *known) if known else (unknown,)
    said = [f"home-bred{clutch}"]
    pedigree = sources.pedigree
    said += known if pedigree is None else [_parents(bird.bird, side, pedigree) for side in ("sire", "dam")]
    return tuple(word for word in said if word)


def _parents(bird: str, side: str, pedigree: Pedigree) -> str:
    """`sire 25-014`, or the possible ones with their chances."""
    shares = (pedigree.sires if side == "sire" else pedigree.dams)[[int(pedigree.positions([bird])[0])]]
    chances = sorted(zip(2 * shares.data, shares.indices, strict=True), reverse=True)
    if len(chances) == 1:
        return f"{side} {readable(pedigree.birds[chances[0][1]])}"
    if len(chances) > _MOST_PARENTS and chances[0][0] < LIKELIER * chances[-1][0]:
        return f"{side} any of {len(chances)} in the pen, all as likely"
    named = chances[:_MOST_PARENTS]
    names = [f"{readable(pedigree.birds[k])} ({100 * chance:.0f} %)" for chance, k in named]
    more = f" and {len(chances) - len(named)} more" if len(chances) > len(named) else ""
    return f"{side} one of {', '.join(names)}{more}" if names else ""


def _sections(bird: str, sources: Sources) -> tuple[SectionSeen, ...]:
    """Points by section: by eye the mean of the looks and their range, a measured one with its interval."""
    means, looks = sources.sections.get(bird, {}), sources.looks.get(bird, {})
    rows = []
    for section in sources.flock.standard.sections:
        mean = means.get(section.name, np.nan)
        spread = (
            _measured_spread(bird, sources.points.in_section(section.name), section)
            if section.measured
            else _range_of(looks.get(section.name, []))
        )
        said = ("not seen", "") if np.isnan(mean) else (f"{mean:.1f}", spread)
        rows.append(SectionSeen(readable(section.title), f"{section.points:g}", *said))
    return tuple(rows)


def _range_of(points: list[float]) -> str:
    given = [value for value in points if not np.isnan(value)]
    if len(given) == 1:
        return "one look"
    return f"{min(given):.1f} to {max(given):.1f} in {len(given)} looks" if given else ""


def _measured_spread(bird: str, measured: pd.DataFrame, section: Section) -> str:
    """90 % range of a measured section's points."""
    se, mean = (measured[column].get(bird, np.nan) for column in ("points_se", "points"))
    return (
        ""
        if np.isnan(se)
        else f"{max(mean - REACH * se, 0):.1f} to {mean + REACH * se:.1f}, by {section.measured}"
    )


def _total(bird: str, sources: Sources) -> str:
    own = sources.totals.get(bird)
    if own is None or not own.looks or np.isnan(own.points_of_100):
        return ""
    half = REACH * own.points_of_100_se
    seen = "" if own.points_seen >= 100 else f", {own.points_seen:g} of them seen and the rest predicted"
    low, high = own.points_of_100 - half, min(own.points_of_100 + half, 100)
    return f"{own.points_of_100:.0f} of 100 ({low:.0f} to {high:.0f}){seen}"


def _weight(bird: Any, sources: Sources) -> tuple[str, ...]:
    """The last weighing, then where the bird stands on every band of the standard; blank if never measured."""
    every = band_words(sources.flock.standard)
    bands = [_on_band(bird.bird, words, sources.points) for words in every]
    said = [line for line in bands if line]
    if bird.bird not in sources.weighings:
        return tuple(said)
    last = sources.weighings[bird.bird][-1]
    weeks = (last.on - bird.hatched).days / 7
    weighed = f"{last.grams:,.0f} g on {day(last.on)}"
    if not any(words.weighed for words in every):
        said.append("the standard gives no weight to hold it against")
    return (weighed, *said) if np.isnan(weeks) else (f"{weighed}, at {weeks:.0f} weeks", *said)


def _on_band(bird: str, words: BandWords, points: Points) -> str:
    """Where a bird is on the band as it stands in the standard, or why nothing is said of that; never seen: blank."""
    row = points.in_section(words.section.name).loc[bird]
    band = words.band(row["group"])
    if row["state"] == State.NEVER:
        return ""
    if not row["place"]:
        return words.title + (row["why"] or "the standard has no band for it")
    if not words.weighed:
        return words.told(row)
    how = f"{row['value']:,.0f} ± {REACH * row['se']:,.0f} g by its weighings"
    return f"{words.title}{row['place']} the standard's {band}: {how}"


def _unknown(
    bird: Any,
    rings: tuple[Ring, ...],
    looks: int,
    sections: tuple[SectionSeen, ...],
    weighed: bool,
) -> tuple[str, ...]:
    """What nobody can tell the buyer, each in a few words."""
    unseen = [s.title for s in sections if s.points == "not seen"]
    year_only = isinstance(bird.hatched_on, str) and len(bird.hatched_on.strip()) == 4
    mixed = isinstance(bird.clutch, str) and ";" in bird.clutch
    checks = {
        "no judge has seen it: its points and faults are not known": not looks,
        f"sections not seen: {', '.join(unseen)}": bool(looks and unseen),
        "never weighed": not weighed,
        "its sex": bird.sex not in _YOUNG,
        "the day it hatched": pd.isna(bird.hatched) or year_only,
        "which of the clutches of a mixed brood it came from": mixed,
        "its parents: a supplier's pen that is not on record": isinstance(bird.source_of, str),
        "its parents": not any(
            isinstance(x, str) for x in (bird.source_of, bird.clutch, bird.sire, bird.dam)
        ),
        "its rings: none is on record": not rings,
    }
    return tuple(what for what, holds in checks.items() if holds)
