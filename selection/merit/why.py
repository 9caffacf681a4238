"""Why one bird stands above another: contributions of every record that add up to the difference.

A breeding value is a weighted sum of all records about their expected level, û = Σ k_i (y_i − x_iᵀβ̂): so is the
difference between two birds, and each record's share of it can be named.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.merit.detail import lines
from selection.merit.ranking import Merit
from selection.records.flock import Flock


@dataclass(frozen=True)
class Why:
    """Why `first` stands `difference` points above `second` (below, if negative).

    table: one row a kind of record and a trait: whose, trait, records, points; the points add up to the
    difference. Kinds: own records of either, their clutch mates', their parents', other relatives and the
    flock's levels; and what a band takes off a straight line. sentence: the largest of them in words.
    """

    first: str
    second: str
    difference: float
    table: pd.DataFrame
    sentence: str


def contributions(merit: Merit, flock: Flock, first: str, second: str) -> Why:
    """Contributions of all records to the difference in merit of two living birds, in points.

    At the mode of the variances. Where nothing was seen at all, the table is empty and the sentence says so.
    """
    if merit.known is None:
        return Why(first, second, 0.0, _table([]), "nothing was seen yet: the two stand alike")
    pair = lines(merit, pd.Index([first, second])).functionals
    table = _added_up(merit, flock, _shares(merit, pair[:, 0] - pair[:, 1]), first, second)
    merits = merit.flock.set_index("bird")["merit"]
    difference = float(merits[first] - merits[second])
    bent = difference - float(table["points"].sum())
    if merit.band is not None and merit.worth is not None and merit.worth.banded is not None:
        row = ("what the weight band gives or takes", merit.worth.banded.name, 0, bent)
        table = pd.concat([table, pd.DataFrame([row], columns=table.columns)], ignore_index=True)
    table = table.sort_values("points", key=abs, ascending=False, kind="stable").reset_index(drop=True)
    return Why(first, second, difference, table, _sentence(first, second, difference, table))


def _shares(merit: Merit, contrast: np.ndarray) -> np.ndarray:
    """Each record's share k_i (y_i − x_iᵀβ̂) of a contrast of breeding values (m,)."""
    known = merit.known
    assert known is not None
    model, solution = known.model, known.solution
    spread = solution.factor.solve(contrast)
    fitted = np.zeros(len(model.y))
    for name, place in solution.slices.items():
        fitted += (model.fixed if name == "fixed" else model.designs[name]) @ spread[place]
    return (known.residual_precision @ fitted) * (model.y - model.fixed @ solution.at("fixed"))


def _added_up(merit: Merit, flock: Flock, shares: np.ndarray, first: str, second: str) -> pd.DataFrame:
    """The records' shares by whose they are and of which trait, in the order in which these first appear."""
    assert merit.known is not None
    model = merit.known.model
    level = model.levels["permanent"]
    kind_of, kinds = pd.factorize(_whose(merit, flock, level.labels, first, second))
    trait_of, traits = pd.factorize(model.observations.rows["series"])
    key = kind_of[level.codes] * len(traits) + trait_of
    found, at = np.unique(key, return_index=True)
    found = found[np.argsort(at)]
    return pd.DataFrame(
        {
            "whose": kinds[found // len(traits)],
            "trait": traits[found % len(traits)],
            "records": np.bincount(key)[found],
            "points": np.bincount(key, weights=shares)[found],
        }
    )


def _whose(merit: Merit, flock: Flock, birds: pd.Index, first: str, second: str) -> np.ndarray:
    """Whose the records of each of `birds` are, as a breeder would say it."""
    folded = flock.birds["clutch"].str.casefold()
    clutch = dict(zip(flock.birds["bird"], folded, strict=True))
    pedigree, pair = merit.pedigree, (second, first)
    kinds = np.full(len(birds), "the rest of the flock", dtype=object)
    for bird in pair:
        parents = pedigree.weights[[pedigree.positions([bird])[0]]].indices
        kinds[birds.isin([pedigree.birds[i] for i in parents])] = "their possible parents"
    for bird in pair:
        if isinstance(own := clutch.get(bird), str):
            kinds[[clutch.get(mate) == own for mate in birds]] = f"clutch mates of {bird}"
    for bird in pair:
        kinds[birds == bird] = f"own records of {bird}"
    return kinds


def _table(rows: list[dict[str, object]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["whose", "trait", "records", "points"])


def _sentence(first: str, second: str, difference: float, table: pd.DataFrame) -> str:
    above, below = (first, second) if difference >= 0 else (second, first)
    sign = 1 if difference >= 0 else -1
    largest = table.assign(points=sign * table["points"]).sort_values("points", ascending=False).iloc[0]
    return (
        f"{above} stands {abs(difference):.1f} points above {below}; most of it, {largest['points']:.1f}, "
        f"comes from {largest['whose']}: {largest['trait']}"
    )
