"""The invented holding's forms: the same every time, whole, and within the contract of the forms."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from demo import breed, make
from selection.records.flock import Flock, flock_from_forms, read_flock
from selection.records.forms.columns import FORMS, Form
from selection.records.intake.recording import record
from selection.records.settings.plan import parse_plan
from selection.records.settings.reading import parse_standard
from tests.simulated import Holding, simulate

ROOT = Path(__file__).resolve().parents[2]
SEEDS = (1, 2)


@pytest.fixture(scope="module", params=SEEDS)
def holding(request: pytest.FixtureRequest) -> Holding:
    return simulate(request.param)


# -- the same every time ---------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_cells_and_another_seed_others() -> None:
    first, second, other = simulate(1).cells(), simulate(1).cells(), simulate(2).cells()
    for name in FORMS:
        pd.testing.assert_frame_equal(first[name], second[name])
        assert not first[name].equals(other[name]), name


def test_the_demo_forms_are_what_make_writes_byte_for_byte(tmp_path: Path) -> None:
    make.main(tmp_path)
    kept = {path.name: path.read_bytes() for path in (ROOT / "demo" / "forms").iterdir()}
    made = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert made == kept
    assert set(made) == {f"{name}.csv" for name in FORMS} | {"standard.toml", "plan.toml"}


def test_the_demo_s_plan_asks_for_next_spring_with_a_supplier_never_bought_from() -> None:
    forms = ROOT / "demo" / "forms"
    standard = parse_standard((forms / "standard.toml").read_text(encoding="utf-8"))
    plan = parse_plan((forms / "plan.toml").read_text(encoding="utf-8"), standard)
    assert plan.spring == make.SPRING
    known = set(pd.read_csv(forms / "clutches.csv")["source"].dropna())
    assert [offer.source in known for offer in make.SPRING.offers] == [True, True, False]


@pytest.mark.parametrize("name", ["standard", "plan"])
def test_the_demos_settings_say_of_every_key_what_it_does(name: str) -> None:
    lines = (ROOT / "demo" / "forms" / f"{name}.toml").read_text(encoding="utf-8").splitlines()
    first: dict[str, str] = {}
    for line in lines:
        key, is_set, _ = line.partition(" = ")
        if is_set and not line.startswith("#"):
            first.setdefault(key, line)
    assert len(first) > 8
    assert [key for key, line in first.items() if "  # " not in line] == []


def test_the_story_speaks_only_of_what_is_in_the_forms() -> None:
    story = (ROOT / "demo" / "STORY.md").read_text(encoding="utf-8")
    forms = {name: pd.read_csv(ROOT / "demo" / "forms" / f"{name}.csv", dtype=str) for name in FORMS}
    birds = forms["birds"]
    assert set(re.findall(r"\b\d\d-\d{3}\b", story)) <= set(birds["bird"])
    assert set(re.findall(r"\b\d\d-[BH]\d\b", story)) <= set(forms["clutches"]["clutch"])
    cocks = birds[birds["name"].notna() & (birds["sex"] == "male")].set_index("name")["bird"]
    assert dict(re.findall(r"\*\*(\w+)\*\* \((\d\d-\d{3})\)", story)) == cocks.to_dict()
    days = pd.concat([forms["birds"]["gone_on"], forms["scores"]["on"], forms["birds"]["came_on"]])
    assert set(re.findall(r"\d{4}-\d\d-\d\d", story)) <= {*days, "2026-10-10"}
    for name, rows in forms.items():
        assert f"{name} {len(rows)}" in story


# -- within the contract ---------------------------------------------------------------------------------


def test_settings_read_back_as_the_records_they_were_written_from(holding: Holding) -> None:
    standard = parse_standard(holding.standard_toml)
    assert standard == holding.standard
    assert parse_plan(holding.plan_toml, standard) == holding.plan
    assert sum(section["points"] for section in tomllib.loads(holding.standard_toml)["section"]) == 100


@pytest.mark.parametrize("name", FORMS)
def test_columns_keys_and_values_keep_to_the_form(holding: Holding, name: str) -> None:
    form, frame = FORMS[name], holding.forms[name]
    sections = {s.name for s in holding.standard.by_eye} if name == "scores" else set()
    assert set(frame) <= set(form.names) | sections
    assert frame[list(form.required)].notna().all().all()
    assert not frame.duplicated(_key(form, frame)).any()
    for column in (form.column(c) for c in frame if c in form.names):
        values = frame[column.name].dropna()
        if column.allowed:
            assert set(values) <= set(column.allowed), column.name
        if column.low is not None:
            assert (values >= column.low).all(), column.name
        if column.high is not None:
            assert (values <= column.high).all(), column.name


def _key(form: Form, frame: pd.DataFrame) -> list[str]:
    """The form's key, with what stands in for a bird where chicks have no name."""
    return [
        *(c for c in form.key if c in frame),
        *(c for c in ("clutch", "sex") if form.chicks and c in frame),
    ]


