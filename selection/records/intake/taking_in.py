"""Taking in what was handed in: form after form, from raw sheets to rows that can be recorded.

Each form is read, its birds named, held against what is on record, and checked with all that was accepted
before it; so a bird may be entered and scored in one go, and a refused bird takes its looks with it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import pandas as pd

from selection.errors import Finding
from selection.records.forms.columns import FORMS, Form
from selection.records.forms.reading import HandedIn, Raw
from selection.records.forms.schema import DTYPES, NTH, folded, standing, whole
from selection.records.forms.sheets import Typed, read_sheet
from selection.records.intake.chicks import number_chicks
from selection.records.intake.comparing import (
    COMPLETED,
    CORRECTED,
    NEW,
    Compared,
    Earlier,
    compare,
    none_before,
    one_of_each,
)
from selection.records.intake.known import Known
from selection.records.intake.naming import name_rows, pens_of_hens
from selection.records.intake.rules import ENTERED_ON, check, check_cells, remark
from selection.records.settings.in_force import InForce

Progress = Callable[[str, float], None]
FIRST = ("clutches", "birds", "sales")
ORDER = (*FIRST, *(name for name in FORMS if name not in FIRST))
"""Sales before rings: a bird sold leaves its colours free."""


@dataclass
class Intake:
    """What came of a hand-in.

    `record` is what was on record before, by form. `rows` holds by form the rows that are new, completed or
    corrected, with every column of the form; `counts` how many rows are `taken`, `completed`, `corrected`,
    `unchanged`, `refused`; `refused` the sheet rows refused; `findings` everything found.
    """

    record: Mapping[str, pd.DataFrame]
    known: Known
    rows: dict[str, pd.DataFrame] = field(default_factory=dict)
    counts: dict[str, dict[str, int]] = field(default_factory=dict)
    refused: dict[str, pd.Index] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)


def take_in(
    handed: HandedIn,
    in_force: InForce,
    record: Mapping[str, pd.DataFrame],
    *,
    usual: Mapping[str, Callable[[], pd.DataFrame]] | None = None,
    correct: bool = False,
    earlier: Earlier = none_before,
    progress: Progress | None = None,
) -> Intake:
    """Check everything handed in against `record` (by form, with every column; absent forms are empty).

    `usual` gives rows recorded before, by form, where `record` has but those that the hand-in touches;
    `earlier` tells what stood there before, of rows that were completed or corrected.
    """
    record = {name: _whole(form, in_force, record.get(name)) for name, form in FORMS.items()}
    stand = {name: standing(FORMS[name], frame) for name, frame in record.items()}
    intake = Intake(record, Known(in_force, stand, usual=usual or {}))
    intake.findings += handed.findings
    names = [name for name in ORDER if name in handed.forms]
    for i, name in enumerate(names):
        if progress:
            progress(f"checking {name}", i / len(names))
        _take_form(intake, FORMS[name], handed.forms[name], correct, earlier)
    for name in names:
        intake.findings += remark(name, intake.rows[name], intake.known)
    return intake


def _take_form(intake: Intake, form: Form, raw: Raw, correct: bool, earlier: Earlier) -> None:
    typed = read_sheet(raw, intake.known.in_force.section_columns() if form.name == "scores" else ())
    found = list(typed.findings)
    record = intake.record[form.name]
    rows = _named(form, _filled(form, typed), intake.known, correct, found)
    rows = _standing(rows, found)
    if form.chicks:
        clearing = {row for at in typed.cleared.values() for row in at}
        rows, unsure = number_chicks(form, rows, record, earlier, clearing, correct)
        found += unsure
        rows = _standing(rows, unsure)
    rows, doubles = one_of_each(form, rows)
    found += doubles
    compared = compare(form, rows, typed.cleared, record, correct, earlier)
    found += compared.findings
    unread = typed.rows.loc[[row for row in typed.rows.index if row in {f.row for f in found if f.refused}]]
    accepted = _accepted(intake, form, typed, compared, found)
    found += _beside(form, unread, intake.known, found)
    _count(intake, form, raw, compared, accepted, found)


def _filled(form: Form, typed: Typed) -> pd.DataFrame:
    """The typed rows with every key and naming column of the form there, blank if it was not handed in."""
    missing = [c for c in (*form.key, *_naming(form)) if c not in typed.rows.columns]
    rows = typed.rows.reindex(columns=[*typed.rows.columns, *missing])
    return rows.astype({c: DTYPES[form.column(c).kind] for c in missing})


def _naming(form: Form) -> tuple[str, ...]:
    return (*(("left", "right") if form.names_bird else ()), *(("clutch", "sex", "n") if form.chicks else ()))


def _named(form: Form, rows: pd.DataFrame, known: Known, correct: bool, found: list[Finding]) -> pd.DataFrame:
    """`rows` with the bird that their colours name, and the pen where a known hen stood."""
    if form.names_bird:
        rows, more = name_rows(form.name, rows, known, anew=correct)
        found += more
    return pens_of_hens(rows, known) if form.name == "eggs" else rows


def _standing(rows: pd.DataFrame, found: list[Finding]) -> pd.DataFrame:
    """The rows that nothing found so far refuses."""
    return rows.drop(index=[f.row for f in found if f.refused and f.row in rows.index])


def _accepted(
    intake: Intake, form: Form, typed: Typed, compared: Compared, found: list[Finding]
) -> pd.DataFrame:
    """The new and changed rows that pass every check; each refusal may bring down rows that rest on it."""
    fresh = compared.rows[compared.status.isin([NEW, COMPLETED, CORRECTED])]
    rows = _standing(_whole(form, intake.known.in_force, fresh), found)
    while True:
        known = intake.known.with_rows(form.name, rows, _labels(form, typed, found))
        more = check(form.name, rows, known)
        found += [f for f in more if f.refused]
        if not any(f.refused for f in more):
            found += more
            intake.known = known
            return rows
        rows = _standing(rows, more)


def _beside(form: Form, rows: pd.DataFrame, known: Known, found: list[Finding]) -> list[Finding]:
    """What else is wrong with `rows` that were refused before they could be checked: all faults at once."""
    said = {(f.row, f.column) for f in found}
    more = check_cells(form.name, _whole(form, known.in_force, rows), known)
    return [f for f in more if (f.row, f.column) not in said]


def _labels(form: Form, typed: Typed, found: list[Finding]) -> frozenset[str]:
    """The folded labels of the birds or clutches that were refused."""
    if form.name not in ENTERED_ON or form.key[0] not in typed.rows:
        return frozenset()
    labels = folded(typed.rows[form.key[0]])
    refused = labels.loc[labels.index.isin([f.row for f in found if f.refused])]
    return frozenset(refused[refused != ""])


def _count(
    intake: Intake, form: Form, raw: Raw, compared: Compared, accepted: pd.DataFrame, found: list[Finding]
) -> None:
    refused = pd.Index(sorted({f.row for f in found if f.refused and f.row is not None}))
    status = compared.status.drop(index=refused, errors="ignore")
    intake.rows[form.name] = accepted
    intake.refused[form.name] = refused
    numbers = {str(name): int(rows) for name, rows in status.value_counts().items()}
    intake.counts[form.name] = numbers | {"refused": len(refused)}
    intake.findings += [f for f in found if f.refused or f.row not in refused]


def _whole(form: Form, in_force: InForce, frame: pd.DataFrame | None) -> pd.DataFrame:
    """`frame` with every column of the form (and section, and the numbers of unnamed chicks' rows)."""
    found = whole(form, frame, in_force.section_columns() if form.name == "scores" else ())
    if form.chicks:
        found[NTH] = frame[NTH].astype("float64") if frame is not None and NTH in frame else float("nan")
    return found
