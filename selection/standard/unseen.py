"""What the sections nobody has seen on a bird would give: predicted from those that were seen.

Birds × sections, on plain arrays. A bird's true points in the sections are taken as normal around the mean of
its cell (season×sex) with covariance B between birds; what was seen of it adds noise N. Unseen sections are
predicted by B's regression on the seen ones, and the standard error of a bird's points of 100 holds both what
was seen with noise and what was not seen at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

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
