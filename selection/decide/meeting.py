"""The season's meeting: every answer worked out once, the tables it leaves, and what another plan would change.

In a trial of another plan what the records say of the birds is not worked out again, so that it takes a moment; the
trial and what it is compared with are both taken at the mode of the variances.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import pandas as pd

from selection.answer import Answer, Note, Progress
from selection.compare.clutches.comparison import ClutchComparison, compare_clutches
from selection.compare.hatch import Hatch, hatch
from selection.compare.laying.laying import Laying, laying
from selection.decide.fates import flock_table
from selection.decide.matings.matings import Matings, matings
from selection.decide.prices.prices import Prices, prices
from selection.decide.review.hindsight import Meetings
from selection.decide.review.review import Review, review
from selection.decide.spring.spring import Spring, next_spring
from selection.decide.verdicts.verdicts import Verdicts, propose
from selection.decide.wording import listed
from selection.errors import RecordsError
from selection.merit.candidates import Call, called
from selection.merit.ranking import Merit, rank, rerank
from selection.records.flock import Flock, small_frames
from selection.records.forms.cells import protect
from selection.records.ledger.durable import publish_all, reason

DECIMALS = {
    "rank": 0,
    "merit": 2,
    "merit_se": 2,
    "merit_flock": 2,
    "accuracy": 2,
    "p_best": 3,
    "p_kept": 3,
    "points": 2,
    "points_seen": 0,
    "points_of_100": 2,
    "probability": 3,
    "rate": 3,
    "hens": 0,
    "hen_days": 0,
    "eggs": 1,
    "inbreeding": 4,
    "inbreeding_most": 4,
    "chance_over": 3,
}
"""Decimals by column; a column not named keeps three significant places for rates and amounts alike."""

SPRING = {"enough": 3, "cockerels_low": 0, "cockerels_high": 0, "pullets_low": 0, "pullets_high": 0}
RATE_TABLES = {
    "laying": {"low": 3, "high": 3},
    "prices": {"low": 2, "high": 2, "price": 2, "cost": 2},
    "spring": SPRING,
}


@dataclass(frozen=True, repr=False)
class Meeting(Answer):
    """Everything the meeting works from; each part carries its tables, its words and what it cannot say."""

    TITLE = "The season's meeting"

    flock: Flock
    merit: Merit
    verdicts: Verdicts
    clutches: ClutchComparison
    hatch: Hatch
    laying: Laying
    matings: Matings
    prices: Prices
    spring: Spring
    review: Review

    @cached_property
    def everyone(self) -> pd.DataFrame:
        """flock.csv: what becomes of every living bird, as :func:`selection.decide.fates.flock_table` gives it."""
        return flock_table(self.flock, self.verdicts, self.prices)

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """The tables of the contract by file name, as they are written."""
        return {
            "ranking": self.merit.ranking,
            "verdicts": self.verdicts.table,
            "unsexed": self.verdicts.unsexed,
            "clutches": self.clutches.table,
            "laying": self.laying.table,
            "matings": self.matings.table,
            "flock": self.everyone,
            "prices": self.prices.table,
            "spring": self.spring.table,
            "review": self.review.table,
        }

    @property
    def notes(self) -> tuple[Note, ...]:
        """The notes of every part, the verdicts' first."""
        parts = (
            self.verdicts,
            self.merit,
            self.clutches,
            self.hatch,
            self.laying,
            self.matings,
            self.prices,
            self.spring,
            self.review,
        )
        return tuple(note for part in parts for note in part.notes)


