"""Forms with slips of the pen in every row: is each row kept as it was meant, or refused with a true reason?

    python tests/benchmarks/mutate_forms.py [rows, 100000] [seed, 1]

Rows of looks, weighings and egg counts are written as a careful breeder would, then one cell of each is changed
in a way whose meaning is known beforehand: written otherwise with the same meaning, or so that it can mean
nothing or two things. The sheets are recorded, and every row is looked up: on record with exactly the meant
values, or among the refused with its cells as typed and a reason that names the changed column. The test suite
runs the same with fewer rows.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from selection.records.intake.recording import record
from selection.records.ledger.appending import read_rows
from tests.records import small

BIRDS = 40
JUDGES = ("Ann", "Bea")
FIRST_DAY = date(2026, 6, 1)
REFUSED = object()

Slip = Callable[[str], tuple[str, Any]]
"""From a cell as it should be to the cell as written, and its meaning (REFUSED: none, or two)."""


def same(write: Callable[[str], str]) -> Slip:
    """Written otherwise, with the same meaning."""
    return lambda cell: (write(cell), cell)


def wrong(write: Callable[[str], str]) -> Slip:
    """Written so that it can mean nothing, or two things."""
    return lambda cell: (write(cell), REFUSED)


NUMBER: dict[str, Slip] = {
    "as it is": same(lambda c: c),
    "blanks around": same(lambda c: f"  {c}\u00a0"),
    "decimals that say nothing": same(lambda c: f"{c}.0" if "." not in c else f"{c}0"),
    "a plus": same(lambda c: f"+{c}"),
    "letter O for nought": wrong(lambda c: f"O{c}"),
    "a unit": wrong(lambda c: f"{c} x"),
    "a word": wrong(lambda c: "about " + c),
    "below all limits": wrong(lambda c: f"-{c}" if float(c) else "-1"),
    "two points": wrong(lambda c: f"{c}.1.2"),
    "an exponent": wrong(lambda c: f"{c}e3"),
    "not a number": wrong(lambda c: "nan"),
    "endless": wrong(lambda c: "inf"),
    "a spreadsheet's error": wrong(lambda c: "#VALUE!"),
    "a formula": wrong(lambda c: f"={c}*1"),
    "markup": wrong(lambda c: f"<b>{c}</b>"),
    "far too many digits": wrong(lambda c: "9" * 40),
}
DAY: dict[str, Slip] = {
    "as it is": same(lambda c: c),
    "blanks around": same(lambda c: f" {c} "),
    "no such month": wrong(lambda c: c[:5] + "13" + c[7:]),
    "no such day": wrong(lambda c: c[:8] + "32"),
    "no year": wrong(lambda c: c[5:]),
    "reads two ways": lambda c: (
        f"{c[8:]}/{c[5:7]}/{c[:4]}",
        c if int(c[8:]) > 12 or c[8:] == c[5:7] else REFUSED,
    ),
    "a word": wrong(lambda c: "the Tuesday"),
    "left blank": wrong(lambda c: ""),
}
DAY_OF_A_BIRD = DAY | {"long before it hatched": wrong(lambda c: "1999" + c[4:])}
LABEL: dict[str, Slip] = {
    "as it is": same(lambda c: c),
    "blanks around": same(lambda c: f"\t{c} "),
    "capitals": same(str.upper),
    "nobody's number": wrong(lambda c: c + "99"),
    "markup": wrong(lambda c: f"<i>{c}</i>"),
    "a formula": wrong(lambda c: f"=cmd|{c}"),
}
SLIPS: dict[str, dict[str, dict[str, Slip]]] = {
    "weights": {"on": DAY_OF_A_BIRD, "bird": LABEL, "grams": NUMBER},
    "scores": {"on": DAY_OF_A_BIRD, "bird": LABEL, "type": NUMBER, "head": NUMBER},
    "eggs": {"on": DAY, "eggs": NUMBER},
}


@dataclass
class Mutated:
    """One row: as written, as meant (None: to be refused), the changed column, the slip's name."""

    form: str
    written: dict[str, str]
    meant: dict[str, str] | None
    column: str
    slip: str


@dataclass
class Outcome:
    """What came of all rows; `wrong` must stay empty."""

    kept: int = 0
    refused: int = 0
    slips: Counter = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


