"""Sheets for the pen: who stands on them, in which order, with what printed, and that typed text stays text."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from selection.decide.prices.money import Currency
from selection.merit.candidates import called
from selection.records.flock import flock_on, read_flock
from selection.records.intake.recording import record
from selection.records.ringplan import ring_plan
from selection.show.sheets.pen_sheets import (
    DECIDED_TO_GO,
    OLDER,
    catch_list,
    egg_sheet,
    expected_weights,
    look_sheet,
    pen_page,
    ring_check_sheet,
    weighing_sheet,
    withdrawals,
    write_pen_sheets,
)
from selection.standard.growth import fit_growth
from tests.records import small


def flock_of(folder, forms):
    return read_flock(small.flock(folder, forms))


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
    assert [p.name for p in paths] == ["look.html", "weighing.html", "ring-check.html", "eggs.html"]
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
        text = pen_page(sheet, flock)
        assert "img" not in Page(text).tags
        assert "&lt;img src=x" in text


def test_a_flock_without_birds_has_sheets_that_say_so(tmp_path) -> None:
    flock = flock_of(tmp_path, {"clutches": small.forms()["clutches"]})
    for sheet in (look_sheet(flock), weighing_sheet(flock)):
        assert "No living bird is on record on this day." in pen_page(sheet, flock)
    check = pen_page(ring_check_sheet(flock), flock)
    assert "No growing bird is on record on this day, so there is no ring to look at weekly." in check
    assert "Clutch 26-H1: 8 hatched, 8 without a row on the birds form" in check
    assert "No hen is in a pen on this day" in pen_page(egg_sheet(flock), flock)


# -- sheets for a day: ages, who is alive, rings and expected weights as of it ------------------------------------


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """The small holding with a chick lost in August, a ring changed in July, and a hen of a leap day."""
    forms = small.forms()
    forms["birds"] += [
        {"bird": "26-05", "sex": "male", "clutch": "26-B1", "gone_on": "2026-08-03", "gone_why": "died"},
        {"bird": "24-H3", "sex": "female", "hatched_on": "2024-02-29"},
    ]
    forms["rings"] += [
        {"bird": "26-05", "leg": "left", "colour": "pink", "kind": "spiral", "size_mm": 9, "fitted_on": "2026-05-20",
         "removed_on": "2026-07-01"},
        {"bird": "26-05", "leg": "left", "colour": "pink", "kind": "spiral", "size_mm": 14, "fitted_on": "2026-07-01"},
    ]  # fmt: skip
    folder = tmp_path_factory.mktemp("days")
    found = record(folder / "flock", small.write(folder / "forms", forms))
    assert found.status <= 1, found.words()
    return folder / "flock"


def printed(sheet) -> dict[str, tuple[str, ...]]:
    return {line.bird: line.printed for line in sheet.lines}


def test_in_june_every_chick_of_april_is_on_the_ring_check_with_its_age_and_ring_of_that_day(
    recorded,
) -> None:
    flock = flock_on(recorded, "2026-06-10").flock
    lines = printed(ring_check_sheet(flock))
    assert set(lines) == {"26-01", "26-02", "26-03", "26-04", "26-05"}
    # from 18 and 19 April to 10 June: 53 and 52 days
    assert {bird: line[0] for bird, line in lines.items()} == {
        "26-01": "8", "26-02": "8", "26-03": "7", "26-04": "7", "26-05": "7",
    }  # fmt: skip
    assert lines["26-05"][1] == "left spiral, 9 mm, since 2026-05-20"
    assert "as of 2026-06-10" in pen_page(ring_check_sheet(flock), flock)


def test_the_plan_of_rings_knows_the_day_too(recorded) -> None:
    june, autumn = (flock_on(recorded, day).flock for day in ("2026-06-10", "2026-10-10"))
    due = ring_plan(june).due.set_index("bird")
    assert due.loc["26-05", "age_weeks"] == pytest.approx(52 / 7)
    assert due.loc["26-05", "size_mm"] == 9
    assert "26-05" not in set(ring_plan(autumn).due["bird"])


def test_expected_weights_are_those_of_the_day(recorded) -> None:
    june, autumn = (
        printed(weighing_sheet(flock_on(recorded, day).flock))["26-03"][3]
        for day in ("2026-06-10", "2026-10-10")
    )
    low, high = (
        [float(g.replace(",", "").removesuffix(" g")) for g in said.split("–")] for said in (june, autumn)
    )
    assert np.sqrt(low[0] * low[1]) < 0.4 * np.sqrt(high[0] * high[1])


def test_in_march_the_sheets_have_the_old_birds_and_say_why_no_ring_is_looked_at(
    recorded,
) -> None:
    flock = flock_on(recorded, "2026-03-01").flock
    assert set(printed(look_sheet(flock))) == {"24-C1", "24-H1", "24-H2", "24-H3"}
    check = ring_check_sheet(flock)
    assert check.lines == ()
    assert "the 4 living birds on record are grown" in check.empty
    assert {line.bird: str(line.mark) for line in egg_sheet(flock).lines} == {"Old Yard": "2"}


def test_at_christmas_who_died_in_summer_is_gone_and_nobody_grows_any_more(recorded) -> None:
    flock = flock_on(recorded, "2026-12-24").flock
    lines = printed(weighing_sheet(flock))
    assert set(lines) == {"24-C1", "24-H1", "24-H3", "26-01", "26-02", "26-03"}
    assert lines["26-01"][1] == "36"  # 18 April to 24 December: 250 days
    assert ring_check_sheet(flock).lines == ()


def test_a_leap_day_has_its_sheets_and_an_age_from_it(recorded) -> None:
    flock = flock_on(recorded, "2024-02-29").flock
    assert set(printed(weighing_sheet(flock))) == {"24-H3"}
    later = flock_on(recorded, "2024-03-14").flock
    assert printed(weighing_sheet(later))["24-H3"][1] == "2"
    assert "as of 2024-02-29" in pen_page(look_sheet(flock), flock)


def test_a_treatment_is_a_caution_on_the_egg_sheet_until_its_withdrawal_is_over(recorded) -> None:
    """2 June and 7 days: the last of them is 9 June."""
    said = {day: withdrawals(flock_on(recorded, f"2026-06-{day}").flock) for day in ("01", "02", "09", "10")}
    assert [len(said[day]) for day in ("01", "02", "09", "10")] == [0, 1, 1, 0]
    assert "7 days of withdrawal on record, up to and with 2026-06-09" in said["09"][0]
    assert "veterinary surgeon" in pen_page(
        egg_sheet(flock_on(recorded, "2026-06-05").flock), flock_on(recorded, "2026-06-05").flock
    )


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
    ).reindex(columns=flock.decisions.columns)
    decided = replace(flock, decisions=made.astype(flock.decisions.dtypes.to_dict()))
    for sheet in (look_sheet(decided), weighing_sheet(decided)):
        assert [line.bird for line in sheet.lines if line.group == DECIDED_TO_GO] == [bird]
        assert sheet.lines[-1].bird == bird


def test_the_catch_list_tells_pen_by_pen_each_bird_s_colours_name_sex_price_and_lot(flock):
    known = flock.birds[flock.birds["alive"]].head(3)
    rows = pd.DataFrame({"bird": known["bird"], "left": "red", "right": "blue"}).reset_index(drop=True)
    rows = rows.assign(
        pen=["orchard", "orchard", None], sold_as=["layer", "layer", None], lot=["two", "two", None]
    )
    sheet = catch_list(flock, rows.assign(price=[18.5, 18.5, float("nan")]))
    assert [line.group for line in sheet.lines] == ["Pen orchard", "Pen orchard", "No pen on record"]
    of = called(flock)
    for line, bird, sex in zip(sheet.lines, known["bird"], known["sex"], strict=True):
        told = dict(zip(sheet.printed, line.printed, strict=True))
        assert told["Colours, left and right"] == of(bird).colours and told["Name"] == (of(bird).name or "")
        assert told["Sex"] == sex
        assert told["Asked"] == ("" if line is sheet.lines[2] else Currency(flock.plan.currency).words(18.5))
    assert [box.title for box in sheet.boxes] == ["Caught", "Buyer"]
    page = pen_page(sheet, flock)
    assert all(page.count(f">{bird}</th>") == 1 for bird in known["bird"])
