"""What was seen of each bird: mean points by section, and how far such a mean may lie from the bird's own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.records.settings.reading import Standard
from selection.standard.agreement import Codes, Floats, Levels
from selection.standard.judges import Looks

USUAL_SD = 0.06
"""Standard deviation, as a share of a section's points, between birds and again between looks at one bird,
where the holding's looks show neither (common practice, no source)."""
HALO = 0.15
"""Correlation of two sections' errors in one look before the holding's looks move it (common practice)."""
HALO_STEADIES = 10.0
"""That correlation counts as this many looks."""
FEWEST_MEASURED = 5
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
    looks: Looks,
    birds: pd.Series,
    levels: Mapping[str, Levels],
    measured: pd.DataFrame,
) -> Seen:
    """What `looks` (with `adjusted`, all at `birds`) and `measured` (long, by section and bird) say of `birds`."""
    names = [s.name for s in standard.sections]
    most = np.array([s.points for s in standard.sections], dtype=float)
    values = looks.matrix(names, "adjusted")
    of_bird = pd.Index(birds).get_indexer(looks.about["bird"]).astype(np.intp)
    means, pairs = _means(values, of_bird, len(birds))
    found = [levels.get(name) for name in names]
    between, within = (
        np.array([getattr(x, sd) if x else np.nan for x in found]) for sd in ("between_sd", "residual_sd")
    )
    error = _error(values, means, of_bird, pairs, _or_usual(within, most))
    counts = np.einsum("bii->bi", pairs)
    noise = error * pairs / np.maximum(counts[:, :, None] * counts[:, None, :], 1.0)
    for section in standard.by_measure:
        column = names.index(section.name)
        own = measured[measured["section"] == section.name].set_index("bird").reindex(birds)
        means[:, column] = own["points"]
        noise[:, column, column] = own["points_se"].fillna(0.0) ** 2
        between[column] = _between_measured(own)
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


def _between_measured(own: pd.DataFrame) -> float:
    """Standard deviation between birds in points of a measured section, the doubt about each value taken off."""
    points = own["points"].dropna()
    if len(points) < FEWEST_MEASURED:
        return np.nan
    doubt = float((own.loc[points.index, "points_se"] ** 2).mean())
    return float(np.sqrt(max(float(points.var()) - doubt, 0.0)))


CELL_STEADIES = 2.0
"""A cell's mean is drawn towards the mean of all birds as by this many birds at it."""
CORRELATION_STEADIES = 10.0
"""A correlation between sections is drawn towards 0 as by this many birds without any."""

GRAIN = 1e-8
"""Added to variances, in points², so that a section on which all birds agree can still be solved with."""


@dataclass(frozen=True, slots=True)
class Rest:
    """Points of all sections (birds, sections): as seen, or else predicted; their total and its error."""

    points: Floats
    total: Floats
    se: Floats


def predict_rest(seen: Floats, noise: Floats, cells: npt.ArrayLike, between_sd: Floats, most: Floats) -> Rest:
    """Points of 100 of birds from what was `seen` of them (birds, sections; missing: not seen).

    `noise` (birds, sections, sections): error covariance of what was seen, ignored where nothing was;
    `cells`: a label a bird; `between_sd` (sections): standard deviation between birds of one cell; `most`
    (sections): the sections' points. A bird of which nothing was seen has missing total and standard error.
    """
    means = _cell_means(seen, np.unique(np.asarray(cells), return_inverse=True)[1], most)
    known = ~np.isnan(seen)
    off = np.where(known, seen - means, 0.0)
    between = _between(off, known, noise, between_sd)
    error = np.where(known[:, :, None] & known[:, None, :], noise, 0.0)
    # unseen sections: no covariance with anything and a variance of 1 keep one solve for all birds
    both = known[:, :, None] & known[:, None, :]
    total_covariance = (
        np.where(both, between + error, 0.0) + np.eye(len(most)) * np.where(known, GRAIN, 1.0)[:, :, None]
    )
    to_unseen = np.where(known[:, :, None] & ~known[:, None, :], between, 0.0)
    regression = np.asarray(np.linalg.solve(total_covariance, to_unseen), dtype=np.float64)
    points = np.where(known, seen, np.clip(means + np.einsum("bsu,bs->bu", regression, off), 0.0, most))
    blank = ~known.any(axis=1)
    se = np.sqrt(_error_of_total(between, error, known, to_unseen, regression))
    return Rest(points, np.where(blank, np.nan, points.sum(axis=1)), np.where(blank, np.nan, se))


def _error_of_total(
    between: Floats, error: Floats, known: npt.NDArray[np.bool_], to_unseen: Floats, regression: Floats
) -> Floats:
    """Variance of predicted less true total, for each bird.

    With g the regression of the unseen sum on what was seen, the error is g′(b+e) − Σ unseen b + Σ seen e.
    """
    unseen = (~known).astype(float)
    g = regression.sum(axis=2)
    not_seen = np.einsum("bi,ij,bj->b", unseen, between, unseen)
    explained = np.einsum("bi,bij->b", g, to_unseen)
    shared = np.einsum("bi,bij->b", g, error)
    return np.maximum(not_seen - explained + 2 * shared + error.sum(axis=(1, 2)), 0.0)


def _cell_means(seen: Floats, cells: npt.NDArray[np.intp], most: Floats) -> Floats:
    """Mean of each bird's cell, drawn towards that of all birds; of a section never seen, the usual share."""
    known = ~np.isnan(seen)
    filled = np.where(known, seen, 0.0)
    count, total = known.sum(axis=0), filled.sum(axis=0)
    share = total.sum() / max(float((count * most).sum()), 1e-12)
    overall = np.where(count > 0, total / np.maximum(count, 1), share * most)
    sums = np.zeros((cells.max(initial=-1) + 1, len(most)))
    counts = np.zeros_like(sums)
    np.add.at(sums, cells, filled)
    np.add.at(counts, cells, known)
    return ((sums + CELL_STEADIES * overall) / (counts + CELL_STEADIES))[cells]


def _between(off: Floats, known: npt.NDArray[np.bool_], noise: Floats, spread: Floats) -> Floats:
    """Covariance between birds: `spread` on the diagonal, correlations from sections seen together."""
    pairs = np.einsum("bi,bj->ij", known.astype(float), known.astype(float))
    both = known[:, :, None] & known[:, None, :]
    error = np.where(both, noise, 0.0).sum(axis=0)
    covariance = (off.T @ off - error) / np.maximum(pairs, 1.0)
    scale = np.maximum(np.outer(spread, spread), 1e-12)
    correlation = np.clip(covariance / scale, -0.95, 0.95) * pairs / (pairs + CORRELATION_STEADIES)
    np.fill_diagonal(correlation, 1.0)
    return np.outer(spread, spread) * _positive(correlation)


def _positive(correlation: Floats) -> Floats:
    """The nearest correlation matrix by clipping eigenvalues, so that it can be solved with."""
    values, vectors = np.linalg.eigh(correlation)
    clipped = (vectors * np.maximum(values, 0.05)) @ vectors.T
    size = np.sqrt(np.diagonal(clipped))
    return clipped / np.outer(size, size)