def careful_rows(form: str, rows: int) -> list[dict[str, str]]:
    """Rows without a fault, each with a key of its own."""
    made = []
    for number in range(rows):
        bird, rest = number % BIRDS, number // BIRDS
        judge = JUDGES[rest % 2]
        day = FIRST_DAY + timedelta(days=(rest // 2 if form == "scores" else rest) % 100)
        row = {"on": day.isoformat(), "bird": f"m-{bird:03d}"}
        if form == "weights":
            row["grams"] = str(900 + (number * 37) % 900)
        elif form == "scores":
            row |= {"judge": judge, "type": f"{8 + number % 20}.25", "head": str(10 + number % 15)}
        else:
            row = {"on": day.isoformat(), "pen": f"yard {bird}", "eggs": str(1 + number % 6)}
        made.append(row)
    return made


def mutated(form: str, row: dict[str, str], chance: random.Random) -> Mutated:
    """`row` with one slip."""
    column = chance.choice(sorted(SLIPS[form]))
    slip = chance.choice(sorted(SLIPS[form][column]))
    written, meaning = SLIPS[form][column][slip](row[column])
    meant = None if meaning is REFUSED else row
    return Mutated(form, {**row, column: written}, meant, column, slip)


def holding(folder: Path) -> dict[str, small.Rows]:
    """The birds and pens that the rows speak of."""
    birds = [{"bird": f"m-{i:03d}", "sex": "female", "hatched_on": "2025-04-01"} for i in range(BIRDS)]
    pens = [{"pen": f"yard {i}", "bird": f"m-{i:03d}", "from": "2025-12-01"} for i in range(BIRDS)]
    return {"birds": birds, "pens": pens}


def run(folder: Path, rows: int, seed: int) -> Outcome:
    """Record `rows` mutated rows, a third of each form, in hand-ins of as many keys as there are."""
    chance, outcome = random.Random(seed), Outcome()
    most = BIRDS * 100
    for part in range(0, rows, 3 * most):
        each = min(most, -(-(rows - part) // 3))
        flock = folder / f"flock-{part}"
        record(flock, small.write(folder / f"holding-{part}", holding(folder)))
        handed = {form: [mutated(form, row, chance) for row in careful_rows(form, each)] for form in SLIPS}
        sheets = {form: [m.written for m in made] for form, made in handed.items()}
        found = record(flock, small.write(folder / f"sheets-{part}", sheets, standard=None, plan=None))
        for form, made in handed.items():
            _judge(form, made, flock, found.refused[form], outcome)
    return outcome


def _judge(form: str, made: list[Mutated], flock: Path, refused: pd.DataFrame, outcome: Outcome) -> None:
    """Look every row up among the kept and the refused."""
    kept = {_key(form, row): row for row in _as_text(read_rows(flock, form))}
    back = {int(row["row"]): row for row in refused.to_dict("records")}
    for number, row in enumerate(made, 2):
        outcome.slips[row.slip] += 1
        if row.meant is not None:
            outcome.kept += 1
            _must_be_kept(number, row, kept.pop(_key(form, row.meant), None), back, outcome)
        else:
            outcome.refused += 1
            _must_be_refused(number, row, back.get(number), outcome)
    outcome.wrong += [f"{form}: on record and never meant: {row}" for row in kept.values()]


def _key(form: str, row: dict[str, str]) -> tuple[str, ...]:
    columns = {"weights": ("on", "bird"), "scores": ("on", "judge", "bird"), "eggs": ("on", "pen")}[form]
    return tuple(row[c].casefold() for c in columns)


def _as_text(frame: pd.DataFrame) -> list[dict[str, str]]:
    """Rows on record, as a careful breeder would write them."""
    said = frame.assign(on=frame["on"].dt.strftime("%Y-%m-%d"))
    return [{c: _plain(v) for c, v in row.items() if not pd.isna(v)} for row in said.to_dict("records")]


def _plain(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _must_be_kept(
    number: int, row: Mutated, found: dict[str, str] | None, back: dict, outcome: Outcome
) -> None:
    if found is None:
        reason = back.get(number, {}).get("reason", "lost")
        outcome.wrong.append(f"{row.form} row {number}, {row.slip}: {row.written} not kept: {reason}")
    elif {c: v.casefold() for c, v in found.items()} != {c: v.casefold() for c, v in row.meant.items()}:
        outcome.wrong.append(f"{row.form} row {number}, {row.slip}: {row.written} kept as {found}")


def _must_be_refused(number: int, row: Mutated, back: dict[str, str] | None, outcome: Outcome) -> None:
    if back is None:
        outcome.wrong.append(f"{row.form} row {number}, {row.slip}: {row.written} was not refused")
        return
    if f"{row.column}: " not in back["reason"]:
        outcome.wrong.append(f"{row.form} row {number}, {row.slip}: the reason is {back['reason']}")
    if any(back[c] != cell for c, cell in row.written.items()):
        outcome.wrong.append(f"{row.form} row {number}, {row.slip}: came back as {back}")


def main(rows: int = 100_000, seed: int = 1) -> None:
    """Try `rows` rows and print what came of them."""
    with tempfile.TemporaryDirectory() as folder:
        outcome = run(Path(folder), rows, seed)
    print(
        f"{sum(outcome.slips.values()):,} rows: {outcome.kept:,} meant something and {outcome.refused:,} did not."
    )
    for slip, count in outcome.slips.most_common():
        print(f"  {count:7,} {slip}")
    print(f"not as they should be: {len(outcome.wrong)}")
    for line in outcome.wrong[:20]:
        print(" ", line)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
