"""Sheets to print and fill in with a pen beside the birds: for a look, for a weighing, for the weekly ring check.

Each sheet is first put together as plain data (:class:`PenSheet`), which tests read, and then printed by one
template. Birds stand in the order of their ring colours, since that is what one sees in the pen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from selection.answer import REACH
from selection.decide.prices.money import Currency
from selection.decide.wording import counted, each
from selection.merit.candidates import called
from selection.records.after_meeting import to_go
from selection.records.flock import Flock
from selection.records.forms.schema import folded
from selection.records.forms.season_workbook import birds_by_rings
from selection.records.ledger import durable
from selection.records.ringplan import GROWN_UP_WEEKS, RING_CAUTIONS, worn_rings
from selection.show.page.fragments import Fragment
from selection.show.page.style import ring_mark

if TYPE_CHECKING:
    from jinja2 import Template

    from selection.standard.growth import Growth

_TEMPLATES = Path(__file__).parents[1] / "templates"
SPARE_LINES = 4
"""Empty lines at the end, for unnamed chicks and birds without a ring."""
WEEKS_A_SHEET = 6
DAYS_AN_EGG_SHEET = 14
OLDER = "Older birds"
MOVING = "Moving and selling birds: local law and club rules decide, not this list."
DECIDED_TO_GO = "Decided to go: strike out those that have gone, and write the day on the birds sheet"


@dataclass(frozen=True, slots=True)
class _Box:
    """A column to write in: its heading, what stands small under it, its share of the width."""

    title: str
    under: str = ""
    width: float = 1.0


@dataclass(frozen=True, slots=True)
class Line:
    """One bird: its group on the sheet, its number, its ring mark, and what is printed for it."""

    group: str
    bird: str
    mark: Fragment
    printed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PenSheet:
    """One sheet: its file's name, title, lines to fill in at the head, printed and empty columns, notes.

    `heads` are what the first two columns are called; `empty` stands in place of lines where there is none; `close`:
    upright paper and low lines, so that forty birds stand on one page.
    """

    name: str
    title: str
    head: tuple[str, ...]
    printed: tuple[str, ...]
    boxes: tuple[_Box, ...]
    lines: tuple[Line, ...]
    notes: tuple[str, ...]
    spare: int = SPARE_LINES
    heads: tuple[str, str] = ("Rings, left and right", "Bird")
    empty: str = "No living bird is on record on this day."
    close: bool = False


def write_pen_sheets(flock: Flock, out: str | Path, growth: Growth | None = None) -> list[Path]:
    """Write the sheets for `flock` as HTML pages into the folder `out`, and return their paths.

    `growth` (fitted here if absent) gives the expected weights. Raises RecordsError where the disk does not
    take them.
    """
    written = []
    for sheet in (
        look_sheet(flock),
        weighing_sheet(flock, growth),
        ring_check_sheet(flock),
        egg_sheet(flock),
    ):
        path = Path(out) / f"{sheet.name}.html"
        with durable.disk_faults(path):
            durable.publish(path, pen_page(sheet, flock).encode())
        written.append(path)
    return written


def write_catch_list(flock: Flock, to_sell: pd.DataFrame, out: str | Path) -> Path:
    """Write the catch list of the birds `to_sell` as one HTML page into the folder `out`, and return its path."""
    path = Path(out) / "catch-list.html"
    with durable.disk_faults(path):
        durable.publish(path, pen_page(catch_list(flock, to_sell), flock).encode())
    return path


def catch_list(flock: Flock, to_sell: pd.DataFrame) -> PenSheet:
    """The birds that go, pen by pen: how they look, as what, for how much, with whom, a box to tick, a line to write.

    `to_sell`: columns bird, left, right, pen, sold_as, price, lot (missing: not known).
    """
    of, currency = called(flock), Currency(flock.plan.currency)
    sexes = dict(zip(flock.birds["bird"], flock.birds["sex"], strict=True))
    lines = tuple(
        Line(
            f"Pen {row.pen}" if isinstance(row.pen, str) else "No pen on record",
            row.bird,
            ring_mark(row.left, row.right, row.bird),
            (
                of(row.bird).colours,
                of(row.bird).name or "",
                sexes.get(row.bird, ""),
                row.sold_as if isinstance(row.sold_as, str) else "",
                "" if row.price != row.price else currency.words(row.price),
                row.lot if isinstance(row.lot, str) else "",
            ),
        )
        for row in each(to_sell)
    )
    return PenSheet(
        name="catch-list",
        title="Catch list",
        head=("Day",),
        printed=("Colours, left and right", "Name", "Sex", "Goes as", "Asked", "Lot"),
        boxes=(_Box("Caught"), _Box("Buyer", width=5.0)),
        lines=lines,
        notes=(
            "Birds of one lot stand here with their share of its price; on the sales form write the whole lot's price "
            "in each of its rows.",
            MOVING,
        ),
        spare=0,
        empty="No living bird is decided to go.",
        close=True,
    )


def pen_page(sheet: PenSheet, flock: Flock) -> str:
    """The sheet as one HTML page that prints on A4; everything typed by hand is escaped."""
    groups = list(dict.fromkeys(line.group for line in sheet.lines))
    share = sum(box.width for box in sheet.boxes)
    return _template().render(
        sheet=sheet, groups=groups, share=share, breed=flock.standard.breed, on=flock.plan.on
    )


@cache
def _template() -> Template:
    from jinja2 import Environment, FileSystemLoader

    pages = Environment(loader=FileSystemLoader(_TEMPLATES), autoescape=True)
    return pages.get_template("pen_sheet.html")


def look_sheet(flock: Flock) -> PenSheet:
    """For one judge's look at the living birds: a box for each section judged by eye, room for faults."""
    sections = [_Box(s.title or s.name, f"of {s.points:g}") for s in flock.standard.by_eye]
    faults = [f"{f.name} (serious)" if f.serious else f.name for f in flock.standard.faults]
    notes = ["Points in quarters. An empty box means: not scored; it is never taken as zero."]
    if faults:
        notes.append(f"Faults by these names: {', '.join(faults)}.")
    notes.append("Unnamed chicks: write the colour of their clutch's ring, their sex, and how many they are.")
    return PenSheet(
        name="look",
        title="Look",
        head=("Day", "Judge"),
        printed=("Sex",),
        boxes=(*sections, _Box("Faults and notes", width=4.0)),
        lines=_lines(_present(flock), ["sex"]),
        notes=tuple(notes),
    )


