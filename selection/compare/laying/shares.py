"""What each hatch year laid: counted eggs shared out by the fitted model, and how far off that may be.

A cell's eggs are shared between its hens in proportion to what the model expects of each. The shares add up
to the count, and a cell with hens of one hatch year alone gives them exactly what was counted. Sharing out and
fitting by turns, with a free rate for each group, is the EM algorithm for a Poisson model with identity link
(Marschner 2010, J. Comput. Graph. Stat. 19:666, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from selection.compare.laying.model import FLATTER, HENS, Array, Counts, Fit, gradients

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Share:
    """Eggs that one group of hens laid in one season, its hen-days, and two standard errors of eggs ÷ hen-days.

    `se` is for the rate of the hatch year: what hens of that hatch year would lay on those days, had there been
    many of them and no odd days. `se_these` is for the rate of these very hens on ordinary days.
    """

    eggs: float
    hen_days: float
    se: float
    se_these: float

    @property
    def rate(self) -> float:
        """Hen-day rate, held to 0..1."""
        return min(max(self.eggs / self.hen_days, 0.0), 1.0)


def share_out(eggs: npt.ArrayLike, expected: npt.ArrayLike) -> Array:
    """Counted eggs of each row (r,) shared between groups (r, g) in proportion to the `expected` eggs (r, g)."""
    of_all = np.asarray(expected, dtype=float)
    total = of_all.sum(axis=1, keepdims=True)
    part = np.divide(of_all, total, out=np.zeros_like(of_all), where=total > 0)
    return np.asarray(eggs, dtype=float)[:, None] * part


def shares(counts: Counts, rate: Array, of: Mask) -> Array:
    """The part of each cell's eggs, (c,), that falls to the kinds of hen `of` (n,) at the rates of the pairs."""
    each = counts.hen_days * rate
    mine = np.bincount(counts.cell, each * of[counts.kind], len(counts.eggs))
    return mine / np.bincount(counts.cell, each, len(counts.eggs))


def share_of(fit: Fit, season: int, of: Mask) -> Share:
    """The share of the kinds of hen `of` (n,) in a season's counts, and how far off it may be.

    With e the noise of the counts, θ the terms, M the change of the cells' expected eggs with θ, k that of the
    group's eggs less share'M, and h the part of k + share'M that belongs to the group's own hens and to the
    shocks, the error of the shared-out eggs is share'e + k'(θ̂ − θ) + h'θ. Its variance is

        Σ share²·V + k'Ck + 2(M'share − h)'Ck + h'Σh        (C posterior, Σ prior covariance of θ)

    because Cov(e, θ̂) = MC and Cov(θ̂ − θ, θ) = −C for a linear model fitted to its own prior.
    """
    part = fit.seasons[season]
    counts, f = part.counts, len(part.basis)
    hen_days = float(counts.hen_days[of[counts.kind]].sum())
    share = shares(counts, part.rate, of)
    cells = [share @ side for side in gradients(counts, part.basis, part.rate)]
    group = [side.sum(axis=0) for side in gradients(counts, part.basis, part.rate, of)]
    k = group[0] - cells[0], group[1] - cells[1]
    shocks = np.concatenate([np.zeros(f), group[0][f:]])
    hens = group[1] * (fit.family[counts.columns] == HENS) / np.sqrt(1 + FLATTER * fit.spread.hens**2)
    errors = []
    for own in (hens, np.zeros_like(hens)):
        left = k[0] + 2 * (cells[0] - shocks), k[1] + 2 * (cells[1] - own)
        variance = (
            share**2 @ part.variance
            + shocks**2 @ part.prior
            + own**2 @ fit.prior[counts.columns]
            + fit.covary(season, left, k)
        )
        errors.append(float(np.sqrt(max(variance, 0.0)) / hen_days))
    return Share(float(share @ counts.eggs), hen_days, *errors)


def still_open(fit: Fit, season: int, one: Mask, other: Mask) -> float:
    """Posterior over prior variance of the contrast of two groups of hens, on the logit scale.

    The contrast is that of the groups as they were, their hens' own differences included: age, hatch year and
    hens, each hen weighing by her counted days. Half or more: the records cannot tell the two apart.
    """
    counts = fit.seasons[season].counts
    contrast = _middle(counts.hen_days, counts.kind, counts.x, one) - _middle(
        counts.hen_days, counts.kind, counts.x, other
    )
    before = contrast**2 @ fit.prior[counts.columns]
    rows = np.zeros(2 * len(fit.seasons[season].basis)), contrast
    return float(fit.covary(season, rows, rows) / before) if before > 0 else 1.0


def _middle(hen_days: Array, kind: npt.NDArray[np.int64], x: Array, of: Mask) -> Array:
    """Mean of the effects' coefficients over the counted hen-days of a group."""
    weight = np.bincount(kind, hen_days, len(x)) * of
    return weight @ x / weight.sum()
