"""The laying model on plain arrays: counts of mixed pens, unmixed by a season curve and hens' effects.

Expected eggs of a cell are Σ over its hens of days × rate, with

    logit rate = season curve (of that year, shared by all its hens) + effects·x of the hen's kind

The season curve is a level of its own for each year, a random walk from fortnight to fortnight, and a shock of
each fortnight that all pens share. The effects are age steps with a prior of their own, hatch years' deviations
and hens' own. Counts spread by `dispersion` times their binomial variance.

All years are fitted together by penalised likelihood (Breslow and Clayton 1993, J. Am. Stat. Assoc. 88:9-25,
from memory): scoring steps, each followed by an update of the season's spreads, σ² = (ν·s² + Σû²) ÷ (ν + γ), with s
the prior's spread, ν what it weighs, and γ the number of terms that the counts determine (MacKay 1992, Neural
Computation 4:415-447, from memory). How far hens and hatch years differ is hardly in a pen's counts: both are
integrated over a log-normal prior by Laplace's approximation of the counts' likelihood, and their mean variances
stand in the fit. Each year's own terms are eliminated first, so that their cost is linear in years.

This module knows arrays and variances and nothing of birds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from selection.answer import Floats
from selection.errors import ModelError

Index = npt.NDArray[np.int64]

FLATTER = 0.346
"""A normal spread σ on the logit scale moves a rate p by σ·p(1−p)/√(1 + 0.346σ²): the logistic curve is flatter away
from the middle (Zeger, Liang and Albert 1988, Biometrics 44:1049-1060, from memory)."""

STEPS, HATCH, HENS = 0, 1, 2
"""The families of effects: steps of age, hatch years, hens."""

LEVEL_SD = 10.0
"""Prior sd of a year's level on the logit scale: as good as flat."""
HOLD_AFTER = 30
"""Steps after which the seasons' spreads are held: where they can hardly be told apart they creep on."""
HATCH_GRID = np.array([-1.0, 0.0, 1.0, 2.0, 3.0])
HENS_GRID = np.array([-1.5, -0.75, 0.0, 0.75, 1.5])
"""Points at which hatch years' and hens' spreads are tried, in standard deviations of the log-normal prior."""
MOST_STEPS = 100
_CLOSE = 5e-5
"""Gain of log likelihood under which the steps are at an end: a hundredth of a standard error."""


_Form = tuple[Floats, Floats]
"""A linear form: coefficients (2f,) of a season's own terms and (g,) of its effects."""


@dataclass(frozen=True)
class Counts:
    """One season's counts; c cells, m pairs of a cell and a kind of hen, n kinds, f fortnights, g effects.

    `eggs` (c,) as counted; `most` (c,), hen-days of the cell, of which the fit takes no more eggs; `fortnight` (c,)
    in 0..f−1; `months` (f−1,) from one fortnight to the next counted one; `cell`, `kind`, `hen_days` (m,); `x` (n, g)
    of the effects in `columns` (g,) of all effects.
    """

    eggs: Floats
    most: Floats
    fortnight: Index
    months: Floats
    cell: Index
    kind: Index
    hen_days: Floats
    x: Floats
    columns: Index

    @property
    def fitted(self) -> Floats:
        """The eggs that the model is fitted to."""
        return np.minimum(self.eggs, self.most)


@dataclass(frozen=True)
class Effects:
    """Prior of the effects shared by the seasons (all of length G).

    An effect has mean `mean` and variance `scale` × the variance of its `family`: STEPS (1), HATCH and HENS (the
    squares of the spreads; scale 1/n for the mean of n hens).
    """

    mean: Floats
    scale: Floats
    family: Index


@dataclass(frozen=True)
class LayingSpread:
    """Standard deviations on the logit scale (curve: a month's), and `dispersion`, a ratio of variances."""

    hatch: float
    hens: float
    curve: float
    shock: float
    dispersion: float = 1.1


@dataclass(frozen=True)
class Weight:
    """How well each prior spread is believed before the counts.

    `curve`, `shock` and `dispersion`: the earlier values that it is worth (ν). `hatch`, `hens`: the factor by which
    one standard deviation of the log-normal prior multiplies or divides it (common practice, no source); 1: held.
    """

    hatch: float = 2.0
    hens: float = 2.0
    curve: float = 4.0
    shock: float = 4.0
    dispersion: float = 20.0


@dataclass(frozen=True)
class SeasonFit:
    """One season at the fit: `rate` (m,) of each pair, `variance` (c,) of the counts, `own` (2f,) terms.

    `basis` (f, 2f) turns own terms into the season curve; `inverse` (2f, 2f) of their precision given the
    effects; `link` (2f, g) = inverse × cross precision; `prior` (2f,) their prior variances.
    """

    counts: Counts
    basis: Floats
    prior: Floats
    own: Floats
    rate: Floats
    variance: Floats
    inverse: Floats
    link: Floats


