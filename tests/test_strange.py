"""Any standard, any holding: strange ones get their meeting, its numbers hang together, and names change nothing."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from selection.decide.meeting import Meeting, hold, write_tables
from selection.merit.ranking import Merit, rank
from selection.records.flock import Flock, read_flock
from selection.records.intake.recording import record
from selection.show import meeting as show
from selection.standard.points import score
from tests.invariants import faults_of
from tests.strange import Strange, strange

FAST, ALL = (6, 23), 25
"""Seeds of the quick tests, and how many are held in all; tests/benchmarks/strange_holdings.py holds any number."""
FORMS = dict[str, pd.DataFrame]


def held(holding: Strange, folder: Path) -> Meeting:
    """The meeting of a holding that was handed in, its tables written into `folder`/out."""
    meeting = hold(flock_of(holding, folder))
    write_tables(meeting, folder / "out")
    return meeting


@pytest.mark.parametrize(
    "seed", [pytest.param(s, marks=[] if s in FAST else pytest.mark.slow) for s in range(ALL)]
)
def test_a_strange_holding_gets_a_meeting_that_hangs_together(seed: int, tmp_path: Path) -> None:
    recorded = record(tmp_path / "flock", strange(seed).write(tmp_path / "forms"))
    assert recorded.status <= 1, recorded.words()
    meeting = hold(read_flock(tmp_path / "flock"))
    write_tables(meeting, tmp_path / "out")
    assert faults_of(meeting, tmp_path / "out") == []


STANDARD = """
breed = "an invented breed"
[[section]]
name = "type"
points = 50
[[section]]
name = "head"
points = 30
[[section]]
name = "size"
points = 12
measured = "weight"
at_weeks = 24
band = { male = [3200, 4000], female = [2500, 3100] }
none = { male = [2000, 5200], female = [1600, 4200] }
[[section]]
name = "bone"
points = 8
measured = "shank width"
band = { cockerel = [14, 17], pullet = [11, 14], cock = [14, 17], hen = [11, 14] }
none = { cockerel = [10, 21], pullet = [8, 18], cock = [10, 21], hen = [8, 18] }
[[fault]]
name = "wry tail"
serious = true
[[measured]]
name = "shank width"
unit = "mm"
"""
PLAN = """
on = 2026-10-10
season = 2026
[keep]
cockerels = { number = 1, reserve = 1 }
pullets = { number = 2 }
"""


def plain() -> Strange:
    """Two clutches of a season, all seen twice by two judges, weighed and measured."""
    rng = np.random.default_rng(3)
    founders = [
        {"bird": f"24-{i}", "sex": "male" if i == 0 else "female", "hatched_on": "2024"} for i in range(4)
    ]
    chicks = [
        {"bird": f"26-{k}{i}", "sex": "male" if i < 2 else "female", "clutch": f"26-C{k}"}
        for k in (1, 2)
        for i in range(5)
    ]
    clutch = {"set_on": "2026-03-01", "hatched_on": "2026-03-22", "hatched": 5, "brooder": "shed"}
    pens = [{"pen": "p1", "bird": f["bird"], "from": "2025-01-01"} for f in founders]
    young = [str(c["bird"]) for c in chicks]
    looks = [
        {"on": f"2026-09-{day}", "judge": judge, "bird": bird, "type": float(rng.integers(60, 90)) / 2,
         "head": float(rng.integers(30, 58)) / 2}
        for day, judge in (("05", "Ann"), ("19", "Ben"))
        for bird in young
    ]  # fmt: skip
    weights = [
        {"on": f"2026-0{m}-08", "bird": bird, "grams": round(float(rng.normal(900 * (m - 5) - 300, 150)))}
        for m in (7, 9)
        for bird in young
    ]
    measures = [
        {"on": "2026-09-08", "bird": bird, "trait": "shank width", "value": round(float(rng.normal(13, 1.5)), 1),
         "judge": "Ann"}
        for bird in young
    ]  # fmt: skip
    forms = {
        "birds": [*founders, *chicks], "pens": pens, "scores": looks, "weights": weights, "measures": measures,
        "clutches": [
            {"clutch": "26-C1", "origin": "home-bred", "pen": "p1", **clutch},
            {"clutch": "26-C2", "origin": "bought-in", "source": "Hill", **clutch},
        ],
    }  # fmt: skip
    return Strange(0, STANDARD, PLAN, {name: pd.DataFrame(rows) for name, rows in forms.items()})


def changed(change: Callable[[FORMS], FORMS]) -> Strange:
    """The plain holding with other forms."""
    whole = plain()
    return replace(whole, forms=change({name: form.copy() for name, form in whole.forms.items()}))


def alike(forms: FORMS) -> FORMS:
    return forms | {"scores": forms["scores"].assign(head=20)}


def totals_alone(forms: FORMS) -> FORMS:
    scores = forms["scores"].assign(total=lambda f: f["type"] + f["head"])
    return forms | {"scores": scores.drop(columns=["type", "head"])}


def measured_alone(forms: FORMS) -> FORMS:
    return {name: form for name, form in forms.items() if name != "scores"}


def nothing_seen(forms: FORMS) -> FORMS:
    return {name: forms[name] for name in ("birds", "clutches", "pens")}


def unsexed(forms: FORMS) -> FORMS:
    young = forms["birds"]["clutch"].notna()
    return nothing_seen(forms) | {
        "birds": forms["birds"].assign(sex=forms["birds"]["sex"].mask(young, "unknown"))
    }


def no_clutch(forms: FORMS) -> FORMS:
    old = forms["birds"][forms["birds"]["clutch"].isna()]
    looks = [
        {"on": "2026-09-05", "judge": "Ann", "bird": b, "type": 30 + i, "head": 20}
        for i, b in enumerate(old["bird"])
    ]
    return {"birds": old.drop(columns="clutch"), "pens": forms["pens"], "scores": pd.DataFrame(looks)}


def one_judge_one_day(forms: FORMS) -> FORMS:
    scores = forms["scores"][forms["scores"]["judge"] == "Ann"]
    return nothing_seen(forms) | {"scores": scores.iloc[:6]}


def all_barred(forms: FORMS) -> FORMS:
    return forms | {"scores": forms["scores"].assign(faults="wry tail")}


def founders_alone(forms: FORMS) -> FORMS:
    return {"birds": forms["birds"][forms["birds"]["clutch"].isna()].drop(columns="clutch")}


Held = Callable[[Callable[[FORMS], FORMS]], tuple[Meeting, Path]]


@pytest.fixture(scope="module")
def thin(tmp_path_factory: pytest.TempPathFactory) -> Held:
    """The meeting of the plain holding with other forms, and its folder; each is held once."""

    @cache
    def hold_once(change: Callable[[FORMS], FORMS]) -> tuple[Meeting, Path]:
        folder = tmp_path_factory.mktemp(change.__name__)
        return held(changed(change), folder), folder

    return hold_once


@pytest.mark.parametrize(
    "change",
    [
        alike,
        totals_alone,
        measured_alone,
        nothing_seen,
        unsexed,
        no_clutch,
        one_judge_one_day,
        all_barred,
        founders_alone,
    ],
)
def test_a_thin_or_odd_holding_gets_its_meeting_and_its_pages(
    change: Callable[[FORMS], FORMS], thin: Held
) -> None:
    meeting, folder = thin(change)
    assert faults_of(meeting, folder / "out") == []
    pages = (show.about, show.first_page, show.season, show.tipping, show.again, show.groups, show.cards)
    pages += (show.clutches, show.laying, show.matings, show.spring, show.prices, show.worked_out)
    text = " ".join(str(page(meeting)) for page in pages)
    assert not pd.Series([text]).str.contains(r"\binf\b|\bnan\b|KeyError|fault of this program").any()


def test_what_is_missing_is_said_section_by_section_with_what_to_record_next(thin: Held) -> None:
    meeting, _ = thin(nothing_seen)
    page = str(show.season(meeting))
    for asked in (
        "scores form, column type",
        "column head",
        "best near 24 weeks of age: weights form",
        "measures form",
    ):
        assert asked in page
    assert "shank width" in page


@pytest.mark.slow
def test_a_section_scored_alike_on_every_look_keeps_its_published_values_and_that_is_said(thin: Held) -> None:
    merit = thin(alike)[0].merit
    assert "head: seen alike on every look" in " ".join(merit.sentences)
    told = merit.traits.set_index("trait").loc["head"]
    assert told["heritability"] == pytest.approx(told["heritability_prior"])


@pytest.mark.slow
def test_old_totals_alone_tell_birds_apart(thin: Held) -> None:
    meeting, _ = thin(totals_alone)
    assert set(meeting.merit.traits["trait"]) == {"type", "head", "size", "shank width"}
    pullets = meeting.merit.ranking[meeting.merit.ranking["group"] == "pullets"]
    assert np.corrcoef(pullets["merit"], pullets["points"])[0, 1] > 0.5


SECTIONS = ("type", "head", "size", "bone")
PLACEHOLDERS = ("qtype", "qhead", "qsize", "qbone")


def renamed(names: tuple[str, ...]) -> Strange:
    """The plain holding with its sections under other names; their titles stay."""
    whole = plain()
    standard = whole.standard
    for old, new in zip(SECTIONS, names, strict=True):
        standard = standard.replace(f'name = "{old}"\n', f'name = "{new}"\ntitle = "{old}"\n', 1)
    scores = whole.forms["scores"].rename(columns=dict(zip(SECTIONS, names, strict=True)))
    return replace(whole, standard=standard, forms=whole.forms | {"scores": scores})


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The tables of the plain holding, its sections named as nothing else is."""
    folder = tmp_path_factory.mktemp("plain")
    held(renamed(PLACEHOLDERS), folder)
    return {path.name: path.read_text(encoding="utf-8") for path in (folder / "out").glob("*.csv")}


