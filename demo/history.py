"""What a simulated holding is asked for, and the record of all that happens on it.

Days are ordinals (`datetime.date.toordinal`) until the forms are written.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import numpy as np

from demo.descent import Descent, Model


@dataclass(frozen=True)
class Options:
    """What a simulated holding is asked for. Shares are of one record's variance among birds of one base.

    The defaults are the usual practice: bought-in cockerels and home-bred pullets are scored, two judges see
    most of them on two days, the other sex of each is sold through the summer.
    """

    seasons: int = 6
    first: int = 2021  # the first season's year
    bought_in: int = 2  # clutches a season
    home_bred: int = 3  # clutches a season
    eggs: int = 12  # set in a clutch
    suppliers: int = 4  # the last has two pens
    hens: int = 9  # in the breeding pen
    new_pullets: int = 4  # kept each season
    rounds: int = 2  # look days a season
    judges: int = 2  # up to four
    seen: float = 0.7  # chance that a judge sees a bird on a look day
    scored: str = "usual"  # or "all": both sexes of both origins, and none is sold before the meeting
    missing: float = 0.08  # of a look's sections
    unseen: float = 0.0  # of birds have one section that nobody ever scores
    by_rings: float = 0.5  # looks that name the bird by its ring pair
    weighed: float = 0.5  # of the birds that are not scored; scored ones are all weighed
    weighings: int = 6  # of a bird, four weeks apart
    measured: float = 0.4  # of the first judge's looks come with a shank width
    unnamed: bool = True  # chicks with a clutch ring alone are weighed by the crate
    heritability: float | None = None  # of every trait; None: the standard's
    off: float = 0.0  # what true heritabilities lie above those that the standard states
    correlation: float | None = None  # of every pair of traits; None: drawn, about N(0.15, 0.15²)
    supplier: float = 0.5  # variance of a supplier's effect, a share of G
    same_pen: float = 0.5  # chance that a supplier's bird is the same in another year
    clutch: float = 0.04
    brooder: float = 0.05
    day: float = 0.02
    halo: float = 0.05
    levels: float = 0.4  # sd of judge × season levels, in a trait's sd
    serious: float = 0.04  # birds with a serious fault
    cock_changes: float = 0.15  # seasons whose cock is lost while eggs are saved
    known_dams: float = 0.05  # of home-bred chicks
    bought_hens: int = 1  # bought grown, half-way through the years
    mixed: bool = True  # one season's first two home-bred clutches are never told apart
    show_cards: int = 3  # founders with a total from an old show card
    leftovers: int = 3  # bought-in pullets (and one fewer home-bred cockerel) still here at the last meeting
    late_chick: bool = True  # one chick too young to sex at the last meeting
    hen_sd: float = 0.10  # of hens' own laying rates
    hatch_year_sd: float = 0.15  # of hatch years' deviations, on the logit
    age_decline: float = 0.8  # a year's rate, of the year before
    uncounted: float = 0.05  # days of the counting season without a row, besides a week now and then
    known_layers: float = 0.15  # of hens lay eggs that are told from the others'

    @property
    def last(self) -> int:
        """The year of the last season."""
        return self.first + self.seasons - 1


@dataclass(slots=True)
class Bird:
    """One bird of the books; `row` is its row in the descent. `year` is its hatch year."""

    bird: str
    row: int
    male: bool
    clutch: str | None
    hatched: int
    year: int
    bought: bool
    gone: int | None = None
    why: str | None = None
    sexed: bool = True
    ringed: bool = True  # has (or will have) its own ring, not the clutch's alone
    fault: str | None = None  # a serious one
    unseen: int | None = None  # the section by eye that is never scored
    total: float = np.nan  # the rough mean of its raw totals
    dam: str | None = None  # where known
    source: str | None = None  # of a bird bought grown
    came: int | None = None
    name: str | None = None


@dataclass(slots=True)
class Stand:
    """A bird in a pen from `since` up to and not with `until` (None: still there)."""

    pen: str
    bird: Bird
    since: int
    until: int | None


@dataclass(slots=True)
class Look:
    """One judge's looks of one day: `points` (birds, sections), missing where unscored; faults by bird."""

    on: int
    judge: str
    birds: list[Bird]
    points: np.ndarray
    faults: list[str | None]


@dataclass(slots=True)
class Sold:
    """A bird's sale; its price is worked out with the books."""

    bird: Bird
    on: int
    sold_as: str
    lot: str | None


@dataclass
class History:
    """Everything that happened and everything behind it, as the years go by.

    Effects on the m traits: `common` of clutches and of brooders in a season, `seasons` by year and male,
    `permanent` by descent row, `origins` of suppliers and of home. On the sections by eye alone: `levels` by
    judge and season, `days` by judge and day. `rearing` is a clutch's brooder and season.
    """

    options: Options
    rng: np.random.Generator
    model: Model
    descent: Descent
    birds: list[Bird] = field(default_factory=list)
    clutches: list[dict] = field(default_factory=list)
    pens: list[Stand] = field(default_factory=list)
    looks: list[Look] = field(default_factory=list)
    decisions: list[dict] = field(default_factory=list)
    sold: list[Sold] = field(default_factory=list)
    common: dict[str, np.ndarray] = field(default_factory=dict)
    rearing: dict[str, str] = field(default_factory=dict)
    levels: dict[tuple[str, int], np.ndarray] = field(default_factory=dict)
    days: dict[tuple[str, int], np.ndarray] = field(default_factory=dict)
    seasons: dict[tuple[int, bool], np.ndarray] = field(default_factory=dict)
    permanent: dict[int, np.ndarray] = field(default_factory=dict)
    origins: dict[str, np.ndarray] = field(default_factory=dict)
    slots: dict[tuple[str, str, int], list[int]] = field(default_factory=dict)  # a supplier's birds by spring
    springs: dict[tuple[str, int], tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)
    numbers: dict[int, int] = field(default_factory=dict)  # given so far, by season
    mixed: dict[str, str] = field(default_factory=dict)  # clutches never told apart, as they are written

    def draw(self, variance: np.ndarray) -> np.ndarray:
        """Independent normal effects with these variances."""
        return self.rng.standard_normal(len(variance)) * np.sqrt(variance)

    def origin_effect(self, name: str) -> np.ndarray:
        """The effect of a supplier, or of `home`, for good: drawn when first met."""
        if name not in self.origins:
            self.origins[name] = self.descent.effect()
        return self.origins[name]

    def number(self, season: int) -> str:
        """The next free bird number of a season."""
        self.numbers[season] = self.numbers.get(season, 0) + 1
        return f"{season % 100:02d}-{self.numbers[season]:03d}"


def day(year: int, month: int, dom: int) -> int:
    """The ordinal of a day."""
    return date(year, month, dom).toordinal()
