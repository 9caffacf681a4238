"""Points of a flock: what a look adds up to, what rests on how much, and what is said of it."""

from __future__ import annotations

from collections.abc import Mapping
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from selection.standard.agreement import Levels
from selection.standard.bands import points_of
from selection.standard.growth import fit_growth
from selection.standard.judges import Looks
from selection.standard.points import (
    HALO,
    MEASURED,
    USUAL_SD,
    Points,
    Seen,
    disagreements,
    gather,
    measured_points,
    score,
)
from tests.standard.flocks import BY_EYE, SIZE, STANDARD, by_section, looks_at, make_flock

DAY, LATER = "2026-08-15", "2026-09-26"


def look(bird: str, judge: str = "Ann", on: str = DAY, **given: object) -> dict[str, object]:
    return {"on": on, "judge": judge, "bird": bird, **given}


def scored(rows: list[dict[str, object]], sexes: Mapping[str, str] | None = None, **flock: object) -> Points:
    """Points of pullets that `rows` name, unless `sexes` names birds."""
    birds = sexes or dict.fromkeys([str(r["bird"]) for r in rows if r.get("bird")], "female")
    return score(make_flock(birds, scores=looks_at(rows), **flock))  # type: ignore[arg-type]


def of(points: Points, bird: str) -> pd.Series:
    """What is known of one bird, its sections beside the rest (missing: not seen)."""
    own = by_section(points).reindex(columns=["type", "colour", "size"]).reindex([bird])
    return pd.concat([points.birds.set_index("bird").loc[bird], own.loc[bird]])


def test_full_marks_in_every_section_are_100_points() -> None:
    points = scored([look("a", type=60, colour=40)], standard=BY_EYE)
    a = of(points, "a")
    assert (a["points"], a["points_seen"], a["points_of_100"], a["looks"]) == (100, 100, 100, 1)


def test_a_measured_section_comes_from_the_weight_at_its_age() -> None:
    points = scored([look("a", type=30, colour=28)], weights=[("a", 20, 2150), ("a", 24, 2250)])
    size = points.in_section("size").loc["a"]
    assert size["points"] == pytest.approx(points_of(SIZE, "female", size["value"]))
    a = of(points, "a")
    assert a["size"] == size["points"]
    assert a["points"] == pytest.approx(58 + size["points"])
    assert a["points_seen"] == 100
    assert points.looks.loc[0, "total"] == pytest.approx(a["points"])


def test_a_chick_weighed_young_has_no_points_for_size() -> None:
    points = scored([look("a", type=30, colour=28)], weights=[("a", 4, 300), ("a", 8, 800)])
    assert points.in_section("size").loc["a", "why"] == "last weighed at 8 weeks: too young to tell"
    assert of(points, "a")["points_seen"] == 75
    assert np.isnan(of(points, "a")["size"])
    assert "1 bird was weighed only as young chicks: size is not told but predicted." in points.sentences


def test_a_bird_of_unknown_sex_has_no_band() -> None:
    points = scored([look("a", type=30)], {"a": "unknown"}, weights=[("a", 24, 2800)])
    assert np.isnan(of(points, "a")["size"]) and of(points, "a")["points_seen"] == 40


def test_unscored_is_never_zero() -> None:
    rows = [look(f"b{i}", type=42 + i % 5, colour=28 + i % 4) for i in range(10)]
    points = scored([*rows, look("half", type=44)], standard=BY_EYE)
    half = of(points, "half")
    assert (half["points"], half["points_seen"]) == (44, 60)
    assert np.isnan(half["colour"])
    assert half["points_of_100"] == pytest.approx(44 + 29.5, abs=1.5)
    assert "1 bird was not seen in every section" in " ".join(points.sentences)


def test_61_of_80_is_not_sorted_under_70_of_100() -> None:
    rows = [look(f"b{i}", type=42 + i % 5, colour=26 + i % 4) for i in range(10)]
    points = scored([*rows, look("part", type=48), look("whole", type=44, colour=26)], standard=BY_EYE)
    assert of(points, "part")["points"] < of(points, "whole")["points"]
    assert of(points, "part")["points_of_100"] > of(points, "whole")["points_of_100"]


