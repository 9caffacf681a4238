"""Sections measured in a unit of their own: which measurements count, whose level is taken off, what is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from selection.records.flock import Flock, assemble
from selection.records.settings.reading import Measured, Section, Standard
from selection.standard.bands import State
from selection.standard.growth import fit_growth
from selection.standard.points import measured_points, score
from selection.standard.traits import key_of, traits_of
from tests.standard.flocks import PLAN, TYPE

BONE = Section(
    "bone",
    "Bone",
    60,
    measured="shank width",
    band={"male": (14, 17), "female": (11, 14)},
    none={"male": (10, 21), "female": (8, 18)},
)
SHANK = Measured("shank width", "mm")
BIRDS = pd.DataFrame(
    {"bird": ["a", "b", "hen"], "sex": ["male", "female", "female"],
     "hatched_on": ["2026-04-01", "2026-04-01", "2024-04-01"]}
)  # fmt: skip


def flock(rows: list[tuple[str, str, float, str]], bone: Section = BONE) -> Flock:
    """Measurements: bird, day, mm, judge."""
    form = pd.DataFrame(rows, columns=["bird", "on", "value", "judge"]).assign(trait="Shank Width")
    form["on"] = pd.to_datetime(form["on"])
    standard = Standard("an invented breed", (TYPE, bone), (), (SHANK,))
    return assemble(standard, PLAN, {"birds": BIRDS, "measures": form})


def seen(rows: list[tuple[str, str, float, str]], bone: Section = BONE) -> pd.DataFrame:
    made = flock(rows, bone)
    return measured_points(made, fit_growth(made)).set_index("bird")


def test_points_are_those_of_the_band_in_the_traits_own_unit() -> None:
    found = seen([("a", "2026-10-01", 12.0, ""), ("b", "2026-10-01", 12.0, "")])
    assert found["points"].to_dict() == pytest.approx({"a": 30, "b": 60, "hen": np.nan}, nan_ok=True)
    assert found.loc["hen", "state"] == State.NEVER and found.loc["a", "place"] == "under"


def test_without_an_age_measurements_from_20_weeks_on_go_before_earlier_ones() -> None:
    early = ("a", "2026-06-01", 9.0, "")
    assert seen([early])["value"]["a"] == 9
    assert seen([early, ("a", "2026-09-20", 15.0, "")])["value"]["a"] == 15


def test_at_an_age_measurements_near_it_count_and_others_are_carried_and_said() -> None:
    aged = replace(BONE, at_weeks=24.0)
    found = seen(
        [("a", "2026-09-10", 15.0, ""), ("a", "2026-06-10", 9.0, ""), ("b", "2026-06-10", 9.0, "")], aged
    )
    assert found.loc["a", "value"] == 15 and found.loc["a", "state"] == State.OWN
    assert found.loc["b", "state"] == State.CARRIED and "24 weeks" in found.loc["b", "why"]
    assert found.loc["b", "value"] > 12  # a grew by 6 mm in those weeks


def test_nothing_is_said_of_an_older_bird_that_was_not_measured_at_the_age() -> None:
    aged = replace(BONE, at_weeks=24.0)
    hen = seen([("hen", "2026-09-10", 12.0, "")], aged).loc["hen"]
    assert hen["state"] == State.SILENT and np.isnan(hen["points"]) and hen["place"] == ""
    assert seen([("hen", "2024-09-10", 12.0, "")], aged).loc["hen", "points"] == 60


def test_the_level_of_who_measured_is_taken_off() -> None:
    rng = np.random.default_rng(1)
    birds = pd.DataFrame(
        {"bird": [f"p{i:02d}" for i in range(30)], "sex": "female", "hatched_on": "2026-04-01"}
    )
    true = rng.normal(12.5, 1, 30)
    rows = [
        (bird, "2026-09-20", true[i] + 0.8 * (judge == "Ben") + rng.normal(0, 0.1), judge)
        for i, bird in enumerate(birds["bird"])
        for judge in ("Ann", "Ben")
        if i % 3 == 2 or (i % 3 == 0) == (judge == "Ann")
    ]
    made = assemble(flock([]).standard, PLAN, {"birds": birds, "measures": pd.DataFrame(
        [{"bird": b, "on": pd.Timestamp(d), "value": v, "judge": j, "trait": "shank width"} for b, d, v, j in rows]
    )})  # fmt: skip
    off = measured_points(made, fit_growth(made))["value"].to_numpy() - true
    assert (
        abs(off[0::3].mean() - off[1::3].mean()) < 0.15
    )  # 10 birds each; not the 0.8 mm that the two differ by


def test_points_of_a_look_hold_every_measured_section() -> None:
    made = flock([("a", "2026-10-01", 15.0, "")])
    looks = pd.DataFrame({"on": pd.to_datetime(["2026-10-01"]), "judge": "Ann", "bird": "a", "type": 30.0})
    points = score(
        assemble(made.standard, PLAN, {"birds": BIRDS, "measures": made.measures, "scores": looks})
    )
    assert points.looks.loc[0, ["total", "seen"]].tolist() == [90, 100]
    assert points.birds.set_index("bird").loc["a", "points"] == 90


def test_sections_by_one_trait_and_age_are_one_trait_of_the_model() -> None:
    other = replace(BONE, name="spur", points=10.0)
    aged = replace(BONE, name="early", points=10.0, at_weeks=12.0)
    standard = Standard("an invented breed", (TYPE, BONE, other, aged), (), (SHANK, Measured("keel", "mm")))
    assert [t.key for t in traits_of(standard)] == ["type", "shank width", " shank width at 12 weeks", "keel"]
    assert key_of(standard, "spur") == key_of(standard, "shank width") == "shank width"
    assert key_of(standard, "early") == " shank width at 12 weeks"


def test_one_measurement_s_error_is_the_usual_share_of_the_band_and_falls_with_the_root_of_how_many() -> None:
    """Nobody was measured twice: 3 % of the bands' middle, 14 mm; of two measurements it is 1/√2 of that."""
    once = seen([("a", "2026-10-01", 15.0, ""), ("b", "2026-10-01", 12.0, "")])
    assert once["se"].loc[["a", "b"]].tolist() == pytest.approx([0.03 * 14] * 2)
    days = {"2026-10-01": -0.2, "2026-10-02": 0.2}
    rows = [(bird, day, mm + off, "") for bird, mm in (("a", 15.0), ("b", 12.0)) for day, off in days.items()]
    twice = seen([*rows, ("hen", "2026-10-01", 12.0, "")])["se"]
    assert twice["hen"] / twice["a"] == pytest.approx(np.sqrt(2))
