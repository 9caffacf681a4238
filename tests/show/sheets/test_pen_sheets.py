"""Sheets for the pen: who stands on them, in which order, with what printed, and that typed text stays text."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from selection.records.flock import read_flock
from selection.records.intake.recording import record
from selection.show.sheets.pen_sheets import (
    LEAVING,
    OLDER,
    expected_weights,
    look_sheet,
    page,
    ring_check_sheet,
    weighing_sheet,
    write_pen_sheets,
)
from selection.standard.growth import fit_growth
from tests.records import small


def flock_of(folder, forms):
    found = record(folder / "flock", small.write(folder / "forms", forms))
    assert found.status == 0, found.words()
    return read_flock(folder / "flock")


@pytest.fixture(scope="module")
def flock(tmp_path_factory):
    forms = small.forms()
    forms["rings"] += [
        {
            "bird": "24-C1",
            "leg": "left",
            "colour": "black",
            "kind": "flat",
            "size_mm": 18,
            "fitted_on": "2024-12-01",
        }
    ]
    return flock_of(tmp_path_factory.mktemp("holding"), forms)


class Page(HTMLParser):
    """What a page holds: tags, cell texts, row by row."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.rows: list[list[str]] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th") and self.rows:
            self.rows[-1].append("")

    def handle_data(self, data):
        if self.rows and self.rows[-1]:
            self.rows[-1][-1] += data.strip()


def test_a_look_has_a_box_for_each_section_with_its_points_and_room_for_faults(flock) -> None:
    sheet = look_sheet(flock)
    assert [(b.title, b.under) for b in sheet.boxes] == [
        ("type", "of 40"),
        ("head", "of 40"),
        ("Faults and notes", ""),
    ]
    assert any("wry tail (serious), pale legs" in note for note in sheet.notes)
    assert sheet.head == ("Day", "Judge")


def test_birds_stand_in_ring_colour_order_the_season_s_own_first_and_nobody_that_has_gone(flock) -> None:
    lines = look_sheet(flock).lines
    assert [(line.bird, line.group) for line in lines] == [
        ("26-02", "Hatched in 2026"),
        ("26-01", "Hatched in 2026"),
        ("26-03", "Hatched in 2026"),
        ("24-C1", OLDER),
        ("24-H1", OLDER),
    ]


def test_each_ring_is_drawn_and_its_colour_is_written_beside_it(flock) -> None:
    marks = {line.bird: str(line.mark) for line in look_sheet(flock).lines}
    assert marks["26-03"].count("<rect") == 3
    assert re.search(r">[^<]*red/white<", marks["26-03"]) and re.search(r">[^<]*\bwhite<", marks["26-03"])
    assert marks["24-H1"].count("<rect") == 0


def test_a_weighing_has_the_last_weight_and_a_range_for_the_plan_s_day(flock) -> None:
    printed = {line.bird: line.printed for line in weighing_sheet(flock).lines}
    sex, weeks, last, expected = printed["26-01"]
    assert (sex, weeks, last) == ("male", "25", "2,900 g, 2026-09-01")
    low, high = (float(g.replace(",", "")) for g in re.fullmatch(r"([\d,]+)–([\d,]+) g", expected).groups())
    assert 2500 < low < high < 4500
    assert printed["26-02"][2] == "not yet weighed"


def test_a_last_weight_in_kilograms_is_printed_as_the_slip_it_is(tmp_path) -> None:
    forms = small.forms()
    forms["weights"].append({"on": "2026-09-20", "bird": "26-01", "grams": 3.05})
    printed = {line.bird: line.printed for line in weighing_sheet(flock_of(tmp_path, forms)).lines}
    assert printed["26-01"][2].startswith("3.05 g, 2026-09-20: ") and "kilograms?" in printed["26-01"][2]


def test_nine_in_ten_of_weighings_not_used_fall_within_the_range() -> None:
    """Birds of known truth: a range worked out before the last weighing holds it about as often as it says."""
    from demo.holding import simulate

    holding = simulate(seed=5)
    flock = _as_flock(holding)
    last = flock.weights.dropna(subset="bird").sort_values("on").drop_duplicates("bird", keep="last")
    hatched = flock.birds.set_index("bird")["hatched"]
    ages = (last["on"] - last["bird"].map(hatched)).dt.days / 7
    asked = last.assign(age_weeks=ages)[(ages > 12) & (ages < 40)]
    from dataclasses import replace

    earlier = replace(flock, weights=flock.weights.drop(index=asked.index).reset_index(drop=True))
    ranges = expected_weights(asked, fit_growth(earlier))
    inside = ((asked["grams"] >= ranges["low"]) & (asked["grams"] <= ranges["high"])).mean()
    count = len(asked)
    assert count > 60
    assert abs(inside - 0.90) < 4 * np.sqrt(0.09 / count) + 0.03


