"""Why one bird stands above another, and where what a bird is parts from what it passes on."""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import fill
from typing import TYPE_CHECKING, Any

import ipywidgets as widgets
import numpy as np
import pandas as pd

from selection.merit.candidates import called
from selection.merit.explain import Why, contributions
from selection.merit.ranking import Merit
from selection.records.flock import Flock
from selection.records.rings import Called
from selection.show.lab.controls import NAMED, WIDE, html
from selection.show.page.figures import picks, signed, spread
from selection.show.page.fragments import Fragment, fold, join, paragraph, picture, sentence, table
from selection.show.page.style import BARRED, KEEP, RULE, WIDTH, drawing
from selection.show.sections.bird_cards import titles

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_LEAST = 0.05
"""Points under which a contribution is added to the others."""
_LABEL = 30
"""Letters of a line of a bar's label."""


class WhyAbove(widgets.VBox):
    """Two birds of one group, chosen by name and colours, and beneath them why the one stands above the other."""

    def __init__(self, flock: Flock, merit: Merit) -> None:
        self.flock, self.merit = flock, merit
        self.group_of = merit.ranking.dropna(subset="rank").set_index("bird")["group"]
        options = picks(flock, self.group_of.index)
        self.first = widgets.Dropdown(options=options, description="Why", layout=WIDE, style=NAMED)
        self.second = widgets.Dropdown(options=[], description="stands beside", layout=WIDE, style=NAMED)
        self.shown = widgets.HTML()
        self.first.observe(self._of_first, "value")
        self.second.observe(self.follow, "value")
        super().__init__([self.first, self.second, self.shown])
        self._of_first()

    def _of_first(self, _: Any = None) -> None:
        """Offer the others of its group, the best of them first."""
        alike = self.group_of.index[self.group_of == self.group_of.get(self.first.value)]
        others = alike.drop(self.first.value, errors="ignore")
        self.second.options = picks(self.flock, others)
        self.second.value = next(iter(others), None)
        self.follow()

    def follow(self, _: Any = None) -> None:
        """Show what parts the two."""
        pair = (self.first.value, self.second.value)
        if None in pair:
            self.shown.value = html(paragraph("No group of this meeting has two birds to compare.", "quiet"))
            return
        self.shown.value = html(why_above(contributions(self.merit, self.flock, *pair), self.flock))


def by_whose(why: Why) -> pd.DataFrame:
    """What the picture draws: whose records, how many, and their points, which add up to the difference."""
    whole = why.table.groupby("whose", sort=False)[["records", "points"]].sum().reset_index()
    return whole.sort_values("points", ascending=False, ignore_index=True)


def contributions_frame(why: Why, named: Mapping[str, str]) -> pd.DataFrame:
    """What the table lists: says (whose records of what), records, points; the small ones added together.

    `named`: what each trait is called in a sentence.
    The points add up to the difference.
    """
    small = why.table["points"].abs() < _LEAST
    rows = why.table[~small].assign(
        says=lambda t: t["whose"] + ", " + t["trait"].map(lambda name: named.get(name, name))
    )
    rows = rows[["says", "records", "points"]]
    if small.any():
        rest = why.table[small]
        last = {
            "says": "everything smaller",
            "records": rest["records"].sum(),
            "points": rest["points"].sum(),
        }
        rows = pd.concat([rows, pd.DataFrame([last])], ignore_index=True)
    return rows.reset_index(drop=True)


def why_above(why: Why, flock: Flock) -> Fragment:
    """The difference between two birds as contributions that add up to it: in words, drawn, and listed."""
    named, of = titles(flock.standard), called(flock)
    first, second = of(why.first), of(why.second)
    frame = contributions_frame(why, named)
    told = sentence(why.sentence(of, named))
    if frame.empty:
        return paragraph(told)
    rows = [
        {"says": r["says"], "records": f"{r['records']:,.0f}", "points": signed(r["points"], 2)}
        for r in frame.to_dict("records")
    ]
    rows.append({"says": "together", "records": "", "points": signed(why.difference, 2)})
    columns = {"says": "From", "records": "Numbers", "points": "Points of merit"}
    caption = f"Merit of {first} less that of {second}, at its estimate (no interval: it only parts a sum)"
    with drawing():
        drawn = picture(
            _draw(by_whose(why), (first, second)),
            f"What puts {first} apart from {second}, points of merit",
            told,
        )
    listed = table(rows, columns, caption, ["records", "points"])
    return join([paragraph(told), drawn, fold("Section by section", listed)])


def _draw(frame: pd.DataFrame, pair: tuple[Called, Called]) -> Figure:
    from matplotlib import pyplot as plt

    labels = [fill(whose, _LABEL) for whose in frame["whose"]]
    lines = sum(label.count("\n") + 1 for label in labels)
    figure, axes = plt.subplots(figsize=(WIDTH, 1 + 0.15 * len(frame) + 0.17 * lines))
    at = np.arange(len(frame))[::-1]
    colours = [KEEP if points > 0 else BARRED for points in frame["points"]]
    axes.barh(at, frame["points"], color=colours, height=0.62)
    axes.axvline(0, color=RULE, lw=1)
    axes.set_yticks(at, labels)
    axes.set_xlabel("points: to the right for {},\nto the left for {}".format(*pair))
    axes.tick_params(length=0)
    axes.spines["left"].set_visible(False)
    return figure


def two_orders(merit: Merit, flock: Flock, group: str) -> Fragment:
    """A group by merit and by own value side by side: for breeding, and for show and sale."""
    frame, of = orders_frame(merit, group), called(flock)
    rows = [
        {
            "bird": f"{of(r['bird'])}",
            "merit": f"{r['by_merit']:.0f}: {spread(r['merit'], r['merit_se'])}",
            "own": f"{r['by_own']:.0f}: {spread(r['own_value'], r['own_value_se'])}",
            "apart": "the same place" if not r["moved"] else _moved(int(r["moved"])),
        }
        for r in frame.to_dict("records")
    ]
    columns = {
        "bird": "Bird",
        "merit": "Place by merit, points (90 %)",
        "own": "Place by own value, points (90 %)",
        "apart": "As a bird itself",
    }
    caption = f"The {group}: what they pass on, and what they are"
    return table(rows, columns, caption, empty=f"No unbarred {group}.", kind="stack")


def orders_frame(merit: Merit, group: str) -> pd.DataFrame:
    """bird, merit, merit_se, own_value, own_value_se (points), by_merit, by_own (places), moved (places gained)."""
    rows = merit.ranking[(merit.ranking["group"] == group) & merit.ranking["rank"].notna()]
    own = merit.flock[["bird", "own_value", "own_value_se"]]
    frame = rows[["bird", "merit", "merit_se"]].merge(own, on="bird").reset_index(drop=True)
    frame["by_merit"] = frame["merit"].rank(ascending=False, method="first")
    frame["by_own"] = frame["own_value"].rank(ascending=False, method="first")
    return frame.assign(moved=(frame["by_merit"] - frame["by_own"]).fillna(0)).sort_values("by_merit")


def _moved(places: int) -> str:
    count = f"{abs(places)} place{'' if abs(places) == 1 else 's'}"
    return f"{count} {'higher' if places > 0 else 'lower'} than as a breeder"
