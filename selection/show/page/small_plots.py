"""Small pictures drawn as inline SVG: lines with their bands, dots with intervals, shares on top of one another.

A page of the years ahead has some fifteen of them; matplotlib takes a tenth of a second for each, and its
pictures cannot borrow the page's type.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from selection.answer import REACH
from selection.decide.wording import counted
from selection.show.page.figures import halves, kilograms, missing
from selection.show.page.fragments import Fragment
from selection.show.page.style import BAND, INK, KEEP, PAPER, QUIET, RULE

if TYPE_CHECKING:
    from selection.standard.growth import Growth

Values = Sequence[float] | np.ndarray

SIZE = 10.5
"""Of the letters, in the picture's own units."""
WORD = Markup(
    '<text x="{:.1f}" y="{:.1f}" font-size="{}" font-family="sans-serif" text-anchor="{}" fill="{}">{}</text>'
)
DASHES = {"": "", "dashed": ' stroke-dasharray="6 3"', "dotted": ' stroke-dasharray="1.5 3"'}
MARKS: dict[str, Callable[[float, float], str]] = {
    "o": lambda x, y: f"M{x - 3:.1f} {y:.1f}a3 3 0 1 0 6 0a3 3 0 1 0 -6 0",
    "s": lambda x, y: f"M{x - 2.8:.1f} {y - 2.8:.1f}h5.6v5.6h-5.6z",
    "^": lambda x, y: f"M{x:.1f} {y - 3.6:.1f}l3.6 6.4h-7.2z",
    "D": lambda x, y: f"M{x:.1f} {y - 3.8:.1f}l3.8 3.8l-3.8 3.8l-3.8 -3.8z",
    "v": lambda x, y: f"M{x:.1f} {y + 3.6:.1f}l3.6 -6.4h-7.2z",
    "P": lambda x, y: f"M{x - 3.4:.1f} {y - 1:.1f}h6.8v2h-6.8zM{x - 1:.1f} {y - 3.4:.1f}h2v6.8h-2z",
    "X": lambda x, y: f"M{x - 3:.1f} {y - 3:.1f}l6 6M{x + 3:.1f} {y - 3:.1f}l-6 6",
}


@dataclass(frozen=True)
class Panel:
    """One picture's scales: x and y are the (low, high) shown, in their own units; the rest is in the picture's."""

    x: tuple[float, float]
    y: tuple[float, float]
    wide: float = 320
    high: float = 170
    left: float = 34
    right: float = 10
    top: float = 8
    foot: float = 30

    def across(self, x: float) -> float:
        """Where a value of x lies."""
        low, high = self.x
        return self.left + (self.wide - self.left - self.right) * (x - low) / ((high - low) or 1)

    def up(self, y: float) -> float:
        """Where a value of y lies."""
        low, high = self.y
        return self.high - self.foot - (self.high - self.foot - self.top) * (y - low) / ((high - low) or 1)

    def points(self, x: Values, y: Values) -> str:
        """Pairs of values as SVG points."""
        return " ".join(f"{self.across(a):.1f},{self.up(b):.1f}" for a, b in zip(x, y, strict=True))


def ticks(low: float, high: float, most: int = 5) -> np.ndarray:
    """Round values within (low, high), at most `most` steps of 1, 2 or 5 times a power of ten."""
    rough = max(high - low, 1e-9) / most
    power = 10.0 ** np.floor(np.log10(rough))
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= rough * (1 - 1e-9))
    return np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1) * step


def reach(*values: Values, zero: bool = False) -> tuple[float, float]:
    """(low, high) that holds all finite `values` with a little room, and nought where `zero`."""
    every = np.concatenate([np.asarray(v, dtype=float).ravel() for v in values])
    every = every[np.isfinite(every)]
    every = np.append(every, 0.0) if zero or not len(every) else every
    low, high = float(every.min()), float(every.max())
    room = 0.06 * ((high - low) or abs(high) or 1)
    return (low - room * (low < 0 or not zero), high + room)


def axes(panel: Panel, x_label: str, x_ticks: Values, y_format: str = "{:g}") -> Markup:
    """Level lines with their values, values below, and what runs along the foot."""
    rule = Markup('<path d="M{:.1f} {:.1f}H{:.1f}" stroke="{}" stroke-width=".8"/>')
    parts = []
    for value in ticks(*panel.y):
        at, text = panel.up(value), _figure(y_format, value)
        parts.append(rule.format(panel.left, at, panel.wide - panel.right, INK if value == 0 else RULE))
        parts.append(WORD.format(panel.left - 4, at + 3.5, SIZE, "end", QUIET, text))
    foot = panel.high - panel.foot + 13
    parts += [WORD.format(panel.across(x), foot, SIZE, "middle", QUIET, _figure("{:g}", x)) for x in x_ticks]
    middle = (panel.left + panel.wide - panel.right) / 2
    return Markup("").join([*parts, WORD.format(middle, panel.high - 4, SIZE, "middle", QUIET, x_label)])


