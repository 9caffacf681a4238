"""How the hatch years lay: this season's rates, the season's curve, and who is due to go."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import pandas as pd
from markupsafe import Markup

from selection.compare.laying.laying import Laying
from selection.compare.laying.rows import joint
from selection.decide.meeting import Meeting
from selection.decide.wording import each, listed
from selection.merit.candidates import Call, called
from selection.merit.observations import LAYING
from selection.show.page.figures import missing
from selection.show.page.fragments import (
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
from selection.show.page.style import MARKERS, SERIES, WIDTH, drawing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

RATES = {
    "season": "Year",
    "hatch_year": "Hatch year",
    "hens": "Hens",
    "hen_days": "Hen-days",
    "eggs": "Eggs",
    "rate": "Eggs a hen-day (90 %)",
    "separable": "Told apart by the counts",
    "rests_on": "Rests on",
}
EGGS_LEFT_OUT = (
    "This list is by eggs alone. Merit does not count them here, for the plan gives laying no worth: a hen that stays "
    "on merit may stand first on it."
)


def laying_page(meeting: Meeting) -> Fragment:
    """The season's rates by hatch year with a picture, who is due to go, and what cannot be said."""
    lay = meeting.laying
    stands = meeting.verdicts.table.set_index("bird")["stands"].to_dict()
    going = due(lay, stands, called(meeting.flock))
    if len(lay.due) and not meeting.flock.plan.worth.get(LAYING.name):
        going = join([going, paragraph(EGGS_LEFT_OUT, "small")])
    pieces: list[Markup] = [
        beside(curve_picture(lay), foremost_first(lay.sentences, "More on laying")),
        fold("Rates by hatch year", rates_table(lay), on_paper=False),
        fold("Who is due to go by eggs alone", going, on_paper=False),
    ]
    if lay.warnings:
        pieces += [heading("Counts that do not add up"), bullets(list(lay.warnings), "small")]
    if lay.cannot:
        pieces.append(fold("What the egg basket cannot tell", bullets(list(lay.cannot), "small"), False))
    return join(pieces)


def rates_table(lay: Laying, season: int | None = None) -> Fragment:
    """Eggs a hen-day by year and hatch year, the latest year first; earlier years folded away on a screen."""
    if lay.table.empty:
        return Fragment("")
    last = int(lay.table["season"].max()) if season is None else season
    now, before = lay.table[lay.table["season"] == last], lay.table[lay.table["season"] < last]
    pieces: list[Markup] = [_rates(now, f"Laying in {last} by hatch year")]
    if len(before):
        latest_first = before.sort_values("season", ascending=False, kind="stable")
        pieces.append(
            fold("Earlier years", _rates(latest_first, "Laying in earlier years by hatch year"), False)
        )
    return join(pieces)


def _rates(told: pd.DataFrame, caption: str) -> Fragment:
    rows = [
        {
            "season": f"{r.season:.0f}",
            "hatch_year": f"{_years(r.hatch_year)}{', together' if together else ''}",
            "hens": f"{r.hens:.0f}",
            "hen_days": f"{r.hen_days:,.0f}",
            "eggs": f"{r.eggs:,.0f}",
            "rate": "" if missing(r.rate) else f"{r.rate:.2f} ({r.low:.2f} to {r.high:.2f})",
            "separable": "" if together else r.separable,
            "rests_on": r.rests_on,
        }
        for r, together in zip(each(told), joint(told), strict=True)
    ]
    return table(rows, RATES, caption, ["hens", "hen_days", "eggs"], kind="stack")


def _years(label: object) -> str:
    """Hatch years of one row in words: 2023, 2024 and 2025."""
    return listed(str(label).split("+"))


def curve_frame(lay: Laying) -> pd.DataFrame:
    """The last season's curve by fortnight: hatch_year, from, counted, rate, low, high."""
    if lay.curve.empty:
        return lay.curve
    return lay.curve[lay.curve["season"] == lay.curve["season"].max()].reset_index(drop=True)


def curve_picture(lay: Laying) -> Fragment:
    """The last season's laying by fortnight with its 90 % interval, and what was counted."""
    frame = curve_frame(lay)
    if frame.empty:
        return paragraph("No eggs were counted: no picture of the season's laying.", "quiet")
    season = int(frame["season"].iloc[0])
    says = "; ".join(
        f"hens of {_years(year)}: {rows['rate'].iloc[0]:.2f} eggs a hen-day at first, "
        f"{rows['rate'].iloc[-1]:.2f} at the end"
        for year, rows in frame.groupby("hatch_year", sort=False)
    )
    title = (
        f"Eggs a hen-day in {season} by fortnight: line and band, curve and 90 % interval; marks, the counts"
    )
    with drawing():
        return picture(_draw(frame), title, says)


def _draw(frame: pd.DataFrame) -> Figure:
    from matplotlib import dates, pyplot as plt

    figure, axes = plt.subplots(figsize=(WIDTH, 2.9))
    for i, (year, rows) in enumerate(frame.groupby("hatch_year", sort=False)):
        colour, mark = SERIES[i % len(SERIES)], MARKERS[i % len(MARKERS)]
        middle = rows["from"] + pd.Timedelta(days=7)
        axes.fill_between(middle, rows["low"], rows["high"], color=colour, alpha=0.15, lw=0)
        axes.plot(middle, rows["rate"], color=colour, lw=2, label=f"hatched {_years(year)}")
        axes.scatter(middle, rows["counted"], color=colour, marker=mark, s=26)
    axes.set_ylim(0, None)
    axes.set_ylabel("eggs a hen-day")
    axes.xaxis.set_major_formatter(dates.DateFormatter("%-d %b"))
    axes.grid(axis="y")
    axes.legend(frameon=False, loc="best")
    return figure


