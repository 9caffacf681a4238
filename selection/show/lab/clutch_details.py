"""The clutches at leisure, for their own notebook: differences, growth, remedies, suppliers, deaths and costs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from selection.compare.clutches.comparison import ClutchComparison
from selection.compare.clutches.growth_by_clutch import GrowthByClutch
from selection.compare.hatch import REARED_WEEKS, Hatch
from selection.decide.wording import each
from selection.show.page.figures import between, hundredths, missing, per_cent, signed
from selection.show.page.fragments import Fragment, bullets, join, paragraph, picture, table
from selection.show.page.style import BAND, INK, MARKERS, QUIET, RULE, SERIES, drawing

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_CHICKS = {"male": "cockerels", "female": "pullets", "both": "both sexes"}
_MEASURES = ("fertility", "hatch of fertile", "hatch of set")
_GROUPS = ("clutch", "origin", "season")
LINE = 0.032
"""Least distance between two labels, a share of the weights' range."""


def said(compared: ClutchComparison) -> Fragment:
    """What can be said of the season's clutches, then what cannot and what would make it so."""
    return join(
        [bullets(compared.sentences), paragraph("What cannot be said", "lead"), bullets(compared.cannot)]
    )


def pairs_frame(compared: ClutchComparison, trait: str) -> pd.DataFrame:
    """What the picture of a trait draws: pair, sex, unit, difference, low, high, probability of separable rows."""
    rows = compared.table[(compared.table["trait"] == trait) & (compared.table["separable"] == "yes")]
    frame = rows.assign(pair=rows["first"] + " less " + rows["second"], sex=rows["sex"].map(_CHICKS))
    order = ["pair", "sex", "unit", "difference", "low", "high", "probability"]
    return frame.sort_values(["sex", "pair"], kind="stable")[order].reset_index(drop=True)


def pairs_picture(compared: ClutchComparison, trait: str) -> Fragment:
    """Every difference that can be compared in one trait, with its 90 % interval, nought in the middle."""
    frame = pairs_frame(compared, trait)
    if frame.empty:
        return paragraph(f"No two clutches can be compared in {trait}.", "quiet")
    surest = frame.loc[(frame["probability"] - 0.5).abs().idxmax()]
    told = f"{surest['pair']}, {surest['sex']}: {_interval(surest, 'difference')}"
    says = f"{len(frame)} differences. The surest: {told}."
    title = f"{trait.capitalize()}: differences in {surest['unit']}, with 90 % intervals"
    with drawing():
        return picture(_draw_pairs(frame), title, says)


def _draw_pairs(frame: pd.DataFrame) -> Figure:
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(figsize=(7.4, 0.9 + 0.3 * len(frame)))
    at = np.arange(len(frame))[::-1]
    axes.axvline(0, color=QUIET, lw=1)
    for i, sex in enumerate(_CHICKS.values()):
        rows = (frame["sex"] == sex).to_numpy()
        axes.hlines(at[rows], frame["low"][rows], frame["high"][rows], color=SERIES[i], lw=2.4, alpha=0.5)
        axes.scatter(frame["difference"][rows], at[rows], color=SERIES[i], marker=MARKERS[i], s=36, zorder=3)
    labels = [f"{r.pair}, {r.sex} ({hundredths(r.probability)} above)" for r in each(frame)]
    axes.set_yticks(at, labels)
    axes.set_xlabel(f"first less second, {frame['unit'].iloc[0]}")
    axes.tick_params(length=0)
    axes.spines["left"].set_visible(False)
    return figure


def levels_table(compared: ClutchComparison, trait: str) -> Fragment:
    """Each clutch in one trait: plain mean of its chicks beside the shrunken level."""
    levels = compared.clutches
    levels = levels[levels["trait"] == trait] if len(levels) else levels
    decimals = 0 if trait == "weight" else 1
    rows = [
        {
            "clutch": row.clutch,
            "origin": row.origin,
            "chicks": f"{row.birds:g} {_CHICKS[row.sex]}",
            "mean": f"{row.mean:.{decimals}f}",
            "level": f"{row.level:.{decimals}f} ({row.low:.{decimals}f} to {row.high:.{decimals}f})",
        }
        for row in each(levels)
    ]
    columns = {
        "clutch": "Clutch",
        "origin": "Origin",
        "chicks": "Chicks seen",
        "mean": "Plain mean",
        "level": "Level, drawn to the others (90 %)",
    }
    unit = f"g at {compared.weeks:g} weeks" if trait == "weight" else "points"
    return table(
        rows, columns, f"The season's clutches in {trait}, {unit}", ["mean", "level"], "No chick was seen."
    )


