"""The season's calendar: from eggs set to the meeting, every day on which something is due, and why then.

Days follow from the clutches on record; ages for rings from the published sizes, which disagree; ages for weighing
from the growth model; looks from what the model makes of judges and days.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import combinations

import numpy as np
import pandas as pd

from selection.answer import Answer, Kind, Note
from selection.decide.verdicts.another_look import usual_variances
from selection.decide.wording import listed
from selection.merit.candidates import called
from selection.merit.season_model import Variances
from selection.records.after_meeting import after_meeting
from selection.records.flock import Flock
from selection.records.ringplan import GROWN_UP_WEEKS, build_of, size_table, sizes_at
from selection.records.settings.reading import Standard
from selection.standard.bands import weighed_section
from selection.standard.deviations import shrunken
from selection.standard.growth import Growth, fit_growth

WEIGHINGS = 3
"""Weighings proposed of a season: a fourth narrows little."""
FIRST_WEEKS, STEP = 6, 2
"""Ages tried for a weighing, in weeks: from the first, so many apart."""
USUAL_WEEKS = 24.0
"""The age aimed at where the standard awards no points for weight."""


def weighing_ages(standard: Standard, growth: Growth) -> tuple[float, list[tuple[float, float]]]:
    """The standard's age (weeks), and the ages whose weighings narrow the weight at it most, in order.

    Each with what is then left unknown of a bird's own weight: one standard error as a share of it. Every choice of
    `WEIGHINGS` ages on a grid is tried; the growth model says how a weighing strays at each age and how long a bird's
    good or bad day lasts (:class:`selection.standard.deviations.Spread`), so that two in one week tell little more
    than one.
    """
    section = weighed_section(standard)
    aim = float(section.at_weeks) if section is not None and section.at_weeks else USUAL_WEEKS
    grid = [aim, *(float(weeks) for weeks in np.arange(FIRST_WEEKS, aim, STEP))]
    best = min(
        combinations(sorted(grid), min(WEIGHINGS, len(grid))), key=lambda ages: left_unknown(growth, ages)
    )
    return aim, [(weeks, left_unknown(growth, best[: i + 1])) for i, weeks in enumerate(best)]


def left_unknown(growth: Growth, ages: tuple[float, ...]) -> float:
    """Standard error of a bird's own log deviation once it was weighed at these ages (weeks)."""
    count = len(ages)
    own = shrunken(growth.spread, ["bird"] * count, ages, np.zeros(count), np.zeros((count, 3)))
    return float(own.se[0])


@dataclass(frozen=True)
class LookGain:
    """How far own looks alone tell merit (accuracy), with so many looks, in words."""

    words: str
    accuracy: float


def look_gains(flock: Flock) -> list[LookGain]:
    """Accuracy of own looks with one, two and four of them, all birds seen by the same judges on the same days.

    Own looks' mean total as an index of the merit of the sections judged by eye, by the published variances:
    r = cov(g, P)/√(var g · var P), with the looks' own errors over their number. Empty where nothing is judged by eye.
    """
    sections = flock.standard.by_eye
    if not sections:
        return []
    variances = usual_variances(sections)
    worth = np.array([flock.plan.worth.get(s.name, 1.0) for s in sections])
    cases = (("one look", 1), ("two judges on one day or one on two", 2), ("two judges on two days", 4))
    return [LookGain(words, _accuracy(variances, worth, looks)) for words, looks in cases]


def _accuracy(variances: Variances, worth: np.ndarray, looks: int) -> float:
    genetic = variances.covariance("genetic")
    bird = genetic + variances.covariance("permanent") + variances.covariance("clutch")
    seen = bird + variances.covariance("residual") / looks
    variance = float(worth @ genetic @ worth)
    return float(np.sqrt(variance / (worth @ seen @ worth))) if variance else 0.0