def due(lay: Laying, stands: Mapping[str, str] | None = None, of: Call = str) -> Fragment:
    """The living hens by the rate expected of them next year, lowest first; with what stands on merit, by bird.

    `of` tells how a hen is called.
    """
    rows = [
        {
            "bird": f"{of(r.bird)}",
            "hatch_year": "not known" if missing(r.hatch_year) else f"{r.hatch_year:.0f}",
            "laying_season": "" if missing(r.laying_season) else f"{r.laying_season:.0f}",
            "rate": f"{r.rate:.2f} ({r.low:.2f} to {r.high:.2f})",
            "stands": (stands or {}).get(r.bird, ""),
        }
        for r in each(lay.due)
    ]
    columns = {
        "bird": "Hen",
        "hatch_year": "Hatched",
        "laying_season": "Laying season next year",
        "rate": "Eggs a hen-day expected next year (90 %)",
    }
    if stands and any(row["stands"] for row in rows):
        columns["stands"] = "On merit"
    return table(
        rows, columns, "Who is due to go, by laying alone", empty="No living hen was counted.", kind="stack"
    )


def ages_table(lay: Laying) -> Fragment:
    """Every hatch year at every age: the rate of that hatch year, and of the very hens that stood there."""
    rows = [
        {
            "hatch_year": str(r.hatch_year),
            "season": f"{r.season:.0f}",
            "laying_season": "" if missing(r.laying_season) else f"{r.laying_season:.0f}",
            "hens": f"{r.hens:.0f}",
            "rate": "" if missing(r.rate) else f"{r.rate:.2f} ({r.low:.2f} to {r.high:.2f})",
            "these": "" if missing(r.these_low) else f"{r.these_low:.2f} to {r.these_high:.2f}",
            "separable": r.separable,
        }
        for r in each(lay.by_age)
    ]
    columns = {
        "hatch_year": "Hatched",
        "season": "Year",
        "laying_season": "Laying season",
        "hens": "Hens",
        "rate": "Eggs a hen-day of the hatch year (90 %)",
        "these": "of these very hens (90 %)",
        "separable": "Told apart by the counts",
    }
    return table(rows, columns, "Hatch years by age", ["hens"], empty="No eggs were counted.", kind="stack")


def decline(lay: Laying) -> Fragment:
    """How much less a hen lays from one laying season to the next, beside the published decline."""
    rows = [
        {
            "step": f"laying season {r.step.replace(' after ', ' of season ')}",
            "published": f"{r.published:.2f} ± {r.published_sd:.2f}",
            "decline": f"{r.decline:.2f} ({r.low:.2f} to {r.high:.2f})",
        }
        for r in each(lay.decline)
    ]
    columns = {"step": "Rate of", "published": "Published (one standard deviation)", "decline": "Here (90 %)"}
    return table(
        rows,
        columns,
        "Laying from one season to the next, as a share",
        empty="Too few seasons.",
        kind="stack",
    )


def pens(lay: Laying) -> Fragment:
    """Each pen's season as counted: plain sums, without any model."""
    rows = [
        {
            "season": f"{r.season:.0f}",
            "pen": r.pen,
            "counted": f"{r.counted:.0f} of {r.of:.0f}",
            "hen_days": f"{r.hen_days:,.0f}",
            "eggs": f"{r.eggs:,.0f}",
            "rate": "" if missing(r.hen_day) else f"{r.hen_day:.2f}",
        }
        for r in each(lay.pens)
    ]
    columns = {
        "season": "Year",
        "pen": "Pen",
        "counted": "Days counted",
        "hen_days": "Hen-days",
        "eggs": "Eggs",
        "rate": "Eggs a hen-day, as counted",
    }
    return table(
        rows,
        columns,
        "Pens as counted",
        ["hen_days", "eggs", "rate"],
        empty="No pen was counted.",
        kind="stack",
    )


def own(lay: Laying, of: Call = str) -> Fragment:
    """Hens whose eggs were told from the others', beside what their hatch year laid; `of` tells how each is called."""
    rows = [
        {
            "bird": f"{of(r.bird)}",
            "season": f"{r.season:.0f}",
            "days": f"{r.days:.0f}",
            "broody": f"{r.broody:.0f}",
            "rate": f"{r.rate:.2f}",
            "expected": f"{r.expected:.2f}",
        }
        for r in each(lay.own)
    ]
    columns = {
        "bird": "Hen",
        "season": "Year",
        "days": "Days",
        "broody": "of them broody",
        "rate": "Eggs a day, as counted",
        "expected": "Expected of her hatch year",
    }
    numbers = ["days", "broody", "rate", "expected"]
    return table(
        rows,
        columns,
        "Hens with records of their own",
        numbers,
        empty="No hen's eggs were told apart.",
        kind="stack",
    )


def egg_weights_table(lay: Laying) -> Fragment:
    """Mean egg weight and size grades by year and pen, where eggs were weighed."""
    grades = [g for g in ("S", "M", "L", "XL") if g in lay.weights]
    rows = [
        {
            "season": f"{r.season:.0f}",
            "pen": r.pen,
            "eggs": f"{r.eggs:.0f}",
            "grams": f"{r.grams:.0f} g",
            **{grade: f"{100 * getattr(r, grade):.0f} %" for grade in grades},
        }
        for r in each(lay.weights)
    ]
    columns = {"season": "Year", "pen": "Pen", "eggs": "Eggs weighed", "grams": "Mean weight"}
    columns |= dict(zip(grades, grades, strict=True))
    return table(
        rows,
        columns,
        "Egg weights",
        ["eggs", "grams", *grades],
        empty="No eggs were weighed.",
        kind="stack",
    )
