"""The traits that clutches are compared in: their units, and what is published of their variance."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import TAILS
from selection.compare.clutches.families import Families
from selection.compare.clutches.model import Design, Posterior, Shares, design
from selection.compare.clutches.separable import Contrast
from selection.merit import published
from selection.merit.observations import OLDEST_WEEKS, Observations
from selection.records.flock import Flock
from selection.records.settings.reading import Measured, Section, Standard
from selection.standard.bands import expected_points, weighed_section
from selection.standard.growth import Growth
from selection.standard.points import Points

WEIGHT = "weight"
POINTS = "points"
MOSTLY = 0.75
DTYPES = {
    "trait": "str", "bird": "str", "value": "float64", "sex": "str", "clutch": "str", "season": "int64",
    "judge": "str", "day": "str", "pen": "str", "age_weeks": "float64", "n": "float64", "scale": "float64",
}  # fmt: skip
"""Columns of the rows. `scale`: residual variance relative to one chick's; `judge`, `day`: missing where nobody
judges; `age_weeks`: missing where age is in the curve already."""


def typed(rows: pd.DataFrame) -> pd.DataFrame:
    """`rows` with exactly the columns of `DTYPES`, missing ones blank."""
    return rows.reindex(columns=list(DTYPES)).astype(DTYPES)


def chick_rows(flock: Flock, seen: Observations, growth: Growth, totals: pd.DataFrame) -> pd.DataFrame:
    """Rows of all traits (columns of `DTYPES`): sections judged by eye, `points`, `weight`, measured traits.

    `totals`: rows like those of `seen`, one a look, with its total in points. Values are in points, in the
    trait's own unit, or, for weight, log deviations.
    """
    if seen.rows.empty:
        return _one_a_bird(flock, growth)
    eye = seen.rows[seen.rows["series"].isin([*seen.by_eye, *(m.name for m in flock.standard.measured)])]
    looks = pd.concat([eye, totals.assign(series=POINTS)], ignore_index=True)
    looks = looks[looks["clutch"].notna() & (looks["age_weeks"] < OLDEST_WEEKS)]
    looks = looks.rename(columns={"series": "trait"}).assign(scale=lambda f: 1 / f["n"])
    looks["pen"] = _pen_on(looks, flock)
    return pd.concat([typed(looks), _one_a_bird(flock, growth)], ignore_index=True)


def look_totals(flock: Flock, seen: Observations, points: Points) -> tuple[pd.DataFrame, str]:
    """Totals of looks as rows like those of `seen`, all of the same sections, and which these are, in words.

    The measured section is counted where at least three in four of the looks at chicks have it; looks that lack
    a section are then left out, never counted as 0. Cards that give a total alone are left out.
    """
    eye = [s.name for s in flock.standard.by_eye]
    if seen.rows.empty:
        return seen.rows, ""
    about = seen.rows[seen.rows["series"].isin(eye)].drop_duplicates("record").set_index("record")
    totals = points.looks.set_index("look " + points.looks["row"].astype(str))
    totals = totals[~totals["on_card"] & totals[eye].notna().all(axis=1) & totals.index.isin(about.index)]
    whole = sum(s.points for s in flock.standard.sections)
    complete = totals["seen"] == whole
    with_size = bool(len(totals)) and complete.mean() >= MOSTLY
    by_eye = totals[eye].sum(axis=1) - totals["costs"]
    value = totals["total"][complete] if with_size else by_eye
    basis = (
        f"of {whole:g}"
        if with_size
        else f"of the {sum(s.points for s in flock.standard.by_eye):g} judged by eye"
    )
    rows = about.drop(columns=["value"]).join(value.rename("value"), how="inner")
    return rows.reset_index(), basis


def _one_a_bird(flock: Flock, growth: Growth) -> pd.DataFrame:
    """Each bird's log deviation from all its weighings by generalised least squares, and its error."""
    seen = growth.deviations[growth.deviations["age_weeks"] < OLDEST_WEEKS]
    birds = flock.birds.drop_duplicates("bird").set_index("bird")
    clutch = seen["bird"].map(birds["clutch"]).where(seen["bird"].notna(), seen["clutch"])
    seen = seen.assign(clutch=clutch)[clutch.notna()]
    who = seen["bird"].fillna("row " + seen["row"].astype(str))
    rows = []
    for bird, part in seen.groupby(who, sort=False):
        value, error = _drawn_together(part, growth)
        first = part.iloc[0]
        rows.append(
            {
                "trait": WEIGHT,
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


SECTION_SD = 0.1
"""Spread of a section's points among birds, a share of its points (common practice, no source)."""
TARGET_WEEKS = 24.0
"""Age at which weights are compared where the standard names none."""


@dataclass(frozen=True)
class ClutchTrait:
    """One trait: its name in the tables, the rows that tell of it, its unit and its prior.

    `form` says how people see it: `scored`, `weighed` or `measured`.
    """

    name: str
    unit: str
    form: str
    shares: Shares


def clutch_traits(standard: Standard, growth: Growth) -> tuple[ClutchTrait, ...]:
    """`points`, the sections judged by eye, `weight` and the measured traits, in that order."""
    sections = [
        ClutchTrait(s.name, "points", "scored", _shares(s, (SECTION_SD * s.points) ** 2))
        for s in standard.by_eye
    ]
    measured = [
        ClutchTrait(m.name, m.unit, "measured", _shares(m, 1.0, judged=False)) for m in standard.measured
    ]
    return (_total(standard), *sections, _weight(standard, growth), *measured)


def target_weeks(standard: Standard) -> float:
    """The age in weeks at which the standard weighs."""
    section = weighed_section(standard)
    return TARGET_WEEKS if section is None or section.at_weeks is None else section.at_weeks


def _shares(trait: Section | Measured, usual: float, judged: bool = True) -> Shares:
    h2 = published.heritability(trait)
    return Shares(
        blood=h2.mean,
        blood_log_sd=float(np.clip(h2.sd / h2.mean, 0.25, 0.8)),
        repeatability=published.repeatability(trait).mean,
        clutch=published.variance_share("clutch"),
        brooder=published.variance_share("brooder"),
        day=published.variance_share("judge×day") if judged else 0.01,
        usual=usual,
    )


def _total(standard: Standard) -> ClutchTrait:
    """The total of a look: heritability and repeatability as those of its sections, by their points."""
    eye = standard.by_eye
    parts = [_shares(s, (SECTION_SD * s.points) ** 2) for s in eye]
    by_points = np.array([s.points for s in eye]) / sum(s.points for s in eye)
    mean = {
        name: float(by_points @ [getattr(p, name) for p in parts])
        for name in ("blood", "blood_log_sd", "repeatability", "clutch", "brooder", "day")
    }
    return ClutchTrait(POINTS, "points", "scored", Shares(**mean, usual=sum(p.usual for p in parts)))


def _weight(standard: Standard, growth: Growth) -> ClutchTrait:
    section = weighed_section(standard) or Section(
        WEIGHT, "Weight", 0.0, like="body weight", measured="weight"
    )
    return ClutchTrait(WEIGHT, "g", "weighed", _shares(section, growth.between_sd**2, judged=False))


Floats = npt.NDArray[np.float64]

SEXES = {"male": ("male",), "female": ("female",), "both": ("male", "female")}
CHICKS = {"male": "cockerels", "female": "pullets", "both": "chicks"}


@dataclass(frozen=True)
class Scale:
    """From log deviations to grams at the standard's age, and to points; other traits are in their unit already.

    `grams`: the curve's weight at that age in each of the sexes compared, empty for other traits; `spread` the
    standard deviation of log weights among birds.
    """

    grams: dict[str, float]
    spread: float = 0.0
    section: Section | None = None

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

    def points(self, deviations: Floats) -> Floats:
        """Expected points of chicks about these log deviations, both sexes alike where both are compared."""
        assert self.section is not None
        each = [
            expected_points(self.section, sex, np.log(w) + deviations, np.full_like(deviations, self.spread))
            for sex, w in self.grams.items()
        ]
        return np.mean(each, axis=0)


@dataclass(frozen=True)
class Case:
    """A trait and a sex (`male`, `female`, `both`), its rows, and the scale of the model's numbers."""

    trait: ClutchTrait
    sex: str
    rows: pd.DataFrame
    families: Families
    scale: Scale

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
        return np.all([self.members[rows == sex].any(axis=0) for sex in SEXES[self.sex]], axis=0)

    @cached_property
    def model(self) -> Design:
        """The design of the rows, of which there must be one at least."""
        return design(self.rows, self.families, self.trait.shares)


def cases(
    traits: tuple[ClutchTrait, ...],
    rows: pd.DataFrame,
    families: Families,
    growth: Growth,
    standard: Standard,
) -> Iterator[Case]:
    """Every trait in cockerels, pullets and both; birds of unknown sex are left out."""
    for trait in traits:
        for sex, sexes in SEXES.items():
            own = rows[(rows["trait"] == trait.name) & rows["sex"].isin(sexes)]
            known = families.members(own["clutch"]).sum(axis=1) > 0.999
            scale = _scale(sexes, growth, standard) if trait.name == WEIGHT else Scale({})
            yield Case(trait, sex, own[known].reset_index(drop=True), families, scale)


def seen_only(case: Case, contrast: Contrast) -> Contrast | None:
    """The contrast between the clutches of either side that were seen; None where a side has none."""
    parts = [np.where(case.seen, np.maximum(sign * contrast.weights, 0), 0) for sign in (1, -1)]
    if not all(part.any() for part in parts):
        return None
    return Contrast(contrast.first, contrast.second, parts[0] / parts[0].sum() - parts[1] / parts[1].sum())


def size_difference(
    case: Case, known: Posterior, contrasts: Floats, rng: np.random.Generator
) -> pd.DataFrame:
    """Differences in points of the measured section, from contrasts (r, c) of `known` levels: as `contrasts`."""
    drawn = case.scale.points(known.sample(4000, rng)) @ contrasts
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
    grams = {sex: float(growth.expected(sex, weeks)) for sex in sexes}
    return Scale(grams, growth.between_sd, weighed_section(standard))
