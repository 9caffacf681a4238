"""One trait in one sex: its model, and the way from the model's scale to the unit that people read."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.compare.clutches.families import Families
from selection.compare.clutches.model import Design, Posterior, design
from selection.compare.clutches.rows import WEIGHT
from selection.compare.clutches.separable import Contrast
from selection.compare.clutches.traits import ClutchTrait, target_weeks
from selection.records.settings.reading import Section, Standard
from selection.standard.bands import expected_points, weighed_section
from selection.standard.growth import Growth

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
            "low": np.quantile(drawn, 0.05, axis=0),
            "high": np.quantile(drawn, 0.95, axis=0),
            "probability": (drawn > 0).mean(axis=0),
        }
    )


def _scale(sexes: tuple[str, ...], growth: Growth, standard: Standard) -> Scale:
    weeks = target_weeks(standard)
    grams = {sex: float(growth.expected(sex, weeks)) for sex in sexes}
    return Scale(grams, growth.between_sd, weighed_section(standard))