def test_costs_of_faults_come_off_the_total_and_not_off_sections() -> None:
    points = scored(
        [
            look("none", type=30, colour=28),
            look("lobe", type=30, colour=28, faults="white lobe; pale legs"),
            look("serious", type=30, colour=28, faults="wry tail"),
        ]
    )
    assert points.looks["costs"].tolist() == [0, 3, 0]
    assert points.looks["total"].tolist() == [58, 55, 58]
    totals = points.birds.set_index("bird")["points"]
    assert totals["none"] - totals["lobe"] == pytest.approx(3)
    of_100 = points.birds.set_index("bird")["points_of_100"]
    assert of_100["none"] - of_100["lobe"] == pytest.approx(3)
    assert totals["serious"] == pytest.approx(totals["none"])
    assert of(points, "lobe")["type"] == pytest.approx(of(points, "none")["type"])


def test_a_fault_seen_once_in_two_looks_costs_half() -> None:
    points = scored([look("a", type=30, faults="white lobe"), look("a", on=LATER, type=30)])
    assert of(points, "a")["points"] == pytest.approx(28.5)


def test_a_look_that_only_noted_a_fault_is_no_score() -> None:
    points = scored([look("a", faults="wry tail"), look("b", type=30)])
    assert of(points, "a")["looks"] == 0 and np.isnan(of(points, "a")["points"])
    assert np.isnan(points.looks.loc[0, "total"]) and points.looks.loc[0, "seen"] == 0


def judged_twice(rng: np.random.Generator, birds: int, strict: float) -> tuple[Points, dict[str, float]]:
    """Two judges, the second strict; each bird seen by both or by one, on two days."""
    true = {f"p{i:02d}": float(x) for i, x in enumerate(rng.normal(30, 2.5, birds))}
    rows = []
    for i, (bird, own) in enumerate(true.items()):
        for judge, level in (("Ann", 0.0), ("Ben", -strict)):
            if i % 3 == 2 or (i % 3 == 0) == (judge == "Ann"):
                rows.append(look(bird, judge, DAY, type=float(own + level + rng.normal(0, 1))))
                rows.append(look(bird, judge, LATER, type=float(own + level + rng.normal(0, 1))))
    return scored(rows), true


def test_birds_seen_by_the_strict_judge_alone_do_not_lose_by_it() -> None:
    points, true = judged_twice(np.random.default_rng(1), 45, strict=5.0)
    own = by_section(points)["type"]
    off = own - pd.Series(true)
    lenient, strict = (off[[f"p{i:02d}" for i in range(k, 45, 3)]].mean() for k in (0, 1))
    assert abs(lenient - strict) < 0.9  # 15 birds each; not the 5 points by which the judges differ
    levels = points.judges.set_index("judge")["level"]
    assert levels["Ann"] - levels["Ben"] == pytest.approx(5.0, abs=0.6)
    assert any("Ann +2" in s and "Ben -2" in s for s in points.sentences)


@pytest.mark.slow
def test_points_hold_the_truth_nine_times_in_ten() -> None:
    inside = []
    for seed in range(8):
        points, true = judged_twice(np.random.default_rng(seed), 45, strict=2.0)
        birds = points.birds.set_index("bird")
        off = birds["points"] - pd.Series(true)
        inside.append((np.abs(off - off.mean()) < 1.645 * birds["points_se"]).mean())
    assert 0.83 < np.mean(inside) < 0.96


def test_judges_whom_no_bird_ties_are_named() -> None:
    rows = [look(f"a{i}", "Ann", type=30 + i % 3) for i in range(6)]
    rows += [look(f"b{i}", "Ben", type=35 + i % 3) for i in range(6)]
    points = scored(rows)
    assert points.judges["tied"].tolist() == ["no", "no"]
    assert of(points, "b0")["type"] - of(points, "a0")["type"] == pytest.approx(5)
    named = [s for s in points.sentences if "no bird ties Ann and Ben in type" in s]
    assert len(named) == 1 and named[0].startswith("2026:")


def test_one_judge_alone_is_said_to_be() -> None:
    points = scored([look("a", type=30), look("b", type=33), look("a", on=LATER, type=31)])
    assert points.sentences[0] == "All looks are Ann's: nothing tells the judge's level from the birds'."
    assert points.agreement.set_index("section").loc["type", "why"] == "no two judges looked at one bird"


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([look("a", type=30)], "Repeatability of type cannot be told: every look gave the same points."),
        ([look("a", type=30)], "Repeatability of colour cannot be told: nobody has scored it."),
        (
            [look("a", type=30), look("b", type=30)],
            "of type cannot be told: every look gave the same points.",
        ),
        ([look("a", type=30), look("b", type=32)], "of type cannot be told: no bird was looked at twice."),
        ([look("a", type=30), look("b", type=32)], "Nobody has scored colour and size"),
    ],
)
def test_what_cannot_be_told_is_said_in_words(rows: list[dict[str, object]], said: str) -> None:
    points = scored(rows)
    assert any(said in sentence for sentence in points.sentences)
    assert np.isfinite(points.birds[["points", "points_se", "points_of_100", "points_of_100_se"]]).all().all()
    assert "nan" not in " ".join(points.sentences)


