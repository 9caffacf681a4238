"""Bayesian regression in closed form: few data lean on the prior, many speak for themselves.

y | β, s² ~ N(Xβ, s²), β_j | s² ~ N(0, s²/precision_j), s² ~ scaled inverse χ²(prior_dof, prior_sd²): the
conjugate normal model (Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., ch. 14, from memory). The
posterior is an ordinary least-squares fit to the data with one pseudo-observation for each shrunken
coefficient, and is fitted as such by statsmodels. A coefficient of precision 0 is not shrunk at all; with
every precision and `prior_dof` at 0 everything here is the classical fit with its t prediction interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Regression:
    """A fitted regression: `mean` (p,) of β, `covariance` (p, p) of β over s², `sd` = s, degrees of freedom.

    `log_evidence`: log density of y under model and prior, up to a constant that does not depend on the
    precisions above 0 (for choosing between them).
    """

    mean: Array
    covariance: Array
    sd: float
    dof: float
    log_evidence: float

    def location(self, X: Array) -> Array:
        """Middle of the prediction for each row of `X` (m, p): the median of a new y."""
        return X @ self.mean

    def spread(self, X: Array) -> Array:
        """Scale of the t distribution of a new y for each row of `X` (m, p)."""
        return self.sd * np.sqrt(1 + np.einsum("ij,jk,ik->i", X, self.covariance, X))

    def interval(self, X: Array, level: float = 0.90) -> tuple[Array, Array]:
        """Prediction interval of a new y for each row of `X`: (low, high), each (m,)."""
        from scipy.special import stdtrit

        half = stdtrit(self.dof, (1 + level) / 2) * self.spread(X)
        return self.location(X) - half, self.location(X) + half

    def draws(self, X: Array, rng: np.random.Generator, n: int) -> Array:
        """`n` joint draws of new y for the rows of `X`: (n, m). Rows share what is not known of β and s²."""
        s = self.sd * np.sqrt(self.dof / rng.chisquare(self.dof, size=(n, 1)))
        root = np.linalg.cholesky(self.covariance + 1e-12 * np.eye(len(self.mean)))
        shared = rng.standard_normal((n, len(self.mean))) @ root.T @ X.T
        return self.location(X) + s * (shared + rng.standard_normal((n, len(X))))


@dataclass(frozen=True)
class Mixture:
    """Several fits of one regression under different precisions, each with its probability."""

    fits: tuple[Regression, ...]
    weights: Array

    @property
    def likeliest(self) -> Regression:
        """The fit of the greatest probability."""
        return self.fits[int(np.argmax(self.weights))]

    def quantile(self, X: Array, share: float) -> Array:
        """The value that a new y lies under with probability `share`, for each row of `X` (m, p).

        Between the fits' own quantiles, by bisection of the mixture's distribution.
        """
        from scipy.special import stdtr, stdtrit

        places = np.array([f.location(X) for f in self.fits])
        spreads = np.array([f.spread(X) for f in self.fits])
        dofs = np.array([[f.dof] for f in self.fits])
        own = places + spreads * stdtrit(dofs, share)
        low, high = own.min(axis=0), own.max(axis=0)
        for _ in range(50):
            middle = (low + high) / 2
            under = self.weights @ stdtr(dofs, (middle - places) / spreads) < share
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return (low + high) / 2

    def draws(self, X: Array, rng: np.random.Generator, n: int) -> Array:
        """`n` joint draws of new y for the rows of `X`: (n, m), those of one fit together."""
        counts = rng.multinomial(n, self.weights)
        return np.vstack([f.draws(X, rng, int(k)) for f, k in zip(self.fits, counts, strict=True)])


def mix(fits: Sequence[Regression], log_prior: Array) -> Mixture:
    """The fits weighed by their evidence and a log prior on each (any constant may be added to it)."""
    log_weights = np.array([f.log_evidence for f in fits]) + log_prior
    weights = np.exp(log_weights - log_weights.max())
    return Mixture(tuple(fits), weights / weights.sum())


def fit(X: Array, y: Array, precision: Array, prior_sd: float = 1.0, prior_dof: float = 0.0) -> Regression:
    """Posterior of the regression of `y` (n,) on `X` (n, p) under `precision` (p,).

    Raises ValueError where the data cannot carry the coefficients that are not shrunk.
    """
    from statsmodels.regression.linear_model import OLS

    flat = int((precision == 0).sum())
    dof = prior_dof + len(y) - flat
    if len(y) < flat or dof <= 0:
        raise ValueError(
            f"found {len(y)} observations; expected more than {flat} for {flat} free coefficients"
        )
    pull = np.diag(np.sqrt(precision))[precision > 0]
    fitted = OLS(np.concatenate([y, np.zeros(len(pull))]), np.vstack([X, pull])).fit()
    squares = prior_dof * prior_sd**2 + float(fitted.ssr)
    covariance = np.asarray(fitted.normalized_cov_params)
    volume = np.linalg.slogdet(covariance)[1] + np.log(precision[precision > 0]).sum()
    return Regression(
        mean=np.asarray(fitted.params),
        covariance=covariance,
        sd=float(np.sqrt(squares / dof)),
        dof=float(dof),
        log_evidence=float(0.5 * volume - 0.5 * dof * np.log(squares)),
    )
