"""The best allotment of hens to cocks, solved exactly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse

from selection.errors import ModelError

TIE = 1e-6
"""Between allotments of equal value the less inbred one is taken: so many points for each unit of F."""


@dataclass(frozen=True)
class Allotment:
    """Which hen to which cock.

    table: one row a hen: hen, cock (missing: none may have her), inbreeding, merit (of the chicks), value
    (merit less depression, points), why. total: the sum of values over the hens that have a cock.
    """

    table: pd.DataFrame
    total: float
    sentences: tuple[str, ...]


def allot(
    pairs: pd.DataFrame,
    cocks: Sequence[str],
    hens: Sequence[str],
    pen_sizes: int | Mapping[str, int] | None = None,
    depression: float = 0.0,
) -> Allotment:
    """Put as many `hens` as may be to the `cocks`, and of all ways of that the one of greatest value.

    pairs: cock, hen, inbreeding, merit, allowed, why (as `Matings.table`); pen_sizes: the most hens a cock
    may have (None: any number; a cock that a mapping leaves out has none); depression: points lost for each
    unit of F. A pair whose merit is missing counts as the mean of the others. Each hen has one cock at most;
    only allowed pairs are made. Equal values: the less inbred way.
    """
    most = _room(pen_sizes, cocks, len(hens))
    options = pairs[pairs["cock"].isin(cocks) & pairs["hen"].isin(hens)]
    open_ = options[options["allowed"] == "yes"].reset_index(drop=True)
    open_ = open_.assign(value=_value(open_, depression))
    chosen = open_[_solve(open_, most)]
    table = pd.DataFrame({"hen": pd.Series(list(hens), dtype="str")}).merge(
        chosen.drop(columns="why"), on="hen", how="left"
    )
    table["why"] = _why(table, open_, most)
    table = table[["hen", "cock", "inbreeding", "merit", "value", "why"]]
    return Allotment(table, float(chosen["value"].sum()), _sentences(table, cocks))


def _room(pen_sizes: int | Mapping[str, int] | None, cocks: Sequence[str], hens: int) -> dict[str, int]:
    if pen_sizes is None:
        return dict.fromkeys(cocks, hens)
    if isinstance(pen_sizes, Mapping):
        return {cock: int(pen_sizes.get(cock, 0)) for cock in cocks}
    return dict.fromkeys(cocks, int(pen_sizes))


def _value(pairs: pd.DataFrame, depression: float) -> pd.Series:
    merit = pairs["merit"].astype(float)
    middle = merit.mean() if merit.notna().any() else 0.0
    return merit.fillna(middle) - depression * pairs["inbreeding"].astype(float)


def _solve(pairs: pd.DataFrame, most: Mapping[str, int]) -> np.ndarray:
    """Which pairs are made (bool, one a pair), by an exact mixed-integer programme."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    if pairs.empty:
        return np.zeros(0, dtype=bool)
    worth = (pairs["value"] - TIE * pairs["inbreeding"]).to_numpy(dtype=float)
    # one more hen put to a cock outweighs any change of who is put to whom
    worth = worth + (np.ptp(worth) + 1) * (pairs["hen"].nunique() + 1) - worth.min()
    once, _ = _incidence(pairs["hen"])
    room, cocks = _incidence(pairs["cock"])
    limits = [
        LinearConstraint(once, ub=np.ones(once.shape[0])),
        LinearConstraint(room, ub=np.array([most[c] for c in cocks], dtype=float)),
    ]
    found = milp(-worth, constraints=limits, integrality=np.ones(len(pairs)), bounds=Bounds(0, 1))
    if not found.success:
        raise ModelError(f"the hens could not be allotted to the cocks: {found.message}")
    return found.x > 0.5


def _incidence(names: pd.Series) -> tuple[sparse.csr_array, pd.Index]:
    """Names × pairs, 1 where the pair is of that name."""
    codes, labels = pd.factorize(names)
    ones = np.ones(len(codes))
    return sparse.csr_array((ones, (codes, np.arange(len(codes)))), shape=(len(labels), len(codes))), labels


def _why(table: pd.DataFrame, open_: pd.DataFrame, most: Mapping[str, int]) -> list[str]:
    """Why each hen is put where she is: the best there is for her, or what stands in the way of it."""
    put = table["cock"].value_counts()
    full = [cock for cock, room in most.items() if put.get(cock, 0) >= room]
    said = []
    for hen, cock, value in zip(table["hen"], table["cock"], table["value"], strict=True):
        hers = open_[open_["hen"] == hen]
        better = hers.loc[(hers["value"] > value) & hers["cock"].isin(full), "cock"]
        if isinstance(cock, str) and len(better):
            said.append(f"the pen of {' and '.join(better)} is full")
        elif isinstance(cock, str):
            said.append("the best for her" if len(hers) > 1 else "the only cock she may go to")
        elif len(hers):
            said.append("every pen she could go to is full")
        else:
            said.append(
                "too close to every cock that is kept, or refused with him" if most else "no cock is kept"
            )
    return said


def _sentences(table: pd.DataFrame, cocks: Sequence[str]) -> tuple[str, ...]:
    placed = table[table["cock"].notna()]
    said = [
        f"{cock} with {', '.join(of['hen'])} (mean F of the chicks {of['inbreeding'].mean():.3f})."
        for cock, of in placed.groupby("cock", sort=False)
    ]
    idle = [c for c in cocks if c not in set(placed["cock"])]
    said += [f"{cock} has no hens." for cock in idle]
    if not cocks and len(table):
        return ("No cock is kept, so that no hen has one.",)
    without = table[table["cock"].isna()]
    said += [f"{row.hen} has no cock: {row.why}." for row in without.itertuples()]
    return tuple(said)