@small_frames
def hold(flock: Flock, progress: Progress | None = None, kept: Meetings | None = None) -> Meeting:
    """Work out the whole meeting of the flock's plan.

    Parameters
    ----------
    flock : Flock
        The flock.
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.
    kept : mapping, optional
        The meetings kept with the flock, as `read_meetings` gives them, for the review to look back on.

    Returns
    -------
    Meeting
        Every answer, and `tables`: the frames that are written, by file name.

    Raises
    ------
    RecordsError
        Where no bird is on record.

    Examples
    --------
    >>> from selection import hold
    >>> meeting = hold(flock)
    >>> {"ranking", "verdicts", "prices"} <= set(meeting.tables)
    True
    """
    if flock.birds.empty:
        raise RecordsError(
            f"no bird is on record up to {flock.plan.on}: fill in the birds form, record it, and hold the meeting again"
        )
    merit = rank(flock, progress=_part(progress, "merit", 0.0, 0.5))
    verdicts = propose(flock, merit)
    clutches = compare_clutches(
        flock, merit.growth, merit.points, merit.parentage, _part(progress, "clutches", 0.5, 0.7)
    )
    layers = laying(flock, progress=_part(progress, "laying", 0.7, 0.85))
    pens = matings(flock, merit, verdicts)
    money = prices(
        flock, verdicts, merit.points, merit.growth, merit, progress=_part(progress, "prices", 0.85, 0.95)
    )
    return Meeting(
        flock=flock,
        merit=merit,
        verdicts=verdicts,
        clutches=clutches,
        hatch=hatch(flock),
        review=review(kept or {}, flock, merit),
        laying=layers,
        matings=pens,
        prices=money,
        spring=next_spring(flock, merit, verdicts, pens, money.costs),
    )


def write_tables(meeting: Meeting, out: Path) -> list[Path]:
    """Write a meeting's tables as CSV, all of them or none; the same meeting gives the same bytes.

    Parameters
    ----------
    meeting : Meeting
        What :func:`hold` gives.
    out : str or Path
        The folder, made if it is not there.

    Returns
    -------
    list of Path
        The files, one a table, UTF-8 with a heading row.

    Raises
    ------
    RecordsError
        Where nothing can be written.

    Examples
    --------
    >>> from selection import write_tables
    >>> [path.name for path in write_tables(meeting, out_folder)][:2]
    ['ranking.csv', 'verdicts.csv']
    """
    try:
        return publish_all(Path(out), table_files(meeting))
    except OSError as error:
        raise RecordsError(
            f"the tables cannot be written into {out}: {reason(error)}; choose another --out"
        ) from error


def table_files(meeting: Meeting) -> dict[str, bytes]:
    """The contract's tables as CSV files, by file name; text that a spreadsheet would run is guarded."""
    return {f"{name}.csv": _csv(name, table) for name, table in meeting.tables.items()}


def kept_tables(meeting: Meeting) -> dict[str, pd.DataFrame]:
    """The tables that are kept with the flock, at full precision, to settle and for later seasons to look back on.

    `read` says what the meeting rests on; a flock that was not read from a folder has none.
    """
    kept = {name: meeting.tables[name] for name in ("ranking", "verdicts", "flock")}
    return kept if meeting.flock.read is None else {**kept, "read": meeting.flock.read}


def _csv(name: str, table: pd.DataFrame) -> bytes:
    table = table.copy()
    decimals = {**DECIMALS, **RATE_TABLES.get(name, {})}
    for column in table.columns:
        if pd.api.types.is_float_dtype(table[column]):
            table[column] = _rounded(table[column], decimals.get(column, 2))
        else:
            table[column] = [protect(cell) if isinstance(cell, str) else cell for cell in table[column]]
    return table.to_csv(index=False, lineterminator="\n").encode()


def _rounded(values: pd.Series, decimals: int) -> pd.Series:
    """Values as text with so many decimals, blank where missing; never a minus nought."""
    text = values.round(decimals).add(0.0).map(f"{{:.{decimals}f}}".format)
    return text.where(values.notna(), "")


def _part(progress: Progress | None, name: str, start: float, end: float) -> Progress | None:
    """Progress of one part as progress of the whole."""
    if progress is None:
        return None
    return lambda step, share: progress(f"{name}: {step}", start + (end - start) * share)


