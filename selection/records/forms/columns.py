"""Every column of every form, defined once.

Forms, ledger, checks, documentation and empty workbooks all come from :data:`FORMS`. A column's `kind` says
how a cell is read and what a reader of the flock finds:

=========  =======================================================  ========================
kind       what a cell holds                                        dtype in a flock's frame
=========  =======================================================  ========================
text       free text, kept as typed                                 str (missing: NaN)
label      a name that other rows refer to; compared case-folded    str
labels     one or more labels parted by ``;``                       str
choice     one of `allowed`, compared case-folded                   str
date       a day                                                    datetime64[s]
born       a day, or a bare year for a bird older than the records  str, ``2026-04-18`` or ``2020``
number     a measured number                                        float64
whole      a count                                                  float64 (whole, NaN missing)
money      an amount in the plan's currency, kept to two decimals   float64
=========  =======================================================  ========================

Missing is always NaN or NaT: "not recorded", never zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

_Kind = Literal["text", "label", "labels", "choice", "date", "born", "number", "whole", "money"]

ORIGINS = ("bought-in", "home-bred")
SEXES = ("male", "female", "unknown")
GONE = ("sold", "given", "died", "killed", "lost", "returned")
LEGS = ("left", "right")
RING_KINDS = ("spiral", "clip", "flat", "closed")
SOLD_AS = ("breeding", "layer", "pet", "table")
INCOME = ("eggs", "own table", "stud", "other")
ITEMS = ("eggs", "feed", "rings", "power", "bedding", "treatment", "other")
DECISIONS = ("keep", "reserve", "sell")


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a form: its name, kind, meaning, unit, whether it must be there, and what it may hold."""

    name: str
    kind: _Kind
    meaning: str
    unit: str = ""
    required: bool = False
    allowed: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    blank_means: str | None = None  # what a blank cell of a required column says; else it must be filled


@dataclass(frozen=True, slots=True)
class Form:
    """One form: its name, the columns of its key, the date that places a row in time, its columns."""

    name: str
    title: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    dated_by: str | None = None
    names_bird: bool = False  # a row may name its bird by ring colours
    chicks: bool = False  # a row may speak for unnamed chicks (clutch, sex, n)

    def column(self, name: str) -> Column:
        """The column called `name`; raises KeyError if the form has none."""
        if name not in self.names:
            raise KeyError(f"the form {self.name} has no column {name}")
        return self.columns[self.names.index(name)]

    @property
    def names(self) -> tuple[str, ...]:
        """The names of its columns, in order."""
        return tuple(c.name for c in self.columns)

    @property
    def required(self) -> tuple[str, ...]:
        """The names of the columns that must be there."""
        return tuple(c.name for c in self.columns if c.required)


_ON = Column("on", "date", "the day it was seen or done", required=True)
_NOTE = Column("note", "text", "anything worth remembering")
_BIRD = Column("bird", "label", "the bird's number")
_LEFT = Column("left", "text", "colour on the left leg that day, upper ring first: red/white")
_RIGHT = Column("right", "text", "colour on the right leg that day, upper ring first")
_CHICKS = (
    Column("clutch", "label", "for unnamed chicks: the clutch they came from"),
    Column("sex", "choice", "for unnamed chicks: their sex", allowed=SEXES),
    Column("n", "whole", "how many unnamed chicks the row speaks for; blank is 1", unit="chicks", low=1),
)

