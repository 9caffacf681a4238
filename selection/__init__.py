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
next_spring    how many eggs to set and to buy, and from whom                  -> Spring
life           all that is on record of one bird                              -> Life
hold           the whole meeting at once                                       -> Meeting
fit_model      the mixed model on plain frames, for records of any other kind  -> Fitted
=============  =====================================================================================

Every answer has `tables` (its frames), `notes` (its facts) and `summary()` (a page of text). A *look* is one judge
scoring one bird once; *merit* is a bird's breeding value in points, of which its chicks take half; *own value* is
what the bird itself is. Intervals are 90 %.

Names are loaded when first used: importing the package costs next to nothing.
"""

from __future__ import annotations

import lazy_loader

__version__ = "1.0.0"

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
