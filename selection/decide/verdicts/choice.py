"""The best set of birds to keep: highest expected merit under a ceiling on relationship with the flock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from selection.decide.verdicts.frontier import Kin, frontier


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