FORMS: dict[str, Form] = {
    form.name: form
    for form in (
        Form(
            "clutches",
            "Clutches set",
            ("clutch",),
            (
                Column("clutch", "label", "the clutch's own label, unique for good", required=True),
                Column("origin", "choice", "where the eggs came from", required=True, allowed=ORIGINS),
                Column("source", "label", "supplier of bought-in eggs; a second pen of theirs as name/pen"),
                Column("pen", "label", "breeding pen of home-bred eggs"),
                Column("set_on", "date", "the day the eggs were set", required=True),
                Column("hatched_on", "date", "the day the chicks hatched; 21 days after setting is normal"),
                Column("eggs_set", "whole", "eggs set", unit="eggs", low=0),
                Column("fertile", "whole", "eggs found fertile", unit="eggs", low=0),
                Column("hatched", "whole", "chicks hatched", unit="chicks", low=0),
                Column("cocks", "whole", "cocks in the supplier's pen; blank: not told", unit="birds", low=1),
                Column("hens", "whole", "hens in the supplier's pen; blank: not told", unit="birds", low=1),
                Column("brooder", "label", "where the chicks were reared"),
                _NOTE,
            ),
            dated_by="set_on",
        ),
        Form(
            "birds",
            "Birds",
            ("bird",),
            (
                Column("bird", "label", "the bird's number, unique for good", required=True),
                Column("sex", "choice", "its sex", required=True, allowed=SEXES, blank_means="unknown"),
                Column(
                    "clutch",
                    "labels",
                    "its clutch, 26-H1;26-H2 if mixed; blank: a founder, or bought",
                ),
                Column("hatched_on", "born", "the day it hatched, or a bare year; blank: the clutch's"),
                Column("sire", "label", "its sire, where known"),
                Column("dam", "label", "its dam, where known"),
                Column("origin", "choice", "for a bird bought grown", allowed=ORIGINS),
                Column("source", "label", "the supplier of a bird bought grown"),
                Column("came_on", "date", "the day a bird bought grown came"),
                Column("name", "text", "its name"),
                Column("gone_on", "date", "its last day here"),
                Column("gone_why", "choice", "why it went", allowed=GONE),
                _NOTE,
            ),
            dated_by="came_on",
        ),
        Form(
            "rings",
            "Leg rings",
            ("bird", "leg", "fitted_on"),
            (
                Column("bird", "label", "the bird's number", required=True),
                Column(
                    "leg",
                    "choice",
                    "left: clutch or hatch year; right: the bird's own",
                    required=True,
                    allowed=LEGS,
                ),
                Column(
                    "colour",
                    "text",
                    "colour of the ring; two on one leg upper first: red/white",
                    required=True,
                ),
                Column("kind", "choice", "kind of ring", allowed=RING_KINDS),
                Column("size_mm", "number", "inner diameter", unit="mm", low=1, high=40),
                Column("mark", "text", "number on a closed ring"),
                Column("fitted_on", "date", "the day it was put on", required=True),
                Column("removed_on", "date", "the day it came off"),
                _NOTE,
            ),
            dated_by="fitted_on",
        ),
        Form(
            "pens",
            "Who stood where",
            ("pen", "bird", "from"),
            (
                Column("pen", "label", "the pen", required=True),
                Column("bird", "label", "the bird's number", required=True),
                Column("from", "date", "first day there", required=True),
                Column("to", "date", "the day it left, not counted there; blank: still there"),
            ),
            dated_by="from",
        ),
        Form(
            "scores",
            "Looks",
            ("on", "judge", "bird"),
            (
                _ON,
                Column("judge", "label", "who judged", required=True),
                _BIRD,
                _LEFT,
                _RIGHT,
                *_CHICKS,
                Column(
                    "total",
                    "number",
                    "total of an old show card without sections",
                    unit="points",
                    low=0,
                    high=100,
                ),
                Column("faults", "labels", "faults seen, by the standard's names, parted by ;"),
                _NOTE,
            ),
            dated_by="on",
            names_bird=True,
            chicks=True,
        ),
        Form(
            "weights",
            "Weighings",
            ("on", "bird"),
            (
                _ON,
                _BIRD,
                _LEFT,
                _RIGHT,
                *_CHICKS,
                Column("grams", "number", "weight", unit="g", required=True, low=0),
                _NOTE,
            ),
            dated_by="on",
            names_bird=True,
            chicks=True,
        ),
        Form(
            "measures",
            "Other measurements",
            ("on", "bird", "trait", "judge"),
            (
                _ON,
                _BIRD,
                _LEFT,
                _RIGHT,
                *_CHICKS,
                Column("trait", "label", "what was measured, by the standard's name for it", required=True),
                Column("value", "number", "the measurement, in the trait's unit", required=True),
                Column("judge", "label", "who measured"),
                _NOTE,
            ),
            dated_by="on",
            names_bird=True,
            chicks=True,
        ),
        Form(
            "eggs",
            "Egg basket",
            ("on", "pen", "bird"),
            (
                _ON,
                Column("pen", "label", "the pen the eggs came from"),
                _BIRD,
                Column(
                    "eggs", "whole", "eggs found; 0 is counted, none found", unit="eggs", required=True, low=0
                ),
                Column(
                    "days",
                    "whole",
                    "days whose eggs these are, up to and with `on`; blank is 1",
                    unit="days",
                    low=1,
                ),
                Column("grams", "number", "their weight together", unit="g", low=1),
                _NOTE,
            ),
            dated_by="on",
        ),
        Form(
            "sales",
            "Sales",
            ("on", "bird"),
            (
                _ON,
                Column("bird", "label", "the bird's number", required=True),
                Column("sold_as", "choice", "what it was sold for", required=True, allowed=SOLD_AS),
                Column(
                    "price",
                    "money",
                    "price paid; of a lot, the lot's, on each of its rows",
                    required=True,
                    low=0,
                ),
                Column("lot", "label", "birds sold together for one price"),
                _NOTE,
            ),
            dated_by="on",
        ),
        Form(
            "costs",
            "Bills",
            ("on", "item", "clutch", "line"),
            (
                _ON,
                Column("item", "choice", "what for", required=True, allowed=ITEMS),
                Column("amount", "money", "amount paid", required=True, low=0),
                Column("clutch", "label", "the clutch it was for; blank: the season"),
                Column("line", "label", "to tell two bills of one day apart"),
                Column(
                    "withdrawal_days",
                    "whole",
                    "of a treatment: days, as its label says, before eggs or meat may be eaten",
                    unit="days",
                    low=0,
                ),
                _NOTE,
            ),
            dated_by="on",
        ),
        Form(
            "income",
            "Money beside the sale of birds",
            ("on", "item", "line"),
            (
                _ON,
                Column("item", "choice", "what for", required=True, allowed=INCOME),
                Column("amount", "money", "amount taken, or what it was worth", required=True, low=0),
                Column("n", "whole", "how many", low=1),
                Column("line", "label", "to tell two of one day apart"),
                _NOTE,
            ),
            dated_by="on",
        ),
        Form(
            "decisions",
            "Decisions",
            ("on", "bird"),
            (
                _ON,
                Column("bird", "label", "the bird's number", required=True),
                Column("decided", "choice", "what the meeting decided", required=True, allowed=DECISIONS),
                Column("who", "label", "who decided"),
                Column("settled", "choice", "yes where settling the meeting recorded it", allowed=("yes",)),
                Column("why", "text", "why"),
            ),
            dated_by="on",
        ),
    )
}
"""The twelve forms by name, in the order they are read."""
