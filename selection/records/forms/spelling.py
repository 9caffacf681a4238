"""One spelling for each label: `ann` and `ANN` are one judge, and the layers above may compare plainly."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from selection.records.forms.columns import FORMS
from selection.records.forms.schema import folded
from selection.records.settings.reading import Standard

# what a column's labels name, and where that is spelt first; every label column of one kind agrees
KINDS = {
    "bird": (
        ("birds", "bird"),
        ("birds", "sire"),
        ("birds", "dam"),
        *((f, "bird") for f in FORMS if f != "birds"),
    ),
    "clutch": (("clutches", "clutch"), *((f, "clutch") for f in ("scores", "weights", "measures", "costs"))),
    "pen": (("pens", "pen"), ("clutches", "pen"), ("eggs", "pen")),
    "judge": (("scores", "judge"), ("measures", "judge")),
    "source": (("clutches", "source"), ("birds", "source")),
    "brooder": (("clutches", "brooder"),),
    "lot": (("sales", "lot"),),
    "trait": (("measures", "trait"),),
}
LISTS = {"clutch": ("birds", "clutch"), "fault": ("scores", "faults")}


def one_spelling(frames: dict[str, pd.DataFrame], standard: Standard) -> dict[str, pd.DataFrame]:
    """The frames (by form, whole) with each label as it is spelt where it is first entered.

    Traits and faults take the standard's spelling. What was typed stays in the ledger.
    """
    frames = dict(frames)
    first = {"trait": [t.name for t in standard.measured], "fault": [f.name for f in standard.faults]}
    for kind, places in KINDS.items():
        places = tuple((form, column) for form, column in places if column in frames[form].columns)
        spelt = _spellings([pd.Series(first.get(kind, []), dtype="str"), *(frames[f][c] for f, c in places)])
        for form, column in places:
            frames[form] = frames[form].assign(**{column: _respelt(frames[form][column], spelt)})
        if kind in LISTS:
            _respell_list(frames, *LISTS[kind], spelt)
    _respell_list(frames, *LISTS["fault"], _spellings([pd.Series(first["fault"], dtype="str")]))
    return frames


def _spellings(columns: Iterable[pd.Series]) -> dict[str, str]:
    """The first spelling of each folded label."""
    labels = pd.concat(list(columns), ignore_index=True).dropna().drop_duplicates()
    return dict(zip(folded(labels)[::-1], labels[::-1], strict=True))


def _respelt(labels: pd.Series, spelt: dict[str, str]) -> pd.Series:
    return folded(labels).map(spelt).astype("str")


def _respell_list(frames: dict[str, pd.DataFrame], form: str, column: str, spelt: dict[str, str]) -> None:
    """The same for a column of several labels parted by `;`."""
    lists = frames[form][column]
    known = {
        text: ";".join(spelt.get(part.strip().casefold(), part.strip()) for part in text.split(";"))
        for text in lists.dropna().unique()
    }
    frames[form] = frames[form].assign(**{column: lists.map(known).astype("str")})
