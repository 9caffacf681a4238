"""The variances of each trait: what is published, what the holding's own records say, and what follows.

The published heritability, repeatability and shares are a Dirichlet prior on a trait's shares of variance. In
the log variances v its density is Π share_k^α_k (the total left nearly free), so no part is ever pushed to
nought; the holding's own REML likelihood moves it, little from 30 birds and decisively from 3,000. Near its
mode the posterior is taken as normal in the log variances, and drawn from, so that standard errors can carry
what is not known of the variances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse

from selection.errors import ModelError
from selection.merit import published
from selection.merit.season_model import EFFECTS, SeasonModel, decaying
from selection.merit.variances.components import Effect, Equations, fit_equations
from selection.merit.variances.correlations import layers
from selection.records.settings.reading import Measured, Section
from selection.standard.traits import Trait

LEAST_SHARE = 0.01
"""Prior share of any part: none is held to be nought."""

FLOOR = 1e-7
"""Least share of a part that no record tells of (weighings have no judge): its equations stay regular."""

NEAR_ENOUGH = 1e-4
"""Log-likelihood within which the holding's own shares are known: a seventieth of their standard errors."""

MOST_LOG_VARIANCE = 4.0
"""Widest that a log variance is held to be where the likelihood's curvature there is wrong."""

TOTAL_SD = 1.0
"""Prior standard deviation of a trait's log total variance: nearly free."""


@dataclass(frozen=True)
class TraitVariances:
    """One trait's variances.

    trait (its key); shares: prior means by EFFECTS; strength: of the Dirichlet prior (Σα); own: the holding's own REML
    shares without the prior (None where its records cannot tell); parts: variances (6,) at the mode, by
    EFFECTS, next to 0 for the day where nobody judges; covariance (6 × 6) of the log variances; source of the prior;
    records: values it rests on; converged and message as the fit left them; learnt: False where the records vary
    in nothing, so that the prior stands.
    """

    trait: str
    shares: np.ndarray
    strength: float
    parts: np.ndarray
    covariance: np.ndarray
    own: np.ndarray | None
    source: str
    records: int
    converged: bool
    message: str
    learnt: bool = True


def trait_variances(model: SeasonModel) -> tuple[TraitVariances, ...]:
    """Variances of every trait of the model, each from its own records and its published prior."""
    return tuple(_fit(model, trait) for trait in model.observations.asked)


