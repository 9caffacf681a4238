"""Whom to put to whom: the allotment and every pair's inbreeding; and the ways to next spring."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from selection.answer import Kind
from selection.decide.matings.matings import Matings
from selection.decide.meeting import Meeting
from selection.decide.spring.spring import Spring
from selection.decide.spring.ways import Way
from selection.decide.verdicts.verdicts import Verdicts
from selection.decide.wording import each
from selection.decide.years.tradeoff import Tradeoff, fair_price, tradeoffs
from selection.merit.ranking import Merit
from selection.merit.relationship.kinship import degree
from selection.records.flock import Flock
from selection.show.page import small_plots as plot
from selection.show.page.figures import between, hundredths, missing, signed, spread
from selection.show.page.fragments import (
    Fragment,
    beside,
    bullets,
    fold,
    foremost_first,
    heading,
    join,
    paragraph,
    sentence,
    table,
)
from selection.show.page.style import BARRED, INK, KEEP, MARKERS, QUIET, SERIES
from selection.show.sections.season_pages import blood_picture, pens_picture

DARKEST = 0.25
"""F that is drawn darkest: the chicks of brother and sister."""
PAIRS = {
    "pair": "Cock × hen",
    "allowed": "Allowed",
    "inbreeding": "Inbreeding of chicks, F",
    "most": "At worst",
    "over": "Chance of more than allowed",
    "merit": "Merit of chicks, points (90 %)",
    "why": "How they are related",
}


def matings_page(meeting: Meeting) -> Fragment:
    """The pens proposed, inbreeding pair by pair, and each pair in words."""
    of = meeting.matings
    pieces: list[Markup] = [bullets(list(of.sentences)), inbreeding_table(of)]
    if len(of.table):
        pieces += [fold("The pens proposed, hen by hen", allotment(of), on_paper=False), pairs(of)]
    else:
        pieces.append(allotment(of))
    pieces += [pens_picture(meeting), blood_picture(meeting)]
    pieces.append(heading("What relationship costs"))
    pieces.append(relationship_costs(meeting.flock, meeting.merit, meeting.verdicts))
    if of.cannot:
        pieces.append(fold("What cannot be said of matings", bullets(list(of.cannot), "small"), False))
    return join(pieces)


def relationship_costs(flock: Flock, merit: Merit, verdicts: Verdicts) -> Fragment:
    """Group by group, what keeping less related birds would cost in merit, and where the chosen set stands."""
    found = tradeoffs(flock, merit, verdicts)
    ceiling = flock.plan.most_relationship
    pieces: list[Markup] = []
    for group, of in found.items():
        if len(of.table) > 1:
            pieces.append(
                beside(tradeoff_picture(of, group, ceiling), bullets([*of.sentences, *of.cannot], "small"))
            )
        else:
            pieces.append(bullets([*of.sentences, *of.cannot], "small"))
    if not found:
        return paragraph(
            "The plan keeps no young birds: there is nothing to weigh against relationship.", "quiet"
        )
    said = "The plan sets no ceiling on it." if ceiling is None else f"The plan's ceiling is {ceiling:g}."
    said = f"Relationship is 0.5 between full sibs, 0.25 between half sibs. {said}"
    if (price := fair_price(merit)) is not None:
        said += (
            " In simulated flocks that never bought a bird in, a step to less related paid over ten years while it "
            f"cost up to {price:.2f} points for each 0.01 of relationship (a twenty-fifth of the spread of merit); "
            "with a cock bought in every year less is at stake."
        )
    pieces.append(paragraph(said, "small"))
    return join(pieces)


def tradeoff_picture(of: Tradeoff, group: str = "", ceiling: float | None = None) -> Fragment:
    """Mean merit of the best sets against their relationship with the flock; the chosen set is marked."""
    sets = of.table
    if sets.empty:
        return paragraph("Nothing to choose between: there is no curve to draw.", "quiet")
    curve, chosen = sets[sets["step"].notna()], sets[sets["chosen"] == "yes"]
    across = [ceiling] if ceiling is not None and ceiling < 2 * sets["relationship"].max() else []
    panel = plot.Panel(
        plot.reach(sets["relationship"], across),
        plot.reach(sets["merit"]),
        wide=420,
        high=190,
        left=40,
        foot=32,
    )
    parts = [
        plot.axes(panel, "mean relationship with the flock they join", plot.ticks(*panel.x)),
        plot.line(panel, curve["relationship"], curve["merit"], QUIET),
        plot.marks(panel, curve["relationship"], curve["merit"], QUIET),
        plot.marks(panel, chosen["relationship"], chosen["merit"], KEEP, "D"),
        *(plot.upright(panel, c, "the plan's ceiling", BARRED) for c in across),
    ]
    title = f"{group or 'the group'}: mean merit of the best sets, points, by relationship with the flock"
    says = " ".join(of.sentences) or "the sets of most merit by relationship"
    return Fragment("<figure><figcaption>{}</figcaption>{}{}</figure>").format(
        sentence(title).rstrip("."),
        plot.drawn(panel, parts, says),
        plot.key(["sets that none beats in both", "the chosen set"], (QUIET, KEEP), ("o", "D")),
    )


def allotment(of: Matings) -> Fragment:
    """Which hen to which cock, with the chicks' inbreeding and merit."""
    rows = [
        {
            "hen": f"{of.call(r.hen)}",
            "cock": "none" if missing(r.cock) else Markup("<b>{}</b>").format(of.call(r.cock)),
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
    """F of the chicks of every hen and cock, the worst case beside it: the darker, the closer; the pens framed."""
    if of.table.empty:
        return Fragment("")
    cocks, hens = of.table["cock"].unique(), of.table["hen"].unique()
    placed = of.allotment.table.dropna(subset="cock")
    together = set(zip(placed["cock"], placed["hen"], strict=True))
    cells = {(r.cock, r.hen): _pair_cell(r, (r.cock, r.hen) in together) for r in each(of.table)}
    rows = [{"hen": f"{of.call(hen)}", **{cock: cells[cock, hen] for cock in cocks}} for hen in hens]
    caption = (
        "Inbreeding of the chicks (F) of each hen with each cock: the darker, the closer; in brackets at worst, "
        "over possible parents; framed: the pens proposed"
    )
    return table(
        rows, {"hen": "Hen", **{cock: f"with {of.call(cock)}" for cock in cocks}}, caption, kind="stack"
    )


def _pair_cell(row: Any, proposed: bool) -> Markup:
    told = Markup("{}").format(f"{row.inbreeding:.3f}")
    if row.known == "no":
        told += f" ({row.inbreeding_most:.3f})"
    if row.allowed == "no":
        told = Markup("<s>{}</s> refused: {}, above the ceiling").format(told, degree(row.inbreeding))
    shade = f"background:rgb(163 59 32 / {min(row.inbreeding / DARKEST, 1) * 0.35:.2f})"
    return Markup('<span class="pair{}" style="{}" title="{}">{}</span>').format(
        " proposed" if proposed else "", shade, row.why, told
    )


def pairs(of: Matings) -> Fragment:
    """Every pair with its merit and, in words, how the two are related; folded away, for there are many."""
    rows = [
        {
            "pair": f"{of.call(r.cock)} × {of.call(r.hen)}",
            "allowed": r.allowed,
            "inbreeding": f"{r.inbreeding:.3f}",
            "most": f"{r.inbreeding_most:.3f}",
            "over": f"{r.chance_over:.2f}",
            "merit": "" if missing(r.merit) else spread(r.merit, r.merit_se),
            "why": r.why,
        }
        for r in each(of.table)
    ]
    listed = table(rows, PAIRS, "Every pair", ["inbreeding", "most", "over", "merit"], kind="stack small")
    return fold("Every pair in words (on paper: matings.csv)", listed, on_paper=False)


PANEL = {"wide": 330.0, "high": 190.0, "left": 34.0, "right": 12.0, "top": 20.0, "foot": 30.0}


def spring(meeting: Meeting) -> Fragment:
    """The section of the pack."""
    return next_spring_page(meeting.spring)


def next_spring_page(of: Spring) -> Fragment:
    """What is proposed in words, the ways drawn and side by side, every number of eggs, and what it rests on."""
    if not of.ways:
        return join(
            [paragraph("No way to next spring can be set out.", "quiet"), bullets(of.texts(*Kind), "small")]
        )
    found = foremost_first([*of.texts(Kind.FOUND), *of.cannot], "More on the ways")
    pieces: list[Markup] = [found, pictures(of), side_by_side(of)]
    pieces.append(fold("Every number of eggs", every_number(of), on_paper=False))
    rests = [f"{way.source.said}: {'; '.join(way.rests_on)}" for way in of.ways]
    pieces.append(
        fold("What it rests on", bullets([*of.texts(Kind.ASSUMED), *rests], "small"), on_paper=False)
    )
    return join(pieces)


def side_by_side(of: Spring) -> Fragment:
    """One row a way: at the number chosen, else the least that is enough, else the most there is."""
    rows = [_row(of, way) for way in of.ways]
    columns = {
        "source": "Eggs of",
        "eggs": "Eggs",
        "birds": "Cockerels and pullets to choose from (90 %)",
        "enough": "Chance of enough",
        "merit": "Merit of the best found, points (90 %)",
        "inbreeding": "F of the next chicks, hatched from these and the hens here",
        "cost": "Cost",
        "candidate": "A bird to choose from",
    }
    if len(of.steps) and of.table["chosen"].eq("yes").any():
        columns["more"] = "One egg more"
    wanted = ", ".join(f"{number} {group}" for group, number in of.wish.wanted.items())
    caption = f"Ways to {wanted} with a chance of {hundredths(of.wish.sure)}; the cheapest that is enough is marked →"
    return table(rows, columns, caption, ["eggs", "enough", "inbreeding", "cost", "candidate"], kind="stack")


def _row(of: Spring, way: Way) -> dict[str, object]:
    rows = of.table[of.table["source"] == way.source.name]
    enough = rows[rows["enough"] >= of.wish.sure]
    chosen = rows[rows["chosen"] == "yes"]
    r = next(each(next(part for part in (chosen, enough, rows.tail(1)) if len(part)).head(1)))
    more = of.steps[(of.steps["source"] == way.source.name) & (of.steps["eggs"] == r.eggs + 1)]
    return {
        "source": f"{'→ ' if len(chosen) else ''}{way.source.said}",
        "eggs": f"{r.eggs}{'' if len(enough) else ', all there are'}",
        "birds": f"{_counted(r.cockerels, r.cockerels_low, r.cockerels_high)} and "
        f"{_counted(r.pullets, r.pullets_low, r.pullets_high)}",
        "enough": hundredths(r.enough),
        "merit": f"{signed(r.merit_best)} ({between(r.merit_best_low, r.merit_best_high)})",
        "inbreeding": f"{r.inbreeding:.3f}",
        "cost": "" if missing(r.cost) else of.currency.words(round(r.cost)),
        "candidate": "" if missing(r.cost_a_candidate) else of.currency.words(r.cost_a_candidate),
        "more": "".join(
            f"+{100 * m.enough:.1f} in 100, {signed(m.merit_best, 2)} points" for m in each(more)
        ),
    }


def every_number(of: Spring) -> Fragment:
    """The whole table, for a screen."""
    said = {way.source.name: way.source.said for way in of.ways}
    rows = [
        {
            "source": f"{said[r.source]}, {r.eggs} eggs",
            "birds": f"{r.cockerels:.1f} and {r.pullets:.1f}",
            "enough": hundredths(r.enough),
            "merit": signed(r.merit_best),
            "cost": "" if missing(r.cost) else f"{r.cost:.0f}",
        }
        for r in each(of.table)
    ]
    columns = {
        "source": "Eggs of",
        "birds": "Cockerels and pullets",
        "enough": "Chance of enough",
        "merit": "Merit of the best",
        "cost": "Cost",
    }
    return table(rows, columns, "Every number of eggs", ["birds", "enough", "merit", "cost"], kind="stack")


def pictures(of: Spring) -> Fragment:
    """Chance of enough and merit of the best against eggs: a pair of pictures for each origin."""
    origins = list(dict.fromkeys(way.source.origin for way in of.ways))
    return join(_pair(of, origin, [w for w in of.ways if w.source.origin == origin]) for origin in origins)


def _pair(of: Spring, origin: str, ways: Sequence[Way]) -> Fragment:
    rows = of.table[of.table["origin"] == origin]
    most = float(rows["eggs"].max())
    x_ticks = [t for t in plot.ticks(0, most, 6) if t > 0]
    chance = plot.Panel((0, most), (0, 1), **PANEL)
    merit = plot.Panel((0, most), plot.reach(rows["merit_best"]), **PANEL)
    chances = [plot.axes(chance, "eggs", x_ticks, "{:.0%}"), plot.title(chance, "chance of enough")]
    chances.append(plot.level(chance, of.wish.sure, INK, "dotted"))
    merits = [plot.axes(merit, "eggs", x_ticks), plot.title(merit, "merit of the best found, points")]
    said = []
    for i, way in enumerate(ways):
        own = rows[rows["source"] == way.source.name]
        colour, mark = SERIES[i % len(SERIES)], MARKERS[i % len(MARKERS)]
        at = np.unique(np.linspace(0, len(own) - 1, min(6, len(own))).astype(int))
        for parts, panel, column in ((chances, chance, "enough"), (merits, merit, "merit_best")):
            known = own.dropna(subset=[column])
            parts.append(plot.line(panel, known["eggs"], known[column], colour))
            few = own.iloc[at].dropna(subset=[column])
            parts.append(plot.marks(panel, few["eggs"], few[column], colour, mark))
        last = own.iloc[-1]
        said.append(
            f"{last['eggs']} eggs of {way.source.said}: {hundredths(last['enough'])}, {signed(last['merit_best'])}"
        )
    groups = " and ".join(dict.fromkeys(group for way in ways for group in way.serves))
    title = f"{origin.capitalize()} eggs, for {groups}: what more of them bring"
    words = f"{origin} eggs, chance of enough and merit of the best found: {'; '.join(said)}"
    return Fragment('<figure><figcaption>{}</figcaption><div class="beside">{}{}</div>{}</figure>').format(
        title,
        plot.drawn(chance, chances, words),
        plot.drawn(merit, merits, words),
        plot.key([way.source.said for way in ways], SERIES * len(ways), MARKERS * len(ways)),
    )


def _counted(mean: float, low: float, high: float) -> str:
    return f"{mean:.0f} ({low:.0f} to {high:.0f})"
