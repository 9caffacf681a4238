"""What inbreeding is held to cost: published depression, in points of merit for each unit of F."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.merit.observations import LAYING
from selection.merit.published import INBREEDING_DEPRESSION, Published, published_depression as depression_of
from selection.merit.ranking import Merit
from selection.records.flock import Flock
from selection.standard.traits import Gauged, Trait

BESIDE = ("hatchability",)
"""Published depressions that no merit holds and that are said beside it."""


@dataclass(frozen=True)
class Depression:
    """Points of merit that inbreeding costs.

    points: for each unit of F, 0 or above; parts: one row a trait that has a published value and a worth:
    trait, change (per cent of the mean for 0.1 of F), points (for 0.1 of F), source.
    """

    points: float
    parts: pd.DataFrame
    sentences: tuple[str, ...]
    cannot: tuple[str, ...]


def depression(flock: Flock, merit: Merit) -> Depression:
    """The published depression of every trait that merit rests on.

    Chicks that are inbred to F fall short of their parents' mean by `points`·F. A trait without a published
    value is left as it is, and named; a trait whose mean is not on record is left out, and named.
    """
    published = {row.trait: row for row in INBREEDING_DEPRESSION}
    rows, without, no_mean = [], [], []
    for at, trait in _worthwhile(merit):
        row = depression_of(trait.prior)
        loss = None if row is None else _points(flock, merit, trait, at, row)
        if row is None:
            without.append(trait.name)
        elif loss is None:
            no_mean.append(trait.name)
        else:
            rows.append((trait.name, row.value, loss, row.cited))
    parts = pd.DataFrame(rows, columns=["trait", "change", "points", "source"])
    # a flock above the band would gain by growing lighter: that is no merit of inbreeding
    total = -10 * float(parts["points"].clip(upper=0).sum())
    return Depression(total, parts, _sentences(parts, published), _cannot(without, no_mean))


def _worthwhile(merit: Merit) -> list[tuple[int, Trait]]:
    """Traits of merit that have a worth, with their position."""
    if merit.known is None or merit.index is None:
        return []
    index = merit.index
    banded = {band.trait for band in index.bands if band.points.any()}
    asked = enumerate(merit.known.model.observations.asked)
    return [(i, trait) for i, trait in asked if index.straight[i] or i in banded]


def _points(flock: Flock, merit: Merit, trait: Trait, at: int, row: Published) -> float | None:
    """Points for 0.1 of F (below 0: lost), at the mean of the living; None where the trait's mean is not on record."""
    change = row.value / 100
    assert merit.index is not None
    slope = float(merit.index.line()[at])
    if trait.hangs:  # log weight
        return slope * float(np.log1p(change))
    mean = _mean(flock, trait)
    return None if np.isnan(mean) else float(slope * change * mean)


def _mean(flock: Flock, trait: Trait) -> float:
    """The mean of a trait as it was measured, of laying by the hens' own eggs in 100 days; NaN if not on record."""
    measured = trait.trait.casefold() if isinstance(trait, Gauged) else ""
    values = flock.measures.loc[flock.measures["trait"].str.casefold() == measured, "value"]
    own = flock.eggs[flock.eggs["bird"].notna()]
    if trait is LAYING and len(own):
        return float(100 * own["eggs"].sum() / own["days"].fillna(1).sum())
    return float(values.mean())


def _sentences(parts: pd.DataFrame, published: dict[str, Published]) -> tuple[str, ...]:
    said = [
        f"0.1 of inbreeding is held to cost {-points:.2f} points of {trait} "
        f"({change:g} % of its mean; {source})."
        for trait, change, points, source in parts[parts["points"] < 0].itertuples(index=False, name=None)
    ]
    said += [
        f"Beside merit, 0.1 of inbreeding is held to change {trait} by {published[trait].value:g} % of its "
        f"mean ({published[trait].cited})."
        for trait in BESIDE
        if trait in published
    ]
    return tuple(said)


def _cannot(without: list[str], no_mean: list[str]) -> tuple[str, ...]:
    said = []
    if without:
        said.append(f"No inbreeding depression is published for {', '.join(without)}: taken as none.")
    if no_mean:
        said.append(f"The mean of {', '.join(no_mean)} is not on record, so its depression is left out.")
    return tuple(said)
