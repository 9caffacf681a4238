"""Variance components of one trait by (penalised) REML, always converging or saying why not.

The likelihood and its derivatives are :mod:`selection.merit.variances.reml`; here they are climbed: Newton steps
with the average information in log variances, shortened until they ascend. A component that the data push to
nought is set to exactly 0 and taken up again if that was too soon.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from selection.answer import LEVEL, Floats, Progress
from selection.errors import ModelError
from selection.merit.variances.reml import Effect, Equations, RemlSolution

__all__ = [
    "Components",
    "Effect",
    "Equations",
    "RemlSolution",
    "fit_components",
    "fit_equations",
    "profile_interval",
]

LogPrior = Callable[[Floats], tuple[float, Floats]]

ITERATIONS = 100
TOLERANCE = 1e-8
"""Log-likelihood that a step promises, by the quadratic model, at which it is taken as the last."""
POLISHES = 2
"""Steps by the exact curvature that follow a climb: the average information alone leaves the fifth digit open."""
PATIENCE = 5
"""Steps by the average information, which is quick to form; from then on by the exact curvature: far from what the
prior holds the average can be many times too large, and every step as many times too short."""
NEAR_NOUGHT = 1e-4
"""Share of the total variance under which a component is tried at exactly 0."""
LONGEST = 2.0
"""Longest step in any log variance: further the quadratic model is not to be trusted."""
NO_RESIDUAL = 1e-9
"""Share of the total under which the residual variance counts as none: records fitted exactly."""


@dataclass(frozen=True)
class Components:
    """Fitted variances of one trait.

    `variances` (K+1,) in the squared unit of y, in the order of `names`, the residual last; a component at
    the boundary is exactly 0. `aliased` are the columns of X that were dropped.
    """

    names: tuple[str, ...]
    variances: Floats
    aliased: tuple[int, ...]
    converged: bool
    message: str
    iterations: int
    equations: Equations = field(repr=False)
    log_prior: LogPrior | None = field(default=None, repr=False)

    @cached_property
    def log_likelihood(self) -> float:
        """The REML log-likelihood there, without the prior, with the constant of lme4 and statsmodels."""
        return self.equations.log_likelihood(self.variances)

    @cached_property
    def log_variance_cov(self) -> Floats:
        """Inverse (K+1, K+1) of minus the Hessian of the penalised log-likelihood in the log variances.

        Rows and columns of a component at 0 are 0 (ask `profile_interval`).
        """
        logs = _logs(self.variances)
        curvature = self.equations.curvature(self.variances)
        if self.log_prior is not None:
            curvature = curvature - _prior_hessian(self.log_prior, logs)
        cov, free = np.zeros_like(curvature), np.isfinite(logs)
        cov[np.ix_(free, free)] = np.linalg.pinv(curvature[np.ix_(free, free)], hermitian=True)
        return cov

    @cached_property
    def solution(self) -> RemlSolution:
        """Fixed effects and predictions at the fitted variances."""
        return self.equations.solve(self.variances)

    @property
    def fixed(self) -> Floats:
        """Fixed effects (p,), 0 for an aliased column."""
        return self.solution.fixed

    @property
    def fixed_cov(self) -> Floats:
        """Covariance (p, p) of the fixed effects at the fitted variances."""
        return self.solution.fixed_cov

    @property
    def effects(self) -> tuple[Floats, ...]:
        """Predictions (BLUP), one (q,) array an effect."""
        return self.solution.effects

    def effect_cov(self, name: str) -> Floats:
        """Covariance (q, q) of the errors of prediction of the effect called `name`."""
        return self.solution.effect_cov(self.names.index(name))

    def variance(self, name: str) -> float:
        """The variance of the effect called `name`, or of `residual`."""
        return float(self.variances[self.names.index(name)])

    def log_likelihood_at(self, variances: Floats) -> float:
        """REML log-likelihood, without the prior, at other variances (K+1,), the residual last."""
        return self.equations.log_likelihood(np.asarray(variances, dtype=float))


@dataclass
class _Climb:
    """Where a climb stands: log variances (−inf for a component at 0), and which of them may move."""

    logs: Floats
    free: np.ndarray
    tolerance: float = TOLERANCE
    held: int | None = None  # a component that must stay where it is
    value: float = -np.inf
    converged: bool = False
    message: str = ""
    iterations: int = 0


def fit_components(
    y: Floats,
    X: Floats,
    effects: Sequence[Effect],
    *,
    residual_scale: Floats | None = None,
    log_prior: LogPrior | None = None,
    start: Floats | None = None,
    progress: Progress | None = None,
) -> Components:
    """Variances of y = Xβ + Σ_k Z_k u_k + e by REML, or at the mode of REML times a prior.

    `y` (n,), `X` (n, p) without missing values; aliased columns of X are dropped and listed. `residual_scale`
    (n,) gives known relative residual variances. `log_prior` takes the log variances (K+1,), residual last
    (−inf for a component at 0), and returns a value and a gradient that are added to the REML log-likelihood.
    `start` (K+1,) are variances to begin from. Raises ModelError where shapes disagree, or nothing is left to
    estimate a variance from.
    """
    return fit_equations(Equations(y, X, effects, residual_scale), log_prior, start, progress, exact=True)


def fit_equations(
    equations: Equations,
    log_prior: LogPrior | None = None,
    start: Floats | None = None,
    progress: Progress | None = None,
    tolerance: float = TOLERANCE,
    exact: bool = False,
) -> Components:
    """As :func:`fit_components`, from equations that are formed already.

    `tolerance` is the log-likelihood that a step must promise to be taken: a gain g is a move of √(2g) standard errors.
    `exact` ends with steps by the exact curvature, to some ten digits.
    """
    if log_prior is None and not (equations.freedom > 0 and equations.total_variance > 0):
        raise ModelError(
            f"{equations.freedom + len(equations.kept)} records and {len(equations.kept)} fixed effects leave nothing "
            "that varies: no variance can be estimated"
        )
    climb = _begin(equations, start)
    climb.tolerance = tolerance
    _climb(equations, log_prior, climb, progress)
    if climb.converged and exact:
        _polish(equations, log_prior, climb)
    return Components(
        names=(*equations.names, "residual"),
        variances=np.exp(climb.logs),
        aliased=equations.aliased,
        converged=climb.converged,
        message=climb.message,
        iterations=climb.iterations,
        equations=equations,
        log_prior=log_prior,
    )


def profile_interval(fitted: Components, name: str, level: float = LEVEL) -> tuple[float, float]:
    """Interval for one variance by the profile of the (penalised) log-likelihood; low is 0 at the boundary.

    The other variances are fitted anew at every trial value. `high` is infinite where the data set no bound.
    Raises KeyError for a name that is not a component.
    """
    from scipy.optimize import brentq
    from scipy.special import chdtri

    if name not in fitted.names:
        raise KeyError(f"no component {name}; there are {', '.join(fitted.names)}")
    k = fitted.names.index(name)
    best = _penalised(fitted.equations, fitted.log_prior, _logs(fitted.variances))
    floor = best - 0.5 * chdtri(1, 1 - level)
    total = float(fitted.variances.sum())
    smallest, largest = np.log(total) + np.array([-16.0, 16.0])
    middle = max(smallest, np.log(max(fitted.variances[k], total * NEAR_NOUGHT**2)))

    def excess(log_variance: float) -> float:
        return _profile(fitted, k, log_variance) - floor

    low = 0.0 if excess(smallest) > 0 else float(np.exp(brentq(excess, smallest, middle, xtol=1e-6)))
    high = np.inf if excess(largest) > 0 else float(np.exp(brentq(excess, middle, largest, xtol=1e-6)))
    return low, high


def _profile(fitted: Components, k: int, log_variance: float) -> float:
    """The penalised log-likelihood at the best of the other variances, variance `k` held."""
    climb = _begin(fitted.equations, np.maximum(fitted.variances, fitted.variances.sum() * 1e-3))
    climb.logs[k], climb.free[k], climb.held = log_variance, False, k
    _climb(fitted.equations, fitted.log_prior, climb, None)
    return climb.value


def _begin(equations: Equations, start: Floats | None) -> _Climb:
    """Half the variance to the residual and the rest in equal parts, unless told otherwise."""
    K = len(equations.names)
    if start is None:
        total = equations.total_variance or 1.0
        start = np.append(np.full(K, 0.5 * total / max(K, 1)), 0.5 * total if K else total)
    logs = _logs(start)
    return _Climb(logs, np.isfinite(logs))


def _climb(
    equations: Equations, log_prior: LogPrior | None, climb: _Climb, progress: Progress | None
) -> None:
    """Newton steps until nothing is to be gained; components at 0 are tried again at the end."""
    while climb.iterations < ITERATIONS:
        _newton(equations, log_prior, climb, progress)
        if not climb.converged or not _release(equations, log_prior, climb):
            return
    climb.message = climb.message or f"not converged in {ITERATIONS} steps"


def _newton(
    equations: Equations, log_prior: LogPrior | None, climb: _Climb, progress: Progress | None
) -> None:
    climb.converged = False
    while climb.iterations < ITERATIONS:
        climb.iterations += 1
        climb.value, gradient, information, pushed_up = _slopes(equations, log_prior, climb.logs)
        if climb.logs[-1] - np.logaddexp.reduce(climb.logs) < np.log(NO_RESIDUAL):
            climb.message = "the effects fit every record exactly: no residual variance is left to estimate"
            return
        if _drop(equations, log_prior, climb, pushed_up):
            continue
        if climb.iterations > PATIENCE:
            information = _exact_information(equations, log_prior, climb.logs)
        step, gain = _step(gradient, information, climb.free)
        if progress:
            progress("variance components", 1 - min(1.0, gain) / (1 + climb.iterations))
        risen = _ascend(equations, log_prior, climb, step)
        if gain < climb.tolerance or not risen:
            climb.converged = gain < 100 * climb.tolerance
            climb.message = "converged" if climb.converged else f"no ascent found, {gain:.2g} still promised"
            return
    climb.message = f"not converged in {ITERATIONS} steps"


def _polish(equations: Equations, log_prior: LogPrior | None, climb: _Climb) -> None:
    """Newton steps by the exact curvature while the slope falls: the value itself no longer tells so near the top."""
    free = climb.free

    def slope() -> Floats:
        return _slopes(equations, log_prior, climb.logs)[1][free]

    gradient = slope()
    for _ in range(POLISHES):
        curvature = _exact_information(equations, log_prior, climb.logs)
        before = climb.logs.copy()
        climb.logs[free] += np.linalg.lstsq(curvature[np.ix_(free, free)], gradient, rcond=None)[0]
        left = slope()
        if np.abs(left).max(initial=0.0) >= np.abs(gradient).max(initial=0.0):
            climb.logs = before
            return
        gradient = left


def _slopes(
    equations: Equations, log_prior: LogPrior | None, logs: Floats
) -> tuple[float, Floats, Floats, np.ndarray]:
    """Penalised value, gradient, minus its Hessian, and which components the prior pushes away from 0."""
    value, gradient, information = equations.score(np.exp(logs))
    if log_prior is None:
        return value, gradient, information, np.zeros(len(logs), dtype=bool)
    added, slope = log_prior(logs)
    return value + added, gradient + slope, information - _prior_hessian(log_prior, logs), slope > 1e-9


def _exact_information(equations: Equations, log_prior: LogPrior | None, logs: Floats) -> Floats:
    """Minus the penalised log-likelihood's Hessian in the log variances."""
    curvature = equations.curvature(np.exp(logs))
    return curvature if log_prior is None else curvature - _prior_hessian(log_prior, logs)