def weighing_sheet(flock: Flock, growth: Growth | None = None) -> PenSheet:
    """For a weighing: each living bird's last weight, and the range to be expected on the plan's day.

    The range holds nine weighings in ten of birds of that age and with that bird's weights so far; a bird
    without a known hatch day has none. A last weight that the curve leaves out as a slip says so.
    """
    birds = _present(flock)
    return PenSheet(
        name="weighing",
        title="Weighing",
        head=("Day", "Scales checked with"),
        printed=("Sex", "Weeks", "Last weight", "Expected"),
        boxes=(_Box("Grams", "whole grams, not kilograms", 1.4), _Box("Notes", width=3.0)),
        lines=_lines(
            birds.assign(**_weights_in_words(flock, birds, growth)), ["sex", "weeks", "last", "expected"]
        ),
        notes=(
            f"Expected: where nine weighings in ten fall, at the age on {flock.plan.on}.",
            "A weight outside it is no fault of the bird: look at the scales, then at the bird.",
        ),
    )


def ring_check_sheet(flock: Flock) -> PenSheet:
    """For the weekly look at the rings of growing birds: what each wears, since when, and a box a week.

    Chicks that hatched and are not on the birds form yet are told by clutch: they wear rings as well.
    """
    birds = _present(flock)
    growing = birds[~(birds["age_weeks"] >= GROWN_UP_WEEKS)]
    rings = worn_rings(flock)
    words = (
        rings.assign(words=[_ring_in_words(ring) for ring in rings.to_dict("records")])
        .groupby("key")["words"]
        .agg("; ".join)
    )
    growing = growing.assign(
        rings=growing["bird"].str.casefold().map(words).fillna("no ring"), weeks=_weeks_in_words(growing)
    )
    weeks = [_Box("Week of", "✓ free, or new size", 1.0)] * WEEKS_A_SHEET
    grown = len(birds) - len(growing)
    return PenSheet(
        name="ring-check",
        title="Weekly ring check of growing birds",
        head=("First week", "Looked at by"),
        printed=("Weeks", "Rings"),
        boxes=tuple(weeks),
        lines=_lines(growing, ["weeks", "rings"]),
        notes=(*RING_CAUTIONS, *_not_written_down(flock)),
        empty="No growing bird is on record on this day, so there is no ring to look at weekly"
        + (
            f"; the {counted(grown, 'living bird')} on record {'is' if grown == 1 else 'are'} grown."
            if grown
            else "."
        ),
    )


