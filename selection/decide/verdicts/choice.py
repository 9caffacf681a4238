"""The best set of birds to keep: highest expected merit under a ceiling on relationship with the flock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain, combinations
from math import comb

import numpy as np
import pandas as pd

MOST_SETS = 300_000
"""Up to so many possible sets are all compared; beyond, sets are bettered bird by bird until no exchange helps."""
WEIGHTS = 60
"""Weights put on relationship, from none to all, where the sets are too many to compare."""
SAME = 1e-9


@dataclass(frozen=True)
class Kin:
    """Relationships of n candidates: `joined` (n,) sum over the birds they join, `number` of those birds;
    `among` (n, n) with one another, its diagonal not used."""

    joined: np.ndarray
    number: int
    among: np.ndarray

    def of(self, sets: np.ndarray) -> np.ndarray:
        """Mean relationship of each set (m × k positions) with the flock it will be part of, (m,)."""
        k = sets.shape[1]
        total = self.joined[sets].sum(axis=1)
        for a, b in combinations(range(k), 2):
            total = total + 2 * self.among[sets[:, a], sets[:, b]]
        return total / (k * max(self.number + k - 1, 1))


@dataclass(frozen=True)
class Frontier:
    """Unbeaten sets, most merit first: positions (m × k), mean merit (m,), relationship (m,).

    complete: every unbeaten set is there; else they are what exchanging bird by bird found.
    """

    sets: np.ndarray
    merit: np.ndarray
    relationship: np.ndarray
    complete: bool

    def under(self, ceiling: float) -> int | None:
        """The row of most merit whose relationship is at most `ceiling`; None where there is none."""
        below = np.flatnonzero(self.relationship <= ceiling + SAME)
        return int(below[0]) if len(below) else None


def frontier(merit: np.ndarray, kin: Kin, number: int, forced: Sequence[int] = ()) -> Frontier:
    """Every unbeaten set of `number` of the n candidates of `merit` (n,), those `forced` in each of them.

    Exact by comparing all sets while they are at most `MOST_SETS`. Raises ValueError unless
    len(forced) ≤ number ≤ n.
    """
    if not len(forced) <= number <= len(merit):
        raise ValueError(f"{number} of {len(merit)} birds, {len(forced)} of them forced: no such set")
    free = [i for i in range(len(merit)) if i not in set(forced)]
    complete = comb(len(free), number - len(forced)) <= MOST_SETS
    if complete:
        sets = _all(free, number - len(forced))
        sets = np.hstack([np.tile(np.array(forced, dtype=int), (len(sets), 1)), sets])
    else:
        sets = _by_exchange(merit, kin, number, forced, free)
    return _unbeaten(np.sort(sets, axis=1), merit, kin, complete)


def _all(free: Sequence[int], number: int) -> np.ndarray:
    count = comb(len(free), number)
    flat = np.fromiter(chain.from_iterable(combinations(free, number)), dtype=int, count=count * number)
    return flat.reshape(count, number)


def _unbeaten(sets: np.ndarray, merit: np.ndarray, kin: Kin, complete: bool) -> Frontier:
    of_merit, of_kin = merit[sets].mean(axis=1), kin.of(sets)
    order = np.lexsort((of_kin.round(9), -of_merit.round(9)))
    least = np.minimum.accumulate(of_kin[order])
    better = order[np.concatenate([[True], of_kin[order][1:] < least[:-1] - SAME])]
    return Frontier(sets[better], of_merit[better], of_kin[better], complete)


def _by_exchange(
    merit: np.ndarray, kin: Kin, number: int, forced: Sequence[int], free: Sequence[int]
) -> np.ndarray:
    """For each of a row of weights on relationship, the sets that no exchange of one bird betters.

    The weights are gone through twice, from the birds of most merit up and from the least related ones down:
    each end may hold the search in a set that the other passes by.
    """
    spread = max(float(np.ptp(merit)), SAME) / max(float(np.ptp(kin.among + kin.joined[:, None])), SAME)
    weights = [0.0, *(spread * np.geomspace(1e-3, 1e4, WEIGHTS))]
    found = []
    for key, passage in ((-merit, weights), (kin.joined + kin.among.sum(axis=1), weights[::-1])):
        first = sorted(free, key=key.tolist().__getitem__)[: number - len(forced)]
        chosen = [*forced, *first]
        for weight in passage:
            chosen = _settled(chosen, set(forced), free, merit, kin, weight)
            found.append(chosen)
    return np.array(found)


def _settled(
    chosen: list[int], forced: set[int], free: Sequence[int], merit: np.ndarray, kin: Kin, weight: float
) -> list[int]:
    while True:
        out = [b for b in chosen if b not in forced]
        swaps = [[*(b for b in chosen if b != o), i] for o in out for i in free if i not in chosen]
        sets = np.array([chosen, *swaps])
        value = merit[sets].mean(axis=1) - weight * kin.of(sets)
        best = int(np.argmax(value))
        if value[best] <= value[0] + SAME:
            return chosen
        chosen = [int(i) for i in sets[best]]


TOLD_APART = 0.95
"""Chance of the right order from which two birds count as told apart."""


@dataclass(frozen=True)
class Certainty:
    """What is known of one group's choice.

    pairs: one row a pair of unbarred birds, the one of higher merit first: first, second, probability (first
    truly above second), told_apart. expected_loss: points of merit by which the best birds, were they known,
    would on average beat the chosen ones. same_choice: share of equally plausible sets of variances under
    which the same birds have the highest merit (1 where the choice hangs on none of them).
    """

    pairs: pd.DataFrame
    expected_loss: float
    same_choice: float


def certainty(draws: pd.DataFrame, scenes: pd.DataFrame, kept: list[str]) -> Certainty:
    """Certainty of keeping `kept` out of the unbarred birds.

    `draws`: draws × birds of merit, one column an unbarred bird; `scenes`: one row a set of variances as
    plausible as the others, the birds' mean merit under it.
    """
    birds = list(draws.mean().sort_values(ascending=False, kind="stable").index)
    values = draws[birds].to_numpy()
    rows = [
        (birds[i], birds[j], float((values[:, i] > values[:, j]).mean()))
        for i, j in combinations(range(len(birds)), 2)
    ]
    pairs = pd.DataFrame(rows, columns=["first", "second", "probability"])
    pairs["told_apart"] = pairs["probability"] >= TOLD_APART
    number = len(kept)
    best = np.sort(values, axis=1)[:, len(birds) - number :].sum(axis=1)
    loss = float((best - draws[kept].to_numpy().sum(axis=1)).mean()) if number else 0.0
    # `birds` stand by merit: the usual choice is the first of them
    chosen = np.argsort(-scenes[birds].to_numpy(), axis=1, kind="stable")[:, :number]
    return Certainty(pairs, loss, float((chosen < number).all(axis=1).mean()) if len(chosen) else 1.0)


@dataclass(frozen=True)
class Choice:
    """Positions of the chosen birds, and whether the ceiling could be kept (None: there was none)."""

    chosen: np.ndarray
    ceiling_kept: bool | None


def best_set(
    merit: np.ndarray,
    number: int,
    kin: Kin | None = None,
    ceiling: float | None = None,
    forced: np.ndarray | None = None,
) -> Choice:
    """The `number` birds of highest total merit whose mean relationship with their flock keeps under `ceiling`.

    `merit` (n,) in points; `kin` tells relationship with the birds they join and with one another; `forced`
    (n,) bool birds that are in whatever their merit. Ties go to the earlier bird. Where no set keeps under the
    ceiling, the least related set is taken and said so.
    """
    forced = np.zeros(len(merit), bool) if forced is None else forced
    number = max(min(number, len(merit)), int(forced.sum()))
    order = np.lexsort((np.arange(len(merit)), -merit, ~forced))
    plain = np.sort(order[:number])
    if ceiling is None or kin is None or number == 0:
        return Choice(plain, None)
    if kin.of(plain[None, :])[0] <= ceiling:
        return Choice(plain, True)
    unbeaten = frontier(merit, kin, number, np.flatnonzero(forced).tolist())
    row = unbeaten.under(ceiling)
    return Choice(unbeaten.sets[-1 if row is None else row], row is not None)
