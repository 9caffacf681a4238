"""Recording what is decided on birds: by people, one by one, and by settling what stands at the last meeting."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from selection.decide.fates import pens_now
from selection.decide.wording import counted
from selection.errors import SettingsError
from selection.merit.candidates import Call, called, candidates
from selection.records.after_meeting import of_season, season_decisions, to_go
from selection.records.flock import Flock, flock_on, read_flock
from selection.records.forms.columns import DECISIONS, FORMS
from selection.records.forms.reading import CLEAR
from selection.records.forms.schema import folded
from selection.records.forms.season_workbook import birds_by_rings
from selection.records.intake.recording import Recorded, record_rows
from selection.records.ledger.appending import ConflictError, append, must_be_there, records_of
from selection.records.ledger.batches import read_state
from selection.records.ledger.kept import last_meeting, read_settings
from selection.records.ledger.lookup import read_versions
from selection.records.rings import find_bird
from selection.records.settings.plan import InForce, Plan, parse_plan, plan_of, standards_of
from selection.records.settings.reading import parse_standard

UNDO = "decide --undo"
"""What the ledger notes as the source of a decision taken back: a later undo tells it from a decision by this."""
SETTLED_AROUND = (
    "the other birds stay as they were settled around it: to have them worked out anew, selection settle FLOCK --undo, "
    "and hold the meeting again"
)
SETTLED_ALREADY = "every bird that stands at the last meeting is decided already: nothing is left to settle"
_ASKED = ("sold_as", "price", "lot")
"""What a kept meeting tells of a bird to be sold."""
SAID = ("decided", "who", "settled", "why")
_TRIES = 20
"""Times that settling looks again where others record meanwhile."""
_MOST_NAMED = 12
"""Changed rows named where a meeting is stale; the others are counted."""


def decide(
    flock: Path, bird: str, decided: str, *, why: str = "", who: str = "", on: date | str | None = None
) -> Recorded:
    """Record `keep`, `reserve` or `sell` of one bird with its reason; a later decision of the day replaces it.

    `bird` is its number, its name, or its colours as worn that day; `on` defaults to the plan's day. Another word
    than the three is refused in the returned record; there is no sheet to mend. Raises RecordsError where `bird`
    means no bird, or several.
    """
    number, now = _meant(flock, bird, on)
    said = {"who": who.strip() or CLEAR, "settled": CLEAR, "why": why.strip() or CLEAR}
    row = {"on": now.plan.on, "bird": number, "decided": decided, **said}
    return record_rows(flock, "decisions", [row], correct=True, source="decide")


def decided_words(flock: Path, bird: str, decided: str, on: date | str | None = None) -> str:
    """What was just decided, with how the bird is called: `26-013 (black, turquoise): keep, as of 2026-10-10`."""
    number, now = _meant(flock, bird, on)
    return f"{called(now)(number)}: {decided}, as of {now.plan.on}"


def doubt(flock: Path, bird: str, decided: str, on: date | str | None = None) -> str | None:
    """What to know of a decision just recorded, in one sentence: None where nothing stands against it.

    A barred bird that stays goes on being barred; a bird in none of the plan's groups has no card.
    """
    number, now = _meant(flock, bird, on)
    field = candidates(now)
    own = field[field["bird"] == number]
    who = called(now)(number)
    if own.empty:
        return (
            f"{who} stands in no group of this plan: the decision is kept, and the meeting has no card of it"
        )
    bar = own["bar"].iloc[0]
    if isinstance(bar, str) and decided != "sell":
        return f"{who} is barred from breeding: {bar}; the decision stands, and every page goes on saying so"
    return None


def _meant(path: Path, bird: str, on: date | str | None) -> tuple[str, Flock]:
    """The number of the bird that is meant on that day, and the flock as it stood then."""
    flock = flock_on(path, on).flock
    return find_bird(bird, flock.birds, flock.rings, flock.plan.on), flock


@dataclass(frozen=True)
class Undone:
    """What taking back a bird's last decision did.

    `bird`: how it is called; `taken_back` and `stands`: the decision that went and the one of the season that stands
    now (columns SAID and `on`; None where there is none); `recorded`: what was written (None: nothing); `settled`: how
    many other birds stay as settling recorded them.
    """

    bird: object
    taken_back: Mapping[str, Any] | None
    stands: Mapping[str, Any] | None
    recorded: Recorded | None
    settled: int = 0

    @property
    def status(self) -> int:
        """0 done, or nothing left to take back; else that of the recording."""
        return self.recorded.status if self.recorded else 0

    def words(self) -> str:
        """What was taken back, and what stands now."""
        if self.taken_back is None:
            return f"{self.bird}: no decision of the season is on record, so there is none to take back"
        if self.status:
            return self.recorded.words() if self.recorded else ""
        stands = f"; {_told(self.stands)} stands again" if self.stands else "; nothing is decided on it now"
        said = f"{self.bird}: taken back: {_told(self.taken_back)}{stands}"
        return f"{said}\n{SETTLED_AROUND}" if self.settled else said


def _told(decision: Mapping[str, Any]) -> str:
    """A decision in words: keep of 2026-10-10 (Ann: her dam laid all winter)."""
    why = f" ({decision['why']})" if isinstance(decision["why"], str) else ""
    return f"{decision['decided']} of {decision['on']:%Y-%m-%d}{why}"


def undo(path: Path, bird: str, *, on: date | str | None = None) -> Undone:
    """Take back a bird's last decision of the season; the one before it, if any, stands again.

    `bird` and `on` as in :func:`decide`. A decision that replaced another of its day gives way to that one. Raises
    RecordsError where `bird` means no bird, or several.
    """
    number, now = _meant(path, bird, on)
    last = _last(now, number)
    if last is None:
        return Undone(called(now)(number), None, None, None)
    before = _before(path, number, last["on"])
    said = {name: before.get(name) or CLEAR for name in SAID}
    row = {"on": last["on"].date(), "bird": number, **said}
    recorded = record_rows(path, "decisions", [row], correct=True, source=UNDO)
    after = _meant(path, bird, on)[1]
    settled = int((season_decisions(after)["settled"] == "yes").sum())
    return Undone(called(now)(number), last, _last(after, number), recorded, settled)


def _last(flock: Flock, bird: str) -> Mapping[str, Any] | None:
    """The last decision of the season on a bird: `on` and SAID."""
    made = season_decisions(flock)
    own = made[made["bird"] == bird]
    return None if own.empty else own.iloc[0].to_dict()


def _before(path: Path, bird: str, on: pd.Timestamp) -> Mapping[str, Any]:
    """What was decided on a bird that day before the decision that stands; blank where nothing was.

    Decisions are put on a heap as they were recorded; one taken back went from its top.
    """
    heap: list[tuple[Any, ...]] = []
    last: tuple[Any, ...] | None = None
    for batch, rows in read_versions(path, "decisions"):
        own = rows[(folded(rows["bird"]) == bird.casefold()) & (rows["on"] == on)]
        said = None if own.empty else _cells(own.iloc[-1].reindex(list(SAID)))
        if said == last:
            continue
        last = said
        if batch.source == UNDO:
            heap = heap[:-1]
        elif said is not None and said[0] is not None:
            heap.append(said)
        else:
            heap = []
    return dict(zip(SAID, heap[-2], strict=True)) if len(heap) > 1 else {}


def _cells(row: Any) -> tuple[Any, ...]:
    return tuple(None if pd.isna(cell) else cell for cell in row)


@dataclass(frozen=True)
class Settled:
    """What settling did: `rows` (on, bird, decided) were recorded, or taken back.

    `undone` says which; `stopped` says why nothing could be (else None); `of` how each bird is called.
    """

    rows: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["on", "bird", "decided"]))
    undone: bool = False
    stopped: str | None = None
    of: Call = str

    @property
    def status(self) -> int:
        """0 done, or nothing left to do; 2 nothing could be done."""
        return 2 if self.stopped else 0

    def words(self) -> str:
        """What was recorded or taken back, bird by bird."""
        if self.stopped:
            return self.stopped
        if self.rows.empty:
            return "nothing is settled, so there is nothing to take back" if self.undone else SETTLED_ALREADY
        birds = self.rows.groupby("decided")["bird"].agg(list)
        of = [
            f"  {word}: {', '.join(str(self.of(bird)) for bird in birds[word])}"
            for word in DECISIONS
            if word in birds
        ]
        day = f"{pd.Timestamp(self.rows['on'].iloc[0]):%Y-%m-%d}"
        what = "taken back" if self.undone else "settled"
        return "\n".join([f"{what}, as of {day}, {counted(len(self.rows), 'bird')}:", *of])


def settle(path: Path, *, who: str = "", on: date | str | None = None) -> Settled:
    """Record what stands at the last meeting held as decided, for every bird without a decision of the season.

    All but birds that stand open; dated that meeting's day. Nothing is recorded where no meeting was held, or where
    what it read has changed since other than by settling: rows that count up to its day, the plan, the standard. What
    others record meanwhile is looked at before anything is written. `on`: settle only a meeting of that day. Raises
    RecordsError where there is no flock.
    """
    return _alone(path, lambda number: _settled(path, who, on, number))


def _alone(path: Path, do: Callable[[int], Settled]) -> Settled:
    """Do it with the number of the last batch it rests on, anew where somebody records meanwhile."""
    must_be_there(path)
    for _ in range(_TRIES):
        try:
            return do(read_state(records_of(path)).number)
        except ConflictError:
            continue
    return Settled(stopped=f"{path}: others go on recording; try again when they have done")


def _settled(path: Path, who: str, on: date | str | None, number: int) -> Settled:
    day = flock_on(path, on).flock.plan.on
    meeting = last_meeting(path, day)
    if meeting is None or (on is not None and meeting.on != day):
        of = f" on {day}" if on is not None else ""
        return Settled(
            stopped=f"no meeting was held{of}: hold it first, selection meeting {path} --out FOLDER"
        )
    if reason := _stale(path, meeting.tables, meeting.on):
        return Settled(stopped=f"{reason}\nhold the meeting again, then settle: nothing was recorded")
    flock = read_flock(path)
    stands = meeting.tables["flock"]
    undecided = ~stands["bird"].isin(season_decisions(flock)["bird"]) & (stands["stands"] != "open")
    rows = pd.DataFrame(
        {
            "on": meeting.on,
            "bird": stands["bird"],
            "decided": stands["stands"],
            "who": who.strip() or None,
            "why": stands["bird"].map(_proposed(meeting.tables)),
        }
    )
    rows = rows[undecided].assign(settled="yes").reset_index(drop=True)
    if rows.empty:
        return Settled()
    append(path, {"decisions": rows}, source="settle", resting_on=number)
    return Settled(rows[["on", "bird", "decided"]], of=called(flock))


def _proposed(tables: Mapping[str, pd.DataFrame]) -> dict[str, str]:
    """By bird why the meeting proposed what stands; nothing of birds that were decided on by then."""
    stands, verdicts = tables["flock"], tables.get("verdicts", pd.DataFrame())
    made = verdicts.reindex(columns=["bird", "decided"]).dropna(subset="decided")["bird"]
    told = stands.reindex(columns=["bird", "why"]).dropna(subset="why")
    told = told[~told["bird"].isin(made)]
    return dict(zip(told["bird"], told["why"], strict=True))


def to_sell(path: Path, flock: Flock) -> pd.DataFrame:
    """The living birds decided to go, with what the last meeting asked for them: pen by pen, there by rings.

    `flock` is the flock at `path`. Columns bird, left, right, pen, sold_as, price (asked for the bird, a number), lot,
    lot_price (asked for the lot); missing where that meeting does not tell, or kept nothing of the kind.
    """
    rows = birds_by_rings(flock)
    rows = rows[folded(rows["bird"]).isin(to_go(flock))]
    rows = rows.assign(pen=rows["bird"].map(pens_now(flock)))
    meeting = last_meeting(path, flock.plan.on)
    told = pd.DataFrame() if meeting is None else meeting.tables.get("flock", pd.DataFrame())
    told = (
        told.reindex(columns=["bird", *_ASKED])
        .dropna(subset="bird")
        .drop_duplicates("bird")
        .set_index("bird")
    )
    rows = rows.assign(**{column: rows["bird"].map(told[column].to_dict()) for column in _ASKED})
    rows["price"] = pd.to_numeric(rows["price"])
    rows["lot_price"] = rows.groupby("lot")["price"].transform("sum", min_count=1)
    return rows.sort_values("pen", kind="stable", na_position="last").reset_index(drop=True)


def unsettle(path: Path) -> Settled:
    """Take back what settling recorded for the plan's season; no decision of a person's is touched."""
    return _alone(path, lambda number: _unsettled(path, number))


def _unsettled(path: Path, number: int) -> Settled:
    flock = read_flock(path)
    made = of_season(flock)
    rows = made.loc[made["settled"] == "yes", ["on", "bird", "decided"]].reset_index(drop=True)
    if rows.empty:
        return Settled(undone=True)
    cleared = rows.assign(decided=None, who=None, settled=None, why=None)
    append(path, {"decisions": cleared}, source=UNDO, correction=True, resting_on=number)
    return Settled(rows, True, None, called(flock))


def _stale(path: Path, tables: Mapping[str, pd.DataFrame], day: date) -> str | None:
    """Why a meeting no longer rests on what is on record, in words; None where it does."""
    if not {"flock", "read"} <= set(tables):
        return f"the meeting of {day} was held by an earlier version, which did not keep what it read"
    read = tables["read"].set_index("what")["text"].fillna("")
    now = read_settings(path)
    standards = standards_of(now)
    plan = plan_of(now, standards.latest)
    changed = [
        f"{name} has changed since the meeting of {day}"
        for name, same in (
            ("standard.toml", read["standard"] == now.standard or _standard_as(read["standard"], standards)),
            ("plan.toml", read["plan"] == now.plan or _plan_as(read["plan"], plan, standards)),
        )
        if not same
    ]
    if changed:
        return "\n".join(changed)
    then = read_flock(path, plan, as_recorded=datetime.fromisoformat(read["recorded_at"]))
    rows = changed_rows(then, read_flock(path, plan))
    if not rows:
        return None
    more = [f"and {len(rows) - _MOST_NAMED} more"] if len(rows) > _MOST_NAMED else []
    return "\n".join([f"what the meeting of {day} read has changed since:", *rows[:_MOST_NAMED], *more])


def _standard_as(text: str, now: InForce) -> bool:
    """Whether a standard's text says what is in force now."""
    try:
        return parse_standard(text) == now.latest
    except SettingsError:
        return False


