"""What each bird that goes has cost, and what to ask for it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from selection.decide.meeting import Meeting
from selection.decide.prices.prices import Prices
from selection.decide.wording import each
from selection.merit.candidates import called
from selection.show.page.figures import missing
from selection.show.page.fragments import Fragment, bullets, fold, foremost_first, join, paragraph, table
from selection.show.page.small_plots import MARKS, Panel, ticks
from selection.show.page.style import INK, KEEP, QUIET

TRACK, ROW = 240, 16
"""Width and height of an offer's picture, in its own units."""


def prices_page(meeting: Meeting) -> Fragment:
    """What the season leaves in words, the price list as a picture, then trios, the books and what cannot be said."""
    of, who = meeting.prices, called(meeting.flock)
    pieces: list[Markup] = [
        foremost_first(of.sentences, "What prices and costs rest on"),
        price_list(of, who),
        fold("Trios to offer instead", trios(of, who), on_paper=False) if len(of.trios) else Markup(""),
        fold("The season's books, line by line", books(of), on_paper=False),
    ]
    if of.cannot:
        pieces.append(fold("What cannot be said of prices", bullets(list(of.cannot), "small"), False))
    return join(pieces)


def price_list(of: Prices, who: Callable[[str], object] = str) -> Fragment:
    """Every sale proposed, a row an offer: what to ask, the market's middle with its interval, what it has cost.

    `who` tells how a bird is called.
    """
    if not len(of.offers):
        return paragraph("No bird goes.", "quiet")
    scale = _scale(of.offers)
    rows = [
        {
            "offer": _offered(r, who),
            "sold_as": r.sold_as,
            "asking": "" if missing(r.asking) else of.currency.words(r.asking),
            "price": _market(r, scale, of),
        }
        for r in each(of.offers)
    ]
    columns = {
        "offer": "Bird or lot",
        "sold_as": "Sold as",
        "asking": "Ask",
        "price": _market_head(scale, of),
    }
    caption = (
        "What to ask: bar and mark, what the market pays, 90 % interval and middle; upright, what it cost"
    )
    if of.offers["price"].isna().all():  # no market to go by: nothing to ask, and costs alone to draw
        columns = {"offer": columns["offer"], "price": _market_head(scale, of, "Cost to date")}
        caption = "Who goes; upright, what it has cost: there is no market to go by"
    if scale.x[1] <= 0:  # neither a market nor a cost is known: there is nothing to draw
        del columns["price"]
        caption = "Who goes: nothing is known of the market or of what they cost"
    return table(rows, columns, caption, ["asking"], kind="prices")


def _offered(row: Any, who: Callable[[str], object]) -> Markup:
    """The bird or the lot with its birds, and below it what to know of the price."""
    named = (
        str(who(row.offer))
        if row.size == 1
        else f"{row.offer}: {'; '.join(str(who(bird)) for bird in row.birds)}"
    )
    remark = Markup('<div class="small">{}</div>').format(row.remark) if row.remark else Markup("")
    return Markup("{}{}").format(named, remark)


def _scale(offers: pd.DataFrame) -> Panel:
    """From nothing to the highest of all that is drawn; to nothing where there is nothing to draw."""
    amounts = offers[["price", "high", "floor"]].to_numpy(dtype=float)
    top = float(np.nanmax(amounts)) if np.isfinite(amounts).any() else 0.0
    return Panel(x=(0.0, 1.05 * top), y=(0, 1), wide=TRACK, left=10, right=14)


def _market_head(scale: Panel, of: Prices, title: str = "The market") -> Markup:
    values = Markup("").join(
        Markup('<text x="{:.1f}" y="11" font-size="11" text-anchor="middle" fill="{}">{}</text>').format(
            scale.across(x), QUIET, of.currency.words(x)
        )
        for x in ticks(*scale.x, most=4)
    )
    return Markup('{}<svg class="track" viewBox="0 0 {} 14" aria-hidden="true">{}</svg>').format(
        title, TRACK, values
    )


def _market(row: Any, scale: Panel, of: Prices) -> Markup:
    """One offer's interval with its middle and its cost, and the same in figures for readers who cannot see it."""
    words, middle = of.currency.words, ROW / 2
    parts, said = [], []
    if not missing(row.low):
        parts.append(
            Markup('<path d="M{:.1f} {}H{:.1f}" stroke="{}" stroke-width="5" stroke-opacity=".38"/>').format(
                scale.across(float(row.low)), middle, scale.across(float(row.high)), KEEP
            )
        )
    if not missing(row.price):
        at = MARKS["o"](scale.across(float(row.price)), middle)
        parts.append(Markup('<path d="{}" fill="{}"/>').format(at, KEEP))
        span = "" if missing(row.low) else f" ({words(row.low)} to {words(row.high)})"
        said.append(f"market {words(row.price)}{span}")
    if not missing(row.floor):
        cost = scale.across(float(row.floor))
        parts.append(Markup('<path d="M{:.1f} 2V14" stroke="{}" stroke-width="1.6"/>').format(cost, INK))
        said.append(f"cost {words(row.floor)}")
    return Markup('<svg class="track" viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>').format(
        TRACK, ROW, "; ".join(said), Markup("").join(parts)
    )


def trios(of: Prices, who: Callable[[str], object] = str) -> Fragment:
    """Unrelated trios that could be offered instead of their birds singly; `who` tells how a bird is called."""
    rows = [
        {
            "birds": f"{who(r.cock)} with {who(r.hen)} and {who(r.other_hen)}",
            "price": _span(of, r.price, r.low, r.high),
            "apart": _span(of, r.apart),
            "inbreeding": f"{r.inbreeding:.3f} ({r.inbreeding_most:.3f})",
            "why": r.why,
        }
        for r in each(of.trios)
    ]
    if not rows:
        return Fragment("")
    columns = {
        "birds": "Trio",
        "price": "Together (90 %)",
        "apart": "Singly",
        "inbreeding": "F of chicks (at worst)",
        "why": "Related",
    }
    caption = "Trios to offer instead, priced as one lot by what lots have brought"
    return table(rows, columns, caption, ["price", "apart"], kind="stack")


def books(of: Prices) -> Fragment:
    """The season's money in a few lines."""
    rows = [
        {
            "line": r.line,
            "amount": _span(of, r.amount),
            "range": "" if missing(r.low) else f"{of.currency.words(r.low)} to {of.currency.words(r.high)}",
        }
        for r in each(of.season)
    ]
    columns = {"line": "The season", "amount": "Amount", "range": "90 % interval"}
    return table(rows, columns, "The season's books", ["amount", "range"])


def _span(of: Prices, amount: Any, low: Any = None, high: Any = None) -> str:
    """An amount with its interval where there is one; blank where missing."""
    if missing(amount):
        return ""
    words = of.currency.words
    return words(amount) if missing(low) else f"{words(amount)} ({words(low)} to {words(high)})"
