"""Pictures of whole tables, drawn with seaborn: relationship, the basket's calendar, accounts.

They belong to the notebooks alone: the pack does without them and without seaborn's second of loading.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from selection.show.page.fragments import Fragment, paragraph, picture
from selection.show.page.style import QUIET, SERIES, drawing

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from selection.compare.laying.laying import Laying
    from selection.decide.matings.matings import Matings
    from selection.decide.prices.prices import Prices

WIDTH = 7.4


def relationship_picture(of: Matings) -> Fragment:
    """Relationship between all birds that may be put together: the darker, the closer."""
    frame = of.relationship
    if len(frame) < 2:
        return paragraph("Fewer than two birds: no relationship to draw.", "quiet")
    apart = frame.where(frame.index.to_numpy()[:, None] != frame.columns.to_numpy()[None, :])
    first, second = apart.stack().idxmax()
    says = f"the closest two are {first} and {second}, relationship {frame.loc[first, second]:.2f}"
    with drawing():
        figure, axes = _axes(0.42 * len(frame) + 1.4)
        _heat(axes, apart, "Greens", "{:.2f}", 0.0, 0.5, "relationship (full sibs: 0.5)")
        return picture(figure, "Relationship of the birds that may be put together", says)


def calendar_frame(lay: Laying, season: int | None = None) -> pd.DataFrame:
    """Eggs per hen and counted day of one season (blank: the last), pens × weeks; missing where nobody counted."""
    days = lay.days
    days = days[days["season"] == (days["season"].max() if season is None else season)]
    week = days["on"].dt.isocalendar().week.rename("week")
    rows = days[days["counted"] & (days["hens"] > 0)]
    sums = rows.groupby(["pen", week])[["eggs", "hens"]].sum()
    rate = (sums["eggs"] / sums["hens"]).unstack("week")
    return rate.reindex(columns=range(int(week.min()), int(week.max()) + 1)) if len(days) else rate


def calendar_picture(lay: Laying) -> Fragment:
    """The basket's calendar: eggs for each hen-day by pen and week, weeks without a count left white."""
    frame = calendar_frame(lay)
    if frame.empty:
        return paragraph("No eggs were counted: there is no calendar to draw.", "quiet")
    gaps = int(frame.isna().sum().sum())
    says = f"{frame.shape[0]} pens over {frame.shape[1]} weeks, {gaps} of the pens' weeks without a count"
    with drawing():
        figure, axes = _axes(0.5 * len(frame) + 1.5)
        _heat(axes, frame, "YlGnBu", None, 0.0, 1.0, "eggs a hen-day")
        axes.set_xlabel("week of the year")
        return picture(figure, "Eggs for each hen and counted day, week by week; white: not counted", says)


def ages_picture(lay: Laying) -> Fragment:
    """The laying curve by age: hen-day rate of each hatch year in its first, second, third … laying season."""
    frame = lay.by_age
    if frame.empty:
        return paragraph("No eggs were counted: there is no curve by age to draw.", "quiet")
    frame = frame.assign(hatched=frame["hatch_year"].astype(str))
    says = "; ".join(
        f"{year}: {rows['rate'].iloc[0]:.2f} at first" for year, rows in frame.groupby("hatched")
    )
    with drawing():
        import seaborn as sns

        figure, axes = _axes(3.2)
        sns.lineplot(
            frame,
            x="laying_season",
            y="rate",
            hue="hatched",
            style="hatched",
            markers=True,
            dashes=False,
            ax=axes,
        )
        axes.vlines(frame["laying_season"], frame["low"], frame["high"], color=QUIET, lw=0.8, alpha=0.5)
        axes.set(xlabel="laying season of the hens' life", ylabel="eggs a hen-day", ylim=(0, 1))
        axes.set_xticks(sorted(frame["laying_season"].dropna().unique()))
        axes.legend(frameon=False, title="hatched in", loc="upper left", bbox_to_anchor=(1.0, 1.0))
        title = "Laying by age: compare hatch years at one age; lines down show 90 % intervals"
        return picture(figure, title, says)


def accounts_picture(of: Prices) -> Fragment:
    """What each season cost by item, and what its sales brought."""
    frame = of.accounts
    if frame.empty:
        return paragraph("No bill and no sale: there are no accounts to draw.", "quiet")
    money = frame.assign(amount=frame["amount"].astype(float), season=frame["season"].astype(int))
    totals = money.groupby(["season", "side"])["amount"].sum().unstack(fill_value=0.0)
    last = totals.iloc[-1]
    says = f"in {totals.index[-1]}: " + ", ".join(f"{side} {value:.0f}" for side, value in last.items())
    with drawing():
        import seaborn as sns

        figure, axes = _axes(3.2)
        long = totals.reset_index().melt("season", var_name="side", value_name="amount")
        sns.barplot(
            long, x="season", y="amount", hue="side", palette=list(SERIES[: totals.shape[1]]), ax=axes
        )
        axes.set_ylabel("in the plan's currency")
        axes.legend(frameon=False, title="", loc="upper left", bbox_to_anchor=(1.0, 1.0))
        return picture(figure, "The seasons' accounts: spent, taken, and asked for", says)


def _axes(height: float) -> tuple[Figure, Axes]:
    from matplotlib import pyplot as plt

    return plt.subplots(figsize=(WIDTH, height))


def _heat(
    axes: Axes, frame: pd.DataFrame, colours: str, cells: str | None, low: float, high: float, label: str
) -> None:
    """A heat map with its values written in, where they are asked for."""
    import seaborn as sns

    text = frame.map(lambda x: "" if x != x else cells.format(x)) if cells else None
    sns.heatmap(
        frame,
        ax=axes,
        cmap=colours,
        vmin=low,
        vmax=high,
        annot=text if cells else False,
        fmt="",
        annot_kws={"fontsize": 7},
        linewidths=0.5,
        linecolor="white",
        cbar_kws={"label": label},
    )
    axes.set(xlabel="", ylabel="")
