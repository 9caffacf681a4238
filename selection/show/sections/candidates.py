"""The candidates of one group: their table, their merit as a picture, and how firm the order is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from selection.answer import REACH
from selection.decide.meeting import Meeting
from selection.decide.verdicts.verdicts import Group
from selection.decide.wording import accuracy, counted, each
from selection.records.flock import Flock
from selection.show.page.figures import halves, in_hundred, kilograms, missing, signed, spread
from selection.show.page.fragments import SHORT, Fragment, bullets, cut, join, paragraph, picture, table
from selection.show.page.ring_marks import ring_mark
from selection.show.page.style import BARRED, RULE, VERDICT_MARKERS, VERDICTS, WIDTH, drawing
from selection.standard.bands import weighed_section

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ONE = {"cockerels": "cockerel", "pullets": "pullet", "hens": "hen", "cocks": "cock"}
COLUMNS = {
    "mark": "Rings",
    "bird": "Bird",
    "verdict": "Verdict",
    "merit": "Merit, points (90 %)",
    "chance": "Chance of a place",
    "known": "How well known",
    "points": "Points seen",
    "weight": "Weight against the standard",
}


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


def merit_picture(meeting: Meeting, group: str) -> Fragment:
    """Merit of a group with its 90 % interval, best at the top, and each bird's chance of a place."""
    frame = merit_frame(meeting, group)
    if len(frame) < 2:
        return (
            paragraph("One bird alone: there is nothing to compare it with.", "quiet")
            if len(frame)
            else Fragment("")
        )
    best, last = frame.iloc[0], frame.iloc[-1]
    says = (
        f"{best['bird']} leads with {signed(best['merit'])} points, 90 % interval {signed(best['low'])} to "
        f"{signed(best['high'])}; {last['bird']} is last with {signed(last['merit'])}, {signed(last['low'])} to "
        f"{signed(last['high'])}. The table above has every bird's figures."
    )
    title = f"Merit of the {group} in points about their mean: the mark is the estimate, the bar its 90 % interval"
    with drawing():
        return picture(_draw(frame, meeting.verdicts.groups[group].places), title, says)


def _draw(frame: pd.DataFrame, places: int) -> Figure:
    from matplotlib import pyplot as plt

    height = 0.95 + 0.29 * len(frame)
    figure, (left, right) = plt.subplots(
        1, 2, figsize=(WIDTH, height), sharey=True, gridspec_kw={"width_ratios": [2.6, 1], "wspace": 0.06}
    )
    at = np.arange(len(frame))[::-1]
    _draw_merit(left, frame, at)
    colours = [VERDICTS[v] for v in frame["proposed"]]
    right.barh(at, 100 * frame["p_kept"], color=colours, height=0.6)
    for y, p in zip(at, frame["p_kept"], strict=True):
        words = "decided" if missing(p) else in_hundred(p).removesuffix(" in 100")
        right.text(3 if missing(p) else 100 * p + 3, y, words, va="center", fontsize=9)
    right.set_xlim(0, 128)
    right.set_xticks([0, 50, 100])
    right.set_xlabel("chance in 100 of being\n" + ("the best" if places == 1 else f"among the best {places}"))
    for axes in (left, right):
        axes.tick_params(length=0)
        axes.spines["left"].set_visible(False)
    return figure


def _draw_merit(axes: Axes, frame: pd.DataFrame, at: np.ndarray) -> None:
    """Marks and bars, and a line under the birds that have a place."""
    axes.axvline(0, color=RULE, lw=1)
    for verdict, rows in frame.groupby("proposed"):
        y, colour = at[rows.index], VERDICTS[str(verdict)]
        axes.hlines(y, rows["low"], rows["high"], color=colour, lw=2.6, alpha=0.5)
        axes.scatter(rows["merit"], y, color=colour, marker=VERDICT_MARKERS[str(verdict)], s=44, zorder=3)
    kept = int((frame["stands"] == "keep").sum())
    if (frame["stands"].iloc[:kept] == "keep").all() and kept < len(frame):
        axes.axhline(len(frame) - kept - 0.5, color=RULE, lw=1, ls=(0, (4, 3)))
    axes.set_yticks(at, [f"{cut(b)}  {p}" for b, p in zip(frame["bird"], frame["proposed"], strict=True)])
    axes.set_xlabel("merit, points (its chicks take half)")


