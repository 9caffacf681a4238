"""What inbreeding is held to cost: published depression, in points of merit for each unit of F."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.merit.observations import LAYING
from selection.merit.published import ALSO_CALLED, INBREEDING_DEPRESSION, Published
from selection.merit.ranking import Merit
from selection.records.flock import Flock
from selection.records.settings.reading import Measured, Section, Standard

SMALL = 0.01
"""Step in log weight over which the slope of a banded section is taken."""

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
    for name, at in _worthwhile(merit).items():
        row = published.get(_like(flock.standard, name))
        loss = None if row is None else _points(flock, merit, name, at, row)
        if row is None:
            without.append(name)
        elif loss is None:
            no_mean.append(name)
        else:
            rows.append((name, row.value, loss, row.cited))
    parts = pd.DataFrame(rows, columns=["trait", "change", "points", "source"])
    # a flock above the band would gain by growing lighter: that is no merit of inbreeding
    total = -10 * float(parts["points"].clip(upper=0).sum())
    return Depression(total, parts, _sentences(parts, published), _cannot(without, no_mean))


def _worthwhile(merit: Merit) -> dict[str, int]:
    """Traits of merit that have a worth, with their position."""
    if merit.known is None or merit.worth is None:
        return {}
    worth = merit.worth
    names = merit.known.model.traits
    return {t: i for i, t in enumerate(names) if worth.straight[i] or (i == worth.banded_at and worth.factor)}


def _like(standard: Standard, name: str) -> str:
    """The published table's name for what a trait is."""
    every: tuple[Section | Measured, ...] = (*standard.sections, *standard.measured, LAYING)
    trait = next(t for t in every if t.name == name)
    if isinstance(trait, Section) and trait.measured == "weight":
        return "body weight"
    called = (trait.like or trait.name).casefold()
    return ALSO_CALLED.get(called, called)


def _points(flock: Flock, merit: Merit, name: str, at: int, row: Published) -> float | None:
    """Points for 0.1 of F (below 0: lost); None where the trait's mean is not on record."""
    change = row.value / 100
    assert merit.worth is not None
    if merit.band is not None and at == merit.worth.banded_at:
        return slope_of(merit) * float(np.log1p(change))
    mean = _mean(flock, name)
    return None if np.isnan(mean) else float(merit.worth.straight[at] * change * mean)


def _mean(flock: Flock, name: str) -> float:
    """The mean of a trait as it was measured, of laying by the hens' own eggs in 100 days; NaN if not on record."""
    values = flock.measures.loc[flock.measures["trait"].str.casefold() == name.casefold(), "value"]
    own = flock.eggs[flock.eggs["bird"].notna()]
    if values.empty and name == LAYING.name and len(own):
        return float(100 * own["eggs"].sum() / own["days"].fillna(1).sum())
    return float(values.mean())


def slope_of(merit: Merit) -> float:
    """Points of merit for a unit of log weight at the mean of the living birds; 0 without a band."""
    if merit.band is None or merit.known is None or merit.worth is None:
        return 0.0
    known, living = merit.known, merit.living.columns
    at = known.model.kinship.birds.get_indexer(living)
    values = known.solution.at("genetic").reshape(-1, len(known.model.traits))[at, merit.worth.banded_at]
    middle = float(values.mean()) if len(values) else 0.0
    low, high = merit.band(np.array([middle - SMALL, middle + SMALL]))
    return float(high - low) / (2 * SMALL)


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
