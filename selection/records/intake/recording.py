"""Recording what a holding hands in: good rows go into the ledger, refused ones come back with reasons."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from selection.answer import Answer, Kind, Note, Progress
from selection.errors import Finding, SelectionError, in_lines
from selection.records.forms.cells import parse_column
from selection.records.forms.columns import FORMS
from selection.records.forms.reading import HandedIn, Raw, read_forms, without_clears
from selection.records.forms.schema import form_named, frame_of, keys_of
from selection.records.intake.known import COMPLETED, CORRECTED, NEW, UNCHANGED
from selection.records.intake.refused import Returned, give_back, refused_rows
from selection.records.intake.rules import LEAVING, gone_before, still_to_come
from selection.records.intake.taking_in import Intake, changed_answers, take_in
from selection.records.ledger import appending, durable
from selection.records.ledger.appending import (
    ConflictError,
    append,
    find_rows,
    find_superseded,
    read_days,
    read_recent,
    read_settings,
    read_table,
    write_settings,
)
from selection.records.ledger.kept import adopt_earlier
from selection.records.settings.plan import Adopted, Approve, adopt

ALWAYS = ("clutches", "birds", "rings", "pens", "sales")
"""Forms that rows of any other are checked against."""
PAIRED = tuple(name for name, form in FORMS.items() if form.names_bird)
"""Forms whose rows may name their bird by colours."""
MANY_DAYS = 400
"""Days in one sheet beyond which reading the whole form is the quicker way."""
_USUAL = 2_000
"""So many rows recorded last tell what a judge usually gives, what birds usually weigh."""
TRIES = 5
"""How often a hand-in is looked at again because somebody else recorded the same rows meanwhile."""


@dataclass(frozen=True, repr=False)
class Recorded(Answer):
    """What came of recording a hand-in.

    `taken`, `completed`, `corrected`, `unchanged` count rows by form; `refused` holds by form the refused
    rows as they come back (the sheet's own columns, `row`, `reason`). `adopted` names the settings files
    taken over. `findings` is everything found, remarks on accepted rows included. `stopped` says why nothing
    could be done, else None. `given_back`: refused rows lie in `refused/` to be mended.
    """

    TITLE = "What came of recording"

    taken: Mapping[str, int] = field(default_factory=dict)
    completed: Mapping[str, int] = field(default_factory=dict)
    corrected: Mapping[str, int] = field(default_factory=dict)
    unchanged: Mapping[str, int] = field(default_factory=dict)
    refused: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    adopted: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    stopped: str | None = None
    given_back: bool = True

    @property
    def status(self) -> int:
        """0: all taken; 1: some refused, the rest is safe; 2: nothing could be done."""
        if self.stopped is not None:
            return 2
        return int(any(finding.refused for finding in self.findings))

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """The refused rows, by form."""
        return dict(self.refused)

    @property
    def notes(self) -> tuple[Note, ...]:
        """What stopped it, and everything found, about its form."""
        stopped = [] if self.stopped is None else [Note(Kind.CANNOT, None, self.stopped)]
        found = [Note(Kind.REFUSED if f.refused else Kind.REMARK, f.form, _placed(f)) for f in self.findings]
        return (*stopped, *found)

    def summary(self) -> str:
        """The same as :meth:`words`."""
        return self.words()

    def words(self) -> str:
        """The outcome for the breeder: what was adopted and recorded, what was refused, then what to look at."""
        lines = [self.stopped] if self.stopped is not None else []
        lines += [f"{name} adopted" for name in self.adopted]
        lines += [self._form_in_words(form) for form in self.refused]
        mend = "To mend, then hand in again:" if self.given_back else "Not recorded:"
        for refused, heading in ((True, mend), (False, "Worth another look:")):
            if said := in_lines(finding for finding in self.findings if finding.refused == refused):
                lines += ["", heading, *said]
        return "\n".join(lines).strip() or "nothing new: no forms, and the settings on record"

    def _form_in_words(self, form: str) -> str:
        counts = {
            "taken": self.taken,
            "completed": self.completed,
            "corrected": self.corrected,
            "unchanged": self.unchanged,
        }
        parts = [f"{rows[form]} {what}" for what, rows in counts.items() if rows.get(form)]
        if len(self.refused[form]):
            where = f", see refused/{form}.csv" if self.given_back else ""
            parts.append(f"{len(self.refused[form])} refused{where}")
        return f"{form}: {', '.join(parts) or 'no rows'}"


def _placed(finding: Finding) -> str:
    row = "" if finding.row is None else f"row {finding.row}: "
    return f"{row}{finding.reason()}"


def record(
    flock_path: str | Path,
    forms_path: str | Path,
    *,
    correct: bool = False,
    today: date | None = None,
    approve: Approve | None = None,
    returned: bool = True,
    progress: Progress | None = None,
) -> Recorded:
    """Record the forms at `forms_path` in the flock at `flock_path`, which is made if it is not there.

    Handing in the same forms again changes nothing. A blank that is filled in completes its row; a changed value, or
    a cell `(blank)` that clears one, needs `correct`. A folder's `standard.toml` and `plan.toml` are adopted.

    Parameters
    ----------
    flock_path : str or Path
        The flock's folder.
    forms_path : str or Path
        A folder of forms, a workbook, or one CSV file.
    correct : bool
        Lets this batch change or clear recorded values.
    today : date, optional
        The day the settings are adopted as of (None: this day).
    approve : callable, optional
        Takes the standard handed in and raises SettingsError where it finds faults; it is then not adopted.
    returned : bool
        Whether refused rows come back as sheets in the flock's `refused/`.
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.

    Returns
    -------
    Recorded
        What was taken, completed, corrected, unchanged and refused, by form. Nothing is raised on purpose: what
        could not be done is in the answer, and its `status` is then 2.

    Examples
    --------
    >>> from selection import record
    >>> again = record(flock_folder, forms_folder)
    >>> again.status, sum(again.taken.values())
    (0, 0)
    """
    terms = _Terms(correct, today or date.today(), approve, returned, progress)
    return _in_words(flock_path, lambda: _record(Path(flock_path), Path(forms_path), terms))


def record_rows(
    flock_path: str | Path,
    form: str,
    rows: pd.DataFrame | Iterable[Mapping[str, Any]],
    *,
    correct: bool = False,
    today: date | None = None,
    source: str = "typed in",
) -> Recorded:
    """Record `rows` of one form from values, by the same checks as a sheet that is handed in.

    Parameters
    ----------
    flock_path : str or Path
        The flock's folder; it must have a standard.
    form : str
        The form's name.
    rows : DataFrame or iterable of mappings
        One row, or one mapping, a row of the form, from its columns to values: text, numbers, days. None and NaN
        are blank; `(blank)` clears a value, as in a sheet.
    correct : bool
        Lets these rows change or clear recorded values.
    today : date, optional
        The day it is done (None: this day).
    source : str
        What the ledger notes as where the rows came from.

    Returns
    -------
    Recorded
        Rows are numbered as in a sheet, from 2 on. Refused rows are only in the answer: nothing is left in `refused/`.

    Examples
    --------
    >>> from selection import record_rows
    >>> bird = flock.birds["bird"].iloc[-1]
    >>> refused = record_rows(flock_folder, "weights", [{"bird": bird, "on": "2031-02-30", "grams": 2900}])
    >>> refused.status, list(refused.tables)
    (1, ['weights'])
    """
    terms = _Terms(correct, today or date.today(), None, False, None)

    def recorded() -> Recorded:
        raw = _from_values(form_named(form).name, rows, source)
        if raw.cells.empty:
            return Recorded()
        return _take(Path(flock_path), HandedIn({form: raw}, {}, ()), source, terms)[1]

    return _in_words(flock_path, recorded)


def _from_values(form: str, rows: pd.DataFrame | Iterable[Mapping[str, Any]], source: str) -> Raw:
    """Rows of values as a sheet's cells."""
    frame = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows), dtype="object")
    cells = [[_cell(value) for value in row] for row in frame.itertuples(index=False, name=None)]
    index = range(2, len(cells) + 2)
    given = pd.DataFrame(cells, index=index, columns=range(frame.shape[1]), dtype="object")
    return Raw(form, source, tuple(map(str, frame.columns)), given)