def candidates_table(meeting: Meeting, group: str, shown: Sequence[str] = tuple(COLUMNS)) -> Fragment:
    """Every candidate of a group: rings, verdict, merit, chance, points and what they rest on, weight.

    `shown` names the columns wanted, by their keys in COLUMNS.
    """
    verdicts = meeting.verdicts.table
    merit = meeting.merit.ranking.set_index("bird")
    listed = verdicts[verdicts["group"] == group]
    weights = weights_told(meeting, listed["bird"])
    chances = meeting.verdicts.groups[group].chances
    rows = [
        _row(row, merit.loc[row.bird], weights.get(row.bird, ""), in_hundred(chances.get(row.bird)))
        for row in each(listed)
    ]
    columns = {k: v for k, v in COLUMNS.items() if k in shown and (weights or k != "weight")}
    return table(rows, columns, f"The {group}, in the order of merit", ["chance"], kind="stack")


def _row(row: Any, merit: pd.Series, weight: str, chance: str) -> dict[str, object]:
    return {
        "mark": ring_mark(row.left, row.right, row.bird),
        "bird": Markup('<b class="{}">{}</b>').format("short" if len(row.bird) <= SHORT else "", row.bird),
        "points": points_told(merit),
        "weight": weight,
        "merit": "nothing to compare with"
        if missing(merit["merit_se"])
        else spread(merit["merit"], merit["merit_se"]),
        "chance": chance,
        "known": ""
        if missing(merit["accuracy"])
        else f"{accuracy(merit['accuracy'])} ({merit['accuracy']:.2f})",
        "verdict": verdict_of(row, merit["bar"]),
    }


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


def weights_told(meeting: Meeting, birds: pd.Series) -> dict[str, str]:
    """Each bird's weight at the standard's age with its 90 % interval, and where that is on the band."""
    told = {}
    for row in each(weights_frame(meeting, birds)):
        band = "" if missing(row.low) else f", {row.place} {row.low / 1000:.1f}–{row.high / 1000:.1f}"
        told[row.bird] = (
            "never weighed"
            if missing(row.grams)
            else f"{kilograms(row.grams)} ± {kilograms(REACH * row.se)} kg at {row.weeks:g} weeks{band}"
        )
    return told


def weights_frame(meeting: Meeting, birds: pd.Series) -> pd.DataFrame:
    """Weights at the standard's age: bird, weeks, grams, se (missing: never weighed), low, high (the band), place.

    `place` is under, over or within the band, `perhaps` so where the 90 % interval reaches over an edge, blank
    where there is no band. Empty where the standard weighs nothing.
    """
    section = weighed_section(meeting.flock.standard)
    columns = ["bird", "weeks", "grams", "se", "low", "high", "place"]
    if section is None or section.at_weeks is None:
        return pd.DataFrame(columns=columns)
    at = meeting.merit.growth.at_age(birds, section.at_weeks)
    sexes = meeting.flock.birds.drop_duplicates("bird").set_index("bird")["sex"].reindex(at["bird"])
    bands = [section.band.get(sex, (np.nan, np.nan)) for sex in sexes]
    never = at["why"].str.startswith("never weighed")
    at = at.assign(weeks=section.at_weeks, low=[b[0] for b in bands], high=[b[1] for b in bands])
    at[["grams", "se"]] = at[["grams", "se"]].mask(never)
    inside = np.where(at["grams"] < at["low"], "under", np.where(at["grams"] > at["high"], "over", "within"))
    low, high = (at["grams"] + side * REACH * at["se"] for side in (-1, 1))
    crosses = ((low < at["low"]) & (at["low"] < high)) | ((low < at["high"]) & (at["high"] < high))
    said = np.where(crosses, np.char.add("perhaps ", inside), inside)
    return at.assign(place=np.where(at["low"].isna() | never, "", said))[columns]


def neighbours(meeting: Meeting, group: str) -> Fragment:
    """The gap between neighbours in words: where the order is firm and where it is not."""
    frame = merit_frame(meeting, group)
    lines = [
        f"{a.bird} above {b.bird} by {a.gap:.1f} points: right in {in_hundred(a.ahead)}"
        for a, b in zip(each(frame), each(frame.iloc[1:]), strict=False)
        if not missing(a.ahead)
    ]
    if not lines:
        return Fragment("")
    return join(
        [paragraph("How firm the order is, neighbour by neighbour", "lead"), bullets(lines, "small columns")]
    )


ROWS = {
    "clutches": "clutch", "rings": "ring", "pens": "stay in a pen", "scores": "look", "weights": "weighing",
    "measures": "measurement", "eggs": "egg count", "sales": "sale", "costs": "bill", "income": "income",
    "decisions": "decision",
}  # fmt: skip
"""What one row of a form is called."""
PLURALS = {"clutch": "clutches", "income": "incomes", "stay in a pen": "stays in a pen"}


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
