"""Which standard was in force on which day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from selection.records.forms.columns import Column
from selection.records.settings.wanted import Standard


@dataclass(frozen=True)
class InForce:
    """Every standard a flock has had with the day from which it holds; the first holds for all before."""

    standards: tuple[tuple[date, Standard], ...]

    @property
    def latest(self) -> Standard:
        """The standard that holds now."""
        return self.standards[-1][1]

    def spells(self, days: pd.Series) -> Iterable[tuple[Standard, np.ndarray]]:
        """Each standard with the rows (True) whose day falls under it (no day: the latest)."""
        starts = np.array([start for start, _ in self.standards[1:]], dtype="datetime64[s]")
        position = np.searchsorted(starts, days.to_numpy("datetime64[s]"), side="right")
        for i, (_, standard) in enumerate(self.standards):
            yield standard, position == i

    def section_columns(self) -> tuple[Column, ...]:
        """One column of the scores form for each section ever judged by eye, up to the most it ever gave."""
        columns: dict[str, Column] = {}
        for _, standard in self.standards:
            for s in standard.by_eye:
                before = columns.get(s.name.casefold())
                most = max(s.points, before.high or 0 if before else 0)
                columns[s.name.casefold()] = Column(s.name, "number", s.title, "points", low=0, high=most)
        return tuple(columns.values())

    def on_present_scale(self, scores: pd.DataFrame) -> pd.DataFrame:
        """`scores` with each section's points taken to the scale of the latest standard.

        A look that was given 10 of 20 under an earlier standard counts as 7½ of 15 under the present one.
        """
        now = {s.name.casefold(): s.points for s in self.latest.by_eye}
        scores = scores.copy()
        for standard, here in self.spells(scores["on"]):
            then = {s.name.casefold(): s.points for s in standard.by_eye}
            for column in scores.columns:
                name = str(column).casefold()
                if name in now and now[name] != then.get(name, now[name]):
                    scores.loc[here, column] *= now[name] / then[name]
        return scores


def section_columns(standard: Standard) -> tuple[Column, ...]:
    """The columns a look has under this standard: one for each section judged by eye."""
    return InForce(((date.min, standard),)).section_columns()