def _plan_as(text: str, now: Plan, standards: InForce) -> bool:
    """Whether a plan's text says what the plan is now."""
    try:
        return parse_plan(text, standards.latest) == now
    except SettingsError:
        return False


def changed_rows(then: Flock, now: Flock) -> list[str]:
    """The rows that count on the flock's day and differ between two readings of it, in words.

    Decisions that settling recorded are left out on both sides.
    """
    said = []
    for name, form in FORMS.items():
        old, new = (_rows(getattr(flock, name), form.key) for flock in (then, now))
        keys = {row[0]: None for row in [*(new - old), *(old - new)]}
        was, is_ = ({row[0] for row in rows} for rows in (old, new))
        for key in keys:
            what = "changed" if key in was and key in is_ else "new" if key in is_ else "taken back"
            said.append(f"  {name}, {what}: {' '.join(key)}")
    return said


def _rows(frame: pd.DataFrame, key: Sequence[str]) -> Counter[tuple[tuple[str, ...], tuple[str, ...]]]:
    """The rows of a form as text, each with its key in words (days without a time, blanks left out)."""
    if "settled" in frame:
        frame = frame[frame["settled"] != "yes"]
    text = pd.DataFrame({c: _text(frame[c]) for c in frame})
    pairs = zip(_tuples(text[list(key)]), _tuples(text), strict=True)
    return Counter((tuple(cell for cell in key if cell), row) for key, row in pairs)


def _tuples(frame: pd.DataFrame) -> list[tuple[str, ...]]:
    """The rows of a frame as tuples."""
    return list(zip(*(frame[c] for c in frame), strict=True))


def _text(cells: pd.Series) -> list[str]:
    """Cells as text; blank where missing."""
    days = pd.api.types.is_datetime64_any_dtype(cells)
    return ["" if pd.isna(cell) else f"{cell:%Y-%m-%d}" if days else str(cell) for cell in cells]
