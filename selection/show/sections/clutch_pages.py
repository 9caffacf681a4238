"""How this season's clutches hatched and differ, and whether the bought-in eggs were worth it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from selection.compare.clutches.comparison import ClutchComparison
from selection.compare.clutches.traits import foremost
from selection.decide.meeting import Meeting
from selection.decide.wording import each
from selection.show.page.figures import between, hundredths, missing, per_cent, signed
from selection.show.page.fragments import (
    FIRST,
    Fragment,
    beside,
    bullets,
    fold,
    foremost_first,
    heading,
    join,
    paragraph,
    picture,
    table,
)
from selection.show.page.style import MARKERS, QUIET, SERIES, WIDTH, drawing

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_YOUNG = {"male": "cockerels", "female": "pullets", "both": "both sexes"}
_TOLD = {
    "first": "First",
    "second": "Second",
    "sex": "Of",
    "trait": "In",
    "difference": "First less second (90 %)",
    "probability": "First above second",
}


def clutches(meeting: Meeting) -> Fragment:
    """What hatched, how the clutches differ where they can be compared, and what would have made the rest so."""
    pieces: list[Markup] = [heading("What hatched"), hatched(meeting)]
    first, rest = meeting.clutches.sentences[:FIRST], meeting.clutches.sentences[FIRST:]
    cannot = [*meeting.clutches.cannot, *_causes(meeting.clutches)]
    pieces += [
        heading("How the clutches differ"),
        beside(clutch_picture(meeting, "points"), bullets(list(first))),
        fold(
            "More differences, and all that can be compared",
            join([bullets(list(rest)), told_apart(meeting)]),
            False,
        ),
        fold("What cannot be compared, and what would have made it so", bullets(cannot, "small"), False),
    ]
    return join(pieces)


def hatched(meeting: Meeting) -> Fragment:
    """The season's clutches with fertility and hatch, each with its 90 % interval; losses and bills in words."""
    rows = hatch_frame(meeting)
    columns = {
        "clutch": "Clutch",
        "from": "From",
        "eggs": "Eggs set",
        "fertility": "Fertile of set",
        "hatch of fertile": "Hatched of fertile",
        "hatch of set": "Hatched of set",
    }
    shown = table(
        rows,
        columns,
        f"Clutches of {meeting.flock.plan.season}: shares with 90 % interval",
        ["eggs"],
        kind="stack",
    )
    told = foremost_first([*meeting.hatch.sentences, *meeting.hatch.cannot], "More on the hatch", "small")
    return join([told, fold("Clutch by clutch", shown, on_paper=False)])


def hatch_frame(meeting: Meeting) -> pd.DataFrame:
    """One row a clutch of the season: clutch, from, eggs, and each share in words with its interval."""
    form = meeting.flock.clutches
    form = form[form["set_on"].dt.year == meeting.flock.plan.season]
    rates = meeting.hatch.rates
    rates = rates[rates["group"] == "clutch"].set_index(["of", "measure"])
    rows = []
    for clutch in each(form):
        row = {
            "clutch": clutch.clutch,
            "from": clutch.source if isinstance(clutch.source, str) else clutch.pen,
            "eggs": "" if missing(clutch.eggs_set) else f"{clutch.eggs_set:.0f}",
        }
        for measure in ("fertility", "hatch of fertile", "hatch of set"):
            at = (clutch.clutch, measure)
            found = rates.loc[[at]].iloc[0] if at in rates.index else None
            row[measure] = (
                "not counted" if found is None else per_cent(found["rate"], found["low"], found["high"])
            )
        rows.append(row)
    return pd.DataFrame(rows)


def levels_frame(meeting: Meeting, trait: str) -> pd.DataFrame:
    """What the picture of a trait draws: clutch, sex, birds, mean, level, low, high, unit, origin."""
    rows = meeting.clutches.clutches
    own = foremost(rows) & (rows["trait"] == trait) & rows["sex"].isin(["male", "female"])
    return rows[own].reset_index(drop=True)


