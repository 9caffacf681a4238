"""What was seen of each bird: mean points by section, and how far such a mean may lie from the bird's own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.records.settings.reading import Standard
from selection.standard.agreement import Codes, Floats, Levels
from selection.standard.bands import weighed_section

USUAL_SD = 0.06
"""Standard deviation, as a share of a section's points, between birds and again between looks at one bird,
where the holding's looks show neither (common practice, no source)."""
HALO = 0.15
"""Correlation of two sections' errors in one look before the holding's looks move it (common practice)."""
HALO_STEADIES = 10.0
"""That correlation counts as this many looks."""
FEWEST_WEIGHED = 5
"""Birds under which their points for a measured section do not tell how birds differ in it."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Birds × sections, in the order of the standard's sections.

    `means`: points, missing where not seen; `noise` (birds, sections, sections): error covariance of these
    means, 0 where not seen; `between_sd` (sections): standard deviation between birds; `most` (sections):
    the sections' points.
    """

    means: Floats
    noise: Floats
    between_sd: Floats
    most: Floats


def gather(
    standard: Standard,
    looks: pd.DataFrame,
    birds: pd.Series,
    levels: Mapping[str, Levels],
    size: pd.DataFrame,
) -> Seen:
    """What `looks` (levels taken off, all of them at `birds`) and `size` (by bird) say of each of `birds`."""
    names = [s.name for s in standard.sections]
    most = np.array([s.points for s in standard.sections], dtype=float)
    values = looks.reindex(columns=names).to_numpy(dtype=float)
    of_bird = pd.Index(birds).get_indexer(looks["bird"]).astype(np.intp)
    means, pairs = _means(values, of_bird, len(birds))
    found = [levels.get(name) for name in names]
    between, within = (
        np.array([getattr(x, sd) if x else np.nan for x in found]) for sd in ("between_sd", "residual_sd")
    )
    error = _error(values, means, of_bird, pairs, _or_usual(within, most))
    counts = np.einsum("bii->bi", pairs)
    noise = error * pairs / np.maximum(counts[:, :, None] * counts[:, None, :], 1.0)
    section = weighed_section(standard)
    if section is not None:
        column = names.index(section.name)
        weighed = size.reindex(birds)
        means[:, column] = weighed["points"]
        noise[:, column, column] = weighed["points_se"].fillna(0.0) ** 2
        between[column] = _between_weighed(weighed)
    return Seen(np.clip(means, 0.0, most), noise, _or_usual(between, most), most)


def _or_usual(sd: Floats, most: Floats) -> Floats:
    return np.where(np.isnan(sd), USUAL_SD * most, sd)


def _means(values: Floats, of_bird: Codes, birds: int) -> tuple[Floats, Floats]:
    """Mean of each bird's looks by section, and how many of its looks saw both of two sections."""
    known = ~np.isnan(values)
    pairs = np.zeros((birds, values.shape[1], values.shape[1]))
    sums = np.zeros((birds, values.shape[1]))
    np.add.at(pairs, of_bird, known[:, :, None] & known[:, None, :])
    np.add.at(sums, of_bird, np.where(known, values, 0.0))
    counts = np.einsum("bii->bi", pairs)
    return np.where(counts > 0, sums / np.maximum(counts, 1.0), np.nan), pairs


def _error(values: Floats, means: Floats, of_bird: Codes, pairs: Floats, sd: Floats) -> Floats:
    """Covariance of one look's errors: `sd` on the diagonal, the halo that repeat looks show beside it."""
    off = values - means[of_bird]
    known = (~np.isnan(off)).astype(float)
    off = np.where(known > 0, off, 0.0)
    size = (off**2).T @ known
    correlation = (off.T @ off) / np.sqrt(np.maximum(size * size.T, 1e-12))
    freedom = np.maximum(pairs - 1.0, 0.0).sum(axis=0)
    steadied = (freedom * correlation + HALO_STEADIES * HALO) / (freedom + HALO_STEADIES)
    np.fill_diagonal(steadied, 1.0)
    return np.outer(sd, sd) * steadied


def _between_weighed(weighed: pd.DataFrame) -> float:
    """Standard deviation between birds in points for weight, the doubt about each weight taken off."""
    points = weighed["points"].dropna()
    if len(points) < FEWEST_WEIGHED:
        return np.nan
    doubt = float((weighed.loc[points.index, "points_se"] ** 2).mean())
    return float(np.sqrt(max(float(points.var()) - doubt, 0.0)))
