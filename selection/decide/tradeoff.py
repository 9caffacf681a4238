"""Merit against relationship: what a lower ceiling costs, and where the chosen birds stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np
import pandas as pd

from selection.decide.choice import best_set
from selection.merit.pedigree import Pedigree
from selection.merit.ranking import Merit

MOST_SETS = 20_000
"""Up to so many possible sets are all compared; beyond, one exact programme is solved for each ceiling."""
CEILINGS = 40
"""Ceilings tried where the sets are too many to compare."""
SAME = 1e-9


@dataclass(frozen=True)
class Tradeoff:
    """The sets of which none is better in both merit and relationship, from the most merit down.

    table: step, birds (parted by `; `), merit (their mean, points within the group), relationship (mean with
    the flock they join), inbreeding (of chicks with that flock's birds at random, half the relationship),
    cost (points of merit a bird given up against step 1), chosen (`yes` or `no`). complete: every such set is
    there, not only the best under each ceiling tried. sentences say where the chosen set stands.
    """

    table: pd.DataFrame
    complete: bool
    sentences: tuple[str, ...]
    cannot: tuple[str, ...]


def tradeoff(
    merit: Merit,
    pedigree: Pedigree,
    group: str,
    number: int,
    flock_birds: Sequence[str],
    chosen: Sequence[str] | None = None,
) -> Tradeoff:
    """Best sets of `number` unbarred candidates of `group` as the ceiling on relationship is lowered.

    `flock_birds`: the birds they join; `chosen`: the set the meeting proposes or has decided on (None: the
    one of most merit). A chosen set that is not on the curve is a row of its own, without a step.
    """
    rows = merit.ranking[(merit.ranking["group"] == group) & merit.ranking["bar"].isna()]
    birds, values = rows["bird"].tolist(), rows["merit"].to_numpy(dtype=float)
    if len(birds) <= number or not len(flock_birds) or number < 1:
        return _nothing(group, number, len(birds), len(flock_birds))
    kin = pedigree.relationship(birds, list(flock_birds)).mean(axis=1)
    complete = comb(len(birds), number) <= MOST_SETS
    sets = _all_sets(values, kin, number) if complete else _by_ceilings(values, kin, number)
    at = sets[0] if chosen is None else [birds.index(b) for b in chosen if b in birds]
    table = _table(birds, values, kin, sets, sorted(at))
    return Tradeoff(table, complete, _sentences(group, table), ())


def _all_sets(merit: np.ndarray, kin: np.ndarray, number: int) -> list[list[int]]:
    """Every set that no other beats in both, most merit first, by comparing all."""
    sets = np.array(list(combinations(range(len(merit)), number)))
    of_merit, of_kin = merit[sets].mean(axis=1), kin[sets].mean(axis=1)
    order = np.lexsort((of_kin, -of_merit.round(9)))
    least = np.minimum.accumulate(of_kin[order])
    better = np.concatenate([[True], of_kin[order][1:] < least[:-1] - SAME])
    return [[int(i) for i in s] for s in sets[order][better]]


def _by_ceilings(merit: np.ndarray, kin: np.ndarray, number: int) -> list[list[int]]:
    """The best set under each of a row of ceilings, from the set of most merit to the least related one."""
    # between sets of equal merit the less related one
    value = merit - 1e-7 * kin
    found = [best_set(value, number).chosen]
    lowest = np.sort(kin)[:number].mean()
    step = max((kin[found[0]].mean() - lowest) / CEILINGS, SAME)
    while kin[found[-1]].mean() > lowest + SAME:
        ceiling = max(kin[found[-1]].mean() - step, lowest)
        found.append(best_set(value, number, kin, ceiling).chosen)
    return [sorted(int(i) for i in s) for s in found]


def _table(
    birds: list[str], merit: np.ndarray, kin: np.ndarray, sets: list[list[int]], chosen: list[int]
) -> pd.DataFrame:
    listed = sets if chosen in sets else [*sets, chosen]
    steps = [float(i) for i in range(1, len(sets) + 1)] + [np.nan] * (len(listed) - len(sets))
    table = pd.DataFrame(
        {
            "step": steps,
            "birds": ["; ".join(birds[i] for i in s) for s in listed],
            "merit": [merit[s].mean() for s in listed],
            "relationship": [kin[s].mean() for s in listed],
            "chosen": ["yes" if s == chosen else "no" for s in listed],
        }
    )
    table["inbreeding"] = table["relationship"] / 2
    table["cost"] = table["merit"].iloc[0] - table["merit"]
    return table[["step", "birds", "merit", "relationship", "inbreeding", "cost", "chosen"]]


def _sentences(group: str, table: pd.DataFrame) -> tuple[str, ...]:
    curve = table[table["step"].notna()]
    now = table[table["chosen"] == "yes"].iloc[0]
    has = "have a mean merit" if ";" in now["birds"] else "has a merit"
    said = [
        f"{group}: {now['birds']} {has} of {now['merit']:+.1f} and a relationship of "
        f"{now['relationship']:.3f} with the flock they join."
    ]
    if pd.isna(now["step"]):
        better = curve[(curve["relationship"] <= now["relationship"] + SAME)].head(1)
        said += [
            f"{b.birds} would do better: merit {b.merit:+.1f}, relationship {b.relationship:.3f}."
            for b in better.itertuples()
        ]
        return tuple(said)
    said.append(f"That is step {now['step']:.0f} of {len(curve)}, step 1 being the most merit.")
    for off, which in ((1, "less related"), (-1, "more merit")):
        beside = curve[curve["step"] == now["step"] + off]
        said += [_step(now, other, which) for _, other in beside.iterrows()]
    return tuple(said)


def _step(now: pd.Series, other: pd.Series, which: str) -> str:
    merit, kin = other["merit"] - now["merit"], other["relationship"] - now["relationship"]
    return f"One step to {which}: {other['birds']}, merit {merit:+.2f} a bird, relationship {kin:+.3f}."


def _nothing(group: str, number: int, birds: int, joined: int) -> Tradeoff:
    columns = ["step", "birds", "merit", "relationship", "inbreeding", "cost", "chosen"]
    if not joined:
        why = f"{group}: there is no flock to join, so that no relationship has to be weighed."
    elif number < 1:
        why = f"{group}: none is to be kept."
    else:
        why = f"{group}: {birds} unbarred for {number} places: there is nothing to choose."
    return Tradeoff(pd.DataFrame(columns=columns), True, (), (why,))