def _not_written_down(flock: Flock) -> list[str]:
    """Clutches hatched within the last weeks of growing with more chicks than the birds form has ever had."""
    day = pd.Timestamp(flock.plan.on)
    clutches = flock.clutches.dropna(subset=["hatched_on", "hatched"])
    young = clutches[clutches["hatched_on"] > day - pd.Timedelta(weeks=GROWN_UP_WEEKS)]
    labels = flock.birds["clutch"].dropna().str.split(";").explode().str.strip()
    named = folded(labels.astype("str")).value_counts().to_dict()
    missing = [
        n - named.get(key, 0) for n, key in zip(young["hatched"], folded(young["clutch"]), strict=True)
    ]
    return [
        f"Clutch {clutch}: {hatched:.0f} hatched, {left:.0f} without a row on the birds form: use the empty lines."
        for clutch, hatched, left in zip(young["clutch"], young["hatched"], missing, strict=True)
        if left >= 1
    ]


def egg_sheet(flock: Flock) -> PenSheet:
    """For a fortnight's count of eggs, pen by pen; treatments whose withdrawal reaches into it are a caution."""
    day = pd.Timestamp(flock.plan.on)
    stays = flock.pens[~(flock.pens["to"] <= day)].merge(flock.birds[["bird", "sex", "alive"]], on="bird")
    hens = stays[(stays["sex"] == "female") & stays["alive"]].groupby("pen")["bird"].nunique()
    days = [day + pd.Timedelta(days=n) for n in range(DAYS_AN_EGG_SHEET)]
    return PenSheet(
        name="eggs",
        title="Eggs found",
        head=("Counted by",),
        printed=(),
        boxes=tuple(_Box(f"{one:%a} {one.day}", f"{one:%b}", 1.0) for one in days),
        lines=tuple(
            Line("Pens", str(pen), Fragment("{}").format(number), ()) for pen, number in hens.items()
        ),
        notes=(
            *withdrawals(flock),
            "An empty box means: not counted. Write 0 where you looked and found none.",
        ),
        spare=2,
        heads=("Hens", "Pen"),
        empty="No hen is in a pen on this day, as the pens form stands.",
    )


def withdrawals(flock: Flock) -> list[str]:
    """A caution for each treatment whose days of withdrawal, as on record from its label, are not over on the day."""
    day = pd.Timestamp(flock.plan.on)
    given = flock.costs[(flock.costs["item"] == "treatment") & (flock.costs["withdrawal_days"] > 0)]
    said = []
    for row in given.to_dict("records"):
        last = row["on"] + pd.Timedelta(days=row["withdrawal_days"])
        what = f" ({row['note']})" if isinstance(row["note"], str) else ""
        if last >= day:
            said.append(
                f"Treatment of {row['on'].date()}{what}: {row['withdrawal_days']:.0f} days of withdrawal on record, up "
                f"to and with {last.date()}. Keep these eggs apart: the label and a veterinary surgeon decide, not "
                "this sheet."
            )
    return said


