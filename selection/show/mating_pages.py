"""Whom to put to whom: the allotment, every pair's inbreeding, and the words behind it."""

from __future__ import annotations

from typing import Any

import pandas as pd
from markupsafe import Markup

from selection.decide.kinship import degree
from selection.decide.matings import Matings
from selection.decide.meeting import Meeting
from selection.decide.rows import each
from selection.show.figures import missing, spread
from selection.show.fragments import Fragment, bullets, folded, heading, join, table
from selection.show.style import BARRED, KEEP

PAIRS = {
    "pair": "Cock × hen",
    "allowed": "Allowed",
    "inbreeding": "Inbreeding of chicks, F",
    "most": "At worst",
    "merit": "Merit of chicks, points (90 %)",
    "why": "How they are related",
}


def matings(meeting: Meeting) -> Fragment:
    """The pens proposed, inbreeding pair by pair, and each pair in words."""
    of = meeting.matings
    pieces: list[Markup] = [bullets(list(of.sentences)), allotment(of), inbreeding_table(of)]
    if len(of.table):
        pieces.append(folded("Every pair in words (on paper: matings.csv)", pairs(of), on_paper=False))
    if of.cannot:
        pieces += [heading("What cannot be said of matings"), bullets(list(of.cannot), "small")]
    return join(pieces)


def allotment(of: Matings) -> Fragment:
    """Which hen to which cock, with the chicks' inbreeding and merit."""
    rows = [
        {
            "hen": r.hen,
            "cock": "none" if missing(r.cock) else r.cock,
            "inbreeding": "" if missing(r.inbreeding) else f"{r.inbreeding:.3f}, {degree(r.inbreeding)}",
            "merit": "" if missing(r.merit) else spread(r.merit, _se(of, r.cock, r.hen)),
            "why": r.why,
        }
        for r in each(of.allotment.table)
    ]
    columns = {
        "hen": "Hen",
        "cock": "Put to",
        "inbreeding": "Inbreeding of chicks, F",
        "merit": "Merit of chicks, points (90 %)",
        "why": "Why",
    }
    return table(
        rows,
        columns,
        "The pens proposed",
        empty="No hen or no cock stays, so there are no pens.",
        kind="stack",
    )


def _se(of: Matings, cock: str, hen: str) -> float:
    rows = of.table[(of.table["cock"] == cock) & (of.table["hen"] == hen)]
    return float(rows["merit_se"].iloc[0]) if len(rows) else float("nan")


def inbreeding_frame(of: Matings) -> pd.DataFrame:
    """Hens × cocks: F of the chicks."""
    return (
        of.table.pivot(index="hen", columns="cock", values="inbreeding") if len(of.table) else pd.DataFrame()
    )


def inbreeding_table(of: Matings) -> Fragment:
    """F of the chicks of every hen and cock, the worst case beside it, refused pairs struck out."""
    if of.table.empty:
        return Fragment("")
    cocks, hens = of.table["cock"].unique(), of.table["hen"].unique()
    cells = {(r.cock, r.hen): _pair_cell(r) for r in each(of.table)}
    rows = [{"hen": hen, **{cock: cells[cock, hen] for cock in cocks}} for hen in hens]
    caption = (
        "Inbreeding of the chicks (F) of each hen with each cock; in brackets at worst, over possible parents"
    )
    return table(rows, {"hen": "Hen", **{cock: f"with {cock}" for cock in cocks}}, caption)


def _pair_cell(row: Any) -> Markup:
    told = f"{row.inbreeding:.3f}"
    if row.known == "no":
        told += f" ({row.inbreeding_most:.3f})"
    if row.allowed == "yes":
        return Markup('<span style="color:{}">{}</span>').format(KEEP, told)
    return Markup('<span style="color:{}"><s>{}</s> refused</span>').format(BARRED, told)


def pairs(of: Matings) -> Fragment:
    """Every pair with its merit and, in words, how the two are related."""
    rows = [
        {
            "pair": f"{r.cock} × {r.hen}",
            "allowed": r.allowed,
            "inbreeding": f"{r.inbreeding:.3f}",
            "most": f"{r.inbreeding_most:.3f}",
            "merit": "" if missing(r.merit) else spread(r.merit, r.merit_se),
            "why": r.why,
        }
        for r in each(of.table)
    ]
    return table(rows, PAIRS, "Every pair", ["inbreeding", "most", "merit"], kind="stack small")
