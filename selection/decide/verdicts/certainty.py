"""How sure a choice is: what it may cost, which pairs cannot be told apart, and whether other variances change it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

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
