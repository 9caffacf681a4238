"""The settings files: what they give, and that every fault is named by file and key, all at once."""

from __future__ import annotations

from datetime import date

import pytest

from selection.errors import SettingsError
from selection.records.settings.plan import Keep, Offer, parse_plan
from selection.records.settings.reading import parse_standard, read_standard
from tests.records import small

STANDARD = parse_standard(small.STANDARD)


def faults_of(parse, text: str, *more: object) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        parse(text, *more)
    return str(caught.value).splitlines()


def test_a_standard_is_read_with_its_sections_faults_and_measured_traits():
    assert [s.name for s in STANDARD.by_eye] == ["type", "head"]
    (size,) = STANDARD.by_measure
    assert size.band == {"male": (3000, 3600), "female": (2400, 2900)}
    assert size.at_weeks == 24
    assert [(f.name, f.serious, f.costs) for f in STANDARD.faults] == [
        ("wry tail", True, 0),
        ("pale legs", False, 2),
    ]
    assert STANDARD.measured[0].unit == "mm"


def test_a_plan_is_read_with_the_documented_defaults():
    plan = parse_plan("on = 2026-10-10", STANDARD)
    assert (plan.on, plan.season, plan.keep) == (date(2026, 10, 10), 2026, {})
    assert (plan.look_worth, plan.egg_days, plan.cock_days, plan.same_pen) == (0.1, 10, 21, 0.5)
    assert (plan.most_inbreeding, plan.currency) == (0.0625, "")


def test_a_plan_keeps_its_groups_in_the_order_they_are_written():
    plan = parse_plan(
        "on = 2026-10-10\n[keep]\nhens = { number = 6 }\n"
        'cockerels = { from = ["bought-in", "Home-Bred"], number = 1, reserve = 2 }',
        STANDARD,
    )
    assert list(plan.keep) == ["hens", "cockerels"]
    assert plan.keep["cockerels"] == Keep(1, 2, ("bought-in", "home-bred"))
    assert plan.keep["hens"].origins == ()


def test_worth_and_correlations_take_the_names_of_the_standard():
    text = "on = 2026-10-10\n[worth]\nType = 1.5\nlaying = 0.3\n[correlations]\ntype.head = 0.2"
    plan = parse_plan(text, STANDARD)
    assert plan.worth == {"type": 1.5, "laying": 0.3}
    assert plan.correlations == {("type", "head"): 0.2}


def test_a_meeting_may_fall_in_the_winter_after_its_season():
    assert parse_plan("on = 2027-01-05\nseason = 2026", STANDARD).season == 2026
    assert "season" in faults_of(parse_plan, "on = 2027-01-05\nseason = 2062", STANDARD)[0]


PLAN_FAULTS = {
    "on = 2026-10-10\n[correlations]\ntype.type = 0.5": "correlations, type.type: found a number 0.5; allowed: each",
    'on = "2026-10-10"': 'on: found text "2026-10-10"; allowed: a date without quotes',
    "on = 2026-10-10T00:00:00": "on: found a date",
    "": "on: found nothing",
    "on = 2026-10-10\nsesaon = 2026": "sesaon: found a whole number 2026; allowed: nothing by that name",
    "on = 2026-10-10\nseason = true": "season: found true; allowed: a whole number",
    "on = 2026-10-10\n[keep]\npullets = 4": "keep, pullets: found a whole number 4; allowed: a table",
    "on = 2026-10-10\n[keep]\npullets = { }": "keep, pullets, number: found nothing",
    "on = 2026-10-10\n[keep]\npullets = { number = true }": "keep, pullets, number: found true",
    "on = 2026-10-10\n[keep]\npullets = { number = 1, from = 'shop' }": 'from: found text "shop"; allowed: "bought-in"',
    "on = 2026-10-10\n[keep]\npullets = { number = 1, from = [] }": "keep, pullets, from: found a list []",
    "on = 2026-10-10\n[keep]\nducks = { number = 1 }": "keep, ducks: found a table",
    "on = 2026-10-10\n[worth]\nwings = 1": "worth, wings: found a whole number 1; allowed: nothing by that name",
    "on = 2026-10-10\n[worth]\ntype = nan": "worth, type: found a number nan",
    "on = 2026-10-10\n[correlations]\ntype.head = 1.0": "correlations, type, head: found a number 1.0",
    "on = 2026-10-10\n[correlations]\ntype.head = 0.2\nhead.type = 0.2": "correlations, head.type",
    "on = 2026-10-10\n[correlations]\ntype.type = 0.2": "correlations, type.type",
    "on = 2026-10-10\n[matings]\nmost_inbreeding = 2": "most_inbreeding: found a whole number 2; allowed: a number",
    "on = 2026-10-10\n[blood]\nsame_pen = inf": "blood, same_pen: found a number inf",
}


