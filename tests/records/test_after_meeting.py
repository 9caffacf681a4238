"""After the meeting: who is to go, which grown rings to fit, which pairs come free; and the next forms follow."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from selection.records.after_meeting import after_meeting, to_go
from selection.records.flock import Flock, assemble, read_flock
from selection.records.forms.columns import FORMS
from selection.records.forms.season_workbook import prefilled, write_forms
from selection.records.intake.recording import record
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Section, Standard
from tests.records import small

ON = date(2026, 10, 10)
STANDARD = Standard("Marram", (Section("type", "Type", 100.0),))


def holding(decided: list[tuple[str, str, str, str | None]], gone: dict[str, str] | None = None) -> Flock:
    """Three birds of the season and an old hen, each with a pair of rings; decisions as (on, bird, decided, why)."""
    gone = gone or {}
    birds = pd.DataFrame(
        [
            (b, s, h, gone.get(b))
            for b, s, h in (
                ("K1", "male", "2026-04-01"),
                ("K2", "male", "2026-04-01"),
                ("P1", "female", "2026-04-01"),
                ("H1", "female", "2024-04-01"),
            )
        ],
        columns=["bird", "sex", "hatched_on", "gone_on"],
    )
    birds["gone_on"] = pd.to_datetime(birds["gone_on"]).astype("datetime64[s]")
    rings = [
        ("K1", "left", "red", "flat", 16.0, "2026-06-10"),
        ("K1", "right", "blue", "flat", 18.0, "2026-09-20"),
        ("K2", "left", "red", "flat", 16.0, "2026-06-10"),
        ("K2", "right", "green", "flat", None, "2026-06-10"),
        ("P1", "left", "white", "closed", 16.0, "2026-05-10"),
        ("P1", "right", "white", "flat", 12.0, "2026-06-10"),
        ("H1", "left", "pink", "flat", 14.0, "2024-06-10"),
        ("H1", "right", "blue", "flat", 14.0, "2024-06-10"),
    ]
    ring_rows = pd.DataFrame(rings, columns=["bird", "leg", "colour", "kind", "size_mm", "fitted_on"])
    ring_rows["fitted_on"] = pd.to_datetime(ring_rows["fitted_on"]).astype("datetime64[s]")
    decisions = pd.DataFrame(decided, columns=["on", "bird", "decided", "why"])
    decisions["on"] = pd.to_datetime(decisions["on"]).astype("datetime64[s]")
    return assemble(
        STANDARD, Plan(ON, 2026, {}), {"birds": birds, "rings": ring_rows, "decisions": decisions}
    )


def test_a_bird_decided_to_go_is_to_be_confirmed_until_its_going_is_on_record() -> None:
    decided = [("2026-10-10", "k1", "sell", "too tall"), ("2026-10-10", "H1", "sell", None)]
    found = after_meeting(holding(decided))
    assert found.going["bird"].tolist() == ["K1", "H1"]
    assert found.freed[["left", "right", "bird"]].values.tolist() == [
        ["pink", "blue", "H1"],
        ["red", "blue", "K1"],
    ]
    text = found.text()
    assert "K1 (left red, right blue): decided on 2026-10-10, too tall" in text
    assert "red/blue, worn by K1" in text
    gone = after_meeting(holding(decided, {"K1": "2026-10-10", "H1": "2026-10-09"}))
    assert gone.text() == "" and gone.going.empty and gone.freed.empty


def test_the_last_decision_on_a_bird_counts() -> None:
    flock = holding([("2026-10-09", "K1", "sell", None), ("2026-10-10", "K1", "keep", "her dam")])
    assert to_go(flock).empty
    assert set(after_meeting(flock).adult["bird"]) == {"K1"}


def test_grown_rings_are_asked_for_those_kept_in_their_first_season() -> None:
    """A cock's leg: 14.3 to 20 mm by the sources, a hen's 14.3 to 16; a ring put on at 24 weeks is the grown one;
    a closed ring stays on for good; an old hen's rings are no news of this meeting."""
    birds = ("K1", "K2", "P1", "H1")
    found = after_meeting(holding([("2026-10-10", b, "keep", None) for b in birds])).adult
    assert found[["bird", "leg"]].values.tolist() == [
        ["K1", "left"],
        ["K2", "left"],
        ["K2", "right"],
        ["P1", "right"],
    ]
    assert found.loc[0, ["low", "high"]].tolist() == [14.3, 20.0]
    text = after_meeting(holding([("2026-10-10", "K2", "keep", None)])).text()
    assert "K2, right green: size not recorded; the sources give 14.3 to 20 mm" in text


def test_a_decision_of_years_ago_asks_for_no_rings_now() -> None:
    flock = holding([("2024-10-10", "H1", "keep", None)])
    assert after_meeting(flock).adult.empty


def test_those_to_go_are_left_off_looks_and_weighings_and_stand_first_among_the_birds() -> None:
    flock = holding([("2026-10-10", "P1", "sell", None)])
    for form in ("scores", "weights"):
        assert set(prefilled(FORMS[form], flock)["bird"]) == {"K1", "K2", "H1"}
    rows = prefilled(FORMS["birds"], flock)
    assert rows["bird"].tolist() == ["P1", "K1", "K2", "H1"] and rows["gone_on"].isna().all()
    assert prefilled(FORMS["rings"], flock)["bird"].tolist()[:2] == ["P1", "P1"]


@pytest.fixture
def decided(tmp_path: Path) -> Path:
    """The small holding with two of its birds decided on."""
    path = small.flock(tmp_path)
    flock = read_flock(path)
    first, second = flock.birds.loc[flock.birds["alive"], "bird"].iloc[:2]
    form = tmp_path / "decisions.csv"
    form.write_text(
        f"on,bird,decided,why\n{flock.plan.on},{first},sell,=2+2\n{flock.plan.on},{second},keep,\n"
    )
    assert record(path, form).status == 0
    return path


def test_the_workbook_tells_what_is_to_be_done_and_comes_back_unchanged(decided: Path) -> None:
    import openpyxl

    book = write_forms(read_flock(decided), decided.parent / "season.xlsx")
    sheet = openpyxl.load_workbook(book)["after the meeting"]
    text = "\n".join(str(row[0].value or "") for row in sheet)
    assert "To confirm gone" in text and "=2+2" in text
    back = record(decided, book)
    assert back.status == 0 and "after the meeting" not in back.words()
    assert to_go(read_flock(decided)).size == 1


def test_confirming_the_going_on_the_birds_sheet_settles_it(decided: Path) -> None:
    import openpyxl

    flock = read_flock(decided)
    path = write_forms(flock, decided.parent / "season.xlsx")
    book = openpyxl.load_workbook(path)
    sheet = book["birds"]
    header = {cell.value: cell.column for cell in sheet[1]}
    assert sheet.cell(2, header["bird"]).value == after_meeting(flock).going["bird"].iloc[0]
    sheet.cell(2, header["gone_on"]).value = pd.Timestamp(flock.plan.on).to_pydatetime()
    sheet.cell(2, header["gone_why"]).value = "sold"
    book.save(path)
    assert record(decided, path).status == 0
    assert after_meeting(read_flock(decided)).going.empty
