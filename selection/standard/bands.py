"""Points of a measured section: awarded by the standard's bands, for certain or in expectation.

A band is for a class of birds: `male` and `female`, or `cockerel` and `pullet` (young) beside `cock` and `hen`.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import Floats
from selection.records.flock import Flock
from selection.records.settings.reading import Section, Standard


class State(StrEnum):
    """How a bird's value in a measured section came about."""

    OWN = "own"
    CARRIED = "carried to the section's age from another"
    YOUNG = "too young to tell"
    SILENT = "not measured at an age that the band speaks of"
    NEVER = "never measured"


SEXED = ("male", "female")
_YOUNG = {"male": "cockerel", "female": "pullet"}
GROWN = {"male": "cock", "female": "hen"}


def by_age(section: Section) -> bool:
    """Whether the section has bands of their own for grown birds."""
    return not set(section.band).isdisjoint(GROWN.values())


def young_class(section: Section, sex: str) -> str:
    """The class that a young bird of `sex` is judged in; a sex without one stays as it is."""
    return _YOUNG.get(sex, sex) if by_age(section) else sex


def classes(section: Section, sex: npt.ArrayLike, older: npt.ArrayLike) -> npt.NDArray[np.object_]:
    """The class that each bird is judged in, from its sex and whether it is past its first season; one shape."""
    if not by_age(section):
        return np.asarray(sex, dtype=object)
    named = zip(np.asarray(sex, dtype=object), np.asarray(older, dtype=bool), strict=True)
    found = [(GROWN if old else _YOUNG).get(one, one) for one, old in named]
    return np.array(found, dtype=object)


def older(flock: Flock) -> pd.Series:
    """Whether each bird (index) is past its first season on the plan's day; one of unknown year is."""
    birds = flock.birds.drop_duplicates("bird").set_index("bird")
    return birds["hatch_year"] != flock.plan.season


def weighed_sections(standard: Standard) -> tuple[Section, ...]:
    """The sections that are awarded from weight, in the standard's order."""
    return tuple(s for s in standard.by_measure if s.measured == "weight")


def weighed_section(standard: Standard) -> Section | None:
    """The first of them, or None where the standard has none."""
    return next(iter(weighed_sections(standard)), None)


def middle_of_band(section: Section, sex: str) -> float | None:
    """The value midway in the band of young birds of `sex`; None where the section has no band for them."""
    band = section.band.get(young_class(section, sex))
    return sum(band) / 2 if band else None


def points_of(section: Section, group: npt.ArrayLike, value: npt.ArrayLike) -> Floats:
    """Points for `value` by the band of the class `group`; shapes broadcast.

    All inside the band, none at or beyond `none`, linear between. A missing value, or a class
    without a band, gives missing points.
    """
    groups, values = np.broadcast_arrays(np.asarray(group, dtype=object), np.asarray(value, dtype=float))
    points = np.full(values.shape, np.nan)
    for one, band in section.band.items():
        points = np.where(groups == one, _by_band(section.points, band, section.none[one], values), points)
    return points


def expected_points(
    section: Section, group: npt.ArrayLike, mean: npt.ArrayLike, sd: npt.ArrayLike, logs: bool = True
) -> Floats:
    """Expected points of values that are normal (`mean`, `sd`), in logarithms unless told; shapes broadcast.

    Closed form: over a stretch where the points are linear in the value, a (log-)normal value's
    share and its partial mean are both normal probabilities (Johnson, Kotz & Balakrishnan 1994, Continuous
    Univariate Distributions 1, ch. 13 and 14; from memory). A missing mean or standard deviation, or a class
    without a band, gives missing points; a standard deviation of 0 gives :func:`points_of`.
    """
    groups, means, sds = np.broadcast_arrays(
        np.asarray(group, dtype=object), np.asarray(mean, dtype=float), np.asarray(sd, dtype=float)
    )
    points = np.full(means.shape, np.nan)
    spread = np.where(sds > 0, sds, 1.0)
    rise = _expected_rise_of_logs if logs else _expected_rise
    for one, (low, high) in section.band.items():
        least, most = section.none[one]
        expected = section.points * (rise(least, low, means, spread) - rise(high, most, means, spread))
        points = np.where(groups == one, expected, points)
    certain = points_of(section, groups, np.exp(means) if logs else means)
    return np.where(sds == 0, certain, points + 0 * sds)


def _by_band(full: float, band: tuple[float, float], none: tuple[float, float], value: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        rising = (value - none[0]) / (band[0] - none[0])
        falling = (none[1] - value) / (none[1] - band[1])
    inside = (value >= band[0]) & (value <= band[1])
    outside = (value <= none[0]) | (value >= none[1])
    between = np.where(value < band[0], rising, falling)
    share = np.where(inside, 1.0, np.where(outside, 0.0, between))
    return np.where(np.isnan(value), np.nan, full * share)


def _expected_rise_of_logs(low: float, high: float, mean: Floats, sd: Floats) -> Floats:
    """Expectation of min(max((W − low)/(high − low), 0), 1) for ln W normal; a step where low = high."""
    from scipy.special import ndtr

    z_high = (np.log(high) - mean) / sd
    if high <= low:
        return ndtr(-z_high)
    z_low = (np.log(low) - mean) / sd if low > 0 else np.full(np.shape(mean), -np.inf)
    partial = np.exp(mean + sd**2 / 2) * (ndtr(z_high - sd) - ndtr(z_low - sd))
    return (partial - low * (ndtr(z_high) - ndtr(z_low))) / (high - low) + ndtr(-z_high)


def _expected_rise(low: float, high: float, mean: Floats, sd: Floats) -> Floats:
    """The same for W itself normal."""
    from scipy.special import ndtr

    z_low, z_high = (low - mean) / sd, (high - mean) / sd
    if high <= low:
        return ndtr(-z_high)
    density = (np.exp(-(z_low**2) / 2) - np.exp(-(z_high**2) / 2)) / np.sqrt(2 * np.pi)
    inside = (mean - low) * (ndtr(z_high) - ndtr(z_low)) + sd * density
    return inside / (high - low) + ndtr(-z_high)