def test_points_are_quarters_within_their_section(holding: Holding) -> None:
    for section in holding.standard.by_eye:
        points = holding.forms["scores"][section.name].dropna()
        assert points.between(0, section.points).all()
        assert (points * 4 % 1 == 0).all()
        assert 0.5 * section.points < points.mean() < 0.9 * section.points


def test_clutches_add_up_and_their_chicks_are_all_in_the_books(holding: Holding) -> None:
    clutches = holding.forms["clutches"].set_index("clutch")
    assert (clutches["eggs_set"] >= clutches["fertile"]).all()
    assert (clutches["fertile"] >= clutches["hatched"]).all()
    days = (clutches["hatched_on"] - clutches["set_on"]).dt.days
    assert days.between(19, 23).all()
    entries = holding.forms["birds"]["clutch"].dropna().value_counts()
    for entry, birds in entries.items():
        assert birds == clutches.loc[entry.split(";"), "hatched"].sum(), entry
    assert any(";" in entry for entry in entries.index)


def test_every_row_speaks_of_a_bird_in_the_books_while_it_lived(holding: Holding) -> None:
    flock = holding.flock()
    birds = flock.birds.set_index("bird")
    born, gone = birds["hatched"], birds["gone_on"].fillna(pd.Timestamp(flock.plan.on))
    for name, column in (
        ("scores", "on"),
        ("weights", "on"),
        ("measures", "on"),
        ("eggs", "on"),
        ("sales", "on"),
    ):
        rows = getattr(flock, name).dropna(subset="bird")
        assert set(rows["bird"]) <= set(birds.index), name
        on = rows[column]
        assert (on >= rows["bird"].map(born)).all(), name
        assert (on <= rows["bird"].map(gone)).all(), name


def test_nobody_stands_in_two_pens_at_once_or_after_its_last_day(holding: Holding) -> None:
    pens = holding.forms["pens"].sort_values(["bird", "from"])
    until = pens["to"].fillna(pd.Timestamp.max.floor("s"))
    follows = pens["bird"].eq(pens["bird"].shift())
    assert (pens["from"] < until).all()
    assert (pens["from"] >= until.shift())[follows].all()
    gone = pens["bird"].map(holding.forms["birds"].set_index("bird")["gone_on"])
    assert (until <= gone)[gone.notna()].all()


def test_a_ring_pair_names_one_living_bird_on_the_day_of_each_look(holding: Holding) -> None:
    birds = holding.forms["birds"].set_index("bird")
    rings = holding.forms["rings"]
    never = pd.Timestamp("2100-01-01")
    ends = rings["bird"].map(birds["gone_on"]).fillna(never) + pd.Timedelta(days=1)
    rings = rings.assign(off=np.minimum(rings["removed_on"].fillna(never), ends))
    named = holding.forms["scores"].dropna(subset="left")
    assert len(named) > 100
    for look in named.itertuples():
        on = rings[(rings["fitted_on"] <= look.on) & (look.on < rings["off"])]
        left = set(on.loc[(on["leg"] == "left") & (on["colour"] == look.left), "bird"])
        right = set(on.loc[(on["leg"] == "right") & (on["colour"] == look.right), "bird"])
        assert left & right == {look.bird}


def test_ring_colours_come_back_in_other_years(holding: Holding) -> None:
    rings = holding.forms["rings"]
    pairs = rings[rings["leg"] == "right"].merge(rings[rings["leg"] == "left"], on="bird")
    worn_by = pairs.groupby(["colour_x", "colour_y"])["bird"].nunique()
    assert worn_by.max() > 1


def test_looks_named_by_rings_are_written_without_the_bird_and_unnamed_chicks_too(holding: Holding) -> None:
    scores, weights = holding.cells()["scores"], holding.cells()["weights"]
    by_rings = scores["left"] != ""
    assert (scores.loc[by_rings, "bird"] == "").all()
    assert (scores.loc[~by_rings, "bird"] != "").all()
    crates = weights[weights["clutch"] != ""]
    assert len(crates) and (crates["bird"] == "").all() and (crates["n"] != "").all()


def test_one_price_is_written_on_every_row_of_a_lot(holding: Holding) -> None:
    lots = holding.forms["sales"].dropna(subset="lot").groupby("lot")
    assert (lots.size() == 3).all()
    assert (lots["price"].nunique() == 1).all()