@dataclass(frozen=True)
class Fit:
    """Effects (G,), their posterior covariance (G, G), prior variances and families, the spreads, the seasons."""

    effects: Floats
    covariance: Floats
    prior: Floats
    family: Index
    spread: LayingSpread
    seasons: tuple[SeasonFit, ...]

    def covary(self, season: int, left: _Form, right: _Form) -> float:
        """Posterior covariance of two linear forms of one season's terms."""
        fit = self.seasons[season]
        among = self.covariance[np.ix_(fit.counts.columns, fit.counts.columns)]
        a, b = (shared - own @ fit.link for own, shared in (left, right))
        return float(left[0] @ fit.inverse @ right[0] + a @ among @ b)

    def variances(self, season: int, own: Floats, shared: Floats) -> Floats:
        """Posterior variances (q,) of linear forms, (q, 2f) on a season's terms and (q, g) on its effects."""
        fit = self.seasons[season]
        among = self.covariance[np.ix_(fit.counts.columns, fit.counts.columns)]
        left = shared - own @ fit.link
        return np.sum((own @ fit.inverse) * own, axis=1) + np.sum((left @ among) * left, axis=1)

    def among(self, season: int, own: Floats, shared: Floats) -> Floats:
        """Posterior covariance (q, q) of linear forms: (q, 2f) on one season's terms, (q, G) on all effects."""
        part = self.seasons[season]
        left = shared.copy()
        left[:, part.counts.columns] -= own @ part.link
        return own @ part.inverse @ own.T + left @ self.covariance @ left.T


@dataclass(frozen=True)
class Terms:
    """The effects (G,) and each season's own terms (2f,)."""

    shared: Floats
    own: list[Floats]

    def plus(self, move: Terms, share: float) -> Terms:
        """These terms after a share of a move."""
        own = [terms + share * m for terms, m in zip(self.own, move.own, strict=True)]
        return Terms(self.shared + share * move.shared, own)


def fit_rates(
    seasons: Sequence[Counts],
    effects: Effects,
    prior: LayingSpread,
    weight: Weight | None = None,
    progress: Callable[[float], None] | None = None,
) -> Fit:
    """Fits all seasons together; `weight` None holds the spreads at `prior`.

    Raises ModelError if the steps do not settle.
    """
    tell = progress or (lambda share: None)
    at = Terms(effects.mean.copy(), [_start(counts, effects) for counts in seasons])
    if weight is None:
        return _settle(seasons, effects, prior, at)[0]
    spread, at = _season_spreads(seasons, effects, prior, weight, at)
    tell(0.3)
    spread = _between(seasons, effects, spread, weight, at, lambda share: tell(0.3 + 0.6 * share))
    fitted, _ = _settle(seasons, effects, spread, at)
    tell(1.0)
    return fitted


def _settle(
    seasons: Sequence[Counts], effects: Effects, spread: LayingSpread, at: Terms
) -> tuple[Fit, Terms]:
    """The fit with its spreads held, and its terms; raises ModelError if the steps do not settle."""
    for _ in range(MOST_STEPS):
        now, move = _solve(seasons, effects, spread, at)
        at, gain = _uphill(now, effects, at, move)
        if gain < _CLOSE:
            return _solve(seasons, effects, spread, at)[0], at
    raise ModelError(f"the laying model did not settle in {MOST_STEPS} steps")


def _season_spreads(
    seasons: Sequence[Counts], effects: Effects, prior: LayingSpread, weight: Weight, at: Terms
) -> tuple[LayingSpread, Terms]:
    """The spreads of the season's own terms and of the counts, hens' and hatch years' held at the prior."""
    spread = prior
    for _ in range(HOLD_AFTER):
        now, move = _solve(seasons, effects, spread, at)
        at, _ = _uphill(now, effects, at, move)
        following = _update(now, prior, weight, at)
        settled, spread = _settled(spread, following), following
        if settled:
            break
    return spread, at


def _between(
    seasons: Sequence[Counts],
    effects: Effects,
    spread: LayingSpread,
    weight: Weight,
    at: Terms,
    progress: Callable[[float], None],
) -> LayingSpread:
    """The spreads with the mean variances of hatch years and of hens after the counts, over their prior.

    Every pair of the grid weighs by its prior and by the counts' likelihood at it.
    """
    pairs = np.array([(hatch, hens) for hatch in HATCH_GRID for hens in HENS_GRID])
    by = np.array([weight.hatch, weight.hens]) ** pairs
    found = np.empty(len(pairs))
    for k, (hatch, hens) in enumerate(by):
        tried = replace(spread, hatch=spread.hatch * hatch, hens=spread.hens * hens)
        found[k] = evidence(*_settle(seasons, effects, tried, at), effects)
        progress((k + 1) / len(pairs))
    share = np.exp(found - found.max() - np.sum(pairs**2, axis=1) / 2)
    hatch, hens = np.sqrt(share @ by**2 / share.sum())
    return replace(spread, hatch=spread.hatch * float(hatch), hens=spread.hens * float(hens))


