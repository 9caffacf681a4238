"""Who stands for election: the groups of the plan, what bars a bird from breeding, and what it is itself.

Own value, for show and sale, is kept apart from merit, which is what a bird passes on. It adds to the breeding value
what the bird carries for good but does not hand down: its permanent part, its clutch's and its brooder's, and what
its own inbreeding is held to cost. Sections count their points, whatever the plan holds them worth; a measured one
counts what its band awards.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from selection.errors import ModelError
from selection.merit.observations import brooder_years
from selection.records.flock import Flock
from selection.records.rings import Called

if TYPE_CHECKING:
    from selection.merit.posterior import Known

Call = Callable[[str], object]
"""Tells how a bird is called: its number in, what is printed of it out."""

YOUNG = {"cockerels": "male", "pullets": "female"}
_GROWN = {"cocks": "male", "hens": "female"}


def candidates(flock: Flock) -> pd.DataFrame:
    """One row a candidate of the plan's season: bird, left, right, group, bar (missing: not barred).

    Cockerels and pullets are living birds of the plan's sex and origins hatched in its season, scored or not;
    standing cocks and hens are any older living ones.
    """
    parts = [_members(flock, group) for group in flock.plan.keep]
    columns = ["bird", "group"]
    found = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns, dtype="str")
    found = found.join(rings_worn(flock), on="bird")
    found["bar"] = found["bird"].map(bars(flock))
    return found[["bird", "left", "right", "group", "bar"]]


def _members(flock: Flock, group: str) -> pd.DataFrame:
    birds, keep = flock.birds, flock.plan.keep[group]
    young = birds["hatch_year"] == flock.plan.season
    of_age = young if group in YOUNG else ~young
    chosen = birds["alive"] & of_age & (birds["sex"] == {**YOUNG, **_GROWN}[group])
    if keep.origins:
        chosen &= birds["origin_of"].isin(keep.origins)
    return pd.DataFrame({"bird": birds.loc[chosen, "bird"], "group": group})


def bars(flock: Flock) -> pd.Series:
    """Why each barred bird may not breed, by bird: the serious faults anyone saw on it, who saw them, when."""
    serious = {f.name.casefold(): f.name for f in flock.standard.faults if f.serious}
    looks = flock.scores[["bird", "judge", "on", "faults"]].dropna(subset=["bird", "faults"])
    seen = looks.assign(fault=looks["faults"].str.split(";")).explode("fault")
    seen["fault"] = seen["fault"].str.strip().str.casefold().map(serious).astype("str")
    seen = seen.dropna(subset="fault").sort_values(["bird", "on", "judge"])
    seen["text"] = seen["fault"] + " (" + seen["judge"] + ", " + seen["on"].dt.strftime("%Y-%m-%d") + ")"
    return seen.groupby("bird")["text"].agg("; ".join)


def rings_worn(flock: Flock) -> pd.DataFrame:
    """Colours on each bird's legs on the plan's day, columns left and right, by bird; upper ring first."""
    rings = flock.rings[flock.rings["removed_on"].isna()].sort_values("fitted_on", kind="stable")
    last = rings.groupby(["bird", "leg"])["colour"].last().unstack("leg")
    return last.reindex(columns=["left", "right"])


def called(flock: Flock) -> Callable[[str], Called]:
    """How each bird of `flock` is called on the plan's day; a bird that is not on record is its number alone."""
    legs = rings_worn(flock)
    rows = flock.birds[["bird", "name"]].join(legs, on="bird")
    known = {
        bird: Called(bird, *(cell if isinstance(cell, str) else None for cell in rest))
        for bird, *rest in zip(*(rows[c] for c in rows), strict=True)
    }
    return lambda bird: known.get(bird) or Called(bird)


