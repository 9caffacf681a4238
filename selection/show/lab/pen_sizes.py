"""A knob for the notebook of matings: the most hens one cock may have; the hens are put to the cocks anew."""

from __future__ import annotations

from typing import Any

import ipywidgets as widgets

from selection.decide.matings.matings import matings
from selection.decide.verdicts.verdicts import Verdicts
from selection.merit.ranking import Merit
from selection.records.flock import Flock
from selection.show.page.fragments import bullets

MOST = 12
"""Hens at which the knob starts and ends where the flock has no more: about what one cock serves (common
practice, no source)."""


class PenSizes(widgets.VBox):
    """`most` is the knob; `said` shows who is put to whom with pens of that size, in words."""

    def __init__(self, flock: Flock, merit: Merit, verdicts: Verdicts) -> None:
        self.of = (flock, merit, verdicts)
        hens = len(matings(*self.of).allotment.table)
        top = max(hens, 1)
        self.most = widgets.IntSlider(
            value=min(top, MOST), min=1, max=max(top, MOST), description="Most hens", continuous_update=False
        )
        self.said = widgets.HTML()
        self.most.observe(self.follow, "value")
        super().__init__([self.most, self.said])
        self.follow()

    def follow(self, _: Any = None) -> None:
        """Put the hens to the cocks with pens of the size set."""
        found = matings(*self.of, pen_sizes=self.most.value).allotment
        said = bullets(found.sentences, empty="No hen or no cock stays, so there are no pens.")
        self.said.value = said._repr_html_()