def draw_parts(fitted: Sequence[TraitVariances], count: int, rng: np.random.Generator) -> np.ndarray:
    """`count` (even) draws of all variances (count × T × 6) from what is known of them, mirrored in pairs.

    Of every direction in which a trait's log variances are uncertain the draws take each layer of the normal
    distribution once (a Latin hypercube: McKay, Beckman and Conover 1979, Technometrics 21:239, from memory), so that
    two seeds differ by how directions meet, not by how far each was drawn out. A gamma variable's log has its mode at
    the log of its mean: the draws are scaled so that their mean, not their median, is the fitted variance.
    """
    levels = layers(count)[count // 2 :]
    drawn = []
    for trait in fitted:
        off = np.stack(
            [rng.permutation(levels) * rng.choice([-1.0, 1.0], len(levels)) for _ in range(6)], axis=1
        )
        logs = np.concatenate([off, -off]) @ _root(trait.covariance).T
        factors = np.exp(logs - logs.max(axis=0))
        parts = trait.parts * factors / factors.mean(axis=0)
        # a part that is hardly known may be drawn next to nought: its equations stay regular
        drawn.append(np.maximum(parts, FLOOR * trait.parts.sum()))
    return np.stack(drawn, axis=1)


def _root(covariance: np.ndarray) -> np.ndarray:
    """Lower triangular root of a covariance that may have rows of noughts; a Cholesky root is unique."""
    return np.linalg.cholesky(covariance + 1e-12 * np.eye(len(covariance)))


def prior_shares(trait: Section | Measured, judged: bool) -> tuple[np.ndarray, float, str]:
    """Prior means of the shares by EFFECTS, the Dirichlet's strength, and where the heritability is from.

    The strength makes the prior sd of the heritability what its source allows: m(1 − m)/sd² − 1.
    """
    heritability, repeatability = published.heritability(trait), published.repeatability(trait)
    day = published.variance_share("judge×day") if judged else 0.0
    clutch, brooder = published.variance_share("clutch"), published.variance_share("brooder")
    h = heritability.mean
    permanent = max(repeatability.mean - h - clutch, LEAST_SHARE)
    residual = max(1 - h - permanent - clutch - brooder - day, LEAST_SHARE)
    shares = np.array([day, clutch, brooder, permanent, h, residual])
    strength = max(h * (1 - h) / heritability.sd**2 - 1, 5.0)
    return shares / shares.sum(), strength, heritability.source


def _fit(model: SeasonModel, trait: Trait) -> TraitVariances:
    y, X, effects, scale = _single(model, trait.key)
    judged = "day" in [e.name for e in effects]
    shares, strength, source = prior_shares(trait.prior, judged or trait.by_eye)
    if not _varies(y, X):
        parts = np.maximum(shares * trait.usual_variance, FLOOR * trait.usual_variance)
        covariance = _prior_covariance(shares, strength)
        return TraitVariances(
            trait.key, shares, strength, parts, covariance, None, source, len(y), True, "", False
        )
    at = [EFFECTS.index(e.name) for e in effects] + [EFFECTS.index("residual")]
    usual = trait.usual_variance
    start = shares[at] * max(float(np.var(y)), 1e-3 * usual)
    prior = _Dirichlet(strength * shares[at], np.log(usual))
    equations = Equations(y, X, effects, scale)
    fitted = fit_equations(equations, prior, start)
    parts, covariance = np.zeros(6), np.zeros((6, 6))
    parts[at] = fitted.variances
    parts = np.maximum(parts, FLOOR * parts.sum())
    covariance[np.ix_(at, at)] = _definite(fitted.log_variance_cov)
    own = _own(equations, fitted.variances, at)
    return TraitVariances(
        trait.key, shares, strength, parts, covariance, own, source, len(y), fitted.converged, fitted.message
    )


def _definite(covariance: np.ndarray) -> np.ndarray:
    """A covariance whose wrong curvature is turned round, no direction being wider than the total's prior allows."""
    values, vectors = np.linalg.eigh(covariance)
    if values[0] > -1e-13:
        return covariance
    return (vectors * np.minimum(np.abs(values), MOST_LOG_VARIANCE)) @ vectors.T


def _varies(y: np.ndarray, X: np.ndarray) -> bool:
    """Whether values differ by more than their fixed effects say: else there is no variance to learn from."""
    if len(y) == 0:
        return False
    left = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    return len(y) > np.linalg.matrix_rank(X) and float(left @ left) > FLOOR**2 * float(y @ y)


def _prior_covariance(shares: np.ndarray, strength: float) -> np.ndarray:
    """Covariance (6 × 6) of the log variances under the prior alone, normal at its mode; 0 for a part of nought."""
    covariance, at = np.zeros((6, 6)), np.flatnonzero(shares > 0)
    own = shares[at]
    information = strength * (np.diag(own) - np.outer(own, own)) + np.outer(own, own) / TOTAL_SD**2
    covariance[np.ix_(at, at)] = np.linalg.inv(information)
    return covariance


@dataclass(frozen=True)
class _Dirichlet:
    """log density of the log variances: Σ α_k log share_k, and a wide normal on the log total."""

    alpha: np.ndarray
    log_total: float

    def __call__(self, logs: np.ndarray) -> tuple[float, np.ndarray]:
        top = logs.max()
        total = top + np.log(np.exp(logs - top).sum())
        shares = np.exp(logs - total)
        off = (total - self.log_total) / TOTAL_SD**2
        value = float(self.alpha @ (logs - total) - 0.5 * off * (total - self.log_total))
        return value, self.alpha - (self.alpha.sum() + off) * shares


def _own(equations: Equations, start: np.ndarray, at: list[int]) -> np.ndarray | None:
    """The holding's own REML shares by EFFECTS, without any prior; None where nothing varies."""
    try:
        fitted = fit_equations(equations, start=start, tolerance=NEAR_ENOUGH)
    except ModelError:
        return None
    shares = np.zeros(6)
    shares[at] = fitted.variances / fitted.variances.sum()
    return shares


def _single(model: SeasonModel, trait: str) -> tuple[np.ndarray, np.ndarray, list[Effect], np.ndarray]:
    """One trait's own values, fixed effects and random effects, its residuals made independent."""
    rows = model.observations.rows
    at = np.flatnonzero(rows["series"] == trait)
    here = (model.fixed_names["series"] == trait).to_numpy()
    y, X = model.y[at], model.fixed[at][:, here].toarray()
    effects = []
    for name, level in model.levels.items():
        codes = level.codes[at]
        if (codes < 0).all():
            continue
        seen = codes >= 0
        cells = (np.ones(seen.sum()), (np.flatnonzero(seen), codes[seen]))
        design = sparse.csr_array(cells, shape=(len(at), len(level.labels)))
        precision = level.precision if name in ("genetic", "permanent") else None
        effects.append(Effect(name, design, precision))
    if trait == model.observations.weighed:
        return _whitened(y, X, effects, rows.iloc[at], model.observations.decay_weeks)
    return y, X, effects, rows["sd"].to_numpy()[at] ** 2 / rows["n"].to_numpy()[at]


def _whitened(
    y: np.ndarray, X: np.ndarray, effects: list[Effect], rows: pd.DataFrame, decay_weeks: float
) -> tuple[np.ndarray, np.ndarray, list[Effect], np.ndarray]:
    """Weighings turned so that the residuals within a bird no longer hang together (L⁻¹ of each bird's block)."""
    blocks, order = [], []
    for _, part in rows.reset_index(drop=True).groupby("record", sort=False):
        sd = part["sd"].to_numpy() / np.sqrt(part["n"].to_numpy())
        covariance = decaying(part["week"].to_numpy(), sd, decay_weeks)
        blocks.append(np.linalg.inv(np.linalg.cholesky(covariance)))
        order.append(part.index.to_numpy())
    turn = sparse.block_diag(blocks, format="csr")
    at = np.concatenate(order)
    turned = [Effect(e.name, (turn @ e.design[at]).tocsr(), e.precision) for e in effects]
    return turn @ y[at], turn @ X[at], turned, np.ones(len(y))
