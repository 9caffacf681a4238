"""The sheet a buyer takes home: one printable page for a bird, a trio or a lot.

All text from the forms is escaped by the template; nothing from a form reaches a style or an attribute that
could carry markup. Serious faults head the page and are never left off.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from selection.decide.wording import each
from selection.errors import RecordsError
from selection.merit.relationship.kinship import Descent, degree
from selection.merit.relationship.worst_case import WorstCase
from selection.records.flock import Flock
from selection.show.page.style import ring_paint
from selection.show.sheets.sheet_facts import Facts, Sources, day, facts_of, readable

if TYPE_CHECKING:
    from jinja2 import Template

    from selection.decide.prices.prices import Prices
    from selection.merit.ranking import Merit
    from selection.merit.relationship.pedigree import Pedigree
    from selection.standard.growth import Growth
    from selection.standard.points import Points

TEMPLATES = Path(__file__).parents[1] / "templates"

CAUTIONS = (
    "Keep new birds apart from your own for some weeks and watch them; ask a veterinary surgeon how long.",
    "Moving and selling birds, registering their keepers, and disease notices: local law and club rules "
    "decide, not this sheet.",
    "Eggs and meat within a medicine's withdrawal period are not for eating: ask what was given, and when.",
    "Look at leg rings weekly while a bird grows; an outgrown ring injures (common practice).",
    "This sheet says what was seen and recorded. It is not a warranty of what a bird or its chicks become.",
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """One page: title, kind of sale and asking price in words (blank: none said), birds, kinship, faults."""

    title: str
    sold_as: str
    asking: str
    birds: tuple[Facts, ...]
    kinship: tuple[str, ...]
    serious: tuple[str, ...]


def buyer_sheets(
    flock: Flock,
    prices: Prices | None,
    points: Points,
    merit: Merit | None = None,
    birds: Iterable[str | Sequence[str]] | None = None,
    *,
    growth: Growth | None = None,
    buyer_has: Sequence[str] = (),
) -> str:
    """One HTML document with a page for each of `birds`: a bird's number, or the numbers of a trio or lot.

    Without `birds`, a page for everything that goes. `buyer_has` are birds of ours that the buyer already
    has. Without `merit` nothing is said of relationship. Raises RecordsError naming every bird that is not on
    record.
    """
    from selection.standard.growth import fit_growth

    wanted = _wanted(prices, birds, flock)
    _refuse_unknown(flock, [*(bird for page in wanted for bird in page), *buyer_has])
    growth = growth or (merit.growth if merit is not None else fit_growth(flock))
    pedigree = None if merit is None else merit.pedigree
    sources = Sources(flock, points, growth, pedigree)
    facts = {bird: facts_of(bird, sources) for page in wanted for bird in page}
    kin = _Kin(flock, pedigree, [*facts, *buyer_has])
    pages = [_sheet(page, [facts[bird] for bird in page], prices, kin, buyer_has) for page in wanted]
    return render(flock, pages)


def render(flock: Flock, pages: Sequence[Sheet]) -> str:
    """The pages as one HTML document."""
    return _template().render(
        breed=readable(flock.standard.breed),
        on=day(pd.Timestamp(flock.plan.on)),
        pages=pages,
        cautions=CAUTIONS,
    )


@cache
def _template() -> Template:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["paint"] = ring_paint
    return environment.get_template("buyer_sheet.html")


def _wanted(
    prices: Prices | None, birds: Iterable[str | Sequence[str]] | None, flock: Flock
) -> list[tuple[str, ...]]:
    """The birds of each page; chicks without a number have none."""
    if birds is not None:
        return [(page,) if isinstance(page, str) else tuple(page) for page in birds]
    if prices is None:
        return []
    known = set(flock.birds["bird"])
    pages = [tuple(b for b in str(birds).split("; ") if b in known) for birds in prices.offers["birds"]]
    return [page for page in pages if page]


def _refuse_unknown(flock: Flock, birds: Iterable[str]) -> None:
    known = set(flock.birds["bird"])
    missing = [str(bird) for bird in dict.fromkeys(birds) if bird not in known]
    if missing:
        raise RecordsError(
            f"buyer's sheet: no bird {', '.join(missing)} on record; expected numbers from the birds form"
        )


def _sheet(
    page: tuple[str, ...],
    facts: Sequence[Facts],
    prices: Prices | None,
    kin: _Kin,
    buyer_has: Sequence[str],
) -> Sheet:
    serious = tuple(
        f"{bird.number}: {fault.name} (seen by {fault.seen})"
        for bird in facts
        for fault in bird.faults
        if fault.serious
    )
    sold_as, asking = _asked(page, prices)
    title = " and ".join(", ".join(bird.number for bird in facts).rsplit(", ", 1))
    return Sheet(title, sold_as, asking, tuple(facts), kin.of_page(page, buyer_has), serious)


def _asked(page: tuple[str, ...], prices: Prices | None) -> tuple[str, str]:
    """What the birds of a page are sold as, and what is asked for them together, in words."""
    if prices is None:
        return "", ""
    trio = prices.trios[[set(page) == {t.cock, t.hen, t.other_hen} for t in each(prices.trios)]]
    if len(trio):
        price = trio["price"].iloc[0]
        return "breeding", "" if price is None else prices.currency.words(prices.currency.whole(price))
    of = {bird: offer for offer in each(prices.offers) for bird in offer.birds.split("; ")}
    offers = {of[bird].offer: of[bird] for bird in page if bird in of}
    asked: list[Decimal | None] = [offer.asking for offer in offers.values()]
    whole = {bird for offer in offers.values() for bird in offer.birds.split("; ")} == set(page)
    kinds = " and ".join(dict.fromkeys(offer.sold_as for offer in offers.values()))
    known = [amount for amount in asked if amount is not None]
    if not whole or not asked or len(known) < len(asked):
        return kinds, ""
    return kinds, prices.currency.words(sum(known, Decimal(0)))


class _Kin:
    """How the birds of a page are related to each other and to those the buyer has."""

    def __init__(self, flock: Flock, pedigree: Pedigree | None, birds: Sequence[str]) -> None:
        self.pedigree = pedigree
        self.sexes = dict(zip(flock.birds["bird"], flock.birds["sex"], strict=True))
        if pedigree is not None:
            self.worst = WorstCase(pedigree, list(dict.fromkeys(birds)))
            self.lines = Descent(pedigree, self.sexes)

    def of_page(self, page: tuple[str, ...], buyer_has: Sequence[str]) -> tuple[str, ...]:
        """One sentence a pair: those of the page, then each with each bird the buyer has."""
        if self.pedigree is None:
            return ()
        pairs = [
            *combinations(page, 2),
            *((bird, other) for bird in page for other in buyer_has if bird != other),
        ]
        said = [self._pair(first, second) for first, second in pairs]
        own = float(max(self.pedigree.inbreeding[self.pedigree.positions(page)]))
        if len(page) == 1:
            said.append(
                f"The bird's own inbreeding is {own:.3f}. Put to an unrelated mate, its chicks have none."
            )
        return tuple(said)

    def _pair(self, first: str, second: str) -> str:
        assert self.pedigree is not None
        related = float(self.pedigree.relationship([first], [second])[0, 0])
        if {self.sexes[first], self.sexes[second]} != {"male", "female"}:
            pair = f"{readable(first)} and {readable(second)}"
            return f"{pair}: relationship {related:.2f} (that of full sisters or brothers is 0.50)."
        cock, hen = (first, second) if self.sexes[first] == "male" else (second, first)
        worst = self.worst.pair(cock, hen).relationship / 2
        why = "; ".join(self.lines.common_ancestors(cock, hen, most=1)) if related > 0 else ""
        return (
            f"{readable(cock)} × {readable(hen)}: expected inbreeding of their chicks {related / 2:.3f} "
            f"({degree(related / 2)}), at worst {worst:.3f}" + (f": {readable(why)}." if why else ".")
        )
