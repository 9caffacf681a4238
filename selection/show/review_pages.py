"""Whether earlier meetings were right: predictions against what came later."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from selection.decide.review import Review
from selection.decide.rows import each
from selection.show.figures import missing, per_cent, signed
from selection.show.fragments import Fragment, bullets, paragraph, picture, sentence, table
from selection.show.style import KEEP, QUIET, RULE, WIDTH, drawing

if TYPE_CHECKING:
    from matplotlib.figure import Figure


KINDS = {"p_best": "being the best", "p_kept": "a place"}


def said(review: Review) -> Fragment:
    """The answer in words."""
    return (
        bullets(list(review.sentences))
        if review.sentences
        else paragraph("Nothing can be said yet.", "quiet")
    )


def checks(review: Review) -> Fragment:
    """Bias, slope and correlation of earlier predictions, with what they should be."""
    rows = [
        {
            "evidence": r.evidence,
            "quantity": r.quantity,
            "value": "too few" if missing(r.value) else f"{r.value:.2f} ({r.low:.2f} to {r.high:.2f})",
            "n": f"{r.n:.0f}",
            "expected": "" if missing(r.expected) else f"{r.expected:.2f}",
            "says": r.says,
        }
        for r in each(review.checks)
    ]
    columns = {
        "evidence": "Held against",
        "quantity": "What",
        "value": "Found (90 %)",
        "n": "Birds",
        "expected": "Should be",
        "says": "In words",
    }
    return table(
        rows, columns, "Predictions against what came later", ["n"], empty="No earlier meeting.", kind="stack"
    )


def chances(review: Review) -> Fragment:
    """Of birds given a chance of being the best or of a place, how many proved so."""
    rows = [
        {
            "kind": KINDS.get(r.kind, r.kind),
            "given": f"about {100 * r.given:.0f} in 100",
            "birds": f"{r.birds:.0f}",
            "proved": "too few" if missing(r.proved) or missing(r.low) else per_cent(r.proved, r.low, r.high),
            "says": sentence(r.says),
        }
        for r in each(review.chances)
    ]
    columns = {
        "kind": "Chance of",
        "given": "Given",
        "birds": "Birds",
        "proved": "Proved so (90 %)",
        "says": "In words",
    }
    return table(
        rows,
        columns,
        "Chances given and what proved so",
        ["birds"],
        empty="No chances to look back on.",
        kind="stack",
    )


def differentials(review: Review) -> Fragment:
    """What choosing gained, meeting by meeting."""
    rows = [{"on": f"{r.on:%Y}", "group": r.group, "says": r.says} for r in each(review.differentials)]
    columns = {"on": "Meeting", "group": "Group", "says": "What choosing gained"}
    return table(rows, columns, "Meeting by meeting", empty="No earlier meeting.", kind="stack")


def years_picture(review: Review) -> Fragment:
    """Merit by hatch year with its 90 % interval."""
    frame = review.years
    if frame.empty:
        return paragraph("Too few hatch years: no picture of merit by hatch year.", "quiet")
    first, last = frame.iloc[0], frame.iloc[-1]
    says = f"{first['hatch_year']}: {signed(first['merit'])}; {last['hatch_year']}: {signed(last['merit'])} points"
    with drawing():
        return picture(_draw(frame), "Mean merit of home-bred chicks by hatch year, points (90 %)", says)


def _draw(frame: pd.DataFrame) -> Figure:
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(figsize=(WIDTH, 2.6))
    at = np.arange(len(frame))
    axes.axhline(0, color=RULE, lw=1)
    axes.vlines(at, frame["low"], frame["high"], color=QUIET, lw=2.4, alpha=0.5)
    axes.scatter(at, frame["merit"], color=KEEP, s=44, zorder=3)
    axes.set_xticks(at, [f"{year:.0f}" for year in frame["hatch_year"]])
    axes.set_ylabel("merit, points")
    return figure
