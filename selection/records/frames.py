"""Frames as every layer sees them: all columns of a form, in order, each of its own dtype."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from selection.records.tables import Column, Form

DTYPES = {
    "text": "str",
    "label": "str",
    "labels": "str",
    "choice": "str",
    "born": "str",
    "date": "datetime64[s]",
    "number": "float64",
    "whole": "float64",
    "money": "float64",
}


def standing(form: Form, frame: pd.DataFrame) -> pd.DataFrame:
    """`frame` without withdrawn rows: those whose required value was cleared by a correction."""
    return frame.dropna(subset=[c for c in form.required if c in frame.columns])


def whole(form: Form, frame: pd.DataFrame | None, sections: Iterable[Column] = ()) -> pd.DataFrame:
    """`frame` with every column of the form (and of `sections`), in order; those it lacks are blank.

    The index stays. No frame at all gives one without rows.
    """
    frame = pd.DataFrame() if frame is None else frame
    by_name = {str(c).casefold(): c for c in frame.columns}
    columns = {}
    for column in (*form.columns, *sections):
        found = by_name.get(column.name.casefold())
        cells = pd.Series(index=frame.index, dtype="object") if found is None else frame[found]
        columns[column.name] = cells.astype(pd.api.types.pandas_dtype(DTYPES[column.kind]))
    return pd.DataFrame(columns, index=frame.index)
