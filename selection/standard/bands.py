"""Points of a measured section: awarded from grams by the standard's band, for certain or in expectation."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from selection.records.settings.reading import Section, Standard

Floats = npt.NDArray[np.float64]


def weighed_section(standard: Standard) -> Section | None:
    """The section that is awarded from weight, or None where the standard has none."""
    return next((s for s in standard.by_measure if s.measured == "weight"), None)


def middle_of_band(section: Section, sex: str) -> float | None:
    """The weight in grams midway in the band of `sex`; None where the section has no band for it."""
    return sum(section.band[sex]) / 2 if sex in section.band else None


def points_of(section: Section, sex: npt.ArrayLike, grams: npt.ArrayLike) -> Floats:
    """Points for `grams` by the band of `sex`; shapes broadcast.

    All inside the band, none at or beyond `none`, linear between. A missing weight, or a sex
    without a band, gives missing points.
    """
    sexes, weights = np.broadcast_arrays(np.asarray(sex, dtype=object), np.asarray(grams, dtype=float))
    points = np.full(weights.shape, np.nan)
    for one, band in section.band.items():
        points = np.where(sexes == one, _by_band(section.points, band, section.none[one], weights), points)
    return points


def expected_points(
    section: Section, sex: npt.ArrayLike, log_grams: npt.ArrayLike, log_sd: npt.ArrayLike
) -> Floats:
    """Expected points of weights whose logarithm is normal (`log_grams`, `log_sd`); shapes broadcast.

    Closed form: over a stretch where the points are linear in grams, a log-normal weight's
    share and its partial mean are both normal probabilities (Johnson, Kotz & Balakrishnan 1994, Continuous
    Univariate Distributions 1, ch. 14; from memory). A missing mean or standard deviation, or a sex without a
    band, gives missing points; a standard deviation of 0 gives :func:`points_of`.
    """
    sexes, means, sds = np.broadcast_arrays(
        np.asarray(sex, dtype=object), np.asarray(log_grams, dtype=float), np.asarray(log_sd, dtype=float)
    )
    points = np.full(means.shape, np.nan)
    spread = np.where(sds > 0, sds, 1.0)
    for one, band in section.band.items():
        expected = _expected_by_band(section.points, band, section.none[one], means, spread)
        points = np.where(sexes == one, expected, points)
    return np.where(sds == 0, points_of(section, sexes, np.exp(means)), points + 0 * sds)


def _by_band(full: float, band: tuple[float, float], none: tuple[float, float], grams: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        rising = (grams - none[0]) / (band[0] - none[0])
        falling = (none[1] - grams) / (none[1] - band[1])
    inside = (grams >= band[0]) & (grams <= band[1])
    outside = (grams <= none[0]) | (grams >= none[1])
    between = np.where(grams < band[0], rising, falling)
    share = np.where(inside, 1.0, np.where(outside, 0.0, between))
    return np.where(np.isnan(grams), np.nan, full * share)


def _expected_by_band(
    full: float, band: tuple[float, float], none: tuple[float, float], mean: Floats, sd: Floats
) -> Floats:
    up = _expected_rise(none[0], band[0], mean, sd)
    down = _expected_rise(band[1], none[1], mean, sd)
    return full * (up - down)


def _expected_rise(low: float, high: float, mean: Floats, sd: Floats) -> Floats:
    """Expectation of min(max((W − low)/(high − low), 0), 1) for ln W normal; a step where low = high."""
    from scipy.special import ndtr

    z_high = (np.log(high) - mean) / sd
    if high <= low:
        return ndtr(-z_high)
    z_low = (np.log(low) - mean) / sd if low > 0 else np.full(np.shape(mean), -np.inf)
    grams = np.exp(mean + sd**2 / 2) * (ndtr(z_high - sd) - ndtr(z_low - sd))
    return (grams - low * (ndtr(z_high) - ndtr(z_low))) / (high - low) + ndtr(-z_high)
