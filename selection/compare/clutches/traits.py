"""The traits that clutches are compared in: their units, and what is published of their variance."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import TAILS, Floats
from selection.compare.clutches.model import ClutchModel, Families, VarianceShares, clutch_model
from selection.compare.clutches.separable import Contrast
from selection.merit import published
from selection.merit.observations import LAYING, OLDEST_WEEKS, TOTAL, Observations
from selection.records.flock import Flock
from selection.records.settings.reading import Measured, Section, Standard
from selection.standard.bands import expected_points, weighed_section, young_class
from selection.standard.growth import Growth
from selection.standard.judges import Looks
from selection.standard.points import Points
from selection.standard.traits import BY_EYE_SD, Gauged, Measure, Trait, Weighed, measure_of, traits_of

_WEIGHT = "weight"
POINTS = "points"
_MOSTLY = 0.75
_DTYPES = {
    "trait": "str", "bird": "str", "value": "float64", "sex": "str", "clutch": "str", "season": "int64",
    "judge": "str", "day": "str", "pen": "str", "age_weeks": "float64", "n": "float64", "scale": "float64",
}  # fmt: skip
"""Columns of the rows. `scale`: residual variance relative to one chick's; `judge`, `day`: missing where nobody
judges; `age_weeks`: missing where age is in the curve already."""


def foremost(table: pd.DataFrame) -> pd.Series:
    """Which rows of a table are of all points together or of weight in grams, which a page speaks of first."""
    return (table["trait"] == POINTS) | is_weight(table)


def is_weight(table: pd.DataFrame) -> pd.Series:
    """Which rows of a table are of weight in grams; a section may be called weight too, in points."""
    return (table["trait"] == _WEIGHT) & (table["unit"] == "g")


def typed(rows: pd.DataFrame) -> pd.DataFrame:
    """`rows` with exactly the columns of `DTYPES`, missing ones blank."""
    return rows.reindex(columns=list(_DTYPES)).astype(_DTYPES)


def chick_rows(
    flock: Flock, families: Families, seen: Observations, growth: Growth, totals: pd.DataFrame
) -> pd.DataFrame:
    """Rows of all traits (columns of `DTYPES`, `trait` their key): sections by eye, `points`, weight, measured traits.

    `totals`: rows like those of `seen`, one a look, with its total in points. Values are in points, in the
    trait's own unit, or, for weight, log deviations.
    """
    if seen.rows.empty:
        return _one_a_bird(flock, families, growth)
    apart = seen.rows[~seen.rows["series"].isin([seen.weighed, LAYING.key, TOTAL])]
    looks = pd.concat([apart, totals.assign(series=POINTS)], ignore_index=True)
    looks = looks[looks["clutch"].notna() & (looks["age_weeks"] < OLDEST_WEEKS)]
    looks = looks.rename(columns={"series": "trait"}).assign(scale=lambda f: 1 / f["n"])
    looks["pen"] = _pen_on(looks, flock)
    return pd.concat([typed(looks), _one_a_bird(flock, families, growth)], ignore_index=True)


def look_totals(flock: Flock, seen: Observations, points: Points) -> tuple[pd.DataFrame, bool]:
    """Totals of looks as rows like those of `seen`, all of the same sections; whether the measured ones are counted.

    Measured sections are counted where at least three in four of the looks at chicks have it; looks that lack
    a section are then left out, never counted as 0. Cards that give a total alone are left out.
    """
    eye = [s.name for s in flock.standard.by_eye]
    if seen.rows.empty:
        return seen.rows, False
    about = seen.rows[seen.rows["series"].isin(eye)].drop_duplicates("record").set_index("record")
    totals = points.looks.set_index("look " + points.looks["row"].astype(str))
    by_eye = Looks(points.looks, points.given).matrix(eye).sum(axis=1)
    totals = totals.assign(by_eye=by_eye - totals["costs"].to_numpy())
    totals = totals[~totals["on_card"] & totals["by_eye"].notna() & totals.index.isin(about.index)]
    whole = sum(s.points for s in flock.standard.sections)
    complete = totals["seen"] == whole
    with_size = bool(len(totals)) and complete.mean() >= _MOSTLY
    value = totals["total"][complete] if with_size else totals["by_eye"]
    rows = about.drop(columns=["value"]).join(value.rename("value"), how="inner")
    return rows.reset_index(), with_size


def _one_a_bird(flock: Flock, families: Families, growth: Growth) -> pd.DataFrame:
    """Each bird's log deviation from all its weighings by generalised least squares, and its error."""
    seen = growth.deviations[growth.deviations["age_weeks"] < OLDEST_WEEKS]
    birds = flock.birds.drop_duplicates("bird").set_index("bird")
    clutch = seen["bird"].map(birds["clutch"]).where(seen["bird"].notna(), seen["clutch"])
    seen = seen.assign(clutch=clutch)[clutch.notna()]
    seen = seen[families.told(seen["clutch"].astype("str").str.casefold())]
    who = seen["bird"].fillna("row " + seen["row"].astype(str))
    rows = []
    for bird, part in seen.groupby(who, sort=False):
        value, error = _drawn_together(part, growth)
        first = part.iloc[0]
        rows.append(
            {
                "trait": Weighed.key,
                "bird": bird,
                "value": value,
                "sex": first["sex"],
                "clutch": str(first["clutch"]).casefold(),
                "season": (first["on"] - pd.Timedelta(weeks=first["age_weeks"])).year,
                "n": first["n"],
                "scale": (1 + error / growth.between_sd**2) / first["n"],
            }
        )
    return typed(pd.DataFrame(rows))


