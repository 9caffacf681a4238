"""A flock as the layers above see it: what was recorded up to a day, each label in one spelling."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any, TypeVar, cast

import pandas as pd

from selection.answer import Answer, Kind, Note
from selection.errors import Finding, SettingsError
from selection.records.forms.columns import FORMS, Form
from selection.records.forms.reading import SETTINGS, read_forms, settings_beside
from selection.records.forms.schema import folded, standing, whole
from selection.records.ledger.appending import must_be_there, read_rows
from selection.records.ledger.kept import read_settings, what_is_read
from selection.records.rings import first_clutch, hatch_days, of_clutch, with_sales
from selection.records.settings.plan import (
    InForce,
    Plan,
    day_meant,
    plan_of,
    read_plan,
    section_columns,
    standards_of,
)
from selection.records.settings.reading import Standard, read_standard

# what a column's labels name, and where that is spelt first; every label column of one kind agrees
_KINDS = {
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
    for kind, places in _KINDS.items():
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
    if all(spelt.get(str(label).strip().casefold()) == label for label in labels.dropna().unique()):
        return labels.astype("str")  # mostly every label is spelt alike throughout
    return folded(labels).map(spelt).astype("str")


def _respell_list(frames: dict[str, pd.DataFrame], form: str, column: str, spelt: dict[str, str]) -> None:
    """The same for a column of several labels parted by `;`."""
    lists = frames[form][column]
    known = {
        text: ";".join(spelt.get(part.strip().casefold(), part.strip()) for part in text.split(";"))
        for text in lists.dropna().unique()
    }
    if all(text == listed for text, listed in known.items()):
        return
    frames[form] = frames[form].assign(**{column: lists.map(known).astype("str")})


Made = TypeVar("Made", bound=Callable[..., Any])


def small_frames(function: Made) -> Made:
    """Decorate what makes frames: their strings are Python's own.

    A flock has hundreds of rows and its frames are cut and joined thousands of times: each call to Arrow costs more
    than it could save. The values are the same.
    """
    return cast(Made, pd.option_context("mode.string_storage", "python")(function))


LATER_BLANKS = {"birds": ("gone_on", ("gone_why",)), "rings": ("removed_on", ()), "pens": ("to", ())}
"""Closing dates by form, with the columns that fall with them: after the plan's day they read as blank."""


@dataclass(frozen=True, repr=False)
class Flock(Answer):
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

    `later` tells of each form how many rows on record are dated after `plan.on`, and so not here. `read` says from
    what it was read (:func:`~selection.records.ledger.kept.what_is_read`; None: from forms or from frames).
    """

    TITLE = "The flock"
    TABLES = (
        *("birds", "clutches", "rings", "pens", "scores", "weights"),
        *("measures", "eggs", "sales", "costs", "decisions"),
    )

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
    income: pd.DataFrame
    decisions: pd.DataFrame
    later: Mapping[str, int] = field(default_factory=dict)
    read: pd.DataFrame | None = None

    @property
    def notes(self) -> tuple[Note, ...]:
        """Rows that are not here, because they are dated after the plan's day."""
        return tuple(
            Note(Kind.LEFT_OUT, form, f"rows dated after {self.plan.on}: {rows}")
            for form, rows in self.later.items()
        )


@small_frames
def assemble(standard: Standard, plan: Plan, forms: Mapping[str, pd.DataFrame]) -> Flock:
    """The flock on the plan's day from typed (already checked) rows, by form; absent forms are empty.

    Frames may lack columns their holding never used; missing ones are added blank. A row whose required value
    was cleared by a correction is withdrawn, and left out. Labels take one spelling throughout. A sale marks
    its bird gone.
    """
    day = pd.Timestamp(plan.on)
    given = {name: _complete(form, forms.get(name), standard) for name, form in FORMS.items()}
    frames = {name: _as_of(FORMS[name], rows, day) for name, rows in given.items()}
    later = {name: n for name, rows in given.items() if (n := len(rows) - len(frames[name]))}
    frames = one_spelling(frames, standard)
    frames["birds"] = with_sales(frames["birds"], frames["sales"])
    frames["birds"] = _without_later_chicks(frames["birds"], forms.get("clutches"), day)
    frames["birds"] = _with_origin(frames["birds"], frames["clutches"], day)
    return Flock(standard=standard, plan=plan, later=later, **frames)


@small_frames
def read_flock(path: str | Path, plan: Plan | None = None, as_recorded: datetime | None = None) -> Flock:
    """Read the flock recorded in a folder, as it stands on its plan's day.

    Looks made under an earlier standard count on the present one's scale: 10 of 20 points then are 7½ of 15 now.

    Parameters
    ----------
    path : str or Path
        The flock's folder.
    plan : Plan, optional
        The plan whose day and groups count (None: the flock's own `plan.toml`).
    as_recorded : datetime, optional
        A moment: the records as they stood then (UTC where it names no zone).

    Returns
    -------
    Flock
        One frame a form, with every column of that form; what each adds is described at :class:`Flock`.

    Raises
    ------
    SettingsError
        Where the settings cannot be used.
    RecordsError
        Where there is no flock.

    Examples
    --------
    >>> from selection import read_flock
    >>> flock = read_flock(flock_folder)
    >>> flock.birds[["bird", "hatched", "hatch_year", "origin_of", "alive"]].shape[1]
    5
    """
    must_be_there(path)
    texts = read_settings(path)
    in_force = standards_of(texts)
    read = what_is_read(path, texts)
    plan = plan or plan_of(texts, in_force.latest)
    forms = {name: read_rows(path, name, as_recorded) for name in FORMS}
    forms["scores"] = in_force.on_present_scale(forms["scores"])
    return replace(assemble(in_force.latest, plan, forms), read=read)