def _cell(value: Any) -> Any:
    if pd.isna(value):
        return None
    return value.item() if isinstance(value, np.generic) else value


def _in_words(flock_path: str | Path, recorded: Callable[[], Recorded]) -> Recorded:
    """What was recorded, or why nothing could be."""
    try:
        return recorded()
    except SelectionError as error:
        return Recorded(stopped=str(error))
    except OSError as error:
        return Recorded(stopped=f"{error.filename or flock_path}: {durable.reason(error)}")


@dataclass(frozen=True, slots=True)
class _Terms:
    """On what terms a hand-in is recorded: the keyword arguments of :func:`record`."""

    correct: bool
    today: date
    approve: Approve | None
    returned: bool
    progress: Progress | None


def _record(flock: Path, forms: Path, terms: _Terms) -> Recorded:
    if appending.records_of(forms).is_dir():
        return Recorded(
            stopped=f"{forms} is a flock, not forms to hand in: selection record FLOCK FORMS, the flock first; "
            "to hand in another flock's rows, export it and hand in what that leaves"
        )
    handed = read_forms(forms)
    adopt_earlier(flock, forms)
    if not handed.forms and not handed.settings:
        return Recorded(findings=handed.findings, stopped=f"{forms}: no form that can be read")
    intake, outcome = _take(flock, handed, forms.name, terms)
    return _given_back(flock, forms, handed, intake, outcome) if terms.returned else outcome


