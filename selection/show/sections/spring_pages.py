"""Next spring in the pack: what to set and to buy, drawn and listed, and what it rests on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from selection.answer import Kind
from selection.decide.meeting import Meeting
from selection.decide.spring.spring import Spring
from selection.decide.spring.ways import Way
from selection.decide.wording import each
from selection.show.page import small_plots as plot
from selection.show.page.figures import between, in_hundred, missing, signed
from selection.show.page.fragments import Fragment, bullets, cut, folded, heading, join, paragraph, table
from selection.show.page.style import INK, MARKERS, SERIES

PANEL = {"wide": 330.0, "high": 190.0, "left": 34.0, "right": 12.0, "top": 20.0, "foot": 30.0}


def spring(meeting: Meeting) -> Fragment:
    """The section of the pack."""
    return next_spring(meeting.spring)


def next_spring(of: Spring) -> Fragment:
    """What is proposed in words, the ways drawn and side by side, every number of eggs, and what it rests on."""
    if not of.ways:
        return join(
            [paragraph("No way to next spring can be set out.", "quiet"), bullets(of.texts(*Kind), "small")]
        )
    pieces: list[Markup] = [bullets(of.texts(Kind.FOUND)), bullets(of.cannot), pictures(of), side_by_side(of)]
    pieces.append(folded("Every number of eggs", every_number(of), on_paper=False))
    pieces += [heading("What it rests on"), bullets(of.texts(Kind.ASSUMED), "small")]
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
        "inbreeding": "F of its chicks with the hens here",
        "cost": f"Cost{f', {of.currency.code}' if of.currency.code else ''}",
        "candidate": "A bird to choose from",
        "more": "One egg more",
        "why": "Rests on",
    }
    wanted = ", ".join(f"{number} {group}" for group, number in of.wish.wanted.items())
    caption = f"Ways to {wanted} with a chance of {in_hundred(of.wish.sure)}; the cheapest that is enough is marked →"
    return table(rows, columns, caption, ["eggs", "enough", "inbreeding", "cost", "candidate"], kind="stack")


def _row(of: Spring, way: Way) -> dict[str, object]:
    rows = of.table[of.table["source"] == way.source.name]
    enough = rows[rows["enough"] >= of.wish.sure]
    chosen = rows[rows["chosen"] == "yes"]
    r = next(each(next(part for part in (chosen, enough, rows.tail(1)) if len(part)).head(1)))
    more = of.steps[(of.steps["source"] == way.source.name) & (of.steps["eggs"] == r.eggs + 1)]
    return {
        "source": f"{'→ ' if len(chosen) else ''}{r.source}",
        "eggs": f"{r.eggs}{'' if len(enough) else ', all there are'}",
        "birds": f"{_counted(r.cockerels, r.cockerels_low, r.cockerels_high)} and "
        f"{_counted(r.pullets, r.pullets_low, r.pullets_high)}",
        "enough": in_hundred(r.enough),
        "merit": f"{signed(r.merit_best)} ({between(r.merit_best_low, r.merit_best_high)})",
        "inbreeding": f"{r.inbreeding:.3f}",
        "cost": "" if missing(r.cost) else f"{r.cost:.0f}",
        "candidate": "" if missing(r.cost_a_candidate) else f"{r.cost_a_candidate:.2f}",
        "more": "".join(
            f"+{100 * m.enough:.1f} in 100, {signed(m.merit_best, 2)} points" for m in each(more)
        ),
        "why": "; ".join(way.rests_on),
    }


def every_number(of: Spring) -> Fragment:
    """The whole table, for a screen."""
    rows = [
        {
            "source": f"{r.source}, {r.eggs} eggs",
            "birds": f"{r.cockerels:.1f} and {r.pullets:.1f}",
            "enough": in_hundred(r.enough),
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
    return table(rows, columns, "Every number of eggs", ["birds", "enough", "merit", "cost"])


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
            f"{last['eggs']} eggs of {way.source.name}: {in_hundred(last['enough'])}, {signed(last['merit_best'])}"
        )
    groups = " and ".join(dict.fromkeys(group for way in ways for group in way.serves))
    title = f"{origin.capitalize()} eggs, for {groups}: what more of them bring"
    words = f"{origin} eggs, chance of enough and merit of the best found: {'; '.join(said)}"
    return Fragment("<figure><figcaption>{}</figcaption>{}{}{}</figure>").format(
        title,
        plot.drawn(chance, chances, words),
        plot.drawn(merit, merits, words),
        plot.key([cut(way.source.name) for way in ways], SERIES * len(ways), MARKERS * len(ways)),
    )


def _counted(mean: float, low: float, high: float) -> str:
    return f"{mean:.0f} ({low:.0f} to {high:.0f})"