def _figure(words: str, value: float) -> str:
    """A value as it is written: a true minus, never before nought, none of the dust of floating point."""
    return words.format(round(float(value), 9) + 0.0).replace("-", "−")


def band(panel: Panel, x: Values, low: Values, high: Values, colour: str, pale: float) -> Markup:
    """The area between two lines."""
    there, back = panel.points(x, low), panel.points(list(x)[::-1], list(high)[::-1])
    return Markup('<polygon points="{} {}" fill="{}" fill-opacity="{}"/>').format(there, back, colour, pale)


def line(panel: Panel, x: Values, y: Values, colour: str, dash: str = "") -> Markup:
    """A line through the values."""
    drawn = Markup('<polyline points="{}" fill="none" stroke="{}" stroke-width="1.8"{}/>')
    return drawn.format(panel.points(x, y), colour, Markup(DASHES[dash]))


def marks(panel: Panel, x: Values, y: Values, colour: str, mark: str = "o") -> Markup:
    """A mark at every pair of values."""
    path = "".join(MARKS[mark](panel.across(a), panel.up(b)) for a, b in zip(x, y, strict=True))
    stroke = Markup(' stroke="{}" stroke-width="1.8"').format(colour) if mark == "X" else Markup("")
    return Markup('<path d="{}" fill="{}"{}/>').format(path, colour, stroke)


def level(panel: Panel, y: float, colour: str, dash: str = "dashed", words: str = "") -> Markup:
    """A line all the way across, with its words on it."""
    at, end = panel.up(y), panel.wide - panel.right
    drawn = Markup('<path d="M{:.1f} {:.1f}H{:.1f}" stroke="{}" stroke-width="1.3"{}/>').format(
        panel.left, at, end, colour, Markup(DASHES[dash])
    )
    return drawn + WORD.format(end, at - 4, SIZE, "end", colour, words) if words else drawn


def upright(panel: Panel, x: float, words: str, colour: str) -> Markup:
    """A dashed line from top to foot, with its words at the top, on the side that has room."""
    at, top = panel.across(x), panel.top
    left = at > (panel.left + panel.wide - panel.right) / 2
    drawn = Markup('<path d="M{:.1f} {:.1f}V{:.1f}" stroke="{}" stroke-width="1.3"{}/>').format(
        at, top, panel.high - panel.foot, colour, Markup(DASHES["dashed"])
    )
    return drawn + WORD.format(
        at - 4 if left else at + 4, top + 8, SIZE, "end" if left else "start", colour, words
    )


def uprights(panel: Panel, x: Values, low: Values, high: Values, colour: str) -> Markup:
    """Intervals as upright strokes."""
    each = zip(x, low, high, strict=True)
    path = "".join(f"M{panel.across(a):.1f} {panel.up(b):.1f}V{panel.up(c):.1f}" for a, b, c in each)
    return Markup('<path d="{}" stroke="{}" stroke-width="2.4" stroke-opacity=".5"/>').format(path, colour)


def words_beside(panel: Panel, y: Values, words: Sequence[str]) -> Markup:
    """Words at the right edge beside values of y, moved apart where they would lie on one another."""
    at = np.array([panel.up(v) + 3.5 for v in y])
    order = np.argsort(at)
    for before, after in pairwise(order):
        at[after] = max(at[after], at[before] + SIZE + 1)
    at -= max(0.0, at.max(initial=0.0) - (panel.high - panel.foot))
    x = panel.wide - panel.right + 4
    return Markup("").join(WORD.format(x, a, SIZE, "start", INK, w) for a, w in zip(at, words, strict=True))


def title(panel: Panel, words: str) -> Markup:
    """What a small picture shows, above it."""
    return WORD.format(panel.left - 4, panel.top - 7, SIZE, "start", INK, words)


