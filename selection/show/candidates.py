"""The candidates of one group: their table with ring marks, and merit with its interval as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from markupsafe import Markup

from selection.decide.meeting import Meeting
from selection.decide.wording import accuracy
from selection.show.fragments import Fragment, join, paragraph, picture, table
from selection.show.ring_marks import ring_mark
from selection.show.style import BARRED, QUIET, REACH, RULE, VERDICTS, drawing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ONE = {"cockerels": "cockerel", "pullets": "pullet", "hens": "hen", "cocks": "cock"}


def merit_frame(meeting: Meeting, group: str) -> pd.DataFrame:
    """What the picture of a group draws, one row an unbarred bird from best to last.

    bird, merit, low, high (points, 90 %), p_kept, stands, proposed, gap (points to the next, missing for the
    last) and ahead (chance that it truly stands above the next).
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
            "p_kept": rows["p_kept"],
            "stands": rows["bird"].map(verdicts["stands"]),
            "proposed": rows["bird"].map(verdicts["proposed"]),
            "gap": rows["merit"] - rows["merit"].shift(-1),
            "ahead": pd.Series([*ahead, np.nan][: len(rows)], dtype=float),
        }
    )


def _ahead(draws: pd.DataFrame, first: str, second: str) -> float:
    if first not in draws or second not in draws:
        return np.nan
    return float((draws[first] > draws[second]).mean())


def merit_picture(meeting: Meeting, group: str) -> Fragment:
    """Merit of a group with its 90 % interval, best at the top, and each bird's chance of being kept on merit."""
    frame = merit_frame(meeting, group)
    if len(frame) < 2:
        return paragraph("One bird alone: there is nothing to compare it with.", "quiet")
    number = meeting.flock.plan.keep[group].number
    best = frame.iloc[0]
    says = (
        f"{best['bird']} leads with {best['merit']:+.1f} points, 90 % interval {best['low']:+.1f} to "
        f"{best['high']:+.1f}; the interval of the last, {frame.iloc[-1]['bird']}, runs from "
        f"{frame.iloc[-1]['low']:+.1f} to {frame.iloc[-1]['high']:+.1f}"
    )
    with drawing():
        return picture(_draw(frame, number), f"Merit of the {group}, points about their mean, with 90 % intervals", says)


def _draw(frame: pd.DataFrame, number: int) -> Figure:
    from matplotlib import pyplot as plt

    height = 0.9 + 0.34 * len(frame)
    figure, (left, right) = plt.subplots(
        1, 2, figsize=(7.4, height), sharey=True, gridspec_kw={"width_ratios": [3.2, 1], "wspace": 0.06}
    )
    at = np.arange(len(frame))[::-1]
    colours = [VERDICTS[v] for v in frame["proposed"]]
    left.axvline(0, color=RULE, lw=1)
    left.hlines(at, frame["low"], frame["high"], color=colours, lw=3.2, alpha=0.45)
    left.scatter(frame["merit"], at, color=colours, s=42, zorder=3)
    left.set_yticks(at, [f"{b}  {p}" for b, p in zip(frame["bird"], frame["proposed"], strict=True)])
    left.set_xlabel("merit, points (its chicks take half)")
    right.barh(at, 100 * frame["p_kept"], color=colours, height=0.62)
    for y, p in zip(at, frame["p_kept"], strict=True):
        right.text(min(100 * p + 3, 104), y, f"{100 * p:.0f}", va="center", fontsize=9)
    right.set_xlim(0, 118)
    right.set_xticks([0, 50, 100])
    right.set_xlabel("chance in 100 of being\n" + ("the best" if number == 1 else f"among the best {number}"))
    for axes in (left, right):
        axes.tick_params(length=0)
        axes.spines["left"].set_visible(False)
    return figure


def candidates_table(meeting: Meeting, group: str) -> Fragment:
    """Every candidate of a group: ring mark, points and what they rest on, weight, merit, chance, verdict."""
    rows = meeting.verdicts.table[meeting.verdicts.table["group"] == group]
    merit = meeting.merit.ranking.set_index("bird")
    weights = _weights(meeting, rows["bird"])
    frame = pd.DataFrame(
        [_row(row, merit.loc[row.bird], weights.get(row.bird, "not weighed")) for row in rows.itertuples()]
    )
    columns = {
        "mark": "Rings",
        "bird": ONE[group].capitalize(),
        "points": "Points seen",
        "weight": "Weight against the standard",
        "merit": "Merit, points (90 %)",
        "chance": "Chance",
        "known": "How well known",
        "verdict": "Verdict",
    }
    return table(frame, columns, f"The {group}, in the order of merit", ["points", "chance"])


def _row(row: object, merit: pd.Series, weight: str) -> dict[str, object]:
    seen = merit["points_seen"]
    points = f"{merit['points']:.1f} of {seen:.0f}" if seen > 0 else "not scored"
    if 0 < seen < 100:
        points += f" (about {merit['points_of_100']:.0f} of 100)"
    reach = REACH * merit["merit_se"]
    interval = f"{merit['merit']:+.1f} ({merit['merit'] - reach:+.1f} to {merit['merit'] + reach:+.1f})"
    if pd.isna(merit["merit_se"]):
        interval = "nothing to compare with"
    chance = "barred" if isinstance(merit["bar"], str) else f"{100 * merit['p_kept']:.0f} in 100"
    verdict = row.proposed
    return {
        "mark": ring_mark(row.left, row.right, row.bird),
        "bird": row.bird,
        "points": points,
        "weight": weight,
        "merit": interval.replace("-", "−"),
        "chance": chance,
        "known": accuracy(merit["accuracy"]) if pd.notna(merit["accuracy"]) else "",
        "verdict": Markup('<b style="color:{}">{}</b>').format(
            BARRED if isinstance(merit["bar"], str) else VERDICTS[verdict], verdict
        ),
    }


def _weights(meeting: Meeting, birds: pd.Series) -> dict[str, str]:
    """Each bird's weight at the standard's age with its 90 % interval, and where it stands to the band."""
    from selection.standard.sections import weighed_section

    section = weighed_section(meeting.flock.standard)
    if section is None or section.at_weeks is None:
        return {}
    found = meeting.merit.growth.at_age(birds, section.at_weeks)
    sexes = meeting.flock.birds.set_index("bird")["sex"]
    told = {}
    for row in found.itertuples():
        low, high = section.band.get(sexes.get(row.bird, ""), (np.nan, np.nan))
        where = "under" if row.grams < low else "over" if row.grams > high else "within"
        told[row.bird] = (
            f"{row.grams / 1000:.2f} ± {REACH * row.se / 1000:.2f} kg at {section.at_weeks:.0f} weeks, {where} "
            f"{low / 1000:.1f}–{high / 1000:.1f}"
        )
        if "never" in str(row.why):
            told[row.bird] = "not weighed"
    return told


def neighbours(meeting: Meeting, group: str) -> Fragment:
    """The gap between neighbours in words: where the order is firm and where it is not."""
    frame = merit_frame(meeting, group)
    if len(frame) < 2:
        return Fragment("")
    lines = [
        f"{a.bird} above {b.bird} by {a.merit - b.merit:.1f} points: right in {100 * a.ahead:.0f} of 100"
        for a, b in zip(frame.itertuples(), frame.iloc[1:].itertuples(), strict=False)
        if a.ahead == a.ahead
    ]
    from selection.show.fragments import bullets

    return join([paragraph("How firm the order is, neighbour by neighbour:", "lead"), bullets(lines, "small")])


__all__ = ["QUIET", "candidates_table", "merit_frame", "merit_picture", "neighbours"]
