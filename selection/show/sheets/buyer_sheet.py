"""The sheet a buyer takes home: one printable page a bird, the birds of a trio or a lot one after another.

All text from the forms is escaped by the template; nothing from a form reaches a style or an attribute that
could carry markup. Serious faults head the page and are never left off.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from selection.decide.life import ancestors, laid_by_dams
from selection.decide.wording import counted, each, listed
from selection.errors import RecordsError
from selection.merit.candidates import called
from selection.merit.relationship.kinship import Descent, degree
from selection.merit.relationship.relations import Relations
from selection.merit.relationship.worst_case import WorstCase
from selection.records.flock import Flock
from selection.records.ledger import durable
from selection.show.page.family_tree import places_in_words, whose
from selection.show.page.style import ring_paint
from selection.show.sheets.sheet_facts import Facts, Sources, day, facts_of, readable

if TYPE_CHECKING:
    from jinja2 import Template

    from selection.decide.prices.prices import Prices
    from selection.merit.ranking import Merit
    from selection.merit.relationship.pedigree import Pedigree
    from selection.records.photos import Album
    from selection.standard.growth import Growth
    from selection.standard.points import Points

_TEMPLATES = Path(__file__).parents[1] / "templates"

_MOST_NAMED = 4
"""Possible birds that a place of three generations names."""

BUYER_CAUTIONS = (
    "This sheet is the seller's own records. It is no certificate of any society, club or authority.",
    "Keep new birds apart from your own for some weeks and watch them; ask a veterinary surgeon how long.",
    "Moving and selling birds, registering their keepers, and disease notices: local law and club rules "
    "decide, not this sheet.",
    "Eggs and meat within a medicine's withdrawal period are not for eating: ask what was given, and when.",
    "Look at leg rings weekly while a bird grows; an outgrown ring injures (common practice).",
    "This sheet says what was seen and recorded. It is not a warranty of what a bird or its chicks become.",
)


@dataclass(frozen=True, slots=True)
class BuyerSheet:
    """One bird's page.

    title: its number; lot: the others sold with it; sold_as, asking: in words (blank: none said); bird: its facts;
    photo: a small JPEG in base64 (blank: none); forebears: place and who stands there; laid: eggs of its dam's group
    (blank: not counted); kinship: a sentence a pair; serious: faults that bar from breeding.
    """

    title: str
    lot: str
    sold_as: str
    asking: str
    bird: Facts
    photo: str
    forebears: tuple[tuple[str, str], ...]
    laid: str
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
    pedigree: Pedigree | None = None,
    buyer_has: Sequence[str] = (),
    buyer: str = "",
    photos: Album | None = None,
) -> str:
    """One HTML document with a page for each of `birds`: a bird's number, or the numbers of a trio or lot.

    Without `birds`, a page for everything that goes. `buyer_has` are birds of ours that the buyer already
    has, `buyer` the buyer's name. Without `merit` and `pedigree` nothing is said of relationship. Raises RecordsError
    naming every bird that is not on record.
    """
    from selection.standard.growth import fit_growth

    wanted = _wanted(prices, birds, flock)
    _refuse_unknown(flock, [*(bird for page in wanted for bird in page), *buyer_has])
    growth = growth or (merit.growth if merit is not None else fit_growth(flock))
    pedigree = pedigree or (None if merit is None else merit.pedigree)
    sources = Sources(flock, points, growth, pedigree)
    facts = {bird: facts_of(bird, sources) for page in wanted for bird in page}
    kin = _Kin(flock, pedigree, [*facts, *buyer_has])
    pages = [
        _sheet(bird, page, facts[bird], prices, kin, buyer_has, sources, photos)
        for page in wanted
        for bird in page
    ]
    return render(flock, pages, buyer)


def write_buyer_sheets(path: Path, flock: Flock, birds: Sequence[str], out: Path, buyer: str = "") -> Album:
    """Write the sheets of one lot, without a price, to the file `out`; the album its photos came from.

    `path` is the flock's folder. Raises as :func:`buyer_sheets`.
    """
    from selection.merit.relationship.parentage import parentage
    from selection.records.photos import album
    from selection.standard.growth import fit_growth
    from selection.standard.points import score

    growth = fit_growth(flock)
    photos = album(path, flock.birds["bird"], flock.plan.on)
    html = buyer_sheets(
        flock, None, score(flock, growth), birds=[tuple(dict.fromkeys(birds))], growth=growth,
        pedigree=parentage(flock).pedigree, buyer=buyer, photos=photos,
    )  # fmt: skip
    with durable.disk_faults(out):
        durable.publish(out, html.encode("utf-8", "replace"))
    return photos


def render(flock: Flock, pages: Sequence[BuyerSheet], buyer: str = "") -> str:
    """The pages as one HTML document."""
    return _template().render(
        holding=readable(flock.plan.holding),
        contact=readable(flock.plan.contact),
        buyer=readable(buyer),
        breed=readable(flock.standard.breed),
        on=day(pd.Timestamp(flock.plan.on)),
        pages=pages,
        cautions=BUYER_CAUTIONS,
    )


@cache
def _template() -> Template:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
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
    pages = [tuple(b for b in birds if b in known) for birds in prices.offers["birds"]]
    return [page for page in pages if page]


def _refuse_unknown(flock: Flock, birds: Iterable[str]) -> None:
    known = set(flock.birds["bird"])
    missing = [str(bird) for bird in dict.fromkeys(birds) if bird not in known]
    if missing:
        raise RecordsError(
            f"buyer's sheet: no bird {', '.join(missing)} on record; expected numbers from the birds form"
        )


def _sheet(
    bird: str,
    lot: tuple[str, ...],
    facts: Facts,
    prices: Prices | None,
    kin: _Kin,
    buyer_has: Sequence[str],
    sources: Sources,
    photos: Album | None,
) -> BuyerSheet:
    serious = tuple(
        f"{facts.number}: {fault.name} (seen by {fault.seen})" for fault in facts.faults if fault.serious
    )
    sold_as, asking = _asked(lot, prices)
    others = [readable(str(kin.of(other))) for other in lot if other != bird]
    data = None if photos is None else photos.latest(bird)
    laid = _laid(sources, bird)
    if not laid:
        facts = replace(facts, unknown=(*facts.unknown, "how its dam's group laid: not counted"))
    return BuyerSheet(
        facts.number, listed(others) if others else "", sold_as, asking, facts,
        "" if data is None else base64.b64encode(data).decode("ascii"),
        _forebears(sources, bird), laid, kin.of_bird(bird, [*lot, *buyer_has]), serious,
    )  # fmt: skip


def _forebears(sources: Sources, bird: str) -> tuple[tuple[str, str], ...]:
    """Three generations, place by place."""
    if sources.pedigree is None:
        return ()
    told = places_in_words(ancestors(sources.pedigree, bird), sources.birds, most=_MOST_NAMED)
    return tuple((whose(path), readable(said)) for path, said in told)


def _laid(sources: Sources, bird: str) -> str:
    """What its dam's group laid in the year before; blank where nobody counted, or its dam was never seen."""
    laid = None if sources.pedigree is None else laid_by_dams(sources.flock, sources.pedigree, bird)
    if laid is None:
        return ""
    return (
        f"{laid.eggs:,.0f} eggs in pens of up to {counted(laid.hens, 'hen')} where its possible dams stood, counted "
        f"between {day(laid.first)} and {day(laid.last)}: {laid.eggs / laid.hen_days:.2f} a hen a day"
    )


