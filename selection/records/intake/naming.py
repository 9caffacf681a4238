"""Which bird a row means, and where a known hen's eggs were laid: colours and days looked up on record."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from selection.errors import Finding
from selection.records.bird_dates import looked_up
from selection.records.forms.schema import folded
from selection.records.intake.known import Known, day_words, findings, in_words
from selection.records.rings import Named, folded_colour, name_birds


def name_rows(
    form: str, rows: pd.DataFrame, known: Known, anew: bool = False
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


def _as_recorded(form: str, asked: pd.DataFrame, known: Known) -> pd.Series:
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


def pens_of_hens(rows: pd.DataFrame, known: Known) -> pd.DataFrame:
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
    known: Known, earlier: Mapping[str, pd.DataFrame], forms: tuple[str, ...]
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
            day, was = in_words(paired.at[row, "on"]), in_words(paired.at[row, "bird"])
            seen = f"{_colours(paired, row)[1]} on {day}, recorded as {was}"
            found.append(Finding(form, None, None, seen, words, refused=False))
    return found
