"""What would change if points counted otherwise, more were kept, or a bird were barred: a trial of the meeting.

What the records say of the birds is not worked out again, so that an answer takes a moment; the trial and what
it is compared with are both taken at the mode of the variances.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import pandas as pd

from selection.decide.meeting import Meeting
from selection.decide.verdicts.verdicts import Verdicts, propose
from selection.decide.wording import listed
from selection.merit.ranking import rerank
from selection.records.flock import Flock


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
    return WhatIf(after, changes(before, after.verdicts))


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


def changes(before: Verdicts, after: Verdicts) -> tuple[str, ...]:
    """What is otherwise after than before, group by group, in words."""
    said = [line for name in after.groups for line in _changes(name, before, after)]
    return tuple(said) or ("No verdict changes.",)


def _changes(name: str, before: Verdicts, after: Verdicts) -> list[str]:
    old, new = (_stands(v, name) for v in (before, after))
    come, gone = _moved(old, new, "keep")
    said = []
    if come and gone:
        said.append(f"{listed(come)} kept instead of {listed(gone)}")
    elif come or gone:
        said.append(f"{listed(come)} kept as well" if come else f"{listed(gone)} no longer kept")
    come, gone = _moved(old, new, "reserve")
    if come:
        said.append(f"{listed(come)} in reserve" + (f" instead of {listed(gone)}" if gone else ""))
    first, last = (v.groups[name].again if name in v.groups else None for v in (before, after))
    if last is not None and (first is None or set(first.birds) != set(last.birds)):
        said.append(
            f"another look is proposed at {listed(last.birds)}, worth {last.value:.1f} points of merit"
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


def _moved(old: pd.Series, new: pd.Series, stands: str) -> tuple[list[str], list[str]]:
    """Birds that stand so now and did not before, and the other way round."""
    was, now = set(old.index[old == stands]), set(new.index[new == stands])
    return [b for b in new.index if b in now - was], [b for b in old.index if b in was - now]