def _present(flock: Flock) -> pd.DataFrame:
    """Living birds in ring-colour order: bird, left, right, group, sex, age_weeks.

    The season's own come first, and last those that were decided to go but whose going is not on record.
    """
    birds = birds_by_rings(flock).merge(flock.birds[["bird", "sex", "hatched", "hatch_year"]], on="bird")
    young = birds["hatch_year"] == flock.plan.season
    age = (pd.Timestamp(flock.plan.on) - birds["hatched"]).dt.days / 7
    birds = birds.assign(group=np.where(young, f"Hatched in {flock.plan.season}", OLDER), age_weeks=age)
    leaving = folded(birds["bird"]).isin(to_go(flock))
    birds["group"] = birds["group"].mask(leaving, DECIDED_TO_GO)
    parts = (birds[young & ~leaving], birds[~young & ~leaving], birds[leaving])
    return pd.concat(parts, ignore_index=True)


def _lines(birds: pd.DataFrame, printed: Sequence[str]) -> tuple[Line, ...]:
    return tuple(
        Line(
            row["group"],
            row["bird"],
            ring_mark(row["left"], row["right"], row["bird"]),
            tuple(row[c] for c in printed),
        )
        for row in birds.to_dict("records")
    )


def _weeks_in_words(birds: pd.DataFrame) -> list[str]:
    return [f"{age:.0f}" if age == age else "not known" for age in birds["age_weeks"]]


def _weights_in_words(flock: Flock, birds: pd.DataFrame, growth: Growth | None) -> dict[str, list[str]]:
    """Age, last weight and expected range of each bird, in words."""
    from selection.standard.growth import fit_growth

    growth = growth or fit_growth(flock)
    odd = growth.left_out[growth.left_out["why"].str.contains(" times ")].set_index("row")["why"]
    weights = flock.weights.assign(odd=odd.reindex(flock.weights.index).fillna(""))
    last = weights.dropna(subset="bird").sort_values("on", kind="stable")
    last = last.assign(key=last["bird"].str.casefold()).drop_duplicates("key", keep="last").set_index("key")
    expected = expected_weights(birds, growth)
    return {
        "weeks": _weeks_in_words(birds),
        "last": [_last_in_words(last, bird) for bird in birds["bird"].str.casefold()],
        "expected": [
            f"{low:,.0f}–{high:,.0f} g" if low == low else ""
            for low, high in zip(*expected.T.to_numpy(), strict=True)
        ],
    }


def _last_in_words(last: pd.DataFrame, bird: str) -> str:
    if bird not in last.index:
        return "not yet weighed"
    grams, on, odd = last.loc[bird, ["grams", "on", "odd"]]
    return (
        f"{str(float(grams)).removesuffix('.0')} g, {on.date()}: {odd}"
        if odd
        else f"{grams:,.0f} g, {on.date()}"
    )


def expected_weights(birds: pd.DataFrame, growth: Growth) -> pd.DataFrame:
    """Where the next weighing of each of `birds` (bird, age_weeks) should fall: columns low, high (grams).

    A 90 % range on the log scale: what is not known of the bird's own weight and of the curve, and how a
    weighing strays from day to day, added as variances. Missing where the age is.
    """
    aged = birds["age_weeks"].notna().to_numpy()
    ranges = pd.DataFrame(np.nan, index=birds.index, columns=["low", "high"])
    if aged.any():
        weeks = birds.loc[aged, "age_weeks"].to_numpy()
        at = growth.at_age(birds.loc[aged, "bird"], weeks)
        sd = np.hypot(at["se"] / at["grams"], growth.spread.residual_sd(weeks)).to_numpy()
        middle = np.log(at["grams"].to_numpy())
        ranges.loc[aged, "low"] = np.exp(middle - REACH * sd)
        ranges.loc[aged, "high"] = np.exp(middle + REACH * sd)
    return ranges


def _ring_in_words(ring: Mapping[Any, Any]) -> str:
    kind = ring["kind"] if isinstance(ring["kind"], str) else "kind not recorded"
    size = f"{ring['size_mm']:g} mm" if ring["size_mm"] == ring["size_mm"] else "size not recorded"
    return f"{ring['leg']} {kind}, {size}, since {ring['fitted_on'].date()}"
