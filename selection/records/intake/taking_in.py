"""Taking in what was handed in: form after form, from raw sheets to rows that can be recorded.

Each form is read, its birds named, held against what is on record, and checked with all that was accepted
before it; so a bird may be entered and scored in one go, and a refused bird takes its looks with it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import pandas as pd

from selection.answer import Progress
from selection.errors import Finding
from selection.records.forms.columns import FORMS, Form
from selection.records.forms.reading import HandedIn, Raw, Typed, read_sheet
from selection.records.forms.schema import DTYPES, NTH, folded, keys_of, standing, whole
from selection.records.intake.known import (
    COMPLETED,
    CORRECTED,
    NEW,
    Compared,
    Earlier,
    OnRecord,
    compare,
    day_words,
    findings,
    none_before,
    number_chicks,
    one_of_each,
    value_in_words,
)
from selection.records.intake.rules import ENTERED_ON, check_cells, check_rows, remark
from selection.records.rings import Named, folded_colour, looked_up, name_birds
from selection.records.settings.plan import InForce


def name_rows(
    form: str, rows: pd.DataFrame, known: OnRecord, anew: bool = False
) -> tuple[pd.DataFrame, list[Finding]]:
    """`rows` with `bird` filled where colours name one, and what was found on the way.

    What a pair meant when its row was recorded it still means when the same row is handed in again, unless
    `anew`. A row that gives both a bird and colours must mean one bird. Colours beside a clutch, with nothing
    on the right leg, are those of unnamed chicks.
    """
    chicks = rows["bird"].isna() & rows["clutch"].notna() & rows["right"].isna()
    by_colour = (rows["left"].notna() | rows["right"].notna()) & ~chicks & rows["on"].notna()
    if not by_colour.any():
        return rows, []
    asked = rows[by_colour]
    earlier = _as_recorded(form, asked, known)
    now = name_birds(asked if anew else asked[earlier.isna()], known.forms["rings"], known.birds)
    bird = now.bird.reindex(asked.index).fillna(earlier)
    found = _findings(form, asked, now)
    found += _disagreements(form, asked, bird, earlier)
    return rows.assign(bird=rows["bird"].fillna(bird)), found


def _findings(form: str, asked: pd.DataFrame, named: Named) -> list[Finding]:
    """A fault for colours that name nobody (only a remark where the bird's number is there too)."""
    found = []
    for row, words in named.faults.items():
        column, colours = _colours(asked, row)
        numbered = isinstance(asked.at[row, "bird"], str)
        words = f"taken by the bird's number, but {words.split('; give')[0]}" if numbered else words
        found.append(Finding(form, row, column, colours, words, refused=not numbered))
    for row, words in named.notes.items():
        if not isinstance(asked.at[row, "bird"], str):
            column, colours = _colours(asked, row)
            found.append(Finding(form, row, column, colours, words, refused=False))
    return found


def _disagreements(form: str, asked: pd.DataFrame, bird: pd.Series, earlier: pd.Series) -> list[Finding]:
    """A fault where number and colours mean two birds; a remark where the colours once meant another."""
    words = "the bird its own colours mean that day, {}; mend one of the two"
    unlike = bird.notna() & (folded(asked["bird"]) != folded(bird))
    found = findings(form, asked, unlike & asked["bird"].notna(), "bird", words, bird)
    words = "taken as {}, but recorded earlier as {}: clear that row's values, if it was wrong"
    other = bird.notna() & earlier.notna() & (folded(bird) != folded(earlier))
    return found + findings(form, asked, other, "right", words, bird, earlier, refused=False)


def _colours(rows: pd.DataFrame, row: int) -> tuple[str, str]:
    """Under which column a row's colours are reported, and the colours in words."""
    worn = [(leg, str(colour)) for leg in ("left", "right") if isinstance(colour := rows.at[row, leg], str)]
    return ", ".join(leg for leg, _ in worn), " and ".join(colour for _, colour in worn)


def _as_recorded(form: str, asked: pd.DataFrame, known: OnRecord) -> pd.Series:
    """The bird that the same colours on the same day (by the same judge) were recorded as, else blank."""
    record = known.forms[form]
    record = record[record["left"].notna() | record["right"].notna()]
    answers = record.set_axis(_said(record), axis=0)["bird"]
    return looked_up(pd.Series(_said(asked), index=asked.index), answers)


def _said(rows: pd.DataFrame) -> pd.Index:
    """Day, colours and judge of each row as one comparable text."""
    judge = folded(rows["judge"]) if "judge" in rows.columns else ""
    left, right = (folded_colour(rows[leg]).fillna("") for leg in ("left", "right"))
    return pd.Index(day_words(rows["on"]) + "|" + left + "|" + right + "|" + judge)


def as_numbered(form: Form, rows: pd.DataFrame, known: OnRecord) -> tuple[pd.DataFrame, list[Finding]]:
    """`rows` with birds by the numbers on record where they are only written otherwise, and a remark on each.

    That is without blanks or with another dash, or without the zeros before it that a spreadsheet takes off. A row of
    the birds form means a bird on record only where it gives nothing else than is on record of it.
    """
    found: list[Finding] = []
    own = form.name == "birds"
    entered = [*known.birds["bird"], *(rows["bird"].dropna() if own else [])]
    for column in (c for c in ("bird", "sire", "dam") if c in rows):
        new = own and column == "bird"  # a row that enters a bird
        numbers = pd.Series(known.birds["bird"].tolist() if new else entered, dtype="str").drop_duplicates()
        asked = rows.loc[rows[column].notna() & ~folded(rows[column]).isin(folded(numbers)), column]
        if asked.empty:
            continue
        plain = pd.Series(numbers.to_numpy(), index=_plainly(numbers), dtype="str")
        once = plain[~plain.index.duplicated(keep=False)]
        meant = looked_up(pd.Series(_plainly(asked), index=asked.index), once).dropna()
        if new:
            meant = meant[_agree(rows.loc[meant.index], meant, known)]
        meant = meant.reindex(rows.index)
        found += findings(form.name, rows, meant.notna(), column, "taken as {}", meant, refused=False)
        rows = rows.assign(**{column: meant.fillna(rows[column])})
    return rows, found


def _plainly(labels: pd.Series) -> pd.Index:
    """Numbers as compared: without blanks, with one kind of dash, digits alone without zeros before them."""
    plain = (
        folded(labels).str.replace(r"\s+", "", regex=True).str.replace(r"[\u2010-\u2015_/]", "-", regex=True)
    )
    return pd.Index(plain.str.replace(r"^0+(?=\d+$)", "", regex=True))


def _agree(rows: pd.DataFrame, meant: pd.Series, known: OnRecord) -> pd.Series:
    """Whether all that a row of the birds form gives is on record of the bird meant, or blank there."""
    there = known.of_birds(meant)
    agree = pd.Series(True, index=rows.index)
    for column in (c for c in rows if c in there and c != "bird"):
        given, held = folded(rows[column]), folded(there[column])
        agree &= (given == "") | (held == "") | (given == held) | (given == "unknown") | (held == "unknown")
    return agree


def pens_of_hens(rows: pd.DataFrame, known: OnRecord) -> pd.DataFrame:
    """Egg rows with `pen` filled where the hen is known and stood in exactly one pen that day."""
    lost = rows[rows["pen"].isna() & rows["bird"].notna()]
    if lost.empty:
        return rows
    pens = known.forms["pens"].assign(key=folded(known.forms["pens"]["bird"]))
    asked = pd.DataFrame({"row": lost.index, "key": folded(lost["bird"]), "on": lost["on"]})
    there = asked.merge(pens[["key", "pen", "from", "to"]], on="key")
    there = there[(there["from"] <= there["on"]) & ~(there["to"] <= there["on"])]
    once = there.drop_duplicates("row", keep=False).set_index("row")["pen"]
    return rows.assign(pen=rows["pen"].fillna(once.reindex(rows.index)))


def changed_answers(
    known: OnRecord, earlier: Mapping[str, pd.DataFrame], forms: tuple[str, ...]
) -> list[Finding]:
    """Rows of the `earlier` record whose colours would now mean another bird than they were recorded as."""
    found = []
    for form in forms:
        record = earlier[form]
        paired = record[(record["left"].notna() | record["right"].notna()) & record["bird"].notna()]
        if paired.empty:
            continue
        now = name_birds(paired, known.forms["rings"], known.birds).bird
        for row in paired.index[now.notna() & (folded(now) != folded(paired["bird"]))]:
            words = (
                f"by the rings now on record it is {now[row]}; where that is right, enter the row anew "
                f"with that bird's number, and clear the old one with --correct"
            )
            day, was = value_in_words(paired.at[row, "on"]), value_in_words(paired.at[row, "bird"])
            seen = f"{_colours(paired, row)[1]} on {day}, recorded as {was}"
            found.append(Finding(form, None, None, seen, words, refused=False))
    return found


_FIRST = ("clutches", "birds", "sales")
ORDER = (*_FIRST, *(name for name in FORMS if name not in _FIRST))
"""Sales before rings: a bird sold leaves its colours free."""


@dataclass
class Intake:
    """What came of a hand-in.

    `record` is what was on record before, by form. `rows` holds by form the rows that are new, completed or
    corrected, with every column of the form; `counts` how many rows are `taken`, `completed`, `corrected`,
    `unchanged`, `refused`; `refused` the sheet rows refused; `findings` everything found.
    """

    record: Mapping[str, pd.DataFrame]
    known: OnRecord
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
    intake = Intake(record, OnRecord(in_force, stand, usual=usual or {}))
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
    in_force = intake.known.in_force
    typed = read_sheet(raw, in_force.section_columns() if form.name == "scores" else (), in_force.units())
    found = list(typed.findings)
    record = intake.record[form.name]
    rows, respelt = as_numbered(form, _filled(form, typed), intake.known)
    found += respelt
    rows = _named(form, rows, intake.known, correct, found)
    rows = _standing(rows, found)
    if form.chicks:
        clearing = {row for at in typed.cleared.values() for row in at}
        rows, unsure = number_chicks(form, rows, record, earlier, clearing, correct)
        found += unsure
        rows = _standing(rows, unsure)
    rows, doubles = one_of_each(form, rows)
    found += doubles + _lacking(form, typed, rows, record)
    rows = _standing(rows, found)
    compared = compare(form, rows, typed.cleared, record, correct, earlier)
    found += compared.findings
    unread = typed.rows.loc[[row for row in typed.rows.index if row in {f.row for f in found if f.refused}]]
    accepted = _accepted(intake, form, typed, compared, found)
    found += _beside(form, unread, intake.known, found)
    _count(intake, form, raw, compared, accepted, found)


def _lacking(form: Form, typed: Typed, rows: pd.DataFrame, record: pd.DataFrame) -> list[Finding]:
    """A fault for each value that a row leaves out which is not on record under its key either."""
    if not typed.lacking:
        return []
    on_record = set(keys_of(form, standing(form, record)))
    completes = set(rows.index[keys_of(form, rows).isin(on_record)])
    return [finding for finding in typed.lacking if finding.row not in completes]


def _filled(form: Form, typed: Typed) -> pd.DataFrame:
    """The typed rows with every key and naming column of the form there, blank if it was not handed in."""
    missing = [c for c in (*form.key, *_naming(form)) if c not in typed.rows.columns]
    rows = typed.rows.reindex(columns=[*typed.rows.columns, *missing])
    return rows.astype({c: DTYPES[form.column(c).kind] for c in missing})


def _naming(form: Form) -> tuple[str, ...]:
    return (*(("left", "right") if form.names_bird else ()), *(("clutch", "sex", "n") if form.chicks else ()))


def _named(
    form: Form, rows: pd.DataFrame, known: OnRecord, correct: bool, found: list[Finding]
) -> pd.DataFrame:
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
        more = check_rows(form.name, rows, known)
        found += [f for f in more if f.refused]
        if not any(f.refused for f in more):
            found += more
            intake.known = known
            return rows
        rows = _standing(rows, more)


def _beside(form: Form, rows: pd.DataFrame, known: OnRecord, found: list[Finding]) -> list[Finding]:
    """What else is wrong with `rows` that were refused before they could be checked: all faults at once."""
    if rows.empty:
        return []
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