@pytest.mark.parametrize("text", PLAN_FAULTS)
def test_a_fault_of_the_plan_names_file_key_found_and_allowed(text):
    (line,) = faults_of(parse_plan, text, STANDARD)
    assert line.startswith("plan.toml: ")
    assert PLAN_FAULTS[text] in line


def replaced(old: str, new: str) -> str:
    assert old in small.STANDARD
    return small.STANDARD.replace(old, new, 1)


STANDARD_FAULTS = {
    "points do not add up": (
        replaced("points = 40", "points = 30"),
        "add up to 90 (type 30 + head 40 + size 20)",
    ),
    "a key misspelt": (replaced("heritability", "heritabilty"), "“type”, heritabilty: found a number 0.3"),
    "an unknown key": ('wings = "two"\n' + small.STANDARD, 'wings: found text "two"'),
    "repeatability too low": (
        replaced("repeatability = 0.5", "repeatability = 0.33"),
        "allowed: at least 0.34",
    ),
    "no band": (replaced("band = {", "band_ = {"), "section “size”, band: found nothing"),
    "no age": (replaced("at_weeks = 24", ""), "section “size”, at_weeks: found nothing"),
    "band upside down": (replaced("[3000, 3600]", "[3600, 3000]"), "band, male: found a list [3600, 3000]"),
    "band of one": (replaced("[3000, 3600]", "[3000]"), "band, male: found a list [3000]"),
    "none inside band": (replaced("male = [2000,", "male = [3100,"), "none.male: found a list [3100"),
    "text for a number": (replaced("points = 40", 'points = "40"'), 'points: found text "40"'),
    "true for a number": (replaced("points = 40", "points = true"), "points: found true"),
    "one for true": (replaced("serious = true", "serious = 1"), "serious: found a whole number 1"),
    "a section twice": (replaced('"head"', '"Type"'), "section “Type”, name"),
    "a column of the form": (replaced('"head"', '"judge"'), "a column of the scores form already"),
    "a fault twice": (replaced('"pale legs"', '"Wry tail"'), "fault “Wry tail”, name"),
    "no unit": (replaced('unit = "mm"', ""), "measured “shank width”, unit: found nothing"),
    "no breed": (replaced('breed = "Marram"', ""), "breed: found nothing"),
    "measured by something else": (
        replaced('"weight"', '"girth"'),
        'measured: found text "girth"; allowed: weight',
    ),
}


@pytest.mark.parametrize("name", STANDARD_FAULTS)
def test_a_fault_of_the_standard_names_file_key_found_and_allowed(name):
    text, expected = STANDARD_FAULTS[name]
    lines = faults_of(parse_standard, text)
    assert all(line.startswith("standard.toml: ") for line in lines)
    assert any(expected in line for line in lines), lines


def test_a_section_judged_by_eye_has_no_band():
    text = replaced('name = "head"', 'name = "head"\nat_weeks = 20')
    assert (
        "at_weeks, band, none, grown_weeks belong to a measured section" in faults_of(parse_standard, text)[0]
    )


def test_all_faults_are_said_at_once():
    text = (
        replaced("points = 40", "points = -1").replace("serious = true", "serious = 3").replace('"mm"', "5")
    )
    assert len(faults_of(parse_standard, text)) == 3


@pytest.mark.parametrize(
    "junk", [b"\x00\xff\xfe", b"breed = ", b"[[[[", "breed = \u2028".encode(), b"a=" + b"[" * 5000]
)
def test_a_file_that_is_no_toml_is_refused_in_words(tmp_path, junk):
    path = tmp_path / "standard.toml"
    path.write_bytes(junk)
    with pytest.raises(SettingsError, match=r"^standard\.toml: "):
        read_standard(path)


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(SettingsError, match=r"standard\.toml: cannot be read"):
        read_standard(tmp_path / "standard.toml")


def test_a_byte_order_mark_is_no_fault(tmp_path):
    path = tmp_path / "standard.toml"
    path.write_bytes(b"\xef\xbb\xbf" + small.STANDARD.encode())
    assert read_standard(path) == STANDARD


SPRING = """
on = 2026-10-10
[holding]
name = "Marram End"
[prices]
usual = { breeding = 35, table = 12.5 }
[spring]
choose_from = { cockerels = 4, pullets = 10 }
[[spring.offer]]
source = "Correl Bank/upper"
price = 3.0
hens = 6
[[spring.offer]]
source = "Fenwick"
most = 12
"""


