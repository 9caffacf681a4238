"""What is known of clutches, against a published one-way analysis of the same form and against the integral itself."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import csr_array

from selection.answer import Floats
from selection.compare.clutches.model import ClutchModel, ClutchPosterior, posterior
from selection.merit.variances.components import Effect, Equations

EFFECT = np.array([28.39, 7.94, -2.75, 6.82, -0.64, 0.63, 18.01, 12.16])
ERROR = np.array([14.9, 10.2, 16.3, 11.0, 9.4, 11.4, 10.4, 17.6])
"""Effects of coaching in eight schools and their standard errors (Rubin 1981, J. Educ. Stat. 6:377-401)."""
MEDIAN = np.array([10, 8, 7, 8, 5, 6, 10, 8])
"""Posterior medians of the same (Gelman et al., Bayesian Data Analysis, table 5.3, from 200 draws: errors of some 0.6
and whole numbers; from memory)."""
SCHOOLS = [*"abcdefgh"]


class Flat(ClutchModel):
    """The book's prior: flat on the schools' standard deviation; the errors are known, and so the residual is 1."""

    def log_prior(self, logs: Floats) -> tuple[float, Floats]:
        return 0.5 * float(logs[0]) - 50 * float(logs[1]) ** 2, np.array([0.5, -100 * logs[1]])


def eight_schools() -> ClutchPosterior:
    """Schools as clutches of one chick each, whose error is known."""
    families = SimpleNamespace(
        labels=pd.Index(SCHOOLS),
        members=lambda of: np.eye(8)[pd.Index(SCHOOLS).get_indexer(of)],
        root=np.eye(8),
    )
    rows = pd.DataFrame({"clutch": SCHOOLS, "value": EFFECT, "scale": ERROR**2})
    X, effects = np.ones((8, 1)), (Effect("clutch", csr_array(np.eye(8))),)
    equations = Equations(EFFECT, X, list(effects), ERROR**2)
    model = Flat(rows, families, X, effects, np.array([100.0, 1.0]), np.ones(1), equations)  # type: ignore[arg-type]
    return posterior(model, SCHOOLS, np.random.default_rng(1))


def integrated() -> tuple[Floats, Floats]:
    """Posterior means and standard deviations by the integral over τ (Bayesian Data Analysis, eq. 5.17 to 5.21)."""
    tau = np.linspace(1e-3, 120, 20_000)[:, None]
    variance = ERROR**2 + tau**2
    of_mean = 1 / (1 / variance).sum(axis=1, keepdims=True)
    mean = of_mean * (EFFECT / variance).sum(axis=1, keepdims=True)
    log = 0.5 * np.log(of_mean[:, 0]) - 0.5 * (np.log(variance) + (EFFECT - mean) ** 2 / variance).sum(axis=1)
    weights = np.exp(log - log.max())
    weights /= weights.sum()
    shrunk = ERROR**2 / variance
    middle = shrunk * mean + (1 - shrunk) * EFFECT
    spread = (1 - shrunk) * ERROR**2 + shrunk**2 * of_mean
    means = weights @ middle
    return means, np.sqrt(weights @ (spread + middle**2) - means**2)


def test_eight_schools_are_known_as_the_integral_and_the_book_say() -> None:
    known = eight_schools()
    means, sds = integrated()
    found = known.contrasts(np.eye(8))
    assert found["difference"].to_numpy() == pytest.approx(means, abs=0.08 * sds.mean())
    width = (found["high"] - found["low"]).to_numpy()
    assert width == pytest.approx(2 * 1.645 * sds, rel=0.1)  # the tails are a little heavier than a normal's
    middle = np.median(known.sample(20_000, np.random.default_rng(2)), axis=0)
    assert middle == pytest.approx(MEDIAN, abs=1.5)


def test_schools_are_drawn_together_and_their_differences_with_them() -> None:
    """The best by name is well above the worst, and far less so than as observed: 31 points became some six."""
    contrast = np.eye(8)[:, [0]] - np.eye(8)[:, [2]]
    found = eight_schools().contrasts(contrast).iloc[0]
    means, _ = integrated()
    assert found["difference"] == pytest.approx(means[0] - means[2], abs=0.8)
    assert 0.6 < found["probability"] < 0.8