def test_without_any_look_every_living_bird_is_listed_without_points() -> None:
    points = score(make_flock({"a": "female", "b": "male"}))
    assert points.birds["bird"].tolist() == ["a", "b"]
    assert points.birds["points"].isna().all() and (points.birds["points_seen"] == 0).all()
    assert points.sentences == ("No bird has been scored.",)


def test_a_flock_without_birds_has_no_points() -> None:
    points = score(make_flock({}))
    assert points.birds.empty and points.looks.empty


def test_old_show_cards_count_where_no_section_was_scored() -> None:
    rows = [
        look("card", "show", total=82.0),
        look("both", "show", total=90.0),
        look("both", on=LATER, type=30),
    ]
    points = scored([*rows, look("card", "show", on=LATER, total=84.0)])
    card, both = of(points, "card"), of(points, "both")
    assert card[["points", "points_seen", "points_of_100"]].tolist() == pytest.approx([83, 100, 83], abs=0.1)
    assert (both["points"], both["points_seen"]) == (30, 40)
    assert points.looks.loc[0, ["total", "seen"]].tolist() == [82, 100]
    assert any(s.startswith("Old show cards with a total alone: 3") for s in points.sentences)


def test_sections_go_before_a_total_on_the_same_card() -> None:
    points = scored([look("a", type=50, colour=30, total=95.0)], standard=BY_EYE)
    assert points.looks["total"].tolist() == [80]
    assert of(points, "a")["points"] == 80


def test_a_single_old_card_claims_no_standard_error() -> None:
    points = scored([look("card", "show", total=82.0)])
    assert of(points, "card")["points"] == 82
    assert np.isnan(of(points, "card")["points_se"])


def test_looks_at_unnamed_chicks_are_listed_and_left_to_the_model() -> None:
    clutches = pd.DataFrame(
        {"clutch": ["26-H1"], "origin": ["home-bred"], "set_on": pd.to_datetime(["2026-03-11"])}
    )
    chicks = {"on": DAY, "judge": "Ann", "clutch": "26-H1", "sex": "male", "n": 4.0, "type": 28.0}
    points = scored([chicks, look("a", type=30)], {"a": "female"}, clutches=clutches)
    row = points.looks.loc[0]
    assert (row["total"], row["seen"], row["n"], row["sex"]) == (28, 40, 4, "male")
    assert pd.isna(row["bird"]) and row["adjusted"] == 28
    assert points.birds["bird"].tolist() == ["a"]
    assert points.judges["looks"].tolist() == [1]


def test_birds_gone_keep_their_points_if_they_were_scored() -> None:
    birds = pd.DataFrame(
        {
            "bird": ["here", "sold", "never"],
            "sex": "female",
            "hatched_on": "2026-04-01",
            "gone_on": pd.to_datetime([None, "2026-09-01", "2026-05-01"]),
        }
    )
    points = score(make_flock(birds, scores=looks_at([look("sold", type=33), look("here", type=30)])))
    assert points.birds["bird"].tolist() == ["here", "sold"]


def test_adjusted_totals_are_totals_less_levels() -> None:
    points, _ = judged_twice(np.random.default_rng(3), 30, strict=4.0)
    level = points.looks["total"] - points.looks["adjusted"]
    by_judge = level.groupby(points.looks["judge"]).mean()
    expected = points.judges.set_index("judge")["level"]
    assert by_judge["Ann"] == pytest.approx(expected["Ann"], abs=1e-6)
    assert by_judge["Ann"] == pytest.approx(-by_judge["Ben"], abs=0.2)


NO_SIZE = pd.DataFrame(columns=MEASURED)


def long(looks: pd.DataFrame) -> Looks:
    """Looks with a column a section, as they are kept: what a section was given is a row."""
    given = (
        looks.rename_axis("row")
        .reset_index()
        .melt(["row", "bird"], var_name="section", value_name="adjusted")
    )
    return Looks(looks[["bird"]].assign(row=looks.index), given.dropna(subset="adjusted"))


def levels(within: float, between: float = 2.0) -> dict[str, Levels]:
    nothing = np.zeros(0)
    known = Levels(nothing, nothing, nothing, np.zeros(0, dtype=np.intp), between, within)
    return {"type": known, "colour": known}


def seen(looks: pd.DataFrame, birds: list[str], within: float = 1.5, size: pd.DataFrame = NO_SIZE) -> Seen:
    return gather(STANDARD, long(looks), pd.Series(birds), levels(within), size)


