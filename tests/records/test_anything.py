"""Whatever is handed in, the answer is rows or words; and what is handed in whole comes back whole."""

from __future__ import annotations

import shutil
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from selection.records.flock import read_flock
from selection.records.forms.columns import FORMS
from selection.records.forms.reading import read_forms
from selection.records.intake.recording import record
from selection.records.intake.taking_in import take_in
from selection.records.settings.plan import InForce
from selection.records.settings.reading import parse_standard
from tests.records import small

IN_FORCE = InForce(((date.min, parse_standard(small.STANDARD)),))
JUNK = st.one_of(
    st.sampled_from(["", " ", "(blank)", "n/a", "-1", "0", "26-01", "26-04", "24-H1", "2026", "2026-09-01",
                     "04/05/2026", ";", "male", "female", "1e9", "½", "=A1", "green", "red/",
                     "Ann", "wry tail;", "999999999999999999999", "0.25"]),
    st.text(max_size=8),
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("anything")


@cache
def on_record(folder: Path) -> dict[str, pd.DataFrame]:
    """The small holding as it stands once recorded."""
    return take_in(read_forms(small.write(folder / "before", small.forms())), IN_FORCE, {}).rows


def cells_to_change() -> st.SearchStrategy[list[tuple[str, int, str, str]]]:
    """Some cells of the small holding (form, row, column), and what to write there."""
    cells = [
        (name, i, c)
        for name, rows in small.forms().items()
        for i in range(len(rows))
        for c in FORMS[name].names
    ]
    return st.lists(
        st.tuples(st.sampled_from(cells), JUNK).map(lambda t: (*t[0], t[1])), min_size=1, max_size=6
    )


@given(changes=cells_to_change(), again=st.booleans(), correct=st.booleans())
@settings(max_examples=10)
def test_any_cells_may_be_junk_and_each_row_is_taken_or_refused_in_words(folder, changes, again, correct):
    forms = small.forms()
    for form, row, column, junk in changes:
        forms[form][row] = {**forms[form][row], column: junk}
    shutil.rmtree(folder / "forms", ignore_errors=True)
    handed = read_forms(small.write(folder / "forms", forms))
    intake = take_in(handed, IN_FORCE, on_record(folder) if again else {}, correct=correct)
    for form, counts in intake.counts.items():
        idle = sum(
            "left out" in f.expected or "kept" in f.expected for f in intake.findings if f.form == form
        )
        assert idle or sum(counts.values()) == len(handed.forms[form].cells)
    assert all(str(f).strip() for f in intake.findings)


@given(
    name=st.sampled_from(sorted(FORMS)), data=st.binary(max_size=200), kind=st.sampled_from(["csv", "xlsx"])
)
@settings(max_examples=10)
def test_any_bytes_under_a_forms_name_are_answered_in_words(folder, name, data, kind):
    path = small.write(folder / "bytes", {}) / f"{name}.{kind}"
    path.write_bytes(data)
    found = record(folder / "flock", path.parent)
    path.unlink()
    assert found.words()
    assert found.status in (0, 1)


@given(junk=st.one_of(st.binary(max_size=200), st.text(max_size=80).map(str.encode)))
@settings(max_examples=10)
def test_any_bytes_as_settings_are_answered_in_words(folder, junk):
    forms = small.write(folder / "settings", {})
    (forms / "plan.toml").write_bytes(junk)
    found = record(folder / "another", forms)
    assert found.status == 0 or "plan.toml" in (found.stopped or "")


# what is handed in whole comes back whole

NAMES = st.text(st.characters(codec="utf-8", categories=("L", "N")), min_size=1, max_size=6).map(
    lambda name: "x" + name.casefold()
)
NOTES = st.text(st.characters(codec="utf-8", exclude_categories=("C",)), max_size=12).map(str.strip)
QUARTERS = st.integers(0, 160).map(lambda quarters: quarters / 4)


@st.composite
def holdings(draw: st.DrawFn) -> dict[str, small.Rows]:
    """A few birds with looks, weighings and eggs, their notes and labels in any script."""
    labels = draw(st.lists(NAMES, min_size=2, max_size=4, unique=True))
    birds = [{"bird": b, "sex": draw(st.sampled_from(["male", "female", "unknown"])), "hatched_on": "2024",
              "note": draw(NOTES)} for b in labels]  # fmt: skip
    days = draw(st.lists(st.dates(date(2025, 1, 1), date(2026, 10, 1)), min_size=1, max_size=3, unique=True))
    looks = [{"on": d, "judge": "Ann", "bird": b, "type": draw(st.none() | QUARTERS), "head": draw(QUARTERS),
              "note": draw(NOTES)} for d in days for b in labels]  # fmt: skip
    weights = [
        {"on": d, "bird": labels[0], "grams": draw(st.floats(500, 6000).map(lambda g: round(g, 1)))}
        for d in days
    ]
    eggs = [
        {"on": d, "pen": "x", "eggs": draw(st.integers(0, 9)), "days": draw(st.none() | st.integers(1, 3))}
        for d in days
    ]
    pens: small.Rows = [{"pen": "x", "bird": labels[-1], "from": "2025-01-01"}]
    return {"birds": birds, "pens": pens, "scores": looks, "weights": weights, "eggs": eggs}


@given(forms=holdings())
@settings(max_examples=8)
def test_tables_written_out_and_recorded_come_back_the_same(folder, forms):
    for name in ("whole", "whole forms"):
        shutil.rmtree(folder / name, ignore_errors=True)
    found = record(folder / "whole", small.write(folder / "whole forms", forms))
    assert found.status == 0, found.words()
    flock = read_flock(folder / "whole")
    for form, rows in forms.items():
        frame = getattr(flock, form)
        assert len(frame) == len(rows)
        for row, back in zip(rows, frame.to_dict("records"), strict=True):
            assert {c: as_read(v) for c, v in row.items()} == {c: as_read(back[c]) for c in row}


def as_read(value: Any) -> Any:
    """A value as written or as read, on one footing: blanks alike, days as text, text composed."""
    if value is None or value == "" or (isinstance(value, float) and np.isnan(value)) or value is pd.NaT:
        return None
    if isinstance(value, date):
        return str(value)[:10]
    return pd.Series([value]).str.normalize("NFC")[0] if isinstance(value, str) else float(value)
