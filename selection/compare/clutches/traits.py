"""The traits that clutches are compared in: their units, and what is published of their variance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from selection.compare.clutches.model import Shares
from selection.compare.clutches.rows import POINTS, WEIGHT
from selection.merit import published
from selection.records.settings.reading import Measured, Section, Standard
from selection.standard.bands import weighed_section
from selection.standard.growth import Growth

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