def whole_flock(path: str | Path) -> Flock:
    """The flock recorded in `path` with every row there is, whatever its day. Raises as :func:`read_flock`."""
    texts = read_settings(path)
    return read_flock(path, replace(plan_of(texts, standards_of(texts).latest), on=date(9999, 12, 31)))


@dataclass(frozen=True)
class OnADay:
    """The flock on the day that was asked for, a remark on that day (None: nothing to say), and the meeting's day."""

    flock: Flock
    said: str | None
    meeting: date


def flock_on(path: str | Path, on: date | str | None = None, today: date | None = None) -> OnADay:
    """The flock recorded in `path` on the day `on`: only rows up to that day count.

    Blank `on`: `today` where it lies within the plan's season, else the plan's day (see
    :func:`~selection.records.settings.plan.day_meant`). Raises as :func:`read_flock`, and RecordsError for a text
    that is no day.
    """
    must_be_there(path)
    texts = read_settings(path)
    plan = plan_of(texts, standards_of(texts).latest)
    day, said = day_meant(plan, on, today)
    return OnADay(read_flock(path, replace(plan, on=day)), said, plan.on)


def flock_from_forms(path: str | Path) -> Flock:
    """Read the flock of a folder of forms, without recording anything.

    Parameters
    ----------
    path : str or Path
        A folder of forms with `standard.toml` and `plan.toml`, or a workbook that lies beside these.

    Returns
    -------
    Flock
        As :func:`read_flock` gives it. Rows with faults are left out, with a warning that lists them.

    Raises
    ------
    SettingsError
        Where `standard.toml` or `plan.toml` is missing or faulty.
    RecordsError
        Where nothing can be read.

    Examples
    --------
    >>> from selection import flock_from_forms
    >>> flock = flock_from_forms(forms_folder)
    >>> set(flock.birds["sex"]) <= {"male", "female", "unknown"}
    True
    """
    flock, found = forms_and_findings(path)
    refused = [str(f) for f in found if f.refused]
    if refused:
        warnings.warn("left out of the flock:\n" + "\n".join(refused), stacklevel=2)
    return flock


def forms_and_findings(path: str | Path) -> tuple[Flock, tuple[Finding, ...]]:
    """What :func:`flock_from_forms` gives, with everything found in the forms, remarks included."""
    # here alone: whoever reads a flock needs none of it
    from selection.records.intake.taking_in import take_in

    handed = read_forms(Path(path))
    settings = handed.settings or settings_beside(Path(path))
    absent = [name for name in SETTINGS if name not in settings]
    if absent:
        raise SettingsError(
            f"{path}: no {' and no '.join(absent)} beside the forms; write one as the README shows"
        )
    standard = read_standard(settings["standard.toml"])
    plan = read_plan(settings["plan.toml"], standard)
    intake = take_in(handed, InForce(((date.min, standard),)), {})
    return assemble(standard, plan, intake.rows), tuple(intake.findings)


def _without_later_chicks(
    birds: pd.DataFrame, clutches: pd.DataFrame | None, day: pd.Timestamp
) -> pd.DataFrame:
    """`birds` without those of clutches that were set after `day` (these clutches are left out with them)."""
    if clutches is None or clutches.empty:
        return birds
    later = folded(clutches.loc[pd.to_datetime(clutches["set_on"]) > day, "clutch"].astype("str"))
    return birds[~(first_clutch(birds).isin(later) & birds["hatched_on"].isna())].reset_index(drop=True)


def _complete(form: Form, frame: pd.DataFrame | None, standard: Standard) -> pd.DataFrame:
    """`frame` with every column of the form, in order, each of its own dtype; withdrawn rows left out."""
    sections = section_columns(standard) if form.name == "scores" else ()
    frame = whole(form, pd.DataFrame() if frame is None else standing(form, frame), sections)
    if form.name == "scores":  # a row with nothing given is no look: a bird left out, or a look withdrawn
        frame = frame.dropna(how="all", subset=[*(c.name for c in sections), "total", "faults"])
    if form.name in ("birds", "clutches"):  # of several rows in a ledger that was damaged the last counts
        frame = frame[~folded(frame[form.key[0]]).duplicated(keep="last")]
    return frame.reset_index(drop=True)


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
    hatched = hatch_days(birds, clutches)["hatched"]
    birds = birds.assign(
        hatched=hatched,
        hatch_year=hatched.dt.year.astype("float64"),
        origin_of=birds["origin"].fillna(of_clutch(birds, clutches, "origin")).fillna("home-bred"),
        source_of=birds["source"].fillna(of_clutch(birds, clutches, "source")),
        alive=birds["gone_on"].isna(),
    )
    return birds[~(birds["hatched"] > day)].reset_index(drop=True)
