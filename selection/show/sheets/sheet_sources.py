"""Where the facts of a bird are looked up: the records' rows, gathered by bird once for all sheets and cards."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from selection.decide.rows import each
from selection.records.flock import Flock

if TYPE_CHECKING:
    from selection.merit.relationship.pedigree import Pedigree
    from selection.standard.growth import Growth
    from selection.standard.points import Points


@dataclass(frozen=True)
class Sources:
    """What the facts are looked up in; rows are gathered by bird once for all the birds that are asked for.

    Without `pedigree` only the parents on record are named.
    """

    flock: Flock
    points: Points
    growth: Growth
    pedigree: Pedigree | None

    @cached_property
    def birds(self) -> dict[str, Any]:
        return {row.bird: row for row in each(self.flock.birds)}

    @cached_property
    def rings(self) -> dict[str, list[Any]]:
        worn = self.flock.rings[self.flock.rings["removed_on"].isna()]
        return _by("bird", each(worn.sort_values(["leg", "fitted_on"])))

    @cached_property
    def scored(self) -> Counter[str]:
        return Counter(self.flock.scores["bird"].dropna())

    @cached_property
    def faulty(self) -> list[Any]:
        """Looks with a fault, the earliest first."""
        wanted = ["bird", "clutch", "sex", "judge", "on", "faults"]
        return list(each(self.flock.scores[self.flock.scores["faults"].notna()].sort_values("on")[wanted]))

    @cached_property
    def weighings(self) -> dict[str, list[Any]]:
        """Weighings of each bird, the last one last."""
        return _by("bird", each(self.flock.weights.dropna(subset=["bird", "grams"]).sort_values("on")))

    @cached_property
    def totals(self) -> dict[str, Any]:
        wanted = ["bird", "looks", "points_seen", "points_of_100", "points_of_100_se"]
        return {row.bird: row for row in each(self.points.birds[wanted])}

    @cached_property
    def sections(self) -> dict[str, dict[str, float]]:
        """Mean points of each section, by bird."""
        names = [section.name for section in self.flock.standard.sections]
        return self.points.birds.set_index("bird")[names].to_dict("index")

    @cached_property
    def looks(self) -> dict[str, dict[str, list[float]]]:
        """Points given in each section judged by eye, look by look, by bird."""
        names = [section.name for section in self.flock.standard.by_eye]
        return self.points.looks.groupby("bird")[names].agg(list).to_dict("index")


def _by(key: str, rows: Iterable[Any]) -> dict[str, list[Any]]:
    """Rows by what they have under `key`, in their order."""
    found: dict[str, list[Any]] = {}
    for row in rows:
        found.setdefault(getattr(row, key), []).append(row)
    return found
