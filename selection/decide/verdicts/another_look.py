"""What another look is worth, or a first one, before the meeting ends.

One bird alone on a new day is worth nothing: the day's level is not known. So sets of two to four birds are
valued, seen side by side by one judge: only their differences inform. The value is the expected merit of the
choice after the look less that of the choice made now, in points.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Protocol

import numpy as np
import pandas as pd

from selection.merit.ranking import Merit
from selection.merit.season_model import Variances, compound, kinship_of
from selection.merit.variances.correlations import PRIOR_MEAN
from selection.merit.variances.trait_variances import prior_shares
from selection.records.flock import Flock
from selection.records.settings.reading import Section
from selection.standard.traits import ByEye

_DRAWS = 4_000
"""Draws of what the look may show; the value then has a Monte Carlo error of about 0.01 points."""

UNDECIDED = (0.03, 0.97)
"""Birds whose chance of being among the best lies between these are worth a thought."""

MOST_UNDECIDED = 6
_ENOUGH = 0.9
"""A smaller set with this share of the best set's value is preferred: fewer birds to catch."""


class Sight(Protocol):
    """What a look at some birds would show and teach: the fields of :class:`selection.merit.explain.Detail`."""

    @property
    def birds(self) -> pd.Index: ...
    @property
    def merit(self) -> np.ndarray: ...
    @property
    def seen_cov(self) -> np.ndarray: ...
    @property
    def cross(self) -> np.ndarray: ...
    @property
    def look_cov(self) -> np.ndarray: ...
    @property
    def by_eye(self) -> tuple[str, ...]: ...


@dataclass(frozen=True)
class Look:
    """A set of birds to see side by side, and the merit in points that the choice gains by it on average."""

    birds: tuple[str, ...]
    value: float


def looks_worth(known: Sight, number: int, chances: np.ndarray, rng: np.random.Generator) -> tuple[Look, ...]:
    """Sets of two to four undecided birds by what seeing them side by side is worth, best first.

    `chances` (L,) are the birds' chances of being among the best `number`. Empty where nothing is undecided or
    no section is judged by eye.
    """
    open_to_doubt = np.flatnonzero((chances > UNDECIDED[0]) & (chances < UNDECIDED[1]))
    closest = open_to_doubt[np.argsort(np.abs(chances[open_to_doubt] - 0.5), kind="stable")][:MOST_UNDECIDED]
    if len(closest) < 2 or not known.by_eye or not 0 < number < len(known.birds):
        return ()
    noise = _noise(4 * len(known.by_eye), rng)
    found = [Look(tuple(known.birds[list(s)]), _value(known, s, number, noise)) for s in _sets(closest)]
    return tuple(sorted(found, key=lambda look: (-look.value, look.birds)))


def value_of(known: Sight, birds: tuple[int, ...], number: int, rng: np.random.Generator) -> float:
    """Points of merit that the best `number` gain on average from seeing the birds at these places side by side."""
    return _value(known, birds, number, _noise(len(birds) * len(known.by_eye), rng))


def _noise(width: int, rng: np.random.Generator) -> np.ndarray:
    """Mirrored standard normal draws (DRAWS × width)."""
    half = rng.standard_normal((_DRAWS // 2, width))
    return np.concatenate([half, -half])


def best_look(looks: tuple[Look, ...]) -> Look | None:
    """The smallest set that is worth nearly as much as the best; None where there is none."""
    good = [look for look in looks if look.value >= _ENOUGH * looks[0].value]
    return min(good, key=lambda look: (len(look.birds), -look.value), default=None)


def _sets(birds: np.ndarray) -> Iterator[tuple[int, ...]]:
    for size in (2, 3, 4):
        yield from combinations(sorted(birds.tolist()), size)


def _value(known: Sight, birds: tuple[int, ...], number: int, noise: np.ndarray) -> float:
    """Expected gain of merit of the best `number` from seeing `birds` side by side once."""
    sections = len(known.by_eye)
    seen = np.concatenate([np.arange(b * sections, (b + 1) * sections) for b in birds])
    apart = np.kron(np.eye(len(birds))[1:] - np.eye(len(birds))[:1], np.eye(sections))  # from the first bird
    look = known.seen_cov[np.ix_(seen, seen)] + np.kron(np.eye(len(birds)), known.look_cov)
    variance = apart @ look @ apart.T
    cross = known.cross[:, seen] @ apart.T
    root = np.linalg.solve(np.linalg.cholesky(variance), cross.T)  # what the look teaches, whitened
    updated = known.merit + noise[:, : len(root)] @ root
    kept = np.partition(updated, -number, axis=1)[:, -number:].sum(axis=1).mean()
    return float(kept - np.sort(known.merit)[-number:].sum())


@dataclass(frozen=True)
class Unseen:
    """What a look would see of birds that nobody has judged; arrays as in :class:`selection.merit.explain.Detail`."""

    birds: pd.Index
    merit: np.ndarray
    seen_cov: np.ndarray
    cross: np.ndarray
    look_cov: np.ndarray
    by_eye: tuple[str, ...]


def first_look(
    flock: Flock, merit: Merit, birds: pd.Index, number: int, rng: np.random.Generator
) -> Look | None:
    """Seeing all of `birds` side by side once, with the points of merit that the best `number` gain by it.

    None where no section is judged by eye, or where there is nothing to choose.
    """
    if not flock.standard.by_eye or not 0 < number < len(birds):
        return None
    known = unseen(flock, merit, birds)
    return Look(tuple(birds), value_of(known, tuple(range(len(birds))), number, rng))


def unseen(flock: Flock, merit: Merit, birds: pd.Index) -> Unseen:
    """Birds as published values and their relationship tell of them, before the first look at any."""
    sections = flock.standard.by_eye
    variances = usual_variances(sections)
    worth = np.array([flock.plan.worth.get(s.name, 1.0) for s in sections])
    genetic = variances.covariance("genetic")
    kin = kinship_of(merit.parentage, birds).block_of(birds)
    seen = np.kron(kin, genetic) + np.kron(np.eye(len(birds)), variances.covariance("permanent"))
    for effect, shared in _reared_together(flock, birds).items():
        seen += np.kron(shared, variances.covariance(effect))
    return Unseen(
        birds=birds,
        merit=merit.flock.set_index("bird").loc[birds, "merit"].to_numpy(float),
        seen_cov=seen,
        cross=np.kron(kin, worth @ genetic),
        look_cov=variances.covariance("residual"),
        by_eye=tuple(s.name for s in sections),
    )


def usual_variances(sections: Sequence[Section]) -> Variances:
    """Variances of sections judged by eye as the published values have them, before any look."""
    parts = np.array([prior_shares(s, judged=True)[0] * ByEye(s).usual_variance for s in sections])
    rho, permanent, halo = (compound(value, len(sections)) for value in PRIOR_MEAN)
    return Variances(parts, rho, permanent, halo)


def _reared_together(flock: Flock, birds: pd.Index) -> dict[str, np.ndarray]:
    """Which birds share their clutch, and which their brooder (L × L, 1 or 0); a bird without shares with itself."""
    clutch = flock.birds.drop_duplicates("bird").set_index("bird")["clutch"].reindex(birds)
    brooder = clutch.map(flock.clutches.drop_duplicates("clutch").set_index("clutch")["brooder"])
    shared = {}
    for effect, labels in (("clutch", clutch), ("brooder", brooder)):
        own = np.where(labels.isna(), "of " + birds, labels)
        shared[effect] = (own[:, None] == own[None, :]).astype(float)
    return shared