@dataclass(frozen=True)
class Trial:
    """What is tried out: whatever is not named stays as planned.

    counts: by section, the points it counts for in merit; keep: by group, how many stay; most_relationship:
    the ceiling (above 2: none); bars: by bird, a reason that bars it, or None to bring it back.
    """

    counts: Mapping[str, float] = field(default_factory=dict)
    keep: Mapping[str, int] = field(default_factory=dict)
    most_relationship: float | None = None
    bars: Mapping[str, str | None] = field(default_factory=dict)


@dataclass(frozen=True)
class WhatIf:
    """The meeting as it would be, and in words what changes against the meeting as planned."""

    meeting: Meeting
    changes: tuple[str, ...]


def what_if(meeting: Meeting, trial: Trial, planned: Verdicts | None = None) -> WhatIf:
    """The meeting under `trial`; `planned` are the verdicts to compare with (None: worked out here).

    Clutches, laying, matings and prices are handed on as they were.
    """
    before = planned or as_planned(meeting)
    after = _held(meeting, trial)
    return WhatIf(after, changes(before, after.verdicts, called(meeting.flock)))


def as_planned(meeting: Meeting) -> Verdicts:
    """The verdicts of the plan itself, taken as quickly as a trial's: what a trial is compared with."""
    return _held(meeting, Trial()).verdicts


def _held(meeting: Meeting, trial: Trial) -> Meeting:
    flock = _flock(meeting.flock, trial)
    merit = rerank(meeting.merit, flock, trial.bars)
    return replace(meeting, flock=flock, merit=merit, verdicts=propose(flock, merit))


def _flock(flock: Flock, trial: Trial) -> Flock:
    """The flock with the plan that is tried."""
    plan, points = flock.plan, {s.name: s.points for s in flock.standard.sections}
    worth = {**plan.worth, **{name: count / points[name] for name, count in trial.counts.items()}}
    keep = {g: replace(k, number=trial.keep.get(g, k.number)) for g, k in plan.keep.items()}
    ceiling = plan.most_relationship if trial.most_relationship is None else trial.most_relationship
    return replace(flock, plan=replace(plan, worth=worth, keep=keep, most_relationship=ceiling))


def changes(before: Verdicts, after: Verdicts, of: Call = str) -> tuple[str, ...]:
    """What is otherwise after than before, group by group, in words; each bird as `of` calls it."""
    said = [line for name in after.groups for line in _changes(name, before, after, of)]
    return tuple(said) or ("No verdict changes.",)


def _changes(name: str, before: Verdicts, after: Verdicts, of: Call) -> list[str]:
    old, new = (_stands(v, name) for v in (before, after))
    come, gone = _moved(old, new, "keep", of)
    said = []
    if come and gone:
        said.append(f"{listed(come)} kept instead of {listed(gone)}")
    elif come or gone:
        said.append(f"{listed(come)} kept as well" if come else f"{listed(gone)} no longer kept")
    come, gone = _moved(old, new, "reserve", of)
    if come:
        said.append(f"{listed(come)} in reserve" + (f" instead of {listed(gone)}" if gone else ""))
    first, last = (v.groups[name].again if name in v.groups else None for v in (before, after))
    if last is not None and (first is None or set(first.birds) != set(last.birds)):
        said.append(
            f"another look is proposed at {listed(map(of, last.birds))}, worth {last.value:.1f} points of merit"
        )
    elif first is not None and last is None:
        said.append("no further look is worth it")
    return [f"{name.capitalize()}: {'; '.join(said)}."] if said else []


def _stands(verdicts: Verdicts, name: str) -> pd.Series:
    """keep, reserve or sell by bird, of one group."""
    group = verdicts.groups.get(name)
    if group is None or group.table.empty:
        return pd.Series(dtype="str")
    return group.table.set_index("bird")["stands"]


def _moved(old: pd.Series, new: pd.Series, stands: str, of: Call) -> tuple[list[str], list[str]]:
    """Birds that stand so now and did not before, and the other way round."""
    was, now = set(old.index[old == stands]), set(new.index[new == stands])
    come, gone = ([b for b in new.index if b in now - was], [b for b in old.index if b in was - now])
    return [str(of(b)) for b in come], [str(of(b)) for b in gone]