def key(names: Sequence[str], colours: Sequence[str], shapes: Sequence[str]) -> Markup:
    """Which mark and colour is whose, below a picture."""
    item = Markup('<li><svg width="14" height="14" viewBox="-7 -7 14 14" aria-hidden="true">{}</svg>{}</li>')
    path = Markup('<path d="{}" fill="{}" stroke="{}"/>')
    items = [
        item.format(path.format(MARKS[shape](0, 0), colour, colour), name)
        for name, colour, shape in zip(names, colours, shapes, strict=False)
    ]
    return Markup('<ul class="key small">{}</ul>').format(Markup("").join(items))


def drawn(panel: Panel, parts: Sequence[Markup], says: str) -> Markup:
    """The picture: its parts, and for readers who cannot see it what it says in words."""
    opening = Markup('<svg class="plot" role="img" aria-label="{}" viewBox="0 0 {:g} {:g}">')
    return opening.format(says, panel.wide, panel.high) + Markup("").join(parts) + Markup("</svg>")


_BAR = 120
"""Width of a section's bar."""


@dataclass(frozen=True)
class SectionPoints:
    """One section on a bird's card: its title, points at most, the bird's (missing: not seen), its group's mean.

    `before`: the mean of last year's kept, where that is wanted.
    """

    title: str
    most: float
    points: float
    others: float
    before: float = np.nan


def section_bars(rows: list[SectionPoints], caption: str = "Points by section") -> Fragment:
    """Points by section as bars on the section's full length, with a tick where the group's mean is."""
    return Fragment('<table class="bars"><caption>{}</caption><tbody>{}</tbody></table>').format(
        caption, Markup("").join(_bar(row) for row in rows)
    )


def _bar(row: SectionPoints) -> Markup:
    told = "not seen" if missing(row.points) else f"{halves(row.points)} of {row.most:g}"
    full = 0.0 if missing(row.points) else _BAR * min(max(row.points / row.most, 0), 1)
    tick = Markup("")
    if not missing(row.others):
        at = _BAR * min(max(row.others / row.most, 0), 1)
        tick = Markup('<path d="M{0:.1f} 0V12" stroke="{1}" stroke-width="2"/>').format(at, INK)
    if not missing(row.before):
        at = _BAR * min(max(row.before / row.most, 0), 1)
        diamond = Markup('<path d="{}" fill="{}" stroke="{}" stroke-width="1.5"/>')
        tick += diamond.format(MARKS["D"](at, 6), PAPER, INK)
    dash = Markup(' stroke-dasharray="3 2"') if missing(row.points) else Markup("")
    drawn = Markup(
        '<svg width="{0}" height="12" viewBox="0 0 {0} 12" preserveAspectRatio="none" aria-hidden="true">'
        '<rect x=".5" y="1.5" width="{1}" height="9" fill="#fff" stroke="{2}"{3}/>'
        '<rect x=".5" y="1.5" width="{4:.1f}" height="9" fill="{5}"/>{6}</svg>'
    ).format(_BAR, _BAR - 1, QUIET, dash, full, KEEP, tick)
    return Markup('<tr><th scope="row">{}</th><td>{}</td><td class="number">{}</td></tr>').format(
        row.title, drawn, told
    )


WIDE, HIGH = 230, 128
LEFT, RIGHT, TOP, FOOT = 24, 10, 8, 32
GROWTH_SIZE = 11
"""Size of letters and figures, in the picture's own units: some 8 points where a card is printed."""
_TEXT = Markup(
    '<text x="{:.1f}" y="{:.1f}" font-size="{}" font-family="sans-serif" text-anchor="{}" fill="{}">{}</text>'
)


@dataclass(frozen=True)
class AtAge:
    """What is known of one bird at the age, in weeks, that a weighed section asks for.

    `grams` and their standard error; `band`: grams from and to which it has full points, None without such.
    """

    weeks: float
    band: tuple[float, float] | None
    grams: float
    se: float


@dataclass(frozen=True)
class Grown:
    """How one bird grew: weeks and grams of its usable weighings in order of age, and what each weighed section asks.

    `at` is empty where the standard awards no points for weight, or nothing can be said of the bird's.
    """

    bird: str
    sex: str
    weeks: np.ndarray
    weighed: np.ndarray
    at: tuple[AtAge, ...] = ()


def growth_picture(grown: Grown | None, growth: Growth) -> Fragment:
    """Its weighings on its sex's growth curve, with each band of the standard at its age and the estimate there."""
    if grown is None:
        return Fragment('<p class="small">Never weighed: no picture of its growth.</p>')
    return _Plot(grown, growth).drawn()