def _drawn_together(part: pd.DataFrame, growth: Growth) -> tuple[float, float]:
    """The best mean of one bird's deviations and its error variance, residuals fading with time."""
    ages, sd = part["age_weeks"].to_numpy(), part["residual_sd"].to_numpy()
    gaps = np.abs(ages[:, None] - ages[None])
    R = sd[:, None] * sd[None] * np.exp(-gaps / growth.decay_weeks) + 1e-8 * np.eye(len(sd))
    weights = np.linalg.solve(R, np.ones(len(sd)))
    return float(weights @ part["log_deviation"].to_numpy() / weights.sum()), float(1 / weights.sum())


def _pen_on(rows: pd.DataFrame, flock: Flock) -> pd.Series:
    """The pen each chick stood in when it was seen; missing where no pen is on record."""
    stood = flock.pens[["pen", "bird", "from", "to"]].merge(
        rows[["bird", "on"]].rename_axis("row").reset_index(), on="bird"
    )
    here = stood[(stood["from"] <= stood["on"]) & ~(stood["to"] <= stood["on"])]
    return here.drop_duplicates("row").set_index("row")["pen"].reindex(rows.index)


TARGET_WEEKS = 24.0
"""Age at which weights are compared where the standard names none."""


@dataclass(frozen=True)
class ClutchTrait:
    """One trait: its key in the rows, its name in the tables, its unit and its prior.

    `form` says how people see it: `scored`, `weighed` or `measured`; `awards`: the measured sections that it earns
    points in, with how it is measured.
    """

    key: str
    name: str
    unit: str
    form: str
    shares: VarianceShares
    awards: tuple[tuple[Section, Measure], ...] = ()

    @property
    def foremost(self) -> bool:
        """Whether it is one of those that a page speaks of first: all points together, and weight."""
        return self.key in (POINTS, Weighed.key)


def clutch_traits(standard: Standard, growth: Growth, with_size: bool = False) -> tuple[ClutchTrait, ...]:
    """`points`, the sections judged by eye, `weight` and the measured traits, in that order.

    `with_size`: whether the totals hold the measured sections too.
    """
    every = traits_of(standard)
    by_eye = [
        ClutchTrait(t.key, t.name, t.unit, "scored", _shares(t.prior, t.usual_variance))
        for t in every
        if t.by_eye
    ]
    measured = [
        ClutchTrait(
            t.key,
            t.name,
            t.unit,
            "measured",
            _shares(t.prior, t.usual_variance, judged=False),
            _awards(standard, t),
        )
        for t in every
        if isinstance(t, Gauged)
    ]
    return (*_total(standard, with_size), *by_eye, _weight(standard, growth), *measured)


def _awards(standard: Standard, trait: Trait | type[Weighed]) -> tuple[tuple[Section, Measure], ...]:
    """The measured sections that rest on a trait, with how it is measured."""
    every = [(s, measure_of(standard, s)) for s in standard.by_measure]
    return tuple((s, measure) for s, measure in every if measure.key == trait.key)


