"""Rows that cannot be, or ask for a second look: each said in words, and the good rows beside them kept."""

from __future__ import annotations

import tempfile
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from selection.records.flock import read_flock
from selection.records.forms.reading import read_forms
from selection.records.intake.recording import Recorded, record
from selection.records.intake.taking_in import Intake, take_in
from selection.records.settings.plan import InForce
from selection.records.settings.reading import parse_standard
from tests.records import small

STANDARD = parse_standard(small.STANDARD)


def recorded(folder: Path, forms: dict[str, small.Rows], **settings: str) -> Recorded:
    return record(folder / "flock", small.write(folder / "forms", forms, **settings))


IN_FORCE = InForce(((date.min, STANDARD),))


def taken_in(folder: Path, forms: dict[str, small.Rows], *on_record: str) -> Intake:
    """What comes of handing the forms to a flock that has only these forms of the small holding on record."""
    handed = read_forms(small.write(folder / "forms", forms))
    return take_in(handed, IN_FORCE, {name: small_holding()[name] for name in on_record})


@cache
def small_holding() -> dict[str, pd.DataFrame]:
    """The small holding's rows as they are recorded, by form."""
    with tempfile.TemporaryDirectory() as folder:
        return taken_in(Path(folder), small.forms()).rows


def changes(folder: Path, forms: dict[str, small.Rows], *also: str) -> Intake:
    """What comes of handing in the forms that are not as the small holding has them (and `also`), the rest on record.

    Each form then passes through its own checks once, which are what takes the time.
    """
    usual = small.forms()
    now = {name: rows for name, rows in forms.items() if name in also or rows != usual.get(name)}
    return taken_in(folder, now, *(name for name in usual if name not in now))


def changed(form: str, at: int, **cells: Any) -> dict[str, small.Rows]:
    """The small holding with some cells of one row changed."""
    forms = small.forms()
    forms[form][at] = forms[form][at] | cells
    return forms


def added(form: str, *rows: dict[str, Any]) -> dict[str, small.Rows]:
    """The small holding with rows added to one form."""
    forms = small.forms()
    forms[form] = [*forms.get(form, []), *rows]
    return forms


def test_a_measurement_is_taken_with_its_traits_unit_or_one_that_it_can_be_counted_in(tmp_path):
    rows = [
        {"on": "2026-09-01", "bird": bird, "trait": "Shank Width ", "value": value}
        for bird, value in (("26-01", "14.5 mm"), ("26-02", "1.4 cm"), ("26-03", 13))
    ]
    intake = taken_in(tmp_path, small.forms() | {"measures": rows})
    assert intake.rows["measures"]["value"].tolist() == [14.5, 14.0, 13.0]
    said = [f.expected for f in intake.findings if f.form == "measures"]
    assert said == ["taken as 14.5", "taken as 14"]


LOOK = {"on": "2026-09-02", "judge": "Bea", "type": 30, "head": 30}
WEIGHT = {"on": "2026-09-02", "grams": 2900}
SALE = {"on": "2026-10-01", "sold_as": "pet", "price": 20}

