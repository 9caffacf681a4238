"""Section by section: what the records say of each candidate, for tipping points, another look and re-weighing.

Everything here is at the mode of the variances: it explains and compares, it states no probability.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from selection.merit.own_value import carried
from selection.merit.ranking import Merit
from selection.records.flock import Flock


@dataclass(frozen=True)
class Detail:
    """Joint posterior of some birds, trait by trait.

    - birds (L,), traits (T,), by_eye: names of the S sections judged by eye
    - values: L × T mean breeding values, each in its trait's unit
    - slopes: L × T points of merit for each unit (a banded trait's at each bird's own value)
    - parts: L × T points of merit by trait, about the birds' mean; merit: L merits on one base
    - functionals: m × L, what picks each bird's merit (a band taken as straight where the bird stands)
    - merit_cov: L × L; cross: L × (L·S) between merit and what a look would see
    - seen_cov: (L·S) × (L·S), of what a look would see of each bird, without the look's own error
    - look_cov: S × S residual of one look
    """

    birds: pd.Index
    traits: tuple[str, ...]
    values: np.ndarray
    slopes: np.ndarray
    parts: np.ndarray
    merit: np.ndarray
    functionals: np.ndarray
    merit_cov: np.ndarray
    seen_cov: np.ndarray
    cross: np.ndarray
    look_cov: np.ndarray
    by_eye: tuple[str, ...]

    def among(self, birds: pd.Index) -> Detail:
        """The same of some of the birds."""
        at, sections = self.birds.get_indexer(birds), len(self.by_eye)
        looks = (at[:, None] * sections + np.arange(sections)).ravel()
        parts = self.parts[at]
        return replace(
            self,
            birds=birds,
            values=self.values[at],
            slopes=self.slopes[at],
            parts=parts - parts.mean(axis=0),
            merit=self.merit[at],
            functionals=self.functionals[:, at],
            merit_cov=self.merit_cov[np.ix_(at, at)],
            seen_cov=self.seen_cov[np.ix_(looks, looks)],
            cross=self.cross[np.ix_(at, looks)],
        )


@dataclass(frozen=True)
class Lines:
    """Merit of some birds as a straight line in their breeding values, each where the bird stands.

    values, slopes, parts (about no base): L × T; functionals: m × L, what picks each bird's merit.
    """

    values: np.ndarray
    slopes: np.ndarray
    parts: np.ndarray
    functionals: np.ndarray


def lines(merit: Merit, birds: pd.Index) -> Lines:
    """The straight lines of living `birds`; `merit.known` must not be None (something was seen)."""
    known, worth = merit.known, merit.worth
    assert known is not None and worth is not None
    count = len(known.model.traits)
    at = known.model.kinship.birds.get_indexer(birds)
    values = known.solution.at("genetic").reshape(-1, count)[at]
    slopes = np.tile(worth.straight, (len(birds), 1))
    parts = values * slopes
    if merit.band is not None:
        step = 0.01
        own = values[:, worth.banded_at]
        parts[:, worth.banded_at] = merit.band(own)
        slopes[:, worth.banded_at] = (merit.band(own + step) - merit.band(own - step)) / (2 * step)
    functionals = np.zeros((len(known.solution.effects), len(birds)))
    start = known.solution.slices["genetic"].start
    for i, node in enumerate(at):
        functionals[start + node * count : start + (node + 1) * count, i] = slopes[i]
    return Lines(values, slopes, parts, functionals)


def detail(merit: Merit, flock: Flock, birds: pd.Index) -> Detail:
    """What the records say of living `birds`; `merit.known` must not be None (something was seen)."""
    known = merit.known
    assert known is not None
    model = known.model
    straight = lines(merit, birds)
    eye = [model.traits.index(t) for t in model.observations.by_eye]
    picked, extra = carried(known, flock, birds, np.eye(len(model.traits))[:, eye])
    together = known.spread(np.hstack([straight.functionals, picked]))
    cut = len(birds)
    return Detail(
        birds=birds,
        traits=model.traits,
        values=straight.values,
        slopes=straight.slopes,
        parts=straight.parts - straight.parts.mean(axis=0),
        merit=merit.flock.set_index("bird").loc[birds, "merit"].to_numpy(),
        functionals=straight.functionals,
        merit_cov=together[:cut, :cut],
        seen_cov=together[cut:, cut:] + np.diag(extra),
        cross=together[:cut, cut:],
        look_cov=known.variances.covariance("residual")[np.ix_(eye, eye)],
        by_eye=model.observations.by_eye,
    )
