"""Where the flock is heading under each way of choosing: ten years ahead, policies side by side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from selection.answer import Kind
from selection.decide.meeting import Meeting
from selection.decide.wording import each
from selection.decide.years.summary import blood_of
from selection.decide.years.years import Years, years_ahead as follow
from selection.show.page import small_plots as plot
from selection.show.page.figures import missing, signed
from selection.show.page.fragments import Fragment, bullets, fold, join, paragraph, sentence, table
from selection.show.page.style import BARRED, INK, KEEP, MARKERS, QUIET, SERIES

PACK_RUNS = 100
"""Runs that the pack takes time for; the notebook `matings` takes a thousand."""
SIBS = 0.25
"""F of the chicks of brother and sister: what the reader may measure inbreeding by."""
QUANTITIES = (("merit", "merit, points", KEEP), ("inbreeding", "inbreeding, F", BARRED))
_SMALL = {"wide": 210.0, "high": 128.0, "left": 30.0, "right": 8.0, "top": 20.0, "foot": 18.0}


def ahead(meeting: Meeting, runs: int = PACK_RUNS) -> Fragment:
    """The years ahead of the meeting's verdicts, for the pack: few runs, and how near that comes."""
    return years_ahead_page(follow(meeting.flock, meeting.merit, meeting.verdicts, runs=runs))


def years_ahead_page(years: Years) -> Fragment:
    """The policies drawn, listed and in words; the ceiling; then what was assumed and cannot be said."""
    if years.table.empty:
        return bullets([*years.sentences, *years.cannot])
    pieces: list[Markup] = [
        policies_picture(years),
        bullets(list(years.advice)),
        fold("Each policy in figures and words", policies(years), on_paper=False),
    ]
    if len(years.ceiling):
        pieces += [ceiling_picture(years)]
    assumed = years.texts(Kind.FOUND, Kind.ASSUMED)  # the table has said what comes of each policy
    pieces += [
        fold("How closed flocks fare by formula, and what was assumed", bullets(assumed, "small"), False)
    ]
    if years.cannot:
        pieces.append(
            fold("What cannot be said of the years ahead", bullets(list(years.cannot), "small"), False)
        )
    return join(pieces)


def policies(years: Years) -> Fragment:
    """Each policy at the end of the years: merit, inbreeding, blood of the home founders."""
    rows = [
        {
            "policy": r.policy,
            "merit": ""
            if missing(r.merit)
            else f"{signed(r.merit)} ({signed(r.merit_low)} to {signed(r.merit_high)})",
            "inbreeding": f"{r.inbreeding:.2f} ({r.inbreeding_low:.2f} to {r.inbreeding_high:.2f})",
            "blood": f"{100 * r.home_blood:.0f} %",
            "size": "" if missing(r.effective_size) else f"{r.effective_size:.0f}",
            "says": r.says,
        }
        for r in each(years.by_policy)
    ]
    columns = {
        "policy": "Policy",
        "merit": "Merit, points (90 %)",
        "inbreeding": "Inbreeding, F (90 %)",
        "blood": "Blood of the home founders",
        "size": "Effective size, N_e",
        "says": "In words",
    }
    if years.by_policy["effective_size"].isna().all():
        del columns["size"]
    caption = f"At the end of the years, over {years.runs:,} runs of the flock"
    return table(rows, columns, caption, empty="No policy could be followed.", kind="stack")


def closed(years: Years) -> Fragment:
    """The formulas of closed flocks beside the runs, for the policies they hold for."""
    rows = [
        {
            "policy": r.policy,
            "birds": f"{r.cocks} and {r.hens}",
            "size": f"{r.effective_size:.1f}",
            "rate": f"{100 * r.rate:.1f} %",
            "rate_runs": "too few years" if missing(r.rate_runs) else f"{100 * r.rate_runs:.1f} %",
            "intensity": f"{r.intensity_cocks:.2f} and {r.intensity_hens:.2f}",
            "response": "" if missing(r.response) else signed(r.response, 2),
            "gain_runs": "" if missing(r.gain_runs) else signed(r.gain_runs, 2),
        }
        for r in each(years.closed)
    ]
    columns = {
        "policy": "Policy",
        "birds": "Cocks and hens",
        "size": "N_e",
        "rate": "ΔF a generation, 1/(2·N_e)",
        "rate_runs": "The runs' ΔF",
        "intensity": "Intensity, cocks and hens",
        "response": "Gain a year by the breeder's equation",
        "gain_runs": "The runs' gain",
    }
    caption = "N_e = 4·cocks·hens/(cocks + hens) (Wright 1931), and the breeder's equation: points a year"
    empty = "Every policy buys birds in: these formulas hold for closed flocks alone."
    return table(rows, columns, caption, empty=empty, kind="stack")


def course_frame(years: Years, quantity: str) -> pd.DataFrame:
    """One quantity by policy and year: policy, year, mean, low, high."""
    return years.table[years.table["quantity"] == quantity].reset_index(drop=True)


def policy_blood_frame(years: Years, policy: str) -> pd.DataFrame:
    """Mean shares of blood under one policy: years × where it is from, each row adding up to 1."""
    bases = {blood_of(base): base for base in years.bases}
    rows = years.table[(years.table["policy"] == policy) & years.table["quantity"].isin(list(bases))]
    shares = rows.pivot(index="year", columns="quantity", values="mean").rename(columns=bases)
    return shares[[base for base in years.bases if shares[base].max() > 0]]