@pytest.mark.slow
@pytest.mark.parametrize(
    "names",
    [
        ("weight", "looks", "costs", "season"),
        ("seen", "value", "weight", "cell"),
    ],
)
def test_other_names_of_sections_change_nothing_but_the_names(
    names: tuple[str, ...], tables: dict[str, str], tmp_path: Path
) -> None:
    held(renamed(names), tmp_path)
    for file, text in tables.items():
        for old, new in zip(PLACEHOLDERS, names, strict=True):
            text = text.replace(old, new)
        assert (tmp_path / "out" / file).read_text(encoding="utf-8") == text, file


@pytest.mark.slow
def test_other_names_of_birds_judges_pens_and_sections_change_nothing_but_the_names(
    tables: dict[str, str], tmp_path: Path
) -> None:
    """Names that keep their order; each but a section's has a letter more, which is taken off again in the tables."""
    names = ("adjusted", "points_seen", "sd", "record")
    other = {name: form.copy() for name, form in renamed(names).forms.items()}
    for form in other.values():
        for column in {"bird", "judge", "pen"} & set(form.columns):
            form[column] = "§" + form[column]
    held(replace(renamed(names), forms=other), tmp_path)
    named = 0
    for file, text in tables.items():
        for old, new in zip(PLACEHOLDERS, names, strict=True):
            text = text.replace(old, new)
        now = (tmp_path / "out" / file).read_text(encoding="utf-8")
        named += now.count("§")
        assert now.replace("§", "") == text, file
    assert named > 50