def target_weeks(standard: Standard) -> float:
    """The age in weeks at which the standard weighs."""
    section = weighed_section(standard)
    return TARGET_WEEKS if section is None or section.at_weeks is None else section.at_weeks


def _shares(trait: Section | Measured, usual: float, judged: bool = True) -> VarianceShares:
    h2 = published.heritability(trait)
    return VarianceShares(
        blood=h2.mean,
        blood_log_sd=float(np.clip(h2.sd / h2.mean, 0.25, 0.8)),
        repeatability=published.repeatability(trait).mean,
        clutch=published.variance_share("clutch"),
        brooder=published.variance_share("brooder"),
        day=published.variance_share("judge×day") if judged else 0.01,
        usual=usual,
    )


CORRELATION, CORRELATION_SD = 0.15, 0.15
"""Genetic correlation of any two sections, and how far it may be off (method)."""
_HALO = 0.05
"""Share of a look's variance that its sections have in common (common practice, no source)."""


def _total(standard: Standard, with_size: bool) -> list[ClutchTrait]:
    """The total of a look as a sum of correlated sections, those awarded from measurements among them if counted.

    Breeding values go together by one genetic correlation, and sections of one look share a halo: the total varies
    more than so many sections apart would, and more of it is blood.
    """
    eye = standard.by_eye
    if not eye:
        return []
    parts = [_shares(s, (BY_EYE_SD * s.points) ** 2) for s in eye]
    sizes = [_shares(s, (BY_EYE_SD * s.points) ** 2, judged=False) for s in standard.by_measure]
    parts += sizes if with_size else []
    usual = np.array([p.usual for p in parts])
    h2 = np.array([p.blood for p in parts])
    alone = float(h2 @ usual)
    pairs = float(np.sqrt(h2 * usual).sum() ** 2 - alone)
    blood = alone + CORRELATION * pairs
    halo = _HALO * float(np.sqrt(usual[: len(eye)]).sum() ** 2 - usual[: len(eye)].sum())
    whole = float(usual.sum()) + blood - alone + halo
    of = {
        name: float(usual @ [getattr(p, name) for p in parts]) / whole
        for name in ("clutch", "brooder", "day")
    }
    lasting = float(usual @ [p.repeatability for p in parts]) - alone + blood
    shares = VarianceShares(
        blood=blood / whole,
        blood_log_sd=float(
            np.hypot(usual @ [p.blood_log_sd for p in parts] / usual.sum(), CORRELATION_SD * pairs / blood)
        ),
        repeatability=lasting / whole,
        usual=whole,
        **of,
    )
    return [ClutchTrait(POINTS, POINTS, "points", "scored", shares)]


def _weight(standard: Standard, growth: Growth) -> ClutchTrait:
    section = weighed_section(standard) or Section(
        _WEIGHT, "Weight", 0.0, like="body weight", measured="weight"
    )
    shares = _shares(section, growth.between_sd**2, judged=False)
    return ClutchTrait(Weighed.key, _WEIGHT, "g", "weighed", shares, _awards(standard, Weighed))


_SEXES = {"male": ("male",), "female": ("female",), "both": ("male", "female")}
CHICKS = {"male": "cockerels", "female": "pullets", "both": "chicks"}


@dataclass(frozen=True)
class Scale:
    """From log deviations to grams at the standard's age; other traits are in their unit already.

    `grams`: the curve's weight at that age in each of the sexes compared, empty for other traits.
    """

    grams: dict[str, float]

    def difference(self, gap: Floats) -> Floats:
        """A difference in the trait's unit; of weights about the curve: 2 W sinh(δ/2)."""
        return 2 * self.middle * np.sinh(np.asarray(gap) / 2) if self.grams else np.asarray(gap)

    def level(self, value: Floats) -> Floats:
        """A level in the trait's unit: W exp(u)."""
        return self.middle * np.exp(np.asarray(value)) if self.grams else np.asarray(value)

    @property
    def middle(self) -> float:
        """The curve's weight, in the mean of the sexes compared."""
        return float(np.mean(list(self.grams.values())))


