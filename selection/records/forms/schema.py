"""A form's rows in memory and on disk: the one explicit schema of each, and what makes two rows the same row.

Frames have the dtypes of `tables.py`; in Parquet a date is a `date32`, every number a `float64`,
every text a `large_string`. A file of looks has one more `float64` column for each section it holds.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import reduce

import numpy as np
import pandas as pd
import pyarrow as pa

from selection.errors import RecordsError
from selection.records.forms.columns import FORMS, Column, Form

LEDGER = "ledger."
BATCH, RECORDED_AT, NTH = "ledger.batch", "ledger.recorded_at", "ledger.nth"
"""The ledger's own columns; no form and no section has a dot in its name."""

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
"""The dtype in memory of each kind of column."""
TEXT = pd.StringDtype(na_value=np.nan)
_ARROW = {"date": pa.date32(), "number": pa.float64(), "whole": pa.float64(), "money": pa.float64()}
_BETWEEN, _CHICK = "\x1f", "\x1e"


def form_named(name: str) -> Form:
    """The form called `name`; RecordsError naming the forms there are."""
    if name not in FORMS:
        raise RecordsError(f"there is no form {name!r}; the forms are {', '.join(FORMS)}")
    return FORMS[name]


def schema_of(form: Form, sections: Iterable[str] = ()) -> pa.Schema:
    """The Arrow schema of a form's file, with one float column for each of `sections` (looks only)."""
    fields = [pa.field(c.name, _ARROW.get(c.kind, pa.large_string())) for c in form.columns]
    fields += [pa.field(name, pa.float64()) for name in sections]
    if form.chicks:
        fields.append(pa.field(NTH, pa.float64()))
    return pa.schema(fields)


def table_of(form: Form, frame: pd.DataFrame) -> pa.Table:
    """`frame` under the form's schema; columns it lacks are blank, an empty text is blank.

    Raises RecordsError for a column that the form does not have or a value of the wrong kind: the ledger
    never drops what it was handed.
    """
    extra = [c for c in frame.columns if c not in form.names and not str(c).startswith(LEDGER)]
    if extra and form.name != "scores":
        raise RecordsError(
            f"{form.name}: no column {', '.join(map(str, extra))}; it has {', '.join(form.names)}"
        )
    schema = schema_of(form, extra)
    return pa.table([_cells(form, frame, field) for field in schema], schema=schema)


def _cells(form: Form, frame: pd.DataFrame, field: pa.Field) -> pa.Array:
    if field.name not in frame.columns:
        return pa.nulls(len(frame), field.type)
    values = frame[field.name]
    if pa.types.is_large_string(field.type):
        values = values.where(values != "", np.nan)
    try:
        return pa.array(values, type=field.type, from_pandas=True)
    except (pa.ArrowException, TypeError, ValueError) as error:
        raise RecordsError(f"{form.name}, column {field.name}: {error}; expected {field.type}") from error


def frame_of(form: Form, table: pa.Table) -> pd.DataFrame:
    """The table as a frame with the dtypes of `tables.py`, the ledger's own columns left out."""
    table = table.select([c for c in table.column_names if not c.startswith(LEDGER) or c == NTH])
    days = pa.schema(
        [pa.field(f.name, pa.timestamp("s")) if pa.types.is_date(f.type) else f for f in table.schema]
    )
    texts = pd.StringDtype(na_value=np.nan)  # in the storage that is asked for where it is read
    return table.cast(days).to_pandas(types_mapper={pa.large_string(): texts}.get, ignore_metadata=True)


def standing(form: Form, frame: pd.DataFrame) -> pd.DataFrame:
    """`frame` without withdrawn rows: those whose required value was cleared by a correction.

    A look has no one value that it must have: it is withdrawn once all that it said was cleared.
    """
    frame = frame.dropna(subset=[c for c in form.required if c in frame.columns])
    if not form.names_bird or not set(form.required) <= set(form.key):
        return frame
    naming = {*form.key, "left", "right", "clutch", "sex", "n"}
    says = [c for c in frame.columns if c not in naming and not str(c).startswith(LEDGER)]
    return frame[frame[says].notna().any(axis=1)] if says else frame


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
        kind = pd.api.types.pandas_dtype(DTYPES[column.kind])
        columns[column.name] = (cells if cells.dtype == kind else cells.astype(kind)).array
    return pd.DataFrame(columns, index=frame.index)


def key_parts(form: Form, frame: pd.DataFrame) -> pd.DataFrame:
    """The key of each row, one text column for each key column of the form, under `frame`'s index.

    Text is trimmed and case-folded, a day is its ISO date, blank is the empty text and equal to blank. Where
    a row speaks for unnamed chicks, clutch, sex and `ledger.nth` (which of several such rows of one sheet,
    blank: the first) stand in the place of the bird.
    """
    parts = {
        c: folded(frame[c]) if c in frame.columns else pd.Series("", index=frame.index) for c in form.key
    }
    if form.chicks and "clutch" in frame.columns:
        parts["bird"] = parts["bird"].where(parts["bird"] != "", _chick(frame))
    return pd.DataFrame(parts, index=frame.index)


def keys_of(form: Form, frame: pd.DataFrame) -> pd.Series:
    """The key of each row as one text (see :func:`key_parts`)."""
    return joined(key_parts(form, frame))


def joined(parts: pd.DataFrame) -> pd.Series:
    """Key parts as one text a row."""
    return reduce(lambda left, right: left + _BETWEEN + right, (parts[c] for c in parts.columns))


def _chick(frame: pd.DataFrame) -> pd.Series:
    """Which unnamed chicks a row speaks for, as text; empty where it names no clutch either."""
    nth = frame[NTH].fillna(1) if NTH in frame.columns else pd.Series(1, index=frame.index)
    sex = folded(frame["sex"]) if "sex" in frame.columns else pd.Series("", index=frame.index)
    clutch = folded(frame["clutch"])
    label = _CHICK + clutch + _CHICK + sex + _CHICK + nth.astype("int64").astype(TEXT)
    return label.where(clutch != "", "")


def folded(values: pd.Series) -> pd.Series:
    """Each value as comparable text; worked out once for each distinct value."""
    codes, distinct = pd.factorize(values, use_na_sentinel=True)
    days = pd.api.types.is_datetime64_any_dtype(distinct)
    texts = [str(v)[:10] if days else str(v).strip().casefold() for v in distinct]
    return pd.Series(np.array([*texts, ""], dtype=object)[codes], index=values.index, dtype=TEXT)