def test_means_are_those_of_pandas_and_blanks_are_not_zeros() -> None:
    looks = pd.DataFrame(
        {"bird": ["b", "a", "b", "b"], "type": [30.0, 28, 33, np.nan], "colour": [np.nan, 25, 26, 27]}
    )
    found = seen(looks, ["a", "b", "c"])
    means = looks.groupby("bird")[["type", "colour"]].mean().reindex(["a", "b", "c"])
    assert found.means[:, :2] == pytest.approx(means.to_numpy(), nan_ok=True)
    assert np.isnan(found.means[:, 2]).all()


def test_the_error_of_a_mean_falls_with_the_looks_it_rests_on() -> None:
    looks = pd.DataFrame({"bird": ["a", "b", "b", "b", "b"], "type": 30.0, "colour": np.nan})
    found = seen(looks, ["a", "b"])
    assert found.noise[:, 0, 0] == pytest.approx([1.5**2, 1.5**2 / 4])


def test_sections_of_one_look_share_its_halo() -> None:
    together = pd.DataFrame({"bird": ["a"], "type": [30.0], "colour": [26.0]})
    apart = pd.DataFrame({"bird": ["a", "a"], "type": [30.0, np.nan], "colour": [np.nan, 26.0]})
    assert seen(together, ["a"]).noise[0, 0, 1] == pytest.approx(HALO * 1.5**2)
    assert seen(apart, ["a"]).noise[0, 0, 1] == 0


def test_many_repeat_looks_show_their_own_halo() -> None:
    rng = np.random.default_rng(1)
    birds = np.repeat([f"b{i}" for i in range(150)], 3)
    halo = rng.normal(0, 1, 450)
    points = {name: 30 + halo + rng.normal(0, 1, 450) for name in ("type", "colour")}  # correlation ½
    found = seen(pd.DataFrame({"bird": birds, **points}), list(dict.fromkeys(birds)), within=np.sqrt(2))
    assert found.noise[0, 0, 1] / found.noise[0, 0, 0] == pytest.approx(0.5, abs=0.1)


def test_where_looks_show_no_spread_the_usual_one_is_taken() -> None:
    looks = pd.DataFrame({"bird": ["a"], "type": [30.0], "colour": [np.nan]})
    found = gather(STANDARD, long(looks), pd.Series(["a"]), levels(np.nan, np.nan), NO_SIZE)
    assert found.between_sd[:2] == pytest.approx(USUAL_SD * np.array([40, 35]))
    assert found.noise[0, 0, 0] == pytest.approx((USUAL_SD * 40) ** 2)


def test_points_for_weight_carry_the_doubt_of_the_weight() -> None:
    flock = make_flock({"a": "female", "b": "female"}, [("a", 24, 2050), ("b", 24, 2800)])
    measured = measured_points(flock, fit_growth(flock))
    size = measured.set_index("bird")
    # a stands on the slope of the band, 25 points over 900 g; b in the middle of it, where little is at stake
    assert size.loc["a", "points_se"] == pytest.approx(25 / 900 * size.loc["a", "se"], rel=0.02)
    assert size.loc["b", "points_se"] < 0.3 * size.loc["a", "points_se"]
    nothing = pd.DataFrame({"bird": pd.Series([], dtype="str"), "type": [], "colour": []})
    found = seen(nothing, ["a", "b"], size=measured)
    assert found.noise[:, 2, 2] == pytest.approx(size["points_se"] ** 2)
    assert found.means[:, 2] == pytest.approx(size["points"])


def test_a_mean_beyond_the_sections_points_is_brought_back() -> None:
    assert seen(pd.DataFrame({"bird": ["a"], "type": [40.6], "colour": [-0.2]}), ["a"]).means[
        0, :2
    ].tolist() == [40, 0]


@pytest.mark.parametrize(("other", "found"), [(0.09, 0), (0.11, 2)], ids=["near", "apart"])
def test_judges_disagree_where_a_tenth_of_the_points_lies_between_them(other: float, found: int) -> None:
    section = STANDARD.sections[0]
    name, middle, other = section.name, section.points / 2, section.points * (0.5 + other)
    given = pd.DataFrame(
        {"row": [0, 1], "section": name, "points": [middle, other], "adjusted": [middle, other]}
    )
    looks = pd.DataFrame(
        {"row": [0, 1], "bird": "a", "judge": ["Ann", "Bob"], "on": pd.Timestamp("2026-08-01")}
    )
    told = disagreements(SimpleNamespace(looks=looks, given=given), STANDARD)
    assert len(told) == found
