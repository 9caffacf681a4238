"""What rows are checked against: all that is on record, with what was accepted before them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import pandas as pd

from selection.errors import Finding
from selection.records.bird_dates import hatch_days, with_sales
from selection.records.forms.cells import shown
from selection.records.forms.columns import FORMS
from selection.records.forms.schema import folded, keys_of
from selection.records.settings.adopting import InForce

LIVES = ("clutches", "birds", "sales")
"""The forms that tell when a bird hatched and when it went."""


@dataclass(frozen=True)
class Known:
    """The rows of each form as they stand (columns and dtypes of `tables.py`), and the standards in force.

    `refused` are the folded labels of birds and clutches just refused, by form;
    `usual` gives rows of a form that were recorded before, where `forms` has but a few of them.
    """

    in_force: InForce
    forms: Mapping[str, pd.DataFrame]
    refused: Mapping[str, frozenset[str]] = field(default_factory=dict)
    usual: Mapping[str, Callable[[], pd.DataFrame]] = field(default_factory=dict)

    def with_rows(self, form: str, rows: pd.DataFrame, refused: frozenset[str] = frozenset()) -> Known:
        """The same with `rows`, each in place of the row under its key, and the labels `refused` of the form."""
        now = self.forms[form]
        if len(now) and len(rows):
            stay = now[~keys_of(FORMS[form], now).isin(keys_of(FORMS[form], rows))]
            now = pd.concat([stay, rows], ignore_index=True)
        elif len(rows):
            now = rows.reset_index(drop=True)
        told = {**self.refused, form: refused} if refused else self.refused
        after = replace(self, forms={**self.forms, form: now}, refused=told)
        if form not in LIVES:  # nothing new about birds and clutches: what was worked out of them still holds
            after.__dict__.update(
                {name: self.__dict__[name] for name in ("birds", "clutches") if name in self.__dict__}
            )
        return after

    def with_usual(self, form: str) -> pd.DataFrame:
        """The rows of a form with those recorded before them: enough to tell what is usual."""
        now = self.forms[form]
        if form not in self.usual:
            return now
        before = self.usual[form]()
        others = before[~keys_of(FORMS[form], before).isin(keys_of(FORMS[form], now))]
        return pd.concat([others, now], ignore_index=True)

    @cached_property
    def birds(self) -> pd.DataFrame:
        """Every bird by its folded label: its row (a sale marks it gone), `hatched`, `earliest`, `latest`."""
        birds = with_sales(self.forms["birds"], self.forms["sales"])
        days = hatch_days(birds, self.forms["clutches"])
        whole = pd.concat([birds, days], axis=1)
        return _last_of_each(whole.set_axis(pd.Index(folded(birds["bird"]))))

    @cached_property
    def clutches(self) -> pd.DataFrame:
        """Every clutch by its folded label."""
        clutches = self.forms["clutches"]
        return _last_of_each(clutches.set_axis(pd.Index(folded(clutches["clutch"]))))

    def of_birds(self, labels: pd.Series) -> pd.DataFrame:
        """What is known of the bird that each of `labels` names, under their index; blank if unknown."""
        return self.birds.reindex(folded(labels).to_numpy()).set_axis(labels.index)

    def of_clutches(self, labels: pd.Series) -> pd.DataFrame:
        """What is known of the clutch that each of `labels` names, under their index."""
        return self.clutches.reindex(folded(labels).to_numpy()).set_axis(labels.index)


def _last_of_each(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a label, the last: a ledger that was damaged may hold several."""
    return rows[~rows.index.duplicated(keep="last")]


def findings(
    form: str,
    rows: pd.DataFrame,
    where: pd.Series,
    column: str,
    expected: str,
    *told: pd.Series,
    refused: bool = True,
) -> list[Finding]:
    """One finding on `column` for each of `rows` that is True in `where`.

    Each `{}` of `expected` takes the row's value of one of `told`, in words.
    """
    found = []
    for row in rows.index[where.fillna(False).astype(bool)]:
        words = expected.format(*(in_words(values[row]) for values in told))
        found.append(Finding(form, row, column, in_words(rows.at[row, column]), words, refused))
    return found


def in_words(value: object) -> str:
    """A typed value as a breeder would write it."""
    if value is None or value != value:
        return "a blank cell"
    if isinstance(value, pd.Timestamp):
        return str(value.date())
    return f"{value:g}" if isinstance(value, float) else shown(value)


def day_words(days: pd.Series) -> pd.Series:
    """Days as ISO text, blank ones as the empty text."""
    return days.dt.strftime("%Y-%m-%d").fillna("").astype("str")
