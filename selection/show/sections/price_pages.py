"""What each bird that goes has cost, and what to ask for it."""

from __future__ import annotations

from markupsafe import Markup

from selection.decide.meeting import Meeting
from selection.decide.prices.prices import Prices
from selection.decide.wording import each
from selection.show.page.figures import missing
from selection.show.page.fragments import Fragment, bullets, folded, join, table


def prices(meeting: Meeting) -> Fragment:
    """The price list with its intervals, trios, the season's books, and what cannot be said."""
    of = meeting.prices
    pieces: list[Markup] = [bullets(list(of.sentences)), price_list(of), trios(of), books(of)]
    if of.cannot:
        pieces.append(folded("What cannot be said of prices", bullets(list(of.cannot), "small"), False))
    return join(pieces)


def price_list(of: Prices) -> Fragment:
    """Every sale proposed: what to ask, the market's middle with its 90 % interval, and what it has cost."""
    code = _code(of)
    rows = [
        {
            "offer": r.offer if r.size == 1 else f"{r.offer}: {r.birds}",
            "sold_as": r.sold_as,
            "asking": _money(r.asking),
            "price": _money(r.price)
            if missing(r.low)
            else f"{_money(r.price)} ({_money(r.low)} to {_money(r.high)})",
            "floor": _money(r.floor),
            "remark": r.remark,
        }
        for r in each(of.offers)
    ]
    columns = {
        "offer": "Bird or lot",
        "sold_as": "Sold as",
        "asking": f"Ask{code}",
        "price": "Market's middle (90 %)",
        "floor": "Cost so far",
        "remark": "Remark",
    }
    return table(
        rows,
        columns,
        f"Price list{code}",
        ["asking", "price", "floor"],
        empty="No bird goes.",
        kind="stack",
    )


def trios(of: Prices) -> Fragment:
    """Unrelated trios that could be offered instead of their birds singly."""
    rows = [
        {
            "birds": f"{r.cock} with {r.hen} and {r.other_hen}",
            "price": f"{_money(r.price)} ({_money(r.low)} to {_money(r.high)})"
            if not missing(r.price)
            else "",
            "apart": _money(r.apart),
            "inbreeding": f"{r.inbreeding:.3f} ({r.inbreeding_most:.3f})",
            "why": r.why,
        }
        for r in each(of.trios)
    ]
    if not rows:
        return Fragment("")
    columns = {
        "birds": "Trio",
        "price": f"Together{_code(of)} (90 %)",
        "apart": "Singly",
        "inbreeding": "F of chicks (at worst)",
        "why": "Related",
    }
    return table(
        rows,
        columns,
        "Trios to offer instead, priced as one lot by what lots have brought",
        ["price", "apart"],
        kind="stack",
    )


def books(of: Prices) -> Fragment:
    """The season's money in a few lines."""
    rows = [
        {
            "line": r.line,
            "amount": _money(r.amount),
            "range": "" if missing(r.low) else f"{_money(r.low)} to {_money(r.high)}",
        }
        for r in each(of.season)
    ]
    columns = {"line": "The season", "amount": of.currency.code or "Amount", "range": "90 % interval"}
    return table(rows, columns, "The season's books", ["amount", "range"])


def _code(of: Prices) -> str:
    """The currency behind a heading; nothing where the plan names none."""
    return f", {of.currency.code}" if of.currency.code else ""


def _money(amount: object) -> str:
    return "" if missing(amount) else f"{amount:,}"
