"""The best set of birds to keep: highest expected merit under a ceiling on relationship with the flock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Choice:
    """Positions of the chosen birds, and whether the ceiling could be kept (None: there was none)."""

    chosen: np.ndarray
    ceiling_kept: bool | None


def best_set(
    merit: np.ndarray,
    number: int,
    relationship: np.ndarray | None = None,
    ceiling: float | None = None,
    forced: np.ndarray | None = None,
) -> Choice:
    """The `number` birds of highest total merit whose mean `relationship` lies under `ceiling`.

    `merit` (n,) in points, `relationship` (n,) of each bird with the flock it joins, `forced` (n,) bool birds
    that are in whatever their merit. Ties go to the earlier bird. Where no set keeps under the ceiling, the
    least related set is taken and said so. Exact: an integer programme only where the ceiling binds.
    """
    forced = np.zeros(len(merit), bool) if forced is None else forced
    number = max(min(number, len(merit)), int(forced.sum()))
    order = np.lexsort((np.arange(len(merit)), -merit, ~forced))
    plain = np.sort(order[:number])
    if ceiling is None or relationship is None or number == 0:
        return Choice(plain, None)
    if relationship[plain].mean() <= ceiling:
        return Choice(plain, True)
    least = np.sort(np.lexsort((relationship, ~forced))[:number])
    if relationship[least].mean() > ceiling:
        return Choice(least, False)
    return Choice(_under_ceiling(merit, number, relationship, ceiling, forced), True)


def _under_ceiling(
    merit: np.ndarray, number: int, relationship: np.ndarray, ceiling: float, forced: np.ndarray
) -> np.ndarray:
    from scipy.optimize import Bounds, LinearConstraint, milp

    constraints = [
        LinearConstraint(np.ones((1, len(merit))), number, number),
        LinearConstraint(relationship[None, :] / number, -np.inf, ceiling + 1e-12),
    ]
    found = milp(-merit, constraints=constraints, integrality=np.ones(len(merit)), bounds=Bounds(forced, 1))
    return np.flatnonzero(np.round(found.x) == 1)