def evidence(fit: Fit, at: Terms, effects: Effects) -> float:
    """Log likelihood of the counts with all terms integrated out by Laplace's approximation, but for a constant.

    Of one set of counts and one dispersion: it tells spreads of the terms apart (Tierney and Kadane 1986, J. Am. Stat.
    Assoc. 81:82-86, from memory).
    """
    volume = np.linalg.slogdet(fit.covariance)[1] - np.sum(np.log(fit.prior))
    for season in fit.seasons:
        volume += np.linalg.slogdet(season.inverse)[1] - np.sum(np.log(season.prior))
    return _log_likelihood(fit, effects, at) + float(volume) / 2


def _uphill(now: Fit, effects: Effects, at: Terms, move: Terms) -> tuple[Terms, float]:
    """The terms after the move, halved until the penalised log likelihood no longer falls, and what it gained."""
    here = _log_likelihood(now, effects, at)
    for halving in range(20):
        there = at.plus(move, 0.5**halving)
        gain = _log_likelihood(now, effects, there) - here
        if gain >= 0:
            return there, gain
    return at, 0.0


def _log_likelihood(now: Fit, effects: Effects, at: Terms) -> float:
    """Binomial log likelihood of the counts over the dispersion, less the penalty of the priors."""
    penalty = float(np.sum((at.shared - effects.mean) ** 2 / now.prior))
    log = 0.0
    for season, own in zip(now.seasons, at.own, strict=True):
        counts = season.counts
        expected, _ = moments(counts, rates(counts, season.basis @ own, at.shared[counts.columns]))
        log += float(np.sum(counts.fitted * np.log(expected)))
        log += float(np.sum((counts.most - counts.fitted) * np.log1p(-expected / counts.most)))
        penalty += float(np.sum(own**2 / season.prior))
    return log / now.spread.dispersion - penalty / 2


def _start(counts: Counts, effects: Effects) -> Floats:
    """A flat season curve at the level of the season's counts."""
    total = counts.hen_days.sum()
    share = (counts.fitted.sum() + 1) / (total + 2)
    level = np.log(max(share, 1e-3) / max(1 - share, 1e-3))
    mean = np.average((counts.x @ effects.mean[counts.columns])[counts.kind], weights=counts.hen_days)
    own = np.zeros(2 * (len(counts.months) + 1))
    own[0] = level - mean
    return own


def season_basis(months: Floats) -> Floats:
    """The season curve by fortnight (rows) from its level, its steps and its shocks (columns)."""
    f = len(months) + 1
    walk = np.tril(np.ones((f, f)))
    return np.hstack([walk, np.eye(f)])


def _own_prior(months: Floats, spread: LayingSpread) -> Floats:
    """Prior variances of a season's own terms: level, steps of the walk, shocks."""
    f = len(months) + 1
    return np.concatenate([[LEVEL_SD**2], spread.curve**2 * months, np.full(f, spread.shock**2)])


def prior_variance(effects: Effects, spread: LayingSpread) -> Floats:
    """Prior variances of the effects (G,)."""
    return effects.scale * np.array([1.0, spread.hatch**2, spread.hens**2])[effects.family]


def _solve(seasons: Sequence[Counts], effects: Effects, spread: LayingSpread, at: Terms) -> tuple[Fit, Terms]:
    """One scoring step from the terms `at`: the posterior there, and the move."""
    variances = prior_variance(effects, spread)
    precision = np.diag(1 / variances)
    slope = -(at.shared - effects.mean) / variances
    parts, pulls = [], []
    for counts, own in zip(seasons, at.own, strict=True):
        part, block, pull, pull_own = _season(counts, spread, own, at.shared[counts.columns])
        precision[np.ix_(counts.columns, counts.columns)] += block
        slope[counts.columns] += pull
        parts.append(part)
        pulls.append(pull_own)
    covariance = _inverse(precision)
    move = covariance @ slope
    moves = [p.inverse @ pull - p.link @ move[p.counts.columns] for p, pull in zip(parts, pulls, strict=True)]
    return Fit(at.shared, covariance, variances, effects.family, spread, tuple(parts)), Terms(move, moves)