# what is handed in; where the fault is (form, row); words that must be in its reason
FAULTS: dict[str, tuple[dict[str, small.Rows], tuple[str, int], str]] = {
    "an unknown bird": (
        added("scores", LOOK | {"bird": "26-99"}),
        ("scores", 4),
        "bird: found 26-99; no such bird is on record",
    ),
    "an unknown clutch of a bird": (
        changed("birds", 5, clutch="26-B9"),
        ("birds", 7),
        "clutch: found 26-B9; no such clutch is on record",
    ),
    "an unknown clutch of a mixed brood": (
        changed("birds", 5, clutch="26-B1;26-B9"),
        ("birds", 7),
        "no clutch 26-B9",
    ),
    "an unknown clutch of a bill": (
        changed("costs", 0, clutch="26-X"),
        ("costs", 2),
        "found 26-X; no such clutch is on record",
    ),
    "a measurement in another unit than its trait's": (
        changed("measures", 0, value="14.5 kg"),
        ("measures", 2),
        "value: found 14.5 kg; expected a number in mm, not in kg",
    ),
    "an unknown sire": (
        changed("birds", 3, sire="24-C9"),
        ("birds", 5),
        "sire: found 24-C9; no such bird is on record",
    ),
    "a pair that nobody wears": (
        added("scores", LOOK | {"left": "green", "right": "pink"}),
        ("scores", 4),
        "left, right: found green and pink; no living bird wore it on 2026-09-02; there was left green on 26-01, 26-02",
    ),
    "one colour that fits several": (
        added("scores", LOOK | {"left": "green"}),
        ("scores", 4),
        "on 2026-09-02 it fits 26-01, 26-02",
    ),
    "a bird and the colours of another": (
        added("scores", LOOK | {"bird": "26-01", "left": "green", "right": "blue"}),
        ("scores", 4),
        "bird: found 26-01; the bird its own colours mean that day, 26-02",
    ),
    "nobody named": (
        added("scores", LOOK),
        ("scores", 4),
        "a bird's number, or its colours, or clutch, sex and n",
    ),
    "more points than the section gives": (
        changed("scores", 0, type=41),
        ("scores", 2),
        "type: found 41; expected 0 to 40",
    ),
    "a tenth of a point": (
        changed("scores", 0, type=30.1),
        ("scores", 2),
        "type: found 30.1; whole points, halves",
    ),
    "text in a number": (
        changed("weights", 0, grams="2.9 or so"),
        ("weights", 2),
        "grams: found 2.9 or so; expected a number by itself",
    ),
    "not blank but n/a": (changed("weights", 0, grams="n/a"), ("weights", 2), "grams: found n/a"),
    "a blank that must be filled": (
        changed("weights", 0, grams=""),
        ("weights", 2),
        "grams: found a blank cell; expected weight",
    ),
    "a date that reads two ways": (
        changed("weights", 0, on="04/05/2026"),
        ("weights", 2),
        "2026-04-05 or 2026-05-04",
    ),
    "a look before the hatch": (
        changed("scores", 0, on="2026-04-01"),
        ("scores", 2),
        "on: found 2026-04-01; no day before 26-01 hatched, 2026-04-18",
    ),
    "unnamed chicks before the hatch": (
        changed("weights", 1, on="2026-04-01"),
        ("weights", 3),
        "no day before 26-B1 hatched",
    ),
    "a weight of nothing": (changed("weights", 0, grams=0), ("weights", 2), "more than nothing"),
    "its own ancestor": (
        changed("birds", 0, sire="24-C1"),
        ("birds", 2),
        "among its own ancestors: 24-C1 ← 24-C1",
    ),
    "a parent younger than its chick": (
        changed("birds", 3, sire="26-03"),
        ("birds", 5),
        "a parent older than its chick, where this one hatched on 2026-04-19",
    ),
    "a sire recorded female": (
        changed("birds", 3, sire="24-H1"),
        ("birds", 5),
        "sire: found 24-H1; a sire that is not recorded female",
    ),
    "a dam recorded male": (
        changed("birds", 3, dam="24-C1"),
        ("birds", 5),
        "dam: found 24-C1; a dam that is not recorded male",
    ),
    "a cock laying": (
        changed("eggs", 1, bird="24-C1"),
        ("eggs", 3),
        "bird: found 24-C1; a hen: it is recorded male",
    ),
    "eggs from nowhere": (
        added("eggs", {"on": "2026-05-03", "eggs": 1}),
        ("eggs", 4),
        "a pen, or the hen where she is known",
    ),
    "eggs of a hen in no pen": (
        added("eggs", {"on": "2026-05-03", "bird": "26-02", "eggs": 1}),
        ("eggs", 4),
        "does not say where 26-02 stood",
    ),
    "eggs of a pen misspelt": (
        added("eggs", {"on": "2026-05-03", "pen": "Old Yrad", "eggs": 1}),
        ("eggs", 4),
        "a pen of the pens form: Old Yard",
    ),
    "half an egg": (changed("eggs", 0, eggs=1.5), ("eggs", 2), "eggs: found 1.5; expected a whole number"),
    "more fertile than set": (
        changed("clutches", 0, fertile=13),
        ("clutches", 2),
        "fertile: found 13; at most the 12 of eggs_set",
    ),
    "more hatched than fertile": (
        changed("clutches", 0, hatched=11),
        ("clutches", 2),
        "hatched: found 11; at most the 10 of fertile",
    ),
    "hatched before it was set": (
        changed("clutches", 0, hatched_on="2026-03-01"),
        ("clutches", 2),
        "a day after it was set, 2026-03-28",
    ),
    "a fault the standard does not name": (
        changed("scores", 0, faults="wry tail; blue eye"),
        ("scores", 2),
        "“blue eye” is none of the standard's faults: wry tail, pale legs",
    ),
    "a trait the standard does not name": (
        changed("measures", 0, trait="shank"),
        ("measures", 2),
        "one of the standard's traits: shank width",
    ),
    "a word that is not allowed": (
        changed("sales", 0, sold_as="swap"),
        ("sales", 2),
        "sold_as: found swap; expected one of breeding, layer, pet, table",
    ),
    "a price below nothing": (
        changed("sales", 0, price=-3),
        ("sales", 2),
        "price: found -3; expected 0 or more",
    ),
    "two prices of one lot": (
        added(
            "sales",
            SALE | {"bird": "26-01", "lot": "trio"},
            SALE | {"bird": "26-02", "lot": "trio", "price": 25},
        ),
        ("sales", 3),
        "one price on every row of the lot, the lot's; it has 20 and 25",
    ),
    "gone before it hatched": (
        changed("birds", 3, gone_on="2026-03-01"),
        ("birds", 5),
        "no day before its hatch on 2026-04-18",
    ),
    "why it went but not when": (
        changed("birds", 3, gone_why="died"),
        ("birds", 5),
        "the day it went, beside why",
    ),
    "a ring off before it was on": (
        changed("rings", 0, removed_on="2026-05-01"),
        ("rings", 2),
        "no day before it was fitted, 2026-06-01",
    ),
    "two living birds with one pair": (
        added(
            "rings",
            *(
                {"bird": "26-04", "leg": leg, "colour": c, "fitted_on": "2026-06-05"}
                for leg, c in (("left", "Green"), ("right", "RED"))
            ),
        ),
        ("rings", 9),
        "26-01 and 26-04 both wear green and red on 2026-06-05",
    ),
    "out of a pen before in it": (
        changed("pens", 0, to="2026-01-01"),
        ("pens", 2),
        "no day before the first one there, 2026-01-10",
    ),
    "two labels for one clutch": (
        added("clutches", {"clutch": "26-B2;26-B3", "origin": "bought-in", "set_on": "2026-05-01"}),
        ("clutches", 4),
        "a label without ;",
    ),
    "another sex than its own": (
        changed("weights", 0, sex="female"),
        ("weights", 2),
        "no other sex than the bird's own, male",
    ),
    "one bird that speaks for three": (
        changed("weights", 0, n=3),
        ("weights", 2),
        "the row speaks for one bird",
    ),
    "another clutch than its own": (
        changed("weights", 0, clutch="26-B1"),
        ("weights", 2),
        "no other clutch than the bird's own, 26-H1",
    ),
    "one key twice": (
        added("scores", LOOK | {"on": "2026-09-01", "judge": "ANN ", "bird": "26-01"}),
        ("scores", 4),
        "the same on, judge, bird as in row 2",
    ),
    "two bills alike": (
        added("costs", {"on": "2026-05-30", "item": "feed", "amount": 9}),
        ("costs", 4),
        "tell two bills of one day apart with line",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.slow
def test_a_row_that_cannot_be_is_refused_with_place_found_and_expected(tmp_path, name):
    forms, (form, row), words = FAULTS[name]
    intake = changes(tmp_path, forms)
    there = [f.reason() for f in intake.findings if f.refused and (f.form, f.row) == (form, row)]
    assert any(words in reason for reason in there), intake.findings
    assert row in intake.refused[form]
    good = len(forms[form]) - len(intake.refused[form])
    assert good == len(intake.rows[form]), "the good rows beside it are kept"


REMARKS: dict[str, tuple[dict[str, small.Rows], str]] = {
    "hatched after 25 days": (
        changed("clutches", 0, hatched_on="2026-04-22"),
        "25 days after setting, where 19 to 23 are usual",
    ),
    "seen after it went": (
        added("weights", WEIGHT | {"bird": "24-H2"}),
        "24-H2 is on record as gone on 2026-08-01",
    ),
    "seen after it was sold": (
        added("weights", WEIGHT | {"bird": "26-04", "on": "2026-09-30"}),
        "26-04 is on record as gone on 2026-09-20",
    ),
    "seen before it came": (
        changed("birds", 1, came_on="2026-05-03", origin="bought-in"),
        "24-H1 came only on 2026-05-03",
    ),
    "a supplier of home-bred eggs": (
        changed("clutches", 0, source="Ellery"),
        "since these eggs are home-bred",
    ),
    "a total beside sections": (changed("scores", 0, total=80), "a total is for old cards without sections"),
    "a hen that stood elsewhere": (
        added("eggs", {"on": "2026-08-05", "pen": "Old Yard", "bird": "26-02", "eggs": 1}),
        "26-02 did not stand there that day",
    ),
    "more eggs than hens": (
        changed("eggs", 0, eggs=22),
        "hens there: 2, days: 1; they can hardly lay so many",
    ),
    "days counted twice": (
        added("eggs", {"on": "2026-05-03", "pen": "Old Yard", "eggs": 4, "days": 3}),
        "its days reach over the count of 2026-05-01",
    ),
    "hens that laid more than their pen": (
        added("eggs", {"on": "2026-05-02", "pen": "Old Yard", "eggs": 0}),
        "hens of the pen laid 1 by their own rows",
    ),
    "eggs too heavy": (changed("eggs", 0, grams=1180), "590 g an egg"),
    "a price of nothing": (changed("sales", 0, price=0), "taken as given away"),
    "sold on another day than it went": (
        changed("birds", 6, gone_on="2026-09-19", gone_why="sold"),
        "on record it went on 2026-09-19",
    ),
    "more birds than chicks": (changed("clutches", 0, hatched=1), "2 birds are entered of this clutch"),
    "a pen without birds": (
        changed("clutches", 0, pen="New Yard"),
        "a pen of the pens form, where this one has no birds yet",
    ),
    "in two pens at once": (
        added("pens", {"pen": "Orchard", "bird": "24-C1", "from": "2026-03-01"}),
        "it has not left Old Yard by then",
    ),
    "a second ring on one leg": (
        added("rings", {"bird": "26-01", "leg": "right", "colour": "pink", "fitted_on": "2026-07-01"}),
        "taken in place of red",
    ),
    "a left colour with few free pairs left": (
        added(
            "rings",
            *(
                {"bird": "26-04", "leg": leg, "colour": c, "fitted_on": "2026-06-02"}
                for leg, c in (("left", "green"), ("right", "white"))
            ),
            *(
                {"bird": "24-H1", "leg": leg, "colour": c, "fitted_on": "2026-06-02"}
                for leg, c in (("left", "green"), ("right", "green"))
            ),
        ),
        "taken, but green on the left is running out: of 4 pairs with the colours worn so far 0 are free",
    ),
    "one colour that fits one bird": (
        added("scores", LOOK | {"right": "blue"}),
        "taken as 26-02, the only living bird with it",
    ),
    "a date written another way": (
        changed("weights", 0, on="25/09/2026"),
        "on: found 25/09/2026; taken as 2026-09-25",
    ),
    "a decimal comma": (changed("scores", 0, head="25,5"), "head: found 25,5; taken as 25.5"),
    "the same row twice": (
        added("eggs", {"on": "2026-05-01", "pen": "old yard", "eggs": "2.0"}),
        "the rows say the same, and one is kept",
    ),
    "a weight far off the standard": (changed("weights", 0, grams=29000), "far off the 1500 to 4600 g"),
    "more chicks than hatched": (changed("weights", 1, n=9), "more than the 7 that hatched"),
    "a column that is not the form's": (
        changed("weights", 0, colour="buff"),
        "colour: found a column that this form does not have; not recorded",
    ),
    "a section misspelt": (
        changed("scores", 0, tpye="3"),
        "tpye: found a column that this form does not have; not recorded; perhaps type",
    ),
}


@pytest.mark.parametrize("name", REMARKS)
@pytest.mark.slow
def test_what_is_odd_is_taken_and_reported(tmp_path, name):
    forms, words = REMARKS[name]
    intake = changes(tmp_path, forms, "pens", "sales")  # their rules look at birds too
    assert not any(map(len, intake.refused.values())), intake.findings
    assert any(words in str(f) for f in intake.findings), intake.findings


def test_the_small_holding_itself_has_nothing_to_report(tmp_path):
    assert recorded(tmp_path, small.forms()).findings == ()


def test_a_loop_of_parents_names_every_bird_of_it(tmp_path):
    forms = small.forms()
    forms["birds"] += [
        {"bird": "A", "sex": "male", "sire": "B"},
        {"bird": "B", "sex": "male", "sire": "C"},
        {"bird": "C", "sex": "male", "sire": "A"},
    ]
    found = recorded(tmp_path, forms)
    reasons = {f.row: f.reason() for f in found.findings if f.refused}
    assert set(reasons) == {9, 10, 11}
    assert all(bird in reasons[9] for bird in "ABC")


def test_a_bird_refused_takes_with_it_only_the_rows_that_name_it(tmp_path):
    forms = changed("birds", 3, sex="drake")
    found = recorded(tmp_path, forms)
    assert {(f.form, f.row) for f in found.findings if f.refused} == {
        ("birds", 5),
        ("rings", 2),
        ("rings", 3),
        ("scores", 2),
        ("weights", 2),
        ("measures", 2),
    }
    assert found.taken["scores"] == 1
    (reason,) = {f.expected for f in found.findings if f.refused and f.form != "birds"}
    assert reason == "its row of the birds form was refused: mend that, and hand this in again"


def test_a_parent_of_the_wrong_sex_entered_together_with_its_chick_is_the_chicks_fault(tmp_path):
    found = recorded(tmp_path, changed("birds", 3, dam="24-C1"))
    assert {(f.form, f.row) for f in found.findings if f.refused and f.column == "sex"} == set()
    assert "24-C1" in {row["bird"] for row in small.forms()["pens"]} and found.taken["pens"] == 3


def test_every_fault_of_a_row_is_said_at_once(tmp_path):
    forms = added(
        "scores",
        LOOK | {"on": "soon", "bird": "26-99", "type": 30.1, "head": "x", "faults": "blue eye"},
        LOOK | {"on": "soon", "clutch": "26-H9"},
        LOOK | {"on": "25 September 2026", "right": "pink", "head": "x"},
    )
    found = recorded(tmp_path, forms)
    columns = {row: [f.column for f in found.findings if f.row == row] for row in (4, 5, 6)}
    assert columns == {4: ["on", "head", "bird", "type", "faults"], 5: ["on", "clutch"], 6: ["head", "right"]}
    assert all(f.refused for f in found.findings), "nothing is called taken of a row that is not"


def test_a_missing_column_refuses_every_row_and_is_named(tmp_path):
    forms = small.forms()
    for row in forms["weights"]:
        del row["grams"]
    found = recorded(tmp_path, forms)
    back = small.read_csv(tmp_path / "flock/refused/weights.csv")
    assert [r["row"] for r in back] == ["2", "3"]
    assert all(
        "grams: found no column of that name; every row needs it whose key is not on record yet"
        in r["reason"]
        for r in back
    )
    assert "weights" not in found.taken


def test_a_column_that_stands_there_twice_refuses_the_sheet(tmp_path):
    folder = small.write(tmp_path / "forms", small.forms())
    (folder / "weights.csv").write_text("on,bird,Grams,grams\n2026-09-01,26-01,2900,2950\n")
    found = record(tmp_path / "flock", folder)
    assert "two columns of that name" in small.read_csv(tmp_path / "flock/refused/weights.csv")[0]["reason"]
    assert found.status == 1


def test_the_colours_of_a_bird_gone_are_free_again(tmp_path):
    """26-04 was sold on 20 September; the day after, 26-05 may wear its pair, and is who a look then means."""
    forms = small.forms()
    forms["birds"].append({"bird": "26-05", "sex": "female", "clutch": "26-H1"})
    for bird, day in (("26-04", "2026-06-01"), ("26-05", "2026-09-21")):
        for leg, colour in (("left", "white"), ("right", "pink")):
            forms["rings"].append({"bird": bird, "leg": leg, "colour": colour, "fitted_on": day})
    pair = {"left": "white", "right": "pink"}
    forms["scores"] += [LOOK | pair, LOOK | pair | {"on": "2026-09-25"}]
    found = recorded(tmp_path, forms)
    assert found.status == 0, found.words()


def test_a_hens_eggs_find_her_pen(tmp_path):
    from selection.records.flock import read_flock

    forms = added("eggs", {"on": "2026-05-04", "bird": "24-h1", "eggs": 1})
    assert recorded(tmp_path, forms).status == 0
    last = read_flock(tmp_path / "flock").eggs.iloc[-1]
    assert (last["pen"], last["bird"]) == ("Old Yard", "24-H1")


@pytest.mark.parametrize(("chick", "dam"), [("2024", "2024"), ("2024-03-20", "2024"), ("2024", "2024-04-01")])
def test_parent_and_chick_of_one_year_are_refused_as_a_meeting_would(tmp_path, chick, dam):
    forms = changed("birds", 1, dam="24-H2", hatched_on=chick)
    forms["birds"][2]["hatched_on"] = dam
    (fault,) = (f for f in taken_in(tmp_path, forms).findings if f.form == "birds")
    assert fault.refused and "a bare year counts as its 1 April" in str(fault)
    forms["birds"][2]["hatched_on"] = "2023"
    assert taken_in(tmp_path, forms).findings == []


def test_no_bird_is_sire_of_one_and_dam_of_another(tmp_path):
    forms = changed("birds", 3, sire="25-01")
    forms["birds"].insert(3, {"bird": "25-01", "sex": "unknown", "hatched_on": "2025"})
    forms["birds"].append({"bird": "26-09", "sex": "male", "clutch": "26-H1", "dam": "25-01"})
    faults = [f for f in taken_in(tmp_path, forms).findings if f.refused]
    assert {f.column for f in faults if f.form == "birds"} == {"sire", "dam"}
    assert "enter its sex" in str(faults[0])


def test_a_parents_day_may_not_be_corrected_to_one_after_its_chicks(tmp_path):
    recorded(tmp_path, changed("birds", 3, sire="24-C1"))
    late = small.write_csv(
        tmp_path / "birds.csv", [{"bird": "24-C1", "sex": "male", "hatched_on": "2026-05-01"}]
    )
    found = record(tmp_path / "flock", late, correct=True)
    assert "hatched_on: found 2026-05-01; an older bird: it is sire of 26-01" in found.words()


def test_a_parent_may_not_be_corrected_to_the_other_sex(tmp_path):
    recorded(tmp_path, changed("birds", 3, sire="24-C1"))
    other = small.write_csv(tmp_path / "birds.csv", [{"bird": "24-C1", "sex": "female"}])
    found = record(tmp_path / "flock", other, correct=True)
    assert "sex: found female; no female, since it is sire of 26-01" in found.words()


def test_a_cell_that_cannot_be_read_is_not_called_blank_as_well(tmp_path):
    (finding,) = taken_in(tmp_path, changed("weights", 0, grams="heavy")).findings
    assert finding.found == "heavy"


BIRDS = [f"26-{i}" for i in range(11, 21)]
"""Ten cockerels of one clutch, hatched on 2026-04-18."""


def flock_with(folder: Path, **more: small.Rows) -> Path:
    """The small holding, with ten cockerels more and these rows, recorded."""
    forms = small.forms()
    forms["clutches"][0] |= {"eggs_set": 30, "fertile": 25, "hatched": 20}
    forms["birds"] += [{"bird": bird, "sex": "male", "clutch": "26-H1"} for bird in BIRDS]
    for form, rows in more.items():
        forms[form] = rows
    return small.flock(folder, forms)


def hand_in(flock: Path, form: str, *rows: dict[str, Any]) -> Recorded:
    return record(flock, small.write_csv(flock.parent / f"{form}.csv", list(rows)))


def look(bird: str, points: float, judge: str = "Ann", on: str = "2026-09-01") -> dict[str, Any]:
    return {"on": on, "judge": judge, "bird": bird, "type": points, "head": 25}


def weighing(bird: str, grams: float, on: str = "2026-09-01") -> dict[str, Any]:
    return {"on": on, "bird": bird, "grams": grams}


# a judge's points


LOOKS = [look(bird, 30 + i % 3 / 2) for i, bird in enumerate(BIRDS)]


def test_points_far_from_what_the_judge_usually_gives_are_taken_and_asked_about(tmp_path):
    flock = flock_with(tmp_path, scores=LOOKS)
    found = hand_in(flock, "scores", look("26-11", 13, "ann", "2026-09-20"))
    assert (found.status, found.taken) == (0, {"scores": 1})
    (said,) = found.findings
    assert (said.row, said.column, said.refused) == (2, "type", False)
    assert "half of ann's 11 looks on record lie within 0.5 of 30.5 points" in said.expected


@pytest.mark.parametrize("points", [31.25, 32.5])
def test_a_little_more_is_not_far(tmp_path, points):
    found = hand_in(flock_with(tmp_path, scores=LOOKS), "scores", look("26-11", points, on="2026-09-20"))
    assert (found.status, found.findings) == (0, ())


def test_a_new_judge_has_no_usual_and_is_asked_about_once(tmp_path):
    """It may be a slip of the pen for a judge on record: named once, and no more when the judge is known."""
    flock = flock_with(tmp_path, scores=LOOKS)
    found = hand_in(flock, "scores", *(look(b, 13, "Anne", "2026-09-20") for b in ("26-11", "26-12")))
    assert (found.status, found.taken) == (0, {"scores": 2})
    (said,) = found.findings
    assert (said.row, said.column) == (2, "judge")
    assert "on record: Ann." in said.expected
    assert hand_in(flock, "scores", look("26-13", 13, "anne", "2026-09-20")).findings == ()


def test_what_is_usual_is_a_share_of_what_the_standard_of_the_day_gives(tmp_path):
    """30 of 40 is usual; under a later standard that gives 20 this is 15, and 30 there cannot be."""
    flock = flock_with(tmp_path, scores=LOOKS)
    half = small.STANDARD.replace("points = 40", "points = 20", 1).replace("points = 40", "points = 60")
    later = {"scores": [look("26-11", 15, on="2026-10-05") | {"head": 37}, look("26-12", 8, on="2026-10-05")]}
    found = record(flock, small.write(tmp_path / "later", later, standard=half, plan=None))
    assert [(f.row, f.column) for f in found.findings] == [(3, "type"), (3, "head")]


# a bird's weight


@pytest.mark.parametrize(
    ("on", "grams", "asked"),
    [
        ("2026-09-15", 290, "the bird's own 2900 g of 2026-09-01"),
        ("2026-09-15", 29500, "the bird's own 2900 g of 2026-09-01"),
        ("2026-08-15", 4800, "the bird's own 2900 g of 2026-09-01"),
        ("2026-09-15", 2.95, "kilograms? Then it is 2950 g"),
        ("2026-09-15", 0.95, "kilograms? Then it is 950 g"),
        ("2026-09-15", 2400, ""),
        ("2026-09-15", 3900, ""),
        ("2026-06-01", 650, ""),
    ],
)
def test_a_weight_far_off_the_birds_own_is_taken_and_asked_about(tmp_path, on, grams, asked):
    flock = flock_with(tmp_path)
    found = hand_in(flock, "weights", weighing("26-01", grams, on))
    assert (found.status, found.taken) == (0, {"weights": 1})
    assert [asked in f.expected for f in found.findings] == [True] * bool(asked)
    assert grams in read_flock(flock).weights["grams"].tolist()


def test_a_first_weight_is_held_against_birds_of_its_sex_and_age(tmp_path):
    mates = [weighing(bird, 1400 + 20 * i, "2026-07-10") for i, bird in enumerate(BIRDS[:6])]
    flock = flock_with(tmp_path, weights=mates)
    found = hand_in(
        flock, "weights", weighing("26-20", 154, "2026-07-12"), weighing("26-19", 1000, "2026-07-12")
    )
    (said,) = found.findings
    assert said.row == 2
    assert "birds of its sex and age weigh about 1430 g, by 8 weighings" in said.expected


def test_a_kept_slip_does_not_question_the_weighings_after_it(tmp_path):
    flock = flock_with(tmp_path, weights=[weighing("26-11", 1.9, "2026-08-01")])
    assert hand_in(flock, "weights", weighing("26-11", 2300)).findings == ()


def test_of_a_bird_whose_hatch_nobody_knows_a_gain_is_not_asked_about_but_a_loss_is(tmp_path):
    forms = small.forms()["birds"] + [{"bird": "X1", "sex": "female"}]
    flock = flock_with(tmp_path, birds=forms, weights=[weighing("X1", 900, "2026-06-01")])
    assert hand_in(flock, "weights", weighing("X1", 2500)).findings == ()
    assert len(hand_in(flock, "weights", weighing("X1", 500, "2026-06-20")).findings) == 1