_INCUBATION = 21
"""Days from setting to hatching: Mississippi State University Extension."""
CANDLED = ((7, "take out clear eggs"), (18, "take out those that stopped, and turn no more"))
"""Days of incubation on which eggs are candled, and what for: common practice, no source."""
FIRST_RINGS = 3
"""Days after hatching on which the clutch's rings go on, before clutches are mixed: common practice, no source."""
LOOK_WEEKS = (4, 1)
"""Weeks before the meeting of the two days of looking: time to see the birds apart, and to look a third time."""
_TOGETHER = 10
"""Days within which clutches that hatched one after another are weighed on one day."""
RINGS_SAY = "The sources disagree on sizes; look weekly whatever the calendar says."


@dataclass(frozen=True, repr=False)
class Calendar(Answer):
    """The days of the season, in order.

    events: on (datetime64), kind (`candle`, `hatch`, `rings`, `weigh`, `look`, `meeting`), what (in words), about
    (clutches, joined by `;`; blank: the whole flock), why, past (bool: before the day it was made for).
    """

    TITLE = "The season's calendar"
    TABLES = ("events",)

    events: pd.DataFrame
    day: date
    notes: tuple[Note, ...]


@dataclass(frozen=True)
class _Event:
    on: date
    kind: str
    what: str
    about: tuple[str, ...] = ()
    why: str = ""


def calendar(flock: Flock, meeting: date, growth: Growth | None = None) -> Calendar:
    """The calendar of the plan's season, as the flock stands on its day; the selection meeting is on `meeting`.

    `growth` is fitted where it is absent.
    """
    growth = growth or fit_growth(flock)
    clutches = _of_season(flock)
    events = [
        *_incubated(clutches),
        *_rings(clutches, build_of(flock)),
        *_weighings(clutches, flock, growth, meeting),
        *_meeting(flock, meeting),
    ]
    rows = [
        (pd.Timestamp(e.on), e.kind, e.what, ";".join(e.about), e.why, e.on < flock.plan.on)
        for e in sorted(events, key=lambda e: (e.on, e.kind, e.about))
    ]
    table = pd.DataFrame(rows, columns=["on", "kind", "what", "about", "why", "past"])
    return Calendar(table.astype({"on": "datetime64[s]", "past": bool}), flock.plan.on, _notes(clutches))


def _of_season(flock: Flock) -> pd.DataFrame:
    """The season's clutches in order of setting, with hatch: the day recorded up to the plan's, else the day due."""
    of = flock.clutches[flock.clutches["set_on"].dt.year == flock.plan.season].sort_values(
        ["set_on", "clutch"]
    )
    due = of["set_on"] + pd.Timedelta(days=_INCUBATION)
    known = of["hatched_on"] <= pd.Timestamp(flock.plan.on)
    return of.assign(hatch=of["hatched_on"].where(known, due), due=due, known=known).reset_index(drop=True)


def _incubated(clutches: pd.DataFrame) -> Iterator[_Event]:
    """Candling on two days, and hatching."""
    for row in clutches.itertuples():
        set_on = row.set_on.date()
        for days, purpose in CANDLED:
            what = f"Candle clutch {row.clutch} (day {days}): {purpose}"
            yield _Event(
                set_on + timedelta(days), "candle", what, (row.clutch,), "common practice, no source"
            )
        if row.known:
            counts = f": {row.hatched:.0f} chicks" if row.hatched == row.hatched else ""
            yield _Event(row.hatch.date(), "hatch", f"Clutch {row.clutch} hatched{counts}", (row.clutch,))
        else:
            why = f"{_INCUBATION} days from setting on {set_on}; a day or two either way is normal"
            yield _Event(row.due.date(), "hatch", f"Clutch {row.clutch} due to hatch", (row.clutch,), why)


def _rings(clutches: pd.DataFrame, build: str) -> Iterator[_Event]:
    """First rings, and a look for larger ones at every age at which a source changes its size; adult rings last."""
    ages = ring_ages(build)
    for row in clutches.itertuples():
        if row.known and row.hatched == 0:
            continue
        day, of = row.hatch.date(), (row.clutch,)
        first = _sizes(0.0, build)
        yield _Event(
            day + timedelta(FIRST_RINGS), "rings", f"First rings on clutch {row.clutch}: its colour, {first}", of,
            "before clutches are put together (common practice)",
        )  # fmt: skip
        for weeks in ages:
            yield _Event(
                day + timedelta(weeks=weeks), "rings",
                f"Rings of clutch {row.clutch}, {weeks:g} weeks: change to {_sizes(weeks, build)}", of, RINGS_SAY,
            )  # fmt: skip


