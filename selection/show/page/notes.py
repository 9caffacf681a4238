"""What to know of a candidate before its place is believed, in a few words; and what a meeting leaves out."""

from __future__ import annotations

import pandas as pd

from selection.decide.meeting import Meeting
from selection.decide.rows import counted, each
from selection.decide.verdicts.verdicts import Group
from selection.records.flock import Flock
from selection.show.page.figures import missing
from selection.show.sections.candidates import weights_frame

ROWS = {
    "clutches": "clutch", "rings": "ring", "pens": "stay in a pen", "scores": "look", "weights": "weighing",
    "measures": "measurement", "eggs": "egg count", "sales": "sale", "costs": "bill", "decisions": "decision",
}  # fmt: skip
"""What one row of a form is called."""
PLURALS = {"clutch": "clutches", "stay in a pen": "stays in a pen"}


def notes(meeting: Meeting, group: Group) -> dict[str, list[str]]:
    """By bird of the group: decided and why, barred and why, never scored or weighed, off the weight band."""
    bars = meeting.merit.ranking.set_index("bird")["bar"]
    scored = set(meeting.merit.points.looks["bird"].dropna())
    weights = {row.bird: row for row in each(weights_frame(meeting, group.table["bird"]))}
    told = {}
    for row in each(group.table):
        bar, weight = bars[row.bird], weights.get(row.bird)
        said = [f"barred: {bar}"] if isinstance(bar, str) else []
        if not missing(row.decided):
            said.append("decided" if missing(row.decided_why) else f"decided: {row.decided_why}")
        unseen = [] if row.bird in scored else ["scored"]
        unseen += ["weighed"] if weight is not None and missing(weight.grams) else []
        said += [f"never {' or '.join(unseen)}"] if unseen else []
        if weight is not None and weight.place in ("under", "over"):
            said.append(f"{weight.place} the weight band")
        told[row.bird] = said
    return told


def nothing_seen(meeting: Meeting, group: Group) -> bool:
    """Whether no bird of the group has ever been scored, weighed or measured."""
    flock = meeting.flock
    seen = pd.concat([flock.scores["bird"], flock.weights["bird"], flock.measures["bird"]])
    return not group.table["bird"].isin(seen).any()


def left_out(meeting: Meeting) -> list[str]:
    """What the meeting does not count: impossible weights, rows dated after its day, hens the plan says nothing of."""
    odd = [s.removeprefix("Left out: ") for s in meeting.merit.growth.sentences if s.startswith("Left out: ")]
    later = rows_after(meeting.flock)
    return [*odd, *([later] if later else []), *_not_judged(meeting)]


def rows_after(flock: Flock) -> str | None:
    """Rows on record dated after the plan's day, in one sentence; None where there are none."""
    if not flock.later:
        return None
    counts = [_counted(number, ROWS.get(form, "row")) for form, number in flock.later.items()]
    day = f"{flock.plan.on.day} {flock.plan.on:%B} {flock.plan.on.year}"
    told = f"dated after the meeting's day, {day}: {', '.join(counts)}"
    return f"{told}; to count them, set “on” in plan.toml to a later day"


def _counted(number: int, thing: str) -> str:
    return f"{number} {PLURALS[thing]}" if number > 1 and thing in PLURALS else counted(number, thing)


def _not_judged(meeting: Meeting) -> list[str]:
    """Standing hens that the plan asks nothing of."""
    flock = meeting.flock
    older = flock.birds["alive"] & (flock.birds["hatch_year"] != flock.plan.season)
    hens = int((older & (flock.birds["sex"] == "female")).sum())
    if not hens or "hens" in flock.plan.keep:
        return []
    return [f"the standing hens ({hens}) are not judged: [keep] in plan.toml has no line for hens"]
