"""Growth curves on plain arrays: Gompertz, and logistic beside it, by nonlinear least squares.

Both curves are fitted on the natural logarithm of their three parameters, which keeps them positive. Nothing
here knows of birds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from selection.answer import Floats
from selection.errors import ModelError

Whiten = Callable[[Floats], Floats]

LIMIT = 20.0
"""A parameter whose logarithm goes beyond this belongs to no curve of growth: weights that fall, or jump."""
_NOT_KNOWN = np.full((3, 3), np.nan)


@dataclass(frozen=True, slots=True)
class Gompertz:
    """W(t) = A·exp(−b·e^(−kt)): `A` grams, `b` without unit, `k` for each unit of time.

    `covariance` is that of (ln A, ln b, ln k); `rss` the sum of squares on the scale that was fitted.
    """

    A: float
    b: float
    k: float
    n: int = 0
    rss: float = 0.0
    covariance: Floats = field(default_factory=_NOT_KNOWN.copy, repr=False, compare=False)

    def log_grams(self, weeks: npt.ArrayLike) -> Floats:
        """Natural logarithm of the weight at `weeks`, of the shape of `weeks`; missing stays missing."""
        return _log_gompertz(_theta(self), np.asarray(weeks, dtype=float))

    def grams(self, weeks: npt.ArrayLike) -> Floats:
        """Weight in grams at `weeks`, of the shape of `weeks`; missing stays missing."""
        return np.exp(self.log_grams(weeks))

    def slopes(self, weeks: npt.ArrayLike) -> Floats:
        """Derivatives of :meth:`log_grams` by (ln A, ln b, ln k), in a last axis of 3."""
        return _gompertz_slopes(_theta(self), np.asarray(weeks, dtype=float))

    def log_sd(self, weeks: npt.ArrayLike, pull: npt.ArrayLike = 0.0) -> Floats:
        """Standard error of :meth:`log_grams` by the delta method; missing without a covariance.

        `pull` (…, 3) is taken off: how much a bird's predicted deviation gives way as the parameters move.
        """
        slopes = self.slopes(weeks) - np.asarray(pull, dtype=float)
        return np.sqrt(np.einsum("...i,ij,...j->...", slopes, self.covariance, slopes))


@dataclass(frozen=True, slots=True)
class Logistic:
    """W(t) = A / (1 + exp((middle − t)/scale)): `A` grams, half of it reached at `middle`."""

    A: float
    middle: float
    scale: float
    n: int = 0
    rss: float = 0.0

    def grams(self, weeks: npt.ArrayLike) -> Floats:
        """Weight in grams at `weeks`, of the shape of `weeks`; missing stays missing."""
        return _logistic(np.log([self.A, self.middle, self.scale]), np.asarray(weeks, dtype=float))


@dataclass(frozen=True, slots=True)
class CurvePrior:
    """What is held of a Gompertz curve before any weighing: its weight at one age, at hatching, and its pace.

    The three are normal on the log scale, with the standard deviations beside them. The pace of 0.17 a week
    and the chick of 40 g are common practice, no source.
    """

    weeks: float
    grams: float
    grams_sd: float = 0.2
    hatch_grams: float = 40.0
    hatch_sd: float = 0.4
    pace: float = 0.17
    pace_sd: float = 0.25

    def curve(self) -> Gompertz:
        """The Gompertz curve through the prior's own middle, with the covariance that the prior means."""
        rise = np.log(self.grams / self.hatch_grams)
        b = rise / (1 - np.exp(-self.pace * self.weeks))
        theta = np.log([self.hatch_grams * np.exp(b), b, self.pace])
        slopes = _prior_slopes(self, theta)
        return _gompertz(theta, covariance=np.asarray(np.linalg.inv(slopes.T @ slopes), dtype=np.float64))


def fit_gompertz(
    weeks: npt.ArrayLike,
    grams: npt.ArrayLike,
    prior: CurvePrior | None = None,
    whiten: Whiten | None = None,
    on_logs: bool = True,
) -> Gompertz:
    """The Gompertz curve that fits `grams` at `weeks` best (1-D; rows with either missing are left out).

    On logs (the default) squares are summed over `whiten`ed log residuals: a linear map of an array (complete
    rows, …) to independent rows of variance 1; without it all weighings count alike. `prior` counts beside
    them and needs `whiten`, which says what a residual weighs. With `on_logs=False` squares are summed in
    grams, as growth data are published, and neither is used. The covariance is scaled by the residual
    variance where no `whiten` gives it. Raises ModelError with fewer than 3 ages and no prior, and where no
    curve is found.
    """
    t, w = _complete(weeks, grams, least=1 if prior else 3)
    scaled = whiten is None or not on_logs
    map_rows = whiten or (lambda x: x)

    def residuals(theta: Floats) -> Floats:
        if not on_logs:
            return np.exp(_log_gompertz(theta, t)) - w
        own = map_rows(_log_gompertz(theta, t) - np.log(w))
        return own if prior is None else np.concatenate([own, _prior_residuals(prior, theta)])

    def slopes(theta: Floats) -> Floats:
        own = _gompertz_slopes(theta, t)
        if not on_logs:
            return own * np.exp(_log_gompertz(theta, t))[:, None]
        own = map_rows(own)
        return own if prior is None else np.vstack([own, _prior_slopes(prior, theta)])

    start = _start_gompertz(t, w) if prior is None else _theta(prior.curve())
    theta, _, covariance = _least_squares(residuals, start, slopes, scaled)
    fitted = _log_gompertz(theta, t)
    off = fitted - np.log(w) if on_logs else np.exp(fitted) - w
    return _gompertz(theta, len(t), float(off @ off), covariance)