def clutch_picture(meeting: Meeting, trait: str) -> Fragment:
    """Level of each clutch in one trait with its 90 % interval, cockerels and pullets apart."""
    frame = levels_frame(meeting, trait)
    if frame.empty:
        return paragraph(f"No clutch of the season has anything recorded in {trait}: no picture.", "quiet")
    unit = frame["unit"].iloc[0]
    says = "; ".join(
        f"{r.clutch} {_YOUNG[r.sex]} {r.level:.1f}, {r.low:.1f} to {r.high:.1f} {unit}" for r in each(frame)
    )
    scale = "points of 100" if trait == "points" else f"{trait} in {unit}"
    title = (
        f"Clutches, {scale}: filled, the level with its 90 % interval; hollow, the plain mean of its birds"
    )
    with drawing():
        return picture(_draw(frame, unit), title, says)


def _draw(frame: pd.DataFrame, unit: str) -> Figure:
    from matplotlib import pyplot as plt

    sexes = [sex for sex in ("male", "female") if (frame["sex"] == sex).any()]
    counts = [int((frame["sex"] == sex).sum()) for sex in sexes]
    figure, axes = plt.subplots(
        len(sexes), 1, figsize=(WIDTH, 0.8 + 0.34 * sum(counts) + 0.3 * len(sexes)), sharex=True, squeeze=False,
        gridspec_kw={"height_ratios": counts},
    )  # fmt: skip
    for place, sex, panel in zip(range(len(sexes)), sexes, axes[:, 0], strict=True):
        _draw_sex(panel, frame[frame["sex"] == sex].iloc[::-1], place)
        panel.set_title(_YOUNG[sex].capitalize())
    axes[-1, 0].set_xlabel(unit)
    figure.tight_layout()
    return figure


def _draw_sex(axes: Axes, rows: pd.DataFrame, place: int) -> None:
    at = np.arange(len(rows))
    axes.hlines(at, rows["low"], rows["high"], color=SERIES[place], lw=2.6, alpha=0.5)
    axes.scatter(rows["level"], at, color=SERIES[place], marker=MARKERS[place], s=44, zorder=3)
    axes.scatter(rows["mean"], at, facecolor="none", edgecolor=QUIET, marker=MARKERS[place], s=44, zorder=2)
    axes.set_yticks(at, [f"{r.clutch}, {r.origin}, {r.birds:.0f} birds" for r in each(rows)])
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.tick_params(length=0)


def told_apart(meeting: Meeting) -> Fragment:
    """Every difference that can be compared, bought-in against home-bred first, then the surest."""
    rows = told_frame(meeting.clutches)
    empty = "No two clutches of the season can be compared in anything recorded."
    return table(rows, _TOLD, "Clutches that can be compared", ["probability"], empty=empty, kind="stack")


def told_frame(comparison: ClutchComparison) -> pd.DataFrame:
    """The separable rows in words, origins first, then by how sure their sign is."""
    rows = comparison.table[comparison.table["separable"] == "yes"]
    origins = rows["first"] == "bought-in"
    sure = (rows["probability"].astype(float) - 0.5).abs()
    rows = rows.assign(o=~origins, s=-sure).sort_values(["o", "s"], kind="stable")
    return pd.DataFrame([_told(row) for row in each(rows)], columns=list(_TOLD))


def _told(row: Any) -> dict[str, object]:
    decimals = 0 if row.unit == "g" else 1
    return {
        "first": row.first,
        "second": row.second,
        "sex": _YOUNG[row.sex],
        "trait": row.trait,
        "difference": f"{signed(row.difference, decimals)} {row.unit} ({between(row.low, row.high, decimals)})",
        "probability": hundredths(row.probability),
    }


def _causes(comparison: ClutchComparison) -> list[str]:
    """How many differences cannot be compared, and the commonest causes."""
    rows = comparison.table[comparison.table["separable"] == "no"]
    rows = rows[rows["first"] != "bought-in"]
    if rows.empty:
        return []
    common = rows.groupby("why", sort=False).size().sort_values(ascending=False, kind="stable").head(3)
    causes = "; ".join(map(str, common.index))
    return [
        f"{len(rows)} differences between two clutches cannot be compared. The commonest causes: {causes}"
    ]