def own_values(flock: Flock, known: Known, measured: pd.DataFrame) -> pd.DataFrame:
    """Own value of the living birds: bird, own_value, own_value_se, in points about the mean of their sex.

    A section judged by eye counts by what the model says of the bird, a measured one by the points that its band
    awards (`measured`, as :func:`selection.standard.points.measured_points` gives them); a bird without such
    points counts as the mean of its sex.
    """
    living = flock.birds.loc[flock.birds["alive"], ["bird", "sex"]].reset_index(drop=True)
    weights = np.array([1.0 if trait.by_eye else 0.0 for trait in known.model.observations.asked])
    picked, extra = carried(known, flock, pd.Index(living["bird"]), weights[:, None])
    kin = known.model.kinship
    inbred = kin.inbreeding[kin.birds.get_indexer(pd.Index(living["bird"]))]
    awarded, doubt = _awarded(living, measured)
    values = picked.T @ known.solution.effects + inbred * (known.model.depression @ weights) + awarded
    covariance = known.solution.spread(picked) + np.diag(extra + doubt)
    same = (living["sex"].to_numpy()[:, None] == living["sex"].to_numpy()[None, :]).astype(float)
    about = np.eye(len(living)) - same / same.sum(axis=1, keepdims=True)
    spread = np.sqrt(np.clip(np.einsum("ij,jk,ik->i", about, covariance, about), 0, None))
    return pd.DataFrame({"bird": living["bird"], "own_value": about @ values, "own_value_se": spread})


def _awarded(living: pd.DataFrame, measured: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Points of all measured sections together for each living bird, and the variance of that sum, both (L,)."""
    points, variance = np.zeros(len(living)), np.zeros(len(living))
    for _, section in measured.groupby("section"):
        own = living[["bird", "sex"]].merge(section[["bird", "points", "points_se"]], on="bird", how="left")
        by_sex = own.groupby("sex")["points"]
        points += own["points"].fillna(by_sex.transform("mean")).fillna(0.0).to_numpy()
        doubt = own["points_se"].where(own["points"].notna(), by_sex.transform("std"))
        variance += doubt.fillna(0.0).to_numpy() ** 2
    return points, variance


def carried(
    known: Known, flock: Flock, birds: pd.Index, weights: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Functionals (m × L·k) of all that `birds` carry, and the variance (L·k,) of parts that no record touches."""
    model, count = known.model, len(known.model.traits)
    k = weights.shape[1]
    picked = np.zeros((len(known.solution.effects), len(birds) * k))
    extra = np.zeros(len(birds) * k)
    levels = _labels(flock, birds)
    _same_levels(known, birds, levels)
    for effect, labels in levels.items():
        at = model.levels[effect].labels.get_indexer(labels)
        start = known.solution.slices[effect].start
        unseen = np.einsum("tk,ts,sk->k", weights, known.variances.covariance(effect), weights)
        for i, node in enumerate(at):
            column = slice(i * k, (i + 1) * k)
            if node >= 0:
                picked[start + node * count : start + (node + 1) * count, column] += weights
            else:
                extra[column] += unseen
    return picked, extra


def _labels(flock: Flock, birds: pd.Index) -> dict[str, pd.Index]:
    """By part that a bird carries: the level that every bird belongs to, as the model labels it."""
    rows = flock.birds.drop_duplicates("bird").set_index("bird").loc[birds]
    clutch = rows["clutch"].astype("str").str.casefold()
    return {
        "genetic": birds,
        "permanent": birds,
        "clutch": pd.Index(clutch),
        "brooder": pd.Index(brooder_years(flock, clutch, rows["hatched"])),
    }


def _same_levels(known: Known, birds: pd.Index, labels: dict[str, pd.Index]) -> None:
    """Raise ModelError where a bird's level is not the one that its own observations were modelled under."""
    seen = known.model.observations.rows.drop_duplicates("bird").set_index("bird")
    for effect in ("clutch", "brooder"):
        modelled = pd.Index(seen[effect].reindex(birds))
        other = modelled.notna() & (modelled != labels[effect])
        if other.any():
            first = int(np.flatnonzero(other)[0])
            raise ModelError(
                f"{birds[first]}: its {effect} is {labels[effect][first]!r}, but what was seen of it was modelled "
                f"under {modelled[first]!r}; give the flock that the model was made from"
            )