@dataclass(frozen=True)
class Award:
    """Points of one measured section: by sex compared, the number (log weight, or the unit) that levels stand about.

    `spread`: the standard deviation of that number among birds.
    """

    section: Section
    about: dict[str, float]
    spread: float
    logs: bool

    def points(self, levels: Floats) -> Floats:
        """Expected points of chicks at these levels, both sexes alike where both are compared."""
        spread = np.full_like(levels, self.spread)
        each = [
            expected_points(self.section, young_class(self.section, sex), base + levels, spread, self.logs)
            for sex, base in self.about.items()
        ]
        return np.mean(each, axis=0)


@dataclass(frozen=True)
class Case:
    """A trait and a sex (`male`, `female`, `both`), its rows, the scale of its numbers, the points they earn."""

    trait: ClutchTrait
    sex: str
    rows: pd.DataFrame
    families: Families
    scale: Scale
    awards: tuple[Award, ...] = ()

    @property
    def chicks(self) -> str:
        """Cockerels, pullets or chicks."""
        return CHICKS[self.sex]

    @cached_property
    def members(self) -> Floats:
        """Shares (rows, clutches) of each row in the clutches."""
        return self.families.members(self.rows["clutch"])

    @cached_property
    def seen(self) -> npt.NDArray[np.bool_]:
        """Which clutches have records, of every sex that is compared."""
        rows = self.rows["sex"].to_numpy()
        return np.all([self.members[rows == sex].any(axis=0) for sex in _SEXES[self.sex]], axis=0)

    @cached_property
    def model(self) -> ClutchModel:
        """The design of the rows, of which there must be one at least."""
        return clutch_model(self.rows, self.families, self.trait.shares)


def cases(
    traits: tuple[ClutchTrait, ...],
    rows: pd.DataFrame,
    families: Families,
    growth: Growth,
    standard: Standard,
) -> Iterator[Case]:
    """Every trait in cockerels, pullets and both; birds of unknown sex are left out."""
    for trait in traits:
        for sex, sexes in _SEXES.items():
            own = rows[(rows["trait"] == trait.key) & rows["sex"].isin(sexes)]
            own = own[families.told(own["clutch"])].reset_index(drop=True)
            scale = _scale(sexes, growth, standard) if trait.key == Weighed.key else Scale({})
            yield Case(
                trait, sex, own, families, scale, tuple(_award(*a, sexes, own, growth) for a in trait.awards)
            )


def seen_only(case: Case, contrast: Contrast) -> Contrast | None:
    """The contrast between the clutches of either side that were seen; None where a side has none."""
    parts = [np.where(case.seen, np.maximum(sign * contrast.weights, 0), 0) for sign in (1, -1)]
    if not all(part.any() for part in parts):
        return None
    return Contrast(contrast.first, contrast.second, parts[0] / parts[0].sum() - parts[1] / parts[1].sum())


def points_difference(award: Award, levels: Floats, contrasts: Floats) -> pd.DataFrame:
    """Differences in points of a measured section, from draws of levels (n, r) and contrasts (r, c)."""
    drawn = award.points(levels) @ contrasts
    return pd.DataFrame(
        {
            "difference": drawn.mean(axis=0),
            "low": np.quantile(drawn, TAILS[0], axis=0),
            "high": np.quantile(drawn, TAILS[1], axis=0),
            "probability": (drawn > 0).mean(axis=0),
        }
    )


def _scale(sexes: tuple[str, ...], growth: Growth, standard: Standard) -> Scale:
    weeks = target_weeks(standard)
    return Scale({sex: float(growth.expected(sex, weeks)) for sex in sexes})


def _award(
    section: Section, measure: Measure, sexes: tuple[str, ...], rows: pd.DataFrame, growth: Growth
) -> Award:
    """The points that a trait earns in one section; levels in the trait's own unit are about each sex's mean."""
    if measure.logs:
        return Award(section, {s: measure.offset(section, growth, s) for s in sexes}, growth.between_sd, True)
    means = rows.groupby("sex")["value"].mean().reindex(list(sexes)).fillna(rows["value"].mean())
    spread = float(rows.groupby("sex")["value"].std().mean())
    usual = float(np.sqrt(measure.usual_variance))
    about = {sex: float(mean - means.mean()) for sex, mean in means.items()}
    return Award(section, about, usual if np.isnan(spread) else spread, False)