def policies_picture(years: Years) -> Fragment:
    """Every policy a row: merit and inbreeding with their bands, and where the blood is from, year by year."""
    merit, F = (course_frame(years, quantity) for quantity in ("merit", "inbreeding"))
    scales = {
        name: plot.reach(frame["low"], frame["high"], zero=True)
        for name, frame in (("merit", merit), ("inbreeding", F))
    }
    rows = [_policy(years, row, scales) for row in each(years.by_policy)]
    title = (
        f"The years ahead under each policy: mean of {years.runs:,} runs, and shaded where nine in ten of them lie; "
        "merit of the year's chicks in points above or below today's living birds"
    )
    return Fragment('<figure class="policies"><figcaption>{}</figcaption>{}</figure>').format(
        title, Markup("").join(rows)
    )


def _policy(years: Years, row: Any, scales: dict[str, tuple[float, float]]) -> Markup:
    """One policy: its name and meaning, and beside them its pictures."""
    pictures = [
        _course(years, row.policy, quantity, words, colour, scales[quantity])
        for quantity, words, colour in QUANTITIES
        if (years.table["quantity"] == quantity).any()
    ]
    panels = Markup("").join([*pictures, _blood(years, row.policy)])
    return Markup(
        '<div class="policy"><div><p class="lead">{}</p><p class="small">{}</p></div><div class="panels">{}</div></div>'
    ).format(row.policy, sentence(row.meaning), panels)


def _course(
    years: Years, policy: str, quantity: str, title: str, colour: str, scale: tuple[float, float]
) -> Markup:
    """One quantity under one policy: its mean by year and the band of the runs."""
    of = years.table[(years.table["policy"] == policy) & (years.table["quantity"] == quantity)]
    panel = plot.Panel(_span(of["year"]), scale, **_SMALL)
    parts = [
        plot.axes(panel, "", _marked(of["year"])),
        plot.title(panel, title),
        plot.band(panel, of["year"], of["low"], of["high"], colour, 0.2),
        plot.line(panel, of["year"], of["mean"], colour),
    ]
    if quantity == "inbreeding" and scale[1] > SIBS:
        parts.append(plot.level(panel, SIBS, QUIET, words="brother × sister"))
    last = of.iloc[-1]
    says = (
        f"{policy}, {title}: {last['mean']:.2f} in year {last['year']}, nine runs in ten between "
        f"{last['low']:.2f} and {last['high']:.2f}"
    )
    return plot.drawn(panel, parts, says)


def _blood(years: Years, policy: str) -> Markup:
    """Where the chicks' blood is from under one policy, shares on top of one another."""
    shares = policy_blood_frame(years, policy)
    tops = shares.cumsum(axis=1)
    panel = plot.Panel(_span(shares.index), (0, 1), **{**_SMALL, "wide": 268.0, "left": 36.0, "right": 92.0})
    parts = [
        plot.axes(panel, "", _marked(shares.index), "{:.0%}"),
        plot.title(panel, "where the blood is from"),
    ]
    base = np.zeros(len(shares))
    for i, name in enumerate(shares.columns):
        parts.append(plot.band(panel, shares.index, base, tops[name], _colour(i), 0.55))
        base = tops[name].to_numpy()
    last, middle = shares.iloc[-1], tops.iloc[-1] - shares.iloc[-1] / 2
    words = [f"{name} {100 * share:.0f} %" for name, share in last.items()]
    parts.append(plot.words_beside(panel, middle, words))
    return plot.drawn(panel, parts, f"{policy}, blood in the last year: {', '.join(words)}")


def ceiling_picture(years: Years) -> Fragment:
    """Merit under policies that buy a cock every year, beside the suppliers' level and what it tends to."""
    frame = years.ceiling
    if frame.empty:
        return paragraph("No policy buys a cock every year: there is no ceiling to draw.", "quiet")
    suppliers, limits = (
        float(frame["suppliers"].iloc[0]),
        frame.groupby("policy", sort=False)["limit"].first(),
    )
    limit = float(limits.iloc[0])
    scale = plot.reach(frame["mean"], [suppliers], limits)
    panel = plot.Panel(_span(frame["year"]), scale, wide=480, high=220, foot=32, right=150)
    parts = [
        plot.axes(panel, "year", _marked(frame["year"])),
        plot.level(panel, suppliers, QUIET),
        plot.level(panel, limit, INK, "dotted"),
        plot.words_beside(panel, [suppliers, limit], ["the suppliers' level", "with what choosing adds"]),
    ]
    for i, (_, of) in enumerate(frame.groupby("policy", sort=False)):
        parts.append(plot.line(panel, of["year"], of["mean"], _colour(i)))
        parts.append(plot.marks(panel, of["year"], of["mean"], _colour(i), MARKERS[i]))
    tends = "; ".join(f"{policy} to {signed(value)}" for policy, value in limits.items())
    says = f"the suppliers' level is {signed(suppliers)} points; merit tends under {tends}"
    title = "A fresh cock every year: merit levels off, tied to the suppliers' level"
    return Fragment("<figure><figcaption>{}, points</figcaption>{}{}</figure>").format(
        title, plot.drawn(panel, parts, says), plot.key(list(limits.index), SERIES, MARKERS)
    )


def _colour(i: int) -> str:
    return SERIES[i % len(SERIES)]


def _span(years: Sequence[int]) -> tuple[float, float]:
    return float(min(years)), float(max(years))


def _marked(years: Sequence[int]) -> list[int]:
    """Years that are written below a picture: the first, the last, and round ones between."""
    first, last = int(min(years)), int(max(years))
    return [y for y in range(first, last + 1) if y in (first, last) or (y % 5 == 0 and last - y > 1)]
