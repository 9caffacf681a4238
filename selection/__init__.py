"""A season's forms in, a selection meeting's verdicts out.

The way through, in the order of the season's work:

=============  =====================================================================================
record         take in forms (workbook, CSV, folder) into a flock's ledger     -> Recorded
read_flock     a flock on a day: every form as a frame, its standard, its plan -> Flock
fit_growth     growth curves and each bird's weight at an age                  -> Growth
score          points from looks, judges' levels taken off                     -> Points
rank           merit of every candidate with its standard error and chances    -> Merit
propose        keep, reserve, look again, sell, each with its reason           -> Verdicts
compare_clutches, hatch, laying   how clutches and hatch years differ, and what cannot be known
matings, years_ahead, review      whom to put to whom, where it leads, whether earlier meetings were right
prices         what each bird that goes has cost, and what to ask              -> Prices
hold           the whole meeting at once                                       -> Meeting
fit_model      the mixed model on plain frames, for records of any other kind  -> Fitted
=============  =====================================================================================

A *look* is one judge scoring one bird once; *merit* is a bird's breeding value in points, of which its chicks
take half; *own value* is what the bird itself is. Intervals are 90 %.

Names are loaded when first used: importing the package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "1.0.0"

_HOME = {
    "SelectionError": "errors",
    "record": "records.intake.recording",
    "record_rows": "records.intake.recording",
    "Flock": "records.flock",
    "read_flock": "records.flock",
    "flock_from_forms": "records.flock",
    "fit_growth": "standard.growth",
    "score": "standard.points",
    "rank": "merit.ranking",
    "fit_model": "merit.mixed_model",
    "from_parents": "merit.relationship.pedigree",
    "compare_clutches": "compare.clutches.comparison",
    "hatch": "compare.hatch",
    "laying": "compare.laying.laying",
    "propose": "decide.verdicts.verdicts",
    "matings": "decide.matings.matings",
    "years_ahead": "decide.years.years",
    "review": "decide.review.review",
    "prices": "decide.prices.prices",
    "hold": "decide.meeting",
    "write_tables": "decide.meeting",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    """Load a public name from its module on first use."""
    if name not in _HOME:
        raise AttributeError(f"selection has no {name}; it has {', '.join(__all__)}")
    return getattr(import_module(f"selection.{_HOME[name]}"), name)
