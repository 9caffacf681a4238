"""The candidates of one group in one picture, how firm their order is, and what to know of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from selection.answer import REACH, Kind, Note
from selection.decide.meeting import Meeting
from selection.decide.verdicts.verdicts import Group
from selection.decide.wording import accuracy, counted, each
from selection.merit.candidates import called
from selection.records.after_meeting import season_decisions
from selection.records.flock import Flock
from selection.show.page.figures import (
    halves,
    hundredths,
    measured_told,
    missing,
    never_measured,
    off_band,
    signed,
    spread,
)
from selection.show.page.fragments import SHORT, Fragment, bullets, fold
from selection.show.page.small_plots import MARKS, Panel, reach, ticks
from selection.show.page.style import BAND, BARRED, PAPER, QUIET, RULE, VERDICT_MARKERS, VERDICTS, ring_mark

TRACK = 260
"""Width of a row's picture of merit, in its own units."""
ROW = 20
"""Height of it."""


def merit_frame(meeting: Meeting, group: str) -> pd.DataFrame:
    """What the picture of a group draws, one row an unbarred bird from best to last.

    bird, merit, low, high (points, 90 %), p_kept (of a place left; missing for a decided bird), stands,
    proposed, gap (points to the next, missing for the last) and ahead (chance that it truly stands above the next).
    """
    rows = meeting.merit.ranking
    rows = rows[(rows["group"] == group) & rows["bar"].isna()].sort_values("rank").reset_index(drop=True)
    verdicts = meeting.verdicts.table.set_index("bird")
    draws = meeting.merit.draws.get(group, pd.DataFrame())
    reach = REACH * rows["merit_se"].fillna(0)
    ahead = [_ahead(draws, a, b) for a, b in zip(rows["bird"], rows["bird"].iloc[1:], strict=False)]
    return pd.DataFrame(
        {
            "bird": rows["bird"],
            "merit": rows["merit"],
            "low": rows["merit"] - reach,
            "high": rows["merit"] + reach,
            "p_kept": rows["bird"].map(meeting.verdicts.groups[group].chances),
            "stands": rows["bird"].map(verdicts["stands"]),
            "proposed": rows["bird"].map(verdicts["proposed"]),
            "gap": rows["merit"] - rows["merit"].shift(-1),
            "ahead": pd.Series([*ahead, np.nan][: len(rows)], dtype=float),
        }
    )


def _ahead(draws: pd.DataFrame, first: str, second: str) -> float:
    """Share of draws in which `first` is above `second`; missing where there are none to speak of."""
    if first not in draws or second not in draws or len(draws) < 2:
        return np.nan
    return float((draws[first] > draws[second]).mean())


def standings_table(meeting: Meeting, group: str) -> Fragment:
    """A group in one picture, a row a bird in the order of merit: rings, verdict, merit with its interval, chance.

    The barred stand last, without interval or chance. A line is drawn under the birds that have a place.
    """
    frame = merit_frame(meeting, group).set_index("bird")
    listed = meeting.verdicts.table[meeting.verdicts.table["group"] == group]
    if listed.empty:
        return Fragment("")
    scale = Panel(x=reach(frame["low"], frame["high"], zero=True), y=(0, 1), wide=TRACK, left=4, right=4)
    told = _Told(
        merit=meeting.merit.ranking.set_index("bird"),
        measured=measured_told(meeting, listed["bird"]),
        names=dict(zip(meeting.flock.birds["bird"], meeting.flock.birds["name"], strict=True)),
    )
    rows = [_standing(row, told, frame, scale) for row in each(listed)]
    places = meeting.verdicts.groups[group].places
    best = "the best" if places == 1 else f"among the best {places}"
    chance = f"Chance of being {best}, in 100" if places else "Every place is decided"
    heads = ["Rings", "Bird", _merit_head(scale), chance, "Points seen"]
    return Fragment(
        '<table class="standings"><caption>{}</caption><thead><tr>{}</tr></thead><tbody>{}</tbody></table>'
    ).format(
        f"The {group} in the order of merit: the mark is the estimate, the bar its 90 % interval",
        Markup("").join(Markup('<th scope="col">{}</th>').format(head) for head in heads),
        Markup("").join(rows),
    )


@dataclass(frozen=True)
class _Told:
    """What a row of the standings looks up by bird: the ranking, what was measured in words, names."""

    merit: pd.DataFrame
    measured: dict[str, str]
    names: dict[str, object]