def fit_logistic(weeks: npt.ArrayLike, grams: npt.ArrayLike) -> Logistic:
    """The logistic curve of least squares in grams; rows with either missing are left out.

    Raises ModelError with fewer than 3 ages, and where no curve is found.
    """
    t, w = _complete(weeks, grams, least=3)
    start = np.log(
        [1.2 * w.max(), max(float(np.interp(w.max() / 2, np.sort(w), np.sort(t))), 0.5), np.ptp(t) / 5]
    )
    theta, rss, _ = _least_squares(lambda p: _logistic(p, t) - w, start, scaled=True)
    grown, middle, scale = (float(x) for x in np.exp(theta))
    return Logistic(grown, middle, scale, len(t), rss)


def _usable(weeks: npt.ArrayLike, grams: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    return np.isfinite(np.asarray(weeks, dtype=float)) & np.isfinite(np.asarray(grams, dtype=float))


def _complete(weeks: npt.ArrayLike, grams: npt.ArrayLike, least: int) -> tuple[Floats, Floats]:
    """The rows with both an age and a weight; raises ModelError if they are of fewer than `least` ages."""
    rows = _usable(weeks, grams)
    t, w = np.asarray(weeks, dtype=float)[rows], np.asarray(grams, dtype=float)[rows]
    ages = len(np.unique(t))
    if ages < least:
        raise ModelError(
            f"growth curve: found weighings at {ages} ages; expected at least {least}, or a prior curve"
        )
    return t, w


def _least_squares(
    residuals: Callable[[Floats], Floats],
    start: Floats,
    slopes: Callable[[Floats], Floats] | str = "3-point",
    scaled: bool = False,
) -> tuple[Floats, float, Floats]:
    """Parameters, sum of squares and covariance; `scaled`: by the residual variance, not taken as 1."""
    from scipy.optimize import least_squares

    found = least_squares(residuals, start, jac=slopes, method="lm", xtol=1e-12, ftol=1e-12, max_nfev=2000)
    if not found.success or np.abs(found.x).max() > LIMIT:
        raise ModelError(
            "growth curve: no curve fits these weighings; expected weights that rise and flatten"
        )
    rss = 2.0 * float(found.cost)
    freedom = max(len(found.fun) - 3, 1)
    covariance = np.linalg.pinv(found.jac.T @ found.jac) * (rss / freedom if scaled else 1.0)
    return found.x, rss, covariance


def _gompertz(theta: Floats, n: int = 0, rss: float = 0.0, covariance: Floats = _NOT_KNOWN) -> Gompertz:
    A, b, k = (float(x) for x in np.exp(theta))
    return Gompertz(A, b, k, n, rss, covariance)


def _theta(curve: Gompertz) -> Floats:
    return np.log([curve.A, curve.b, curve.k])


def _log_gompertz(theta: Floats, t: Floats) -> Floats:
    log_A, log_b, log_k = np.clip(theta, -2 * LIMIT, 2 * LIMIT)
    return log_A - np.exp(log_b - np.exp(log_k) * t)


def _gompertz_slopes(theta: Floats, t: Floats) -> Floats:
    """Derivatives of the log weight by (ln A, ln b, ln k), in a last axis of 3."""
    _, log_b, log_k = np.clip(theta, -2 * LIMIT, 2 * LIMIT)
    fall = np.exp(log_b - np.exp(log_k) * t)
    return np.stack([np.ones_like(t), -fall, fall * np.exp(log_k) * t], axis=-1)


def _prior_residuals(prior: CurvePrior, theta: Floats) -> Floats:
    at = _log_gompertz(theta, np.array([prior.weeks, 0.0])) - np.log([prior.grams, prior.hatch_grams])
    return np.append(at / [prior.grams_sd, prior.hatch_sd], (theta[2] - np.log(prior.pace)) / prior.pace_sd)


def _prior_slopes(prior: CurvePrior, theta: Floats) -> Floats:
    at = _gompertz_slopes(theta, np.array([prior.weeks, 0.0])) / np.array(
        [[prior.grams_sd], [prior.hatch_sd]]
    )
    return np.vstack([at, [0.0, 0.0, 1 / prior.pace_sd]])


def _logistic(theta: Floats, t: Floats) -> Floats:
    grown, middle, scale = np.exp(theta)
    return grown / (1 + np.exp(np.clip((middle - t) / scale, -500.0, 500.0)))


def _start_gompertz(t: Floats, w: Floats) -> Floats:
    """Start by a straight line: with A a little above the heaviest, ln(ln(A/W)) falls linearly with age."""
    grown = 1.3 * w.max()
    slope, level = np.polyfit(t, np.log(np.log(grown / w)), 1)
    return np.array([np.log(grown), level, np.log(max(-slope, 1e-3))])
