"""What a first look is worth where no section has been judged by eye: by the published values alone.

Nobody knows anything of these birds but how they are related, so no choice of a few of them is better than
another: all of them are to be seen side by side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.decide.verdicts.another_look import Look, value_of
from selection.merit.ranking import Merit
from selection.merit.season_model import Variances, compound, kinship_of
from selection.merit.variances.correlations import PRIOR_MEAN
from selection.merit.variances.trait_variances import prior_shares, usual_variance
from selection.records.flock import Flock


@dataclass(frozen=True)
class Unseen:
    """What a look would see of birds that nobody has judged; arrays as in :class:`selection.merit.detail.Detail`."""

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
    parts = np.array([prior_shares(s, judged=True)[0] * usual_variance(s) for s in sections])
    rho, permanent, halo = (compound(value, len(sections)) for value in PRIOR_MEAN)
    variances = Variances(parts, rho, permanent, halo)
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


def _reared_together(flock: Flock, birds: pd.Index) -> dict[str, np.ndarray]:
    """Which birds share their clutch, and which their brooder (L × L, 1 or 0); a bird without shares with itself."""
    clutch = flock.birds.drop_duplicates("bird").set_index("bird")["clutch"].reindex(birds)
    brooder = clutch.map(flock.clutches.drop_duplicates("clutch").set_index("clutch")["brooder"])
    shared = {}
    for effect, labels in (("clutch", clutch), ("brooder", brooder)):
        own = np.where(labels.isna(), "of " + birds, labels)
        shared[effect] = (own[:, None] == own[None, :]).astype(float)
    return shared