def growth_by_clutch_picture(grown: GrowthByClutch, sex: str) -> Fragment:
    """Every weighing of the season's cockerels or pullets, the clutches' curves, and the standard's band."""
    own = grown.weighings[grown.weighings["sex"] == sex]
    if own.empty:
        return paragraph(f"No {_CHICKS[sex]} of the season were weighed.", "quiet")
    says = " ".join(s for s in grown.sentences if f" {_CHICKS[sex]} " in s) or "No clutch has a curve."
    title = (
        f"Weight of the {_CHICKS[sex]}, grams: marks are birds, named by their right ring; lines are clutches"
    )
    with drawing():
        return picture(_draw_growth(grown, own, sex), title, says)


def _draw_growth(grown: GrowthByClutch, own: pd.DataFrame, sex: str) -> Figure:
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(figsize=(7.4, 5.2))
    for row in each(grown.band[grown.band["sex"] == sex]):
        axes.fill_between([row.at_weeks - 1, row.at_weeks + 1], row.low, row.high, color=BAND, zorder=0)
        axes.axvline(row.at_weeks, color=RULE, lw=1, zorder=0)
        says = f"full points\nat {row.at_weeks:g} weeks "
        axes.text(row.at_weeks - 1, row.high, says, va="top", ha="right", fontsize=8, color=QUIET)
    for i, label in enumerate(sorted(own["clutch"].unique())):
        colour, marker = SERIES[i % len(SERIES)], MARKERS[i % len(MARKERS)]
        birds = own[own["clutch"] == label]
        axes.scatter(
            birds["age_weeks"], birds["grams"], s=16, color=colour, marker=marker, alpha=0.6, label=label
        )
        curve = grown.curves[(grown.curves["clutch"] == label) & (grown.curves["sex"] == sex)]
        axes.plot(curve["age_weeks"], curve["grams"], color=colour, lw=1.6)
    _label_last(axes, own)
    axes.set_xlabel("age, weeks")
    axes.set_ylabel("grams")
    axes.legend(frameon=False, fontsize=9, loc="lower right")
    return figure


def _label_last(axes: Axes, own: pd.DataFrame) -> None:
    """The right ring's colour beside each bird's last weighing, one above another so that all can be read."""
    last = own[own["right"].notna()].sort_values("age_weeks").drop_duplicates("bird", keep="last")
    edge, step = own["age_weeks"].max() + 0.8, (own["grams"].max() - own["grams"].min()) * LINE
    height = -np.inf
    for row in each(last.sort_values("grams")):
        height = max(row.grams, height + step)
        line = {"arrowstyle": "-", "color": RULE, "lw": 0.5, "shrinkA": 0, "shrinkB": 2}
        place = (row.age_weeks, row.grams)
        axes.annotate(
            row.right, place, xytext=(edge, height), fontsize=7, color=INK, va="center", arrowprops=line
        )
    axes.set_xlim(0, edge + 0.18 * own["age_weeks"].max())


def remedies_table(compared: ClutchComparison) -> Fragment:
    """What would make bought-in against home-bred known, and the interval each way buys."""
    rows = [
        {
            "what": f"{row.trait} of {_CHICKS[row.sex]}",
            "when": row.when,
            "remedy": row.remedy,
            "buys": f"± {row.half_width:.{0 if row.unit == 'g' else 1}f} {row.unit}",
            "enough": row.separable,
        }
        for row in each(compared.remedies)
    ]
    columns = {
        "what": "To know",
        "when": "When",
        "remedy": "What to do",
        "buys": "90 % interval then",
        "enough": "Enough",
    }
    nothing = "Nothing is needed to tell bought-in from home-bred, or there is but one of them."
    return table(rows, columns, "Bought-in against home-bred: what would tell", ["buys"], nothing)