def test_a_sale_is_the_day_the_bird_went(holding: Holding) -> None:
    birds = holding.forms["birds"].set_index("bird")
    sales = holding.forms["sales"]
    assert (birds.loc[sales["bird"], "gone_on"].to_numpy() == sales["on"].to_numpy()).all()
    assert set(birds.index[birds["gone_why"] == "sold"]) == set(sales["bird"])


def test_a_bird_bought_grown_comes_from_a_supplier_of_chicks(holding: Holding) -> None:
    grown = holding.forms["birds"].dropna(subset="came_on")
    assert len(grown) == holding.options.bought_hens
    assert set(grown["source"]) <= set(breed.SUPPLIERS)
    assert grown["clutch"].isna().all()


# -- through the package --------------------------------------------------------------------------------------


@pytest.mark.slow
def test_every_row_is_recorded_and_none_is_remarked_on_but_birds_given_away(
    holding: Holding, tmp_path: Path
) -> None:
    holding.write(tmp_path / "forms")
    recorded = record(tmp_path / "flock", tmp_path / "forms", today=holding.plan.on)
    assert recorded.stopped is None
    assert {(f.form, f.column, f.found) for f in recorded.findings} <= {("sales", "price", "0")}
    assert recorded.taken == {name: len(frame) for name, frame in holding.forms.items()}
    assert all(rows.empty for rows in recorded.refused.values())
    _same_flock(read_flock(tmp_path / "flock"), holding.flock())


def test_forms_read_back_as_the_flock_put_together_in_memory(holding: Holding, tmp_path: Path) -> None:
    holding.write(tmp_path)
    _same_flock(flock_from_forms(tmp_path), holding.flock())


def _same_flock(read: Flock, made: Flock) -> None:
    assert (read.standard, read.plan) == (made.standard, made.plan)
    for name, form in FORMS.items():
        key = [*form.key, *(["clutch", "sex"] if form.chicks else [])]
        first, second = (getattr(flock, name).sort_values(key, ignore_index=True) for flock in (read, made))
        pd.testing.assert_frame_equal(first, second)


# -- what the meeting finds ------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_last_meeting_finds_candidates_leftovers_and_a_chick_too_young_to_sex() -> None:
    counts = pd.DataFrame([_living(simulate(seed)) for seed in range(10)])
    assert counts["cockerels"].between(2, 17).all() and 6 < counts["cockerels"].mean() < 11
    assert counts["pullets"].between(5, 20).all()
    assert (counts["bought pullets"] == 3).all()
    assert (counts["home cockerels"] == 2).all()
    assert (counts["unsexed"] == 1).all()


def _living(holding: Holding) -> dict[str, int]:
    flock = holding.flock()
    birds = flock.birds[flock.birds["alive"] & (flock.birds["hatch_year"] == flock.plan.season)]
    male, bought = birds["sex"] == "male", birds["origin_of"] == "bought-in"
    female = birds["sex"] == "female"
    groups = {"cockerels": male & bought, "pullets": female & ~bought, "unsexed": ~male & ~female}
    groups |= {"bought pullets": female & bought, "home cockerels": male & ~bought}
    return {name: int(rows.sum()) for name, rows in groups.items()}


def test_options_change_what_they_name() -> None:
    plain = simulate(1, seasons=3, bought_in=1, home_bred=2, judges=1, rounds=3, missing=0.0, seen=1.0)
    clutches, scores = plain.forms["clutches"], plain.forms["scores"].query("judge != 'show'")
    assert clutches.groupby(clutches["set_on"].dt.year).size().tolist() == [
        3,
        3,
        4,
    ]  # the last with the late one
    assert scores["judge"].unique().tolist() == ["M"]
    assert scores[[section.name for section in plain.standard.by_eye]].notna().all().all()
    assert scores["on"].nunique() == 9
    assert (scores.groupby("bird").size() == 3).mean() > 0.8


def test_a_section_never_scored_stays_so_for_that_bird() -> None:
    made = simulate(1, seasons=2, missing=0.0, unseen=0.5)
    seen = made.forms["scores"].groupby("bird")[[section.name for section in made.standard.by_eye]].count()
    looks = made.forms["scores"].query("judge != 'show'").groupby("bird").size()
    assert (
        (seen.loc[looks.index].sum(axis=1) == 6 * looks) | (seen.loc[looks.index].sum(axis=1) == 7 * looks)
    ).all()
    never = (seen.loc[looks.index] == 0).sum(axis=1)
    assert set(never) == {0, 1} and 0.3 < never.mean() < 0.7


def test_scored_all_brings_both_sexes_of_both_origins_to_the_looks() -> None:
    flock = simulate(1, seasons=2, scored="all").flock()
    seen = flock.birds[flock.birds["bird"].isin(flock.scores["bird"])].dropna(subset="clutch")
    assert seen.groupby(["origin_of", "sex"]).size().gt(10).sum() == 4