def flock_of(holding: Strange, folder: Path) -> Flock:
    """A holding handed in and read back."""
    recorded = record(folder / "flock", holding.write(folder / "forms"))
    assert recorded.status == 0, recorded.words()
    return read_flock(folder / "flock")


def by_bird(merit: Merit) -> pd.DataFrame:
    return merit.ranking.set_index("bird")[["merit", "merit_se", "p_kept", "points_of_100"]].sort_index()


def shuffled(forms: FORMS) -> FORMS:
    """Rows and columns in another order; of the birds, which rank alike by it, the columns alone."""
    turned = {name: form[form.columns[::-1]] for name, form in forms.items()}
    mixed = {name: form.sample(frac=1, random_state=1) for name, form in turned.items() if name != "birds"}
    return dict(reversed(list((turned | mixed).items())))


@pytest.mark.slow
def test_order_handing_in_twice_and_a_judges_level_change_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "first"
    was = by_bird(rank(flock_of(plain(), folder)))
    again = record(folder / "flock", folder / "forms")
    assert again.status == 0 and not any(again.taken.values())

    turned = by_bird(rank(flock_of(changed(shuffled), tmp_path / "turned")))
    pd.testing.assert_frame_equal(
        turned, was, atol=0.02, rtol=0, check_index_type=False, check_column_type=False
    )  # the noise between orders of summing and drawing

    def stricter(forms: FORMS) -> FORMS:
        scores = forms["scores"].copy()
        scores.loc[scores["judge"] == "Ben", "type"] -= 3
        return forms | {"scores": scores}

    strict = by_bird(rank(flock_of(changed(stricter), tmp_path / "strict")))
    assert np.abs(strict["merit"] - was["merit"]).max() < 0.02
    assert np.ptp(strict["points_of_100"] - was["points_of_100"]) < 0.05


@pytest.mark.slow
def test_grams_in_the_band_and_weights_scaled_together_leave_points(tmp_path: Path) -> None:
    whole = plain()
    standard = re.sub(r"\d{4}", lambda grams: str(round(1.25 * int(grams[0]))), whole.standard)
    weights = whole.forms["weights"].assign(grams=lambda f: f["grams"] * 1.25)
    larger = replace(whole, standard=standard, forms=whole.forms | {"weights": weights})
    was, now = (
        score(flock_of(one, tmp_path / str(i))).in_section("size")["points"]
        for i, one in enumerate((whole, larger))
    )
    assert was.notna().sum() >= 10
    assert (now - was).abs().max() < 0.1