def _standing(row: Any, told: _Told, frame: pd.DataFrame, scale: Panel) -> Markup:
    """One bird's row; `data-place` says whether it has a place, so that the style draws the line under the last."""
    bird, merit = row.bird, told.merit.loc[row.bird]
    drawn = frame.loc[bird] if bird in frame.index and not missing(merit["merit_se"]) else None
    name = told.names.get(bird)
    colour = VERDICTS.get(str(row.proposed), BARRED)
    known = "" if missing(merit["accuracy"]) else accuracy(merit["accuracy"])
    cells = [
        ("rings", ring_mark(row.left, row.right, bird)),
        ("verdict-of", Markup("{} {}").format(verdict_of(row, merit["bar"]), _why_apart(known))),
        ("merit", _merit_cell(merit, drawn, scale, colour, VERDICT_MARKERS.get(str(row.proposed), "o"))),
        ("chance", _chance_cell(None if drawn is None else drawn["p_kept"], colour)),
        (
            "points",
            Markup("<span>{}</span> <span>{}</span>").format(points_told(merit), told.measured.get(bird, "")),
        ),
    ]
    head = Markup('<th scope="row"><b class="{}">{}</b>{}{}</th>').format(
        "short" if len(bird) <= SHORT else "",
        bird,
        "" if missing(name) or not name else Markup(" {}").format(name),
        Markup('<div class="verdict-of">{}</div>').format(cells.pop(1)[1]),
    )
    body = [Markup('<td class="{}">{}</td>').format(kind, shown) for kind, shown in cells]
    body.insert(1, head)
    return Markup('<tr class="{}">{}</tr>').format(
        "place" if row.stands == "keep" else "", Markup("").join(body)
    )


def _why_apart(known: str) -> Markup:
    return Markup('<span class="small">{}</span>').format(known)


def _merit_head(scale: Panel) -> Markup:
    """The heading of the merit column with the scale's values."""
    values = Markup("").join(
        Markup('<text x="{:.1f}" y="11" font-size="11" text-anchor="middle" fill="{}">{}</text>').format(
            scale.across(x), QUIET, signed(x, 0)
        )
        for x in ticks(*scale.x, most=6)
    )
    return Markup(
        'Merit, points about the mean<svg class="track" viewBox="0 0 {} 14" aria-hidden="true">{}</svg>'
    ).format(TRACK, values)


def _merit_cell(merit: pd.Series, drawn: pd.Series | None, scale: Panel, colour: str, mark: str) -> Markup:
    """The interval as a bar with the estimate on it, and the same in figures."""
    if drawn is None:
        alone = "nothing to compare with" if missing(merit["bar"]) else "not ranked"
        return Markup('<span class="quiet">{}</span>').format(alone)
    nought = Markup('<path d="M{0:.1f} 0V{1}" stroke="{2}"/>').format(scale.across(0), ROW, RULE)
    bar = Markup('<path d="M{:.1f} {mid}H{:.1f}" stroke="{}" stroke-width="5" stroke-opacity=".38"/>').format(
        scale.across(drawn["low"]), scale.across(drawn["high"]), colour, mid=ROW / 2
    )
    at = MARKS[mark](scale.across(drawn["merit"]), ROW / 2)
    dot = Markup('<path d="{}" fill="{}" stroke="{}"/>').format(at, colour, PAPER)
    said = spread(merit["merit"], merit["merit_se"])
    return Markup(
        '<svg class="track" viewBox="0 0 {} {}" role="img" aria-label="merit {}">{}{}{}</svg><span>{}</span>'
    ).format(TRACK, ROW, said, nought, bar, dot, said)


def _chance_cell(chance: float | None, colour: str) -> Markup:
    """The chance as a bar and in words; of a bird that is barred or decided there is none."""
    if chance is None or missing(chance):
        return Markup("")
    bar = Markup('<rect width="{:.1f}" height="10" rx="2" fill="{}"/>').format(60 * chance, colour)
    return Markup(
        '<svg class="share" viewBox="0 0 60 10" aria-hidden="true"><rect width="60" height="10" rx="2" fill="{}"/>'
        "{}</svg><span>{}</span>"
    ).format(BAND, bar, hundredths(chance))


def verdict_of(row: Any, bar: object) -> Markup:
    """What is proposed for a bird, or decided; that it is barred is said whatever was decided."""
    barred = isinstance(bar, str)
    if missing(row.decided):
        return verdict_word("barred" if barred else row.proposed)
    return verdict_word(row.decided, "decided: ") + (Markup(" ") + verdict_word("barred") if barred else "")