def _take(flock: Path, handed: HandedIn, source: str, terms: _Terms) -> tuple[Intake, Recorded]:
    """Take in what was handed in, and look again where somebody else records the same rows meanwhile."""
    for _ in range(TRIES):
        on_record = _on_record(flock, handed)
        day = _first_day(handed, on_record, terms.today)
        adopted = adopt(read_settings(flock), handed.settings, day, terms.correct, terms.approve)
        intake = take_in(
            handed,
            adopted.in_force,
            on_record,
            usual=_usual(flock, handed),
            correct=terms.correct,
            earlier=partial(find_superseded, flock),
            progress=terms.progress,
        )
        intake.findings += _missing(flock, on_record)
        write_settings(flock, adopted.standard_text, adopted.plan_text, adopted.since)
        try:
            _append(flock, intake, source, terms.progress)
        except ConflictError:
            continue
        return intake, _outcome(handed, adopted, intake, terms.today)
    raise ConflictError(f"{flock}: somebody else keeps recording the same rows; try again when they are done")


def _on_record(flock: Path, handed: HandedIn) -> dict[str, pd.DataFrame]:
    """The rows on record of every form that the hand-in is checked against.

    Of what is seen, weighed, laid or paid only what the hand-in touches, unless a bird's colours may come to
    mean another bird, or a standard comes with the looks.
    """
    if not appending.records_of(flock).is_dir():
        return {}
    whole = _read_whole(handed)
    return {
        name: _all_rows(flock, name) if name in whole else _rows_looked_up(flock, handed.forms[name])
        for name in dict.fromkeys((*ALWAYS, *handed.forms, *whole))
    }


def _read_whole(handed: HandedIn) -> list[str]:
    """The forms of which all that is on record is read."""
    renamed = {"rings", "birds", "sales"} & set(handed.forms)
    judged = "standard.toml" in handed.settings
    return [*ALWAYS, *(PAIRED if renamed else ()), *(("scores",) if judged else ())]


def _usual(flock: Path, handed: HandedIn) -> dict[str, Callable[[], pd.DataFrame]]:
    """What was recorded last of looks and weighings, where not all of them are read."""
    asked = {"scores", "weights"} & set(handed.forms) - set(_read_whole(handed))
    return {form: partial(read_recent, flock, form, _USUAL) for form in asked}


def _all_rows(flock: Path, form: str) -> pd.DataFrame:
    return frame_of(FORMS[form], read_table(flock, form)[0])


def _rows_looked_up(flock: Path, raw: Raw) -> pd.DataFrame:
    """The rows on record that a sheet of what was seen, laid or paid is held against.

    Where every row gives its key in full these are the rows under the keys; else, since colours and unnamed
    chicks are compared with all of their day, those of the days; all of them where the sheet spans very many.
    """
    keys = _full_keys(raw)
    if keys is not None:
        return find_rows(flock, raw.form, keys).reset_index(drop=True)
    days = _days_of(raw)
    return read_days(flock, raw.form, days) if days.nunique() <= MANY_DAYS else _all_rows(flock, raw.form)


