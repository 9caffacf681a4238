"""The rule for one more look, worked out before anyone looks: what tonight's points count, and who starts ahead.

The full calculation lets every section of every bird seen bear on every bird's merit. On paper there is one
weight a section and one head start a bird; how often that chooses the same birds is said with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.answer import SEED
from selection.decide.verdicts.another_look import Look
from selection.decide.verdicts.verdicts import Verdicts
from selection.merit.candidates import carried
from selection.merit.explain import Detail
from selection.merit.observations import OLDEST_WEEKS
from selection.merit.posterior import Known
from selection.merit.ranking import Merit
from selection.records.flock import Flock

TRIALS = 4_000
"""Looks drawn to hold the rule on paper against the calculation: a share known to about 1 in 100."""

LEAST_WEIGHT = 0.05
"""Points of merit for a point given under which a section is left off the sheet: two points make no tenth."""


@dataclass(frozen=True)
class LookRule:
    """What decides after one more look, fixed beforehand.

    birds: those to be seen, in shuffled order; weights: by section judged by eye that was ever seen, the points
    of merit that a point given tonight is worth (0: next to nothing); start: by bird, its head start in points
    of merit (the least is 0); places:
    how many of the birds stay; value: points of merit gained on average; agreement: share of `trials` drawn
    looks after which the rule keeps the same birds as the calculation.
    """

    birds: tuple[str, ...]
    weights: pd.Series
    start: pd.Series
    places: int
    value: float
    agreement: float
    trials: int


def look_rule(
    merit: Merit, flock: Flock, verdicts: Verdicts, group: str, seed: int = SEED
) -> LookRule | None:
    """The rule for the set of birds that `group` should see again; None where no look is proposed."""
    of = verdicts.groups[group]
    again, known = of.again, of.detail
    if again is None or known is None or merit.known is None:
        return None
    kept = set(of.table.loc[of.table["stands"] == "keep", "bird"])
    rng = np.random.default_rng(seed)
    seen = known.birds.get_indexer(pd.Index(again.birds))
    pull, spread = _pull(known, seen)
    weights = _weights(pull[seen], len(known.by_eye))
    places = len(kept & set(again.birds))
    agreement = _agreement(known, seen, pull, spread, weights, (of.places, places), rng)
    expected = _expected(merit.known, flock, again)
    start = known.merit[seen] - expected @ weights
    order = rng.permutation(len(seen))
    return LookRule(
        birds=tuple(again.birds[i] for i in order),
        weights=pd.Series(weights, index=list(known.by_eye)),
        start=pd.Series(start - start.min(), index=list(again.birds)).round(1),
        places=places,
        value=again.value,
        agreement=agreement,
        trials=TRIALS,
    )


def _pull(known: Detail, seen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What a look at birds `seen` side by side does to every merit (L × k·S), and how its points spread."""
    count, sections = len(seen), len(known.by_eye)
    at = np.concatenate([np.arange(b * sections, (b + 1) * sections) for b in seen])
    spread = known.seen_cov[np.ix_(at, at)] + np.kron(np.eye(count), known.look_cov)
    apart = np.kron(np.eye(count)[1:] - np.eye(count)[:1], np.eye(sections))
    inverse = np.linalg.inv(apart @ spread @ apart.T)
    return known.cross[:, at] @ apart.T @ inverse @ apart, spread


def _weights(pull: np.ndarray, sections: int) -> np.ndarray:
    """One weight a section (S,): what a point more for a bird does to its lead over the others, on average.

    Nought for a section that would not move a sum by a tenth however a judge marked it.
    """
    count = len(pull)
    cube = pull.reshape(count, count, sections)
    own = np.einsum("aas->as", cube)
    others = (cube.sum(axis=0) - own) / (count - 1)
    weights = np.asarray((own - others).mean(axis=0).round(2))
    return np.where(np.abs(weights) < LEAST_WEIGHT, 0.0, weights)


def _agreement(
    known: Detail,
    seen: np.ndarray,
    pull: np.ndarray,
    spread: np.ndarray,
    weights: np.ndarray,
    places: tuple[int, int],
    rng: np.random.Generator,
) -> float:
    """Share of drawn looks after which the rule keeps the same of the birds `seen` as the calculation.

    `places`: how many birds are kept in all, and of those `seen`.
    """
    drawn = rng.multivariate_normal(np.zeros(len(spread)), spread, size=TRIALS, method="cholesky")
    exact = known.merit + drawn @ pull.T
    paper = known.merit[seen] + drawn.reshape(TRIALS, len(seen), -1) @ weights
    same = _best(exact, places[0])[:, seen] == _best(paper, places[1])
    return float(same.all(axis=1).mean())


def _best(merits: np.ndarray, number: int) -> np.ndarray:
    """Which of each row are its `number` largest (bool)."""
    chosen = np.zeros(merits.shape, dtype=bool)
    best = np.argsort(-merits, axis=1, kind="stable")[:, :number]
    np.put_along_axis(chosen, best, True, axis=1)
    return chosen


def _expected(known: Known, flock: Flock, look: Look) -> np.ndarray:
    """Points that each bird is expected to be given (k × S), up to what the judge's day adds to all alike."""
    model, birds = known.model, pd.Index(look.birds)
    eye = [model.traits.index(t) for t in model.observations.by_eye]
    picked, _ = carried(known, flock, birds, np.eye(len(model.traits))[:, eye])
    carried_by = (picked.T @ known.solution.effects).reshape(len(birds), len(eye))
    hatched = flock.birds.drop_duplicates("bird").set_index("bird")["hatched"].reindex(birds)
    weeks = (
        ((pd.Timestamp(flock.plan.on) - hatched).dt.days / 7).clip(upper=OLDEST_WEEKS).fillna(OLDEST_WEEKS)
    )
    return np.asarray(carried_by + np.outer(weeks, _growing(known)))


def _growing(known: Known) -> np.ndarray:
    """Points a week of age that each section judged by eye gains (S,); 0 where the records do not tell."""
    fixed = known.model.fixed_names.assign(value=known.solution.at("fixed"))
    age = fixed[fixed["effect"] == "age"].set_index("series")["value"]
    return age.reindex(list(known.model.observations.by_eye)).fillna(0.0).to_numpy()