def _prior_hessian(log_prior: LogPrior, logs: Floats) -> Floats:
    """Second derivatives of the prior by central differences of its gradient; 0 for components at 0."""
    h, H = 1e-4, np.zeros((len(logs),) * 2)
    for k in np.flatnonzero(np.isfinite(logs)):
        move = np.zeros(len(logs))
        move[k] = h
        H[k] = (log_prior(logs + move)[1] - log_prior(logs - move)[1]) / (2 * h)
    H[:, ~np.isfinite(logs)] = 0
    return (H + H.T) / 2


def _step(gradient: Floats, information: Floats, free: np.ndarray) -> tuple[Floats, float]:
    """An ascent step in the free log variances and the gain it promises; wrong curvature is turned round."""
    values, vectors = np.linalg.eigh(information[np.ix_(free, free)])
    along = vectors.T @ gradient[free]
    floor = max(1e-8, 1e-6 * float(np.abs(values).max(initial=0.0)))
    step = np.zeros(len(gradient))
    step[free] = vectors @ (along / np.maximum(np.abs(values), floor))
    gain = 0.5 * float(step @ gradient)
    longest = float(np.abs(step).max(initial=0.0))
    return step * min(1.0, LONGEST / longest) if longest else step, gain


def _ascend(equations: Equations, log_prior: LogPrior | None, climb: _Climb, step: Floats) -> bool:
    """Move along `step`, halved until the value rises."""
    for _ in range(30):
        trial = climb.logs + step
        value = _penalised(equations, log_prior, trial)
        if value > climb.value:
            climb.logs, climb.value = trial, value
            return True
        step = step / 2
    return False