def test_next_spring_the_usual_prices_and_the_holdings_name_are_read():
    plan = parse_plan(SPRING, STANDARD)
    assert (plan.holding, plan.contact) == ("Marram End", None)
    assert (plan.currency, dict(plan.usual)) == ("", {"breeding": 35.0, "table": 12.5})
    assert plan.spring is not None and plan.spring.sure == 0.9
    assert dict(plan.spring.choose_from) == {"cockerels": 4, "pullets": 10}
    assert plan.spring.offers == (Offer("Correl Bank/upper", 3.0, 24, None, 6), Offer("Fenwick", None, 12))
    assert parse_plan("on = 2026-10-10", STANDARD).spring is None


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("cockerels = 4", "hens = 4", "choose_from, hens"),
        ("hens = 6", "hens = 0", "hens: found a whole number 0"),
        ('"Fenwick"', '"correl bank/UPPER"', "each source once"),
        ("breeding = 35", "breding = 35", "perhaps breeding"),
        ('source = "Fenwick"', "price = 2", "source: found nothing"),
        ("[spring]", "[spring]\nsure = 1", "sure: found a whole number 1"),
        ('name = "Marram End"', "name = 3", "holding, name: found a whole number 3"),
    ],
)
def test_a_fault_in_what_the_plan_says_of_spring_names_its_key(before, after, said):
    with pytest.raises(SettingsError, match=said):
        parse_plan(SPRING.replace(before, after), STANDARD)


MEASURED = """
breed = "an invented breed"
[[section]]
name = "type"
points = 80
[[section]]
name = "weight"
points = 10
measured = "weight"
at_weeks = 24
band = { cockerel = [3200, 4000], pullet = [2500, 3100], cock = [3800, 4600], hen = [2900, 3600] }
none = { cockerel = [2000, 5200], pullet = [1600, 4200], cock = [2600, 5900], hen = [2000, 4800] }
[[section]]
name = "bone"
points = 10
measured = "Shank Width"
band = { male = [14, 17], female = [11, 14] }
none = { male = [10, 21], female = [8, 18] }
[[measured]]
name = "shank width"
unit = "mm"
"""


def test_a_section_is_measured_by_any_trait_at_an_age_or_without_by_sex_or_by_age_and_sex():
    _, weight, bone = parse_standard(MEASURED).sections
    assert (weight.measured, weight.at_weeks, weight.grown_weeks) == ("weight", 24, 52)
    assert weight.band["hen"] == (2900, 3600) and weight.none["cock"] == (2600, 5900)
    assert (bone.measured, bone.at_weeks, set(bone.band)) == ("shank width", None, {"male", "female"})


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"Shank Width"', '"keel"', 'measured: found text "keel"; allowed: weight, shank width'),
        ("cock = [3800, 4600], ", "", "“weight”, band, cock: found nothing"),
        (
            "none = { male = [10, 21], female = [8, 18] }",
            "none = { male = [10, 21], hen = [8, 18] }",
            "hen: found a list",
        ),
        ("male = [14, 17], ", "cockerel = [14, 17], ", "band, female: found a list"),
        ('name = "shank width"', 'name = "weight"', "measured “weight”, name: found text"),
        ('name = "shank width"', 'name = "laying"', "measured “laying”, name: found text"),
        ('name = "type"', 'name = "laying"', "section “laying”, name: found text"),
        ('name = "type"', 'name = "reason"', "section “reason”, name: found text"),
        ('name = "type"', 'name = "Shank width"', "measured “shank width”, name: found text"),
        (
            "at_weeks = 24",
            "at_weeks = 9000",
            "at_weeks: found a whole number 9000; allowed: a number from 1 to 520",
        ),
    ],
)
def test_a_fault_of_a_measured_section_says_what_is_allowed(old: str, new: str, said: str):
    assert old in MEASURED
    assert any(said in line for line in faults_of(parse_standard, MEASURED.replace(old, new, 1)))


@pytest.mark.parametrize(
    "name", ["weight", "looks", "costs", "season", "seen", "value", "sd", "record", "cell"]
)
def test_a_section_may_bear_a_name_that_programs_use_themselves(name: str):
    other = MEASURED.replace('name = "weight"', 'name = "size"').replace('name = "type"', f'name = "{name}"')
    assert parse_standard(other).sections[0].name == name


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("10/10/2025", "line 2: on: found 10/10/2025; write the day as 2025-10-10"),
        ("25.4.2025", "write the day as 2025-04-25"),
        ("1/2/2025", "it reads both ways"),
        ('"25/4/2025"', "a date without quotes: write the day as 2025-04-25"),
    ],
)
def test_a_day_written_as_people_write_it_is_told_as_it_should_be(written, said):
    with pytest.raises(SettingsError) as error:
        parse_plan(f"season = 2025\non = {written}", STANDARD)
    assert said in str(error.value) and "plan.toml" in str(error.value)
