"""Labels as they are compared: which bird, clutch or judge a row means, however it was typed."""

from __future__ import annotations

import pandas as pd


def folded(labels: pd.Series) -> pd.Series:
    """`labels` trimmed and case-folded, for comparing; missing stays missing."""
    return labels.str.strip().str.casefold()


def spelled_as(labels: pd.Series, known: pd.Series) -> pd.Series:
    """`labels` in the spelling of `known`; others stay as they are, missing stays missing."""
    spelling = pd.Series(known.to_numpy(), index=folded(known)).groupby(level=0).first()
    return folded(labels).map(spelling).fillna(labels)
