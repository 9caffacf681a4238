"""Where the flock is heading under each way of choosing: ten years ahead, policies side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from selection.decide.rows import each
from selection.decide.years import Years
from selection.show.figures import missing, signed
from selection.show.fragments import Fragment, bullets, join, paragraph, picture, table
from selection.show.style import MARKERS, SERIES, WIDTH, drawing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LABELS = {"merit": "merit of the year's chicks, points", "inbreeding": "inbreeding of the chicks, F"}


def years_ahead(years: Years) -> Fragment:
    """The policies in words, drawn, and listed; then what was assumed and cannot be said."""
    if years.table.empty:
        return bullets([*years.sentences, *years.cannot])
    pieces = [years_picture(years), policies(years), bullets(list(years.sentences), "small")]
    return join([*pieces, bullets(list(years.cannot), "small")])


def policies(years: Years) -> Fragment:
    """Each policy at the end of the years: merit, inbreeding, blood of the home founders."""
    rows = [
        {
            "policy": r.policy,
            "merit": ""
            if missing(r.merit)
            else f"{signed(r.merit)} ({signed(r.merit_low)} to {signed(r.merit_high)})",
            "inbreeding": f"{r.inbreeding:.3f} ({r.inbreeding_low:.3f} to {r.inbreeding_high:.3f})",
            "blood": f"{100 * r.home_blood:.0f} %",
            "says": r.says,
        }
        for r in each(years.summary)
    ]
    columns = {
        "policy": "Policy",
        "merit": "Merit, points (90 %)",
        "inbreeding": "Inbreeding, F (90 %)",
        "blood": "Blood of the home founders",
        "says": "In words",
    }
    caption = f"At the end of the years, over {years.runs:,} runs of the flock"
    return table(rows, columns, caption, empty="No policy could be followed.", kind="stack")


def course_frame(years: Years, quantity: str) -> pd.DataFrame:
    """One quantity by policy and year: policy, year, mean, low, high."""
    return years.table[years.table["quantity"] == quantity].reset_index(drop=True)


def years_picture(years: Years) -> Fragment:
    """Merit and inbreeding of the chicks by year, one line a policy."""
    shown = [q for q in LABELS if len(course_frame(years, q))]
    if not shown:
        return paragraph("Nothing to draw: no policy could be followed.", "quiet")
    last = course_frame(years, shown[0]).groupby("policy", sort=False)["mean"].last()
    says = "; ".join(f"{policy}: {value:.2f} in the last year" for policy, value in last.items())
    with drawing():
        title = "The years ahead under each policy: means over the runs"
        return picture(_draw(years, shown), title, f"{shown[0]}: {says}")


def _draw(years: Years, shown: list[str]) -> Figure:
    from matplotlib import pyplot as plt

    figure, panels = plt.subplots(
        len(shown), 1, figsize=(WIDTH, 2.4 * len(shown) + 0.8), sharex=True, squeeze=False
    )
    for axes, quantity in zip(panels[:, 0], shown, strict=True):
        for i, (policy, rows) in enumerate(course_frame(years, quantity).groupby("policy", sort=False)):
            axes.plot(rows["year"], rows["mean"], color=SERIES[i], marker=MARKERS[i], ms=4, label=policy)
        axes.set_title(LABELS[quantity])
        axes.grid(axis="y")
    panels[-1, 0].set_xlabel("year")
    panels[-1, 0].legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.25), ncols=1)
    return figure