class _Plot:
    """One growth picture: scales, and the parts drawn on them."""

    def __init__(self, grown: Grown, growth: Growth) -> None:
        self.grown, self.growth, self.sex = grown, growth, grown.sex
        self.last = max(grown.weeks.max(), *(at.weeks for at in grown.at), 0) * 1.04 + 1
        curve = self.growth.expected(self.sex, np.array([self.last]))[0]
        self.top = 1.12 * max(grown.weighed.max(), curve, *(at.band[1] for at in grown.at if at.band))

    def x(self, weeks: float) -> float:
        return LEFT + (WIDE - LEFT - RIGHT) * weeks / self.last

    def y(self, grams: float) -> float:
        return HIGH - FOOT - (HIGH - FOOT - TOP) * grams / self.top

    def drawn(self) -> Fragment:
        bands, estimates = map(self._band, self.grown.at), map(self._estimate, self.grown.at)
        parts = [self._axes(), *bands, self._curve(), self._weighings(), *estimates]
        return Fragment(
            '<figure class="growth"><figcaption>{}</figcaption>'
            '<svg role="img" aria-label="{}" viewBox="0 0 {} {}">{}</svg></figure>'
        ).format(self._title(), self._says(), WIDE, HIGH, Markup("").join(parts))

    def _title(self) -> str:
        return "Growth, kg"

    def _says(self) -> str:
        grown = self.grown
        latest = f"{kilograms(grown.weighed[-1])} kg at {grown.weeks[-1]:.0f} weeks"
        said = [f"{grown.bird}: {counted(len(grown.weeks), 'weighing')}, the last {latest}"]
        for at in grown.at:
            low, high = (kilograms(at.grams + sign * REACH * at.se) for sign in (-1, 1))
            now = f"at {at.weeks:g} weeks {kilograms(at.grams)} kg, 90 % interval {low} to {high}"
            said += [] if now in said else [now]
        return "; ".join(said)

    def _axes(self) -> Markup:
        step = 1000 if self.top > 2500 else 500
        lines = [
            Markup('<path d="M{:.1f} {:.1f}H{}" stroke="{}" stroke-width=".8"/>').format(
                LEFT, self.y(g), WIDE - RIGHT, RULE
            )
            + _TEXT.format(LEFT - 5, self.y(g) + 3.5, GROWTH_SIZE, "end", QUIET, f"{g / 1000:g}")
            for g in np.arange(0, self.top, step)
        ]
        weeks = [
            _TEXT.format(self.x(w), HIGH - FOOT + 14, GROWTH_SIZE, "middle", QUIET, f"{w + 0.0:g}")
            for w in ticks(0, self.last, 6)
        ]
        words = _TEXT.format(
            (LEFT + WIDE - RIGHT) / 2, HIGH - 4, GROWTH_SIZE, "middle", QUIET, "weeks of age"
        )
        return Markup("").join([*lines, *weeks, words])

    def _band(self, at: AtAge) -> Markup:
        if at.band is None:
            return Markup("")
        wide = self.x(1) - self.x(0)
        return Markup(
            '<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}" fill="{}" stroke="{}" stroke-width="1"/>'
        ).format(
            self.x(at.weeks) - wide, self.y(at.band[1]), 2 * wide, self.y(at.band[0]) - self.y(at.band[1]), BAND, KEEP
        )  # fmt: skip

    def _curve(self) -> Markup:
        weeks = np.linspace(0, self.last, 40)
        grams = self.growth.expected(self.sex, weeks)
        points = " ".join(f"{self.x(w):.1f},{self.y(g):.1f}" for w, g in zip(weeks, grams, strict=True))
        return Markup('<polyline points="{}" fill="none" stroke="{}" stroke-width="1.4"/>').format(
            points, QUIET
        )

    def _weighings(self) -> Markup:
        dot = Markup('<circle cx="{:.1f}" cy="{:.1f}" r="3.2" fill="{}"/>')
        at = zip(self.grown.weeks, self.grown.weighed, strict=True)
        return Markup("").join(dot.format(self.x(weeks), self.y(grams), KEEP) for weeks, grams in at)

    def _estimate(self, at: AtAge) -> Markup:
        x, half = self.x(at.weeks), REACH * at.se
        low, high = self.y(at.grams - half), self.y(at.grams + half)
        return Markup(
            '<path d="M{0:.1f} {1:.1f}V{2:.1f}M{3:.1f} {1:.1f}h8M{3:.1f} {2:.1f}h8" stroke="{4}" stroke-width="1.6"/>'
        ).format(x, low, high, x - 4, INK)