def test_a_bird_without_a_hatch_day_has_no_range(flock) -> None:
    birds = pd.DataFrame({"bird": ["26-01", "26-02"], "age_weeks": [20.0, np.nan]})
    ranges = expected_weights(birds, fit_growth(flock))
    assert ranges["low"].notna().tolist() == [True, False]


def test_the_ring_check_has_growing_birds_only_with_what_they_wear_and_the_caution(flock) -> None:
    sheet = ring_check_sheet(flock)
    assert [line.bird for line in sheet.lines] == ["26-02", "26-01", "26-03"]
    assert sheet.lines[0].printed == (
        "25",
        "left kind not recorded, size not recorded, since 2026-06-01; "
        "right kind not recorded, size not recorded, since 2026-06-01",
    )
    assert any("weekly at least" in note for note in sheet.notes) and any(
        "spring open" in n for n in sheet.notes
    )


def test_each_sheet_is_one_page_that_prints_on_a4_and_needs_nothing_from_elsewhere(flock, tmp_path) -> None:
    paths = write_pen_sheets(flock, tmp_path / "sheets")
    assert [p.name for p in paths] == ["look.html", "weighing.html", "ring-check.html"]
    for path in paths:
        text = path.read_text(encoding="utf-8")
        found = Page(text)
        assert "size: A4" in text and "http" not in text
        assert not {"script", "link", "img", "iframe"} & set(found.tags)
        assert {"thead", "caption"} <= set(found.tags)
    rows = [
        row for row in Page(paths[0].read_text(encoding="utf-8")).rows if len(row) > 1 and row[1] == "26-02"
    ]
    assert [row[1:] for row in rows] == [["26-02", "female", "", "", ""]]
    assert "green" in rows[0][0] and "blue" in rows[0][0]


def test_what_a_breeder_typed_is_text_on_every_sheet(tmp_path) -> None:
    evil = '<img src=x onerror="alert(1)">'
    forms = small.forms()
    forms["birds"].append({"bird": evil, "sex": "female", "clutch": "26-H1"})
    forms["rings"].append(
        {"bird": evil, "leg": "left", "colour": evil, "kind": "clip", "fitted_on": "2026-06-02"}
    )
    flock = flock_of(tmp_path, forms)
    for sheet in (look_sheet(flock), weighing_sheet(flock), ring_check_sheet(flock)):
        text = page(sheet, flock)
        assert "img" not in Page(text).tags
        assert "&lt;img src=x" in text


def test_a_flock_without_birds_has_sheets_that_say_so(tmp_path) -> None:
    flock = flock_of(tmp_path, {"clutches": small.forms()["clutches"]})
    for sheet in (look_sheet(flock), weighing_sheet(flock), ring_check_sheet(flock)):
        assert "No living birds on this day." in page(sheet, flock)


def _as_flock(holding):
    """The invented holding as a flock, without a folder."""
    import tempfile
    from pathlib import Path

    from selection.records.flock import flock_from_forms

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for form, frame in holding.forms.items():
            frame.to_csv(folder / f"{form}.csv", index=False)
        (folder / "standard.toml").write_text(holding.standard_toml, encoding="utf-8")
        (folder / "plan.toml").write_text(holding.plan_toml, encoding="utf-8")
        return flock_from_forms(folder)


def test_birds_decided_to_go_stand_last_under_their_own_heading(flock):
    """A decision is no departure: the bird is still looked for, and struck out once it has gone."""
    bird = look_sheet(flock).lines[0].bird
    made = pd.DataFrame(
        {"on": [pd.Timestamp(flock.plan.on)], "bird": [bird], "decided": ["sell"], "why": [None]}
    )
    decided = replace(flock, decisions=made.astype({"on": "datetime64[s]"}))
    for sheet in (look_sheet(decided), weighing_sheet(decided)):
        assert [line.bird for line in sheet.lines if line.group == LEAVING] == [bird]
        assert sheet.lines[-1].bird == bird