def ring_ages(build: str) -> list[float]:
    """Weeks of age at which some source gives another size, hatching left out and the grown bird's included."""
    table = size_table()
    own = table[(table["build"] == build) | (table["from_weeks"] < GROWN_UP_WEEKS)]
    return sorted(float(weeks) for weeks in own["from_weeks"].unique() if 0 < weeks <= GROWN_UP_WEEKS)


def _sizes(weeks: float, build: str) -> str:
    """Ring sizes at an age, by the sources: in words."""
    sizes = sizes_at(weeks, "unknown", build) or sizes_at(weeks, "unknown", "large")
    if sizes is None:
        return "a size that turns and slides freely"
    low, high = sizes
    return f"{low:g} mm" if low == high else f"{low:g} to {high:g} mm by different sources"


def _weighings(clutches: pd.DataFrame, flock: Flock, growth: Growth, meeting: date) -> Iterator[_Event]:
    """The weighings that narrow each bird's weight at the standard's age most, clutches of one age together."""
    aim, best = weighing_ages(flock.standard, growth)
    alive = clutches[~(clutches["known"] & (clutches["hatched"] == 0))]
    for of in _together(alive.sort_values("hatch")):
        middle = pd.Timestamp(
            int(of["hatch"].astype("datetime64[s]").astype("int64").mean()), unit="s"
        ).date()
        names = tuple(of["clutch"])
        for weeks, left in best:
            day = middle + timedelta(weeks=weeks)
            if day <= meeting:
                what = (
                    f"Weigh clutch{'es' if len(names) > 1 else ''} {listed(names)}, about {weeks:g} weeks old"
                )
                why = f"with it the weight at {aim:g} weeks is known to within {100 * left:.0f} % (one standard error)"
                yield _Event(day, "weigh", what, names, why)


def _together(clutches: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """Clutches that hatched within `TOGETHER` days of the first of them."""
    while len(clutches):
        near = clutches["hatch"] <= clutches["hatch"].iloc[0] + pd.Timedelta(days=_TOGETHER)
        yield clutches[near]
        clutches = clutches[~near]


def _meeting(flock: Flock, meeting: date) -> Iterator[_Event]:
    """The two days of looking, the meeting, and grown rings after it."""
    why = _about_looks(look_gains(flock))
    for number, weeks in enumerate(LOOK_WEEKS, 1):
        words = "First" if number == 1 else "Second"
        yield _Event(
            meeting - timedelta(weeks=weeks), "look", f"{words} look at all young birds, two judges", (), why
        )
    yield _Event(meeting, "meeting", "The selection meeting")
    staying = list(dict.fromkeys(after_meeting(flock).adult["bird"]))
    birds = f" on {listed(map(called(flock), staying))}" if staying else " on the birds that stay"
    yield _Event(
        meeting + timedelta(7),
        "rings",
        f"Grown rings{birds}: {_sizes(GROWN_UP_WEEKS, build_of(flock))}",
        (),
        RINGS_SAY,
    )


def _about_looks(gains: Sequence[LookGain]) -> str:
    """What judges and days are worth, in words."""
    if not gains:
        return "no section is judged by eye"
    said = [f"{g.accuracy:.2f} with {g.words}" for g in gains]
    return f"how far own looks alone tell merit (accuracy): {', '.join(said)}"


def _notes(clutches: pd.DataFrame) -> tuple[Note, ...]:
    """What the days rest on, the caution on rings, and what is missing."""
    notes = [
        Note(
            Kind.ASSUMED,
            None,
            "Candling on days 7 and 18 and first rings on day 3: common practice, no source.",
        ),
        Note(Kind.WARNING, None, f"An outgrown ring injures. {RINGS_SAY}"),
    ]
    if clutches.empty:
        missing = "No clutch of the season is on record: days of candling, hatching, rings and weighing are not known."
        notes.append(Note(Kind.CANNOT, None, missing))
    return tuple(notes)