def _season(
    counts: Counts, spread: LayingSpread, own: Floats, shared: Floats
) -> tuple[SeasonFit, Floats, Floats, Floats]:
    """One season with its own terms eliminated.

    Returns its fit, what it adds to the precision of the effects and to their slope, and the own terms' slope.
    """
    basis, prior = season_basis(counts.months), _own_prior(counts.months, spread)
    rate = rates(counts, basis @ own, shared)
    expected, binomial = moments(counts, rate)
    variance = spread.dispersion * binomial
    local, common = gradients(counts, basis, rate)
    weighted = local / variance[:, None]
    inverse = _inverse(weighted.T @ local + np.diag(1 / prior))
    cross = weighted.T @ common
    link = inverse @ cross
    error = counts.fitted - expected
    pull_own = weighted.T @ error - own / prior
    pull = common.T @ (error / variance) - link.T @ pull_own
    block = common.T @ (common / variance[:, None]) - cross.T @ link
    return SeasonFit(counts, basis, prior, own, rate, variance, inverse, link), block, pull, pull_own


def _inverse(precision: Floats) -> Floats:
    """Inverse of a symmetric positive definite matrix by its Cholesky factor, exactly symmetric."""
    from scipy.linalg.lapack import dpotrf, dpotri

    factor, wrong = dpotrf(precision, lower=1)
    if wrong:
        raise ModelError("the laying model's equations are not positive definite")
    lower = np.tril(dpotri(factor, lower=1)[0])
    return lower + np.tril(lower, -1).T


def rates(counts: Counts, curve: Floats, shared: Floats) -> Floats:
    """Eggs a day of each pair, (m,), strictly between 0 and 1."""
    logit = curve[counts.fortnight[counts.cell]] + (counts.x @ shared)[counts.kind]
    return 1 / (1 + np.exp(-np.clip(logit, -30, 30)))


def moments(counts: Counts, rate: Floats) -> tuple[Floats, Floats]:
    """Expected eggs and their binomial variance at the cell's mean rate, each (c,)."""
    expected = np.bincount(counts.cell, counts.hen_days * rate, len(counts.eggs)) / counts.most
    share = np.clip(expected, 1e-6, 1 - 1e-6)
    return counts.most * share, counts.most * share * (1 - share)


def gradients(
    counts: Counts, basis: Floats, rate: Floats, of: npt.NDArray[np.bool_] | None = None
) -> tuple[Floats, Floats]:
    """Change of each cell's expected eggs with the own terms (c, 2f) and with the effects (c, g).

    `of` (n,) restricts the eggs to those of some kinds of hen.
    """
    c, n = len(counts.eggs), len(counts.x)
    weight = counts.hen_days * rate * (1 - rate)
    if of is not None:
        weight = weight * of[counts.kind]
    by_kind = np.bincount(counts.cell * n + counts.kind, weight, c * n).reshape(c, n)
    return by_kind.sum(axis=1)[:, None] * basis[counts.fortnight], by_kind @ counts.x


def _update(now: Fit, prior: LayingSpread, weight: Weight, at: Terms) -> LayingSpread:
    """The season's spreads that the terms after a step suggest, each held towards its prior.

    `now` is the posterior before the step.
    """
    spread = now.spread
    used = float(np.sum(1 - np.diag(now.covariance) / now.prior))
    walk, shock, ratio = np.zeros(2), np.zeros(2), 0.0
    cells = 0
    for season, terms in zip(now.seasons, at.own, strict=True):
        f = len(season.basis)
        size, known = terms**2 / season.prior, 1 - _own_variances(now, season) / season.prior
        walk += size[1:f].sum() * spread.curve**2, known[1:f].sum()
        shock += size[f:].sum() * spread.shock**2, known[f:].sum()
        rate = rates(season.counts, season.basis @ terms, at.shared[season.counts.columns])
        expected, binomial = moments(season.counts, rate)
        ratio += float(((season.counts.fitted - expected) ** 2 / binomial).sum())
        used += float(known.sum())
        cells += len(expected)
    found_dispersion = (weight.dispersion * prior.dispersion + ratio) / (
        weight.dispersion + max(cells - used, 0.0)
    )
    return replace(
        spread,
        curve=_pooled(prior.curve, weight.curve, *walk),
        shock=_pooled(prior.shock, weight.shock, *shock),
        dispersion=float(found_dispersion),
    )


def _pooled(sd: float, nu: float, squares: float, determined: float) -> float:
    """The spread that `squares` of `determined` effects suggest beside ν of sd²."""
    return float(np.sqrt((nu * sd**2 + squares) / (nu + max(determined, 0.0))))


def _own_variances(now: Fit, season: SeasonFit) -> Floats:
    """Posterior variances of a season's own terms."""
    among = now.covariance[np.ix_(season.counts.columns, season.counts.columns)]
    return np.diag(season.inverse) + np.sum((season.link @ among) * season.link, axis=1)


def _settled(one: LayingSpread, other: LayingSpread) -> bool:
    a, b = (np.array([s.curve, s.shock, s.dispersion]) for s in (one, other))
    return bool(np.all(np.abs(np.log(a / b)) < 1e-3))