def suppliers_table(compared: ClutchComparison) -> Fragment:
    """Suppliers against home-bred chicks over the years, how much their chicks differ, and the blood they share."""
    blood = compared.suppliers.blood.set_index("supplier")
    rows = [
        {
            "supplier": row.supplier,
            "what": f"{row.trait} of {_CHICKS[row.sex]}",
            "seen": f"{row.birds:g}, of {row.clutches} clutches",
            "level": row.why if missing(row.level) else _interval(row, "level"),
            "spread": ""
            if missing(row.spread)
            else f"{row.spread:.{0 if row.unit == 'g' else 1}f} {row.unit}",
            "blood": f"{blood.loc[row.supplier, 'living']} birds; {blood.loc[row.supplier, 'relationship']:.2f}",
        }
        for row in each(compared.suppliers.levels)
    ]
    columns = {
        "supplier": "Supplier",
        "what": "In",
        "seen": "Chicks seen",
        "level": "Above home-bred (90 %)",
        "spread": "Spread within a clutch",
        "blood": "Its blood here; relationship of its next chicks with it",
    }
    return table(rows, columns, "Suppliers over all seasons", ["spread"], "No supplier is on record.")


def hatch_table(hatched: Hatch, season: int) -> Fragment:
    """Fertility and hatch of the season's clutches and of the season, each with its 90 % interval."""
    rates = hatched.rates[hatched.rates["season"] == season]
    rows: dict[str, dict[str, str]] = {}
    for group in _GROUPS:
        for row in each(rates[rates["group"] == group]):
            told = f"{row.hatched:.0f} of {row.eggs:.0f}: {per_cent(row.rate, row.low, row.high)}"
            rows.setdefault(row.of, {"of": row.of})[row.measure] = told
    listed = [{**dict.fromkeys(_MEASURES, "not counted"), **row} for row in rows.values()]
    columns = {"of": "Eggs of", **{m: m.capitalize() for m in _MEASURES}}
    return table(
        listed, columns, f"What hatched in {season} (90 % intervals)", _MEASURES, "No eggs were counted."
    )


def deaths_table(hatched: Hatch) -> Fragment:
    """Chicks lost by age, this season and all together."""
    rows = [
        {
            "season": "all" if missing(row.season) else f"{row.season:.0f}",
            "age": _span(row.from_weeks, row.to_weeks),
            "entered": row.entered,
            "died": row.died,
            "rate": per_cent(row.rate, row.low, row.high),
        }
        for row in each(hatched.deaths)
    ]
    columns = {
        "season": "Season",
        "age": "Age",
        "entered": "Came to it",
        "died": "Died or lost",
        "rate": "Share",
    }
    return table(
        rows, columns, "Chicks that died or were lost, by age", ["entered", "died", "rate"], "None on record."
    )


def costs_table(hatched: Hatch) -> Fragment:
    """What a chick reared and a bird kept cost, season by season."""
    columns = {
        "season": "Season",
        "bills": "Bills",
        "reared": f"Chicks reared to {REARED_WEEKS:g} weeks",
        "a_chick": "Each",
        "kept": "Birds kept",
        "a_bird_kept": "Each",
    }
    money = ("bills", "a_chick", "a_bird_kept")
    rows = [
        {c: "" if missing(row[c]) else f"{row[c]:.{2 if c in money else 0}f}" for c in columns}
        for row in hatched.costs.to_dict("records")
    ]
    caption = f"Cost in {hatched.currency}, the standing birds' feed included"
    return table(rows, columns, caption, list(columns)[1:], "No bills on record.")


def _span(start: float, end: float) -> str:
    return f"{start:.0f} weeks and over" if missing(end) else f"{start:.0f} to {end:.0f} weeks"


def _interval(row: Any, of: str) -> str:
    """A figure of a row with its interval and unit."""
    decimals = 0 if row.unit == "g" else 1
    return f"{signed(getattr(row, of), decimals)} {row.unit} ({between(row.low, row.high, decimals)})"