def _full_keys(raw: Raw) -> pd.DataFrame | None:
    """The sheet's keys, each once; None where a row names its bird by colours, or a bird or pen is left blank."""
    form, places = FORMS[raw.form], raw.places()
    named = [c for c in form.key if c in ("bird", "pen") and (form.names_bird or c == "pen")]
    colours = [i for leg in ("left", "right") for i in places.get(leg, []) if raw.cells[i].notna().any()]
    if colours or any(c not in places for c in ("on", *named)):
        return None
    cells = {c: without_clears(raw.cells[places[c][0]])[0] for c in form.key if c in places}
    columns = {c: parse_column(given, form.column(c)).values for c, given in cells.items()}
    keys = pd.DataFrame(columns, index=raw.cells.index).dropna(subset="on")
    if keys[named].isna().any(axis=None):
        return None
    if "bird" in keys and keys["bird"].map(_may_be_respelt).any():
        return None
    return keys[~keys_of(form, keys).duplicated()]


def _may_be_respelt(label: object) -> bool:
    """Whether a number may be meant for one on record that is written otherwise (see `taking_in.as_numbered`)."""
    return isinstance(label, str) and (
        label.isdecimal() or not label.isascii() or bool(set(label) & set(" _/"))
    )


def _days_of(raw: Raw) -> pd.Series:
    """The days in a sheet's column `on` that can be read."""
    places = raw.places().get("on")
    if not places:
        return pd.Series(dtype="datetime64[s]")
    return parse_column(raw.cells[places[0]], FORMS[raw.form].column("on")).values.dropna()


def _first_day(handed: HandedIn, on_record: Mapping[str, pd.DataFrame], today: date) -> date:
    """From when a standard handed in holds: today, or the first of the looks that come with it.

    Looks that come with a standard were judged by it; those no later than the last look on record were not.
    """
    scores = handed.forms.get("scores")
    if scores is None or "standard.toml" not in handed.settings:
        return today
    days = _days_of(scores)
    last = on_record["scores"]["on"].max() if "scores" in on_record else pd.NaT
    later = days if pd.isna(last) else days[days > last]
    return min(later.min().date(), today) if len(later) else today


def _append(flock: Path, intake: Intake, source: str, progress: Progress | None) -> None:
    rows = {form: frame for form, frame in intake.rows.items() if len(frame)}
    if not rows:
        return
    if progress:
        progress("recording", 0.9)
    corrects = any(counts.get(CORRECTED) for counts in intake.counts.values())
    append(flock, rows, source=source, correction=corrects)


def _missing(flock: Path, on_record: Mapping[str, pd.DataFrame]) -> list[Finding]:
    """A remark for each file of the ledger that the hand-in could not be held against."""
    words = "what it holds was not looked at; restore it, then run selection check"
    return [
        Finding("records", None, None, str(found), words, refused=False)
        for found in appending.left_out(flock, on_record)
    ]


def _outcome(handed: HandedIn, adopted: Adopted, intake: Intake, today: date) -> Recorded:
    """What came of the hand-in, before its refused rows are given back."""
    if adopted.plan:
        for form, rows in intake.rows.items():
            intake.findings += still_to_come(form, rows, today, adopted.plan.on)
    if {"rings", "birds", "sales"} & set(handed.forms):
        intake.findings += changed_answers(intake.known, intake.record, PAIRED)
    for form in (name for name in LEAVING if name in intake.rows):
        intake.findings += gone_before(form, intake.rows[form], intake.record)
    by_status = {
        status: {form: counts[status] for form, counts in intake.counts.items() if counts.get(status)}
        for status in (NEW, COMPLETED, CORRECTED, UNCHANGED)
    }
    texts = {"standard.toml": adopted.standard_text, "plan.toml": adopted.plan_text}
    return Recorded(
        taken=by_status[NEW],
        completed=by_status[COMPLETED],
        corrected=by_status[CORRECTED],
        unchanged=by_status[UNCHANGED],
        refused={
            form: refused_rows(handed.forms[form], rows, intake.findings)
            for form, rows in intake.refused.items()
        },
        adopted=tuple(name for name, text in texts.items() if text is not None),
        findings=tuple(intake.findings),
        given_back=False,
    )


def _given_back(flock: Path, forms: Path, handed: HandedIn, intake: Intake, outcome: Recorded) -> Recorded:
    """`outcome`, its refused rows back in the flock with the sheet that they came in."""
    back = {}
    for form, rows in outcome.refused.items():
        raw = handed.forms[form]
        source = forms if forms.is_file() else forms / raw.file
        back[form] = Returned(raw, source, rows, intake.rows[form].index.union(intake.refused[form]))
    return replace(outcome, findings=(*outcome.findings, *give_back(flock, back)), given_back=True)
