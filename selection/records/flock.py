"""A flock as the layers above see it: its standard, its plan, and what was recorded up to a day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from selection.records.settings import Plan, Standard
from selection.records.tables import FORMS, Column, Form

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

LATER_BLANKS = {"birds": ("gone_on", ("gone_why",)), "rings": ("removed_on", ()), "pens": ("to", ())}
"""Closing dates by form, with the columns that fall with them: after the plan's day they read as blank."""


@dataclass(frozen=True)
class Flock:
    """One flock on one day: nothing dated after `plan.on` is in it, and later leavings read as blank.

    Each form is a frame with the columns of `tables.FORMS`, all of them, in that order, whether or not the
    holding used them, under a plain 0..n−1 index. Ring colours are resolved: `bird` is filled wherever a row
    names one. `scores` also has one float64 column for each section judged by eye (missing: not scored); its
    row is a look. `birds` also has

    - `hatched`: datetime64[s]: the bird's own date, else its clutch's, else 1 April of a bare year, else NaT
    - `hatch_year`: float64, missing where nothing tells it
    - `origin_of`: the bird's origin, its own or else its clutch's; a founder without either is home-bred
    - `source_of`: the supplier of the bird or of its clutch, missing for home-bred
    - `alive`: bool, no `gone_on` up to `plan.on`
    """

    standard: Standard
    plan: Plan
    clutches: pd.DataFrame
    birds: pd.DataFrame
    rings: pd.DataFrame
    pens: pd.DataFrame
    scores: pd.DataFrame
    weights: pd.DataFrame
    measures: pd.DataFrame
    eggs: pd.DataFrame
    sales: pd.DataFrame
    costs: pd.DataFrame
    decisions: pd.DataFrame


def assemble(standard: Standard, plan: Plan, forms: Mapping[str, pd.DataFrame]) -> Flock:
    """The flock on the plan's day from typed (already checked) rows, by form; absent forms are empty.

    Frames may lack columns their holding never used; missing ones are added blank.
    """
    day = pd.Timestamp(plan.on)
    frames = {
        name: _as_of(form, _complete(form, forms.get(name), standard), day) for name, form in FORMS.items()
    }
    frames["birds"] = _with_origin(frames["birds"], frames["clutches"], day)
    return Flock(standard=standard, plan=plan, **frames)


def section_columns(standard: Standard) -> tuple[Column, ...]:
    """The columns a look has under this standard: one for each section judged by eye."""
    return tuple(
        Column(s.name, "number", s.title, unit="points", low=0, high=s.points) for s in standard.by_eye
    )


def _complete(form: Form, frame: pd.DataFrame | None, standard: Standard) -> pd.DataFrame:
    """`frame` with every column of the form, in order, each of its own dtype."""
    columns = form.columns + (section_columns(standard) if form.name == "scores" else ())
    frame = pd.DataFrame() if frame is None else frame
    cells = {c.name: frame.get(c.name, pd.Series(index=frame.index, dtype="object")) for c in columns}
    return pd.DataFrame({c.name: cells[c.name].astype(DTYPES[c.kind]) for c in columns}).reset_index(drop=True)


def _as_of(form: Form, frame: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    """Rows dated up to and with `day`; leavings after it read as blank."""
    if form.dated_by:
        frame = frame[~(frame[form.dated_by] > day)].reset_index(drop=True)
    if form.name in LATER_BLANKS:
        closing, others = LATER_BLANKS[form.name]
        later = frame[closing] > day
        frame.loc[later, closing] = pd.NaT
        frame.loc[later, list(others)] = None
    return frame


def _with_origin(birds: pd.DataFrame, clutches: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    """`birds` with when and where each came from, its own entry before its (first) clutch's."""
    first = birds["clutch"].str.split(";").str[0].str.strip().str.casefold()
    clutch = clutches.set_index(clutches["clutch"].str.casefold())
    bare = birds["hatched_on"].str.fullmatch(r"\d{4}").fillna(False).astype(bool)
    own = pd.to_datetime(birds["hatched_on"].where(~bare, birds["hatched_on"] + "-04-01")).astype("datetime64[s]")
    birds["hatched"] = own.fillna(first.map(clutch["hatched_on"]))
    birds["hatch_year"] = birds["hatched"].dt.year.astype("float64")
    birds["origin_of"] = birds["origin"].fillna(first.map(clutch["origin"])).fillna("home-bred")
    birds["source_of"] = birds["source"].fillna(first.map(clutch["source"]))
    birds["alive"] = birds["gone_on"].isna()
    return birds[~(birds["hatched"] > day)].reset_index(drop=True)