def _drop(equations: Equations, log_prior: LogPrior | None, climb: _Climb, pushed_up: np.ndarray) -> bool:
    """Set to 0 the first free component that is nearly there and does no worse at 0."""
    small = climb.logs - np.logaddexp.reduce(climb.logs) < np.log(NEAR_NOUGHT)
    for k in np.flatnonzero(small[:-1] & climb.free[:-1] & ~pushed_up[:-1]):
        trial = climb.logs.copy()
        trial[k] = -np.inf
        if _penalised(equations, log_prior, trial) >= climb.value:
            climb.logs, climb.free[k] = trial, False
            return True
    return False


def _release(equations: Equations, log_prior: LogPrior | None, climb: _Climb) -> bool:
    """Take up again a component set to 0 that a little variance would improve."""
    total = np.logaddexp.reduce(climb.logs)
    for k in np.flatnonzero(~climb.free):
        if k == climb.held:
            continue
        for share in (1e-2, 1e-3, NEAR_NOUGHT):
            trial = climb.logs.copy()
            trial[k] = total + np.log(share)
            if _penalised(equations, log_prior, trial) > climb.value + climb.tolerance:
                climb.logs, climb.free[k] = trial, True
                return True
    return False


def _penalised(equations: Equations, log_prior: LogPrior | None, logs: Floats) -> float:
    value = equations.log_likelihood(np.exp(logs))
    return value if log_prior is None else value + log_prior(logs)[0]


def _logs(variances: Floats) -> Floats:
    """Log variances, −inf for 0, without the noise of log 0."""
    variances = np.asarray(variances, dtype=float)
    return np.where(variances > 0, np.log(np.where(variances > 0, variances, 1.0)), -np.inf)
