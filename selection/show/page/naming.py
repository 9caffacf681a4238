"""How a bird is spoken of: by its number, its name where it has one, and its colours in words, left then right."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from selection.decide.wording import each
from selection.merit.candidates import worn
from selection.records.flock import Flock
from selection.show.page.ring_marks import ring_colours

BARE = "–"
"""A leg without a ring."""


@dataclass(frozen=True, slots=True)
class Called:
    """One bird: its number, its name (None: it has none), and what its legs wear (blank: nothing)."""

    bird: str
    name: str | None = None
    left: str | None = None
    right: str | None = None

    @property
    def colours(self) -> str:
        """Its colours in words, left then right, the upper of two on one leg first: `green, yellow/blue`."""
        legs = ["/".join(ring_colours(leg)) for leg in (self.left, self.right)]
        return ", ".join(leg or BARE for leg in legs) if any(legs) else ""

    @property
    def title(self) -> str:
        """Its number and its name: `24-007 Bramble`."""
        return f"{self.bird} {self.name}" if self.name else self.bird

    def __str__(self) -> str:
        return f"{self.title} ({self.colours})" if self.colours else self.title


def called(flock: Flock) -> Callable[[str], Called]:
    """How each bird of `flock` is called on the plan's day; a bird that is not on record is its number alone."""
    legs = worn(flock)
    rows = flock.birds[["bird", "name"]].join(legs, on="bird")
    known = {
        row.bird: Called(row.bird, *(cell if isinstance(cell, str) else None for cell in row[2:]))
        for row in each(rows)
    }
    return lambda bird: known.get(bird) or Called(bird)


def picks(flock: Flock, birds: Iterable[str]) -> list[tuple[str, str]]:
    """What a picker offers for each bird: how it is called, and its number."""
    of = called(flock)
    return [(str(of(bird)), bird) for bird in birds]