def verdict_word(verdict: str, before: str = "") -> Markup:
    """A verdict in its colour; the word itself says it."""
    return Markup('<b class="verdict" style="color:{}">{}{}</b>').format(
        VERDICTS.get(verdict, BARRED), before, verdict
    )


def points_told(merit: Any) -> str:
    """Points of a row of the ranking with what they rest on: 61½ of 80 seen, about 76 of 100."""
    seen = merit.points_seen
    if not seen > 0:
        return "not scored"
    told = f"{halves(merit.points)} of {seen:g}"
    return told if seen >= 100 else f"{told} seen, about {merit.points_of_100:.0f} of 100"


def neighbours(meeting: Meeting, group: str) -> Fragment:
    """The gap between neighbours in words: where the order is firm and where it is not."""
    frame, of = merit_frame(meeting, group), called(meeting.flock)
    lines = [
        f"{of(a.bird)} above {of(b.bird)} by {a.gap:.1f} points: right in {hundredths(a.ahead)}"
        for a, b in zip(each(frame), each(frame.iloc[1:]), strict=False)
        if not missing(a.ahead)
    ]
    if not lines:
        return Fragment("")
    return fold(
        "How firm the order is, neighbour by neighbour", bullets(lines, "small columns"), on_paper=False
    )


_ROWS = {
    "clutches": "clutch", "rings": "ring", "pens": "stay in a pen", "scores": "look", "weights": "weighing",
    "measures": "measurement", "eggs": "egg count", "sales": "sale", "costs": "bill", "income": "income",
    "decisions": "decision",
}  # fmt: skip
"""What one row of a form is called."""
PLURALS = {"clutch": "clutches", "income": "incomes", "stay in a pen": "stays in a pen"}


def bird_notes(meeting: Meeting, group: Group) -> dict[str, list[Note]]:
    """By bird of the group: decided and why, or settled; barred and why; never scored or measured; off a band."""
    bars = meeting.merit.ranking.set_index("bird")["bar"]
    scored = set(meeting.merit.points.looks["bird"].dropna())
    unmeasured, off = never_measured(meeting), off_band(meeting)
    made = season_decisions(meeting.flock)
    settled = set(made.loc[made["settled"] == "yes", "bird"])
    told = {}
    for row in each(group.table):
        bar = bars[row.bird]
        said = [(Kind.BARRED, f"barred: {bar}")] if isinstance(bar, str) else []
        if not missing(row.decided):
            why = "" if missing(row.decided_why) else f": {row.decided_why}"
            said.append((Kind.DECIDED, "settled as proposed" if row.bird in settled else f"decided{why}"))
        unseen = [] if row.bird in scored else ["scored"]
        unseen += unmeasured.get(row.bird, [])
        kind = Kind.UNWEIGHED if row.bird in scored else Kind.UNSCORED
        said += [(kind, f"never {' or '.join(unseen)}")] if unseen else []
        said += [(Kind.BAND, place) for place in off.get(row.bird, [])]
        told[row.bird] = [Note(kind, row.bird, text) for kind, text in said]
    return told


def nothing_seen(meeting: Meeting, group: Group) -> bool:
    """Whether no bird of the group has ever been scored, weighed or measured."""
    flock = meeting.flock
    seen = pd.concat([flock.scores["bird"], flock.weights["bird"], flock.measures["bird"]])
    return not group.table["bird"].isin(seen).any()


def left_out_lines(meeting: Meeting) -> list[str]:
    """What the meeting does not count: impossible weights, and rows dated after its day."""
    odd = meeting.merit.growth.texts(Kind.LEFT_OUT)
    later = rows_after(meeting.flock)
    return [*odd, *([later] if later else [])]


def rows_after(flock: Flock) -> str | None:
    """Rows on record dated after the plan's day, in one sentence; None where there are none."""
    if not flock.later:
        return None
    counts = [_counted(number, _ROWS.get(form, "row")) for form, number in flock.later.items()]
    day = f"{flock.plan.on.day} {flock.plan.on:%B} {flock.plan.on.year}"
    told = f"dated after the meeting's day, {day}: {', '.join(counts)}"
    return f"{told}; to count them, set “on” in plan.toml to a later day"


def _counted(number: int, thing: str) -> str:
    return f"{number} {PLURALS[thing]}" if number > 1 and thing in PLURALS else counted(number, thing)