def _asked(page: tuple[str, ...], prices: Prices | None) -> tuple[str, str]:
    """What the birds of a page are sold as, and what is asked for them together, in words."""
    if prices is None:
        return "", ""
    trio = prices.trios[[set(page) == {t.cock, t.hen, t.other_hen} for t in each(prices.trios)]]
    if len(trio):
        price = trio["price"].iloc[0]
        return "breeding", "" if price is None else prices.currency.words(prices.currency.whole(price))
    of = {bird: offer for offer in each(prices.offers) for bird in offer.birds}
    offers = {of[bird].offer: of[bird] for bird in page if bird in of}
    asked: list[Decimal | None] = [offer.asking for offer in offers.values()]
    whole = {bird for offer in offers.values() for bird in offer.birds} == set(page)
    kinds = " and ".join(dict.fromkeys(o.sold_as for o in offers.values() if o.sold_as is not None))
    known = [amount for amount in asked if amount is not None]
    if not whole or not asked or len(known) < len(asked):
        return kinds, ""
    return kinds, prices.currency.words(sum(known, Decimal(0)))


class _Kin:
    """How the birds of a page are related to each other and to those the buyer has."""

    def __init__(self, flock: Flock, pedigree: Pedigree | None, birds: Sequence[str]) -> None:
        self.pedigree, self.of = pedigree, called(flock)
        self.sexes = dict(zip(flock.birds["bird"], flock.birds["sex"], strict=True))
        if pedigree is not None:
            self.worst = WorstCase(pedigree, list(dict.fromkeys(birds)))
            self.lines = Descent(pedigree, self.sexes, self.of)
            self.relations = Relations(pedigree, self.sexes)

    def of_bird(self, bird: str, others: Sequence[str]) -> tuple[str, ...]:
        """One sentence for each other bird of the lot and each the buyer has; then the bird's own inbreeding."""
        if self.pedigree is None:
            return ()
        said = [self._pair(bird, other) for other in dict.fromkeys(others) if other != bird]
        own = float(self.pedigree.inbreeding[self.pedigree.positions([bird])][0])
        return (
            *said,
            f"The bird's own inbreeding is {own:.3f}. Put to an unrelated mate, its chicks have none.",
        )

    def _pair(self, first: str, second: str) -> str:
        assert self.pedigree is not None
        related = float(self.pedigree.relationship([first], [second])[0, 0])
        if {self.sexes[first], self.sexes[second]} != {"male", "female"}:
            pair = f"{readable(str(self.of(first)))} and {readable(str(self.of(second)))}"
            told = self.relations.in_words(first, second)
            said = f"{pair}: relationship {related:.2f} (that of full sisters or brothers is 0.50)"
            return f"{said}; {readable(told)}." if told else f"{said}."
        cock, hen = (first, second) if self.sexes[first] == "male" else (second, first)
        worst = self.worst.pair(cock, hen).relationship / 2
        why = "; ".join(self.lines.common_ancestors(cock, hen, most=1)) if related > 0 else ""
        pair = f"{readable(str(self.of(cock)))} × {readable(str(self.of(hen)))}"
        return (
            f"{pair}: expected inbreeding of their chicks {related / 2:.3f} "
            f"({degree(related / 2)}), at worst {worst:.3f}" + (f": {readable(why)}." if why else ".")
        )
