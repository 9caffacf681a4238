"""Rings: free pairs, colours that run out, rings that no longer fit."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from selection.records.flock import Flock, assemble
from selection.records.ringplan import ring_plan, size_table, sizes_at
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Section, Standard

ON = date(2026, 10, 10)
STANDARD = Standard("Marram", (Section("type", "Type", 100.0),))


def days(*texts: str | None) -> pd.Series:
    return pd.Series(pd.to_datetime(list(texts))).astype("datetime64[s]")


def flock_of(birds: list[tuple], rings: list[tuple], standard: Standard = STANDARD) -> Flock:
    """Birds as (bird, sex, hatched, gone_on), rings as (bird, leg, colour, kind, size, fitted, removed)."""
    columns = ["bird", "leg", "colour", "kind", "size_mm", "fitted_on", "removed_on"]
    ring_rows = pd.DataFrame(rings, columns=columns)
    for column in ("fitted_on", "removed_on"):
        ring_rows[column] = days(*ring_rows[column])
    bird_rows = pd.DataFrame(birds, columns=["bird", "sex", "hatched_on", "gone_on"])
    bird_rows["gone_on"] = days(*bird_rows["gone_on"])
    return assemble(standard, Plan(ON, 2026, {}), {"birds": bird_rows, "rings": ring_rows})


def pair(
    bird: str, left: str, right: str, fitted: str = "2026-06-01", removed: str | None = None
) -> list[tuple]:
    legs = (("left", left), ("right", right))
    return [(bird, leg, colour, "spiral", 16.0, fitted, removed) for leg, colour in legs]


SOME = flock_of(
    [
        ("k1", "male", "2026-04-01", None),
        ("k2", "female", "2026-04-01", None),
        ("k3", "female", "2025-04-01", "2026-07-01"),
        ("k4", "female", "2025-04-01", None),
    ],
    [*pair("k1", "red", "blue"), *pair("k2", "Red", "red"), *pair("k3", "blue", "red", "2025-06-01")],
)


def test_a_pair_is_free_when_no_living_bird_wears_it_and_never_worn_pairs_come_first() -> None:
    pairs = ring_plan(SOME, ["red", "blue", " GREEN "]).pairs
    assert len(pairs) == 9
    taken = pairs[~pairs["free"]].set_index(["left", "right"])["worn_by"].to_dict()
    assert taken == {("red", "blue"): "k1", ("red", "red"): "k2"}
    free = pairs[pairs["free"]]
    assert (free.iloc[-1]["left"], free.iloc[-1]["right"]) == ("blue", "red")  # k3 wore it until it went
    assert free.iloc[-1]["last_worn"] == pd.Timestamp("2026-07-01") and free["last_worn"].isna().sum() == 6


def test_a_pair_taken_off_is_free_again() -> None:
    rings = [*pair("k1", "red", "blue", removed="2026-08-01"), *pair("k1", "red", "green", "2026-08-01")]
    pairs = ring_plan(flock_of([("k1", "male", "2026-04-01", None)], rings), ["red", "blue", "green"]).pairs
    by_pair = pairs.set_index(["left", "right"])
    assert by_pair.loc[("red", "blue"), "free"] and not by_pair.loc[("red", "green"), "free"]
    assert by_pair.loc[("red", "blue"), "last_worn"] == pd.Timestamp("2026-08-01")


def test_colours_running_out_are_named_by_pairs_and_by_stock() -> None:
    plan = ring_plan(SOME, {"red": 40, "blue": 0})
    short = plan.colours.set_index("left")
    assert short.loc["red", ["free", "worn", "short"]].tolist() == [0, 2, True]
    assert short.loc["red", "hatch_years"] == "2026"
    assert short["short"].tolist() == [True, True]
    assert any("red on the left is running out: 0 pairs free, 40 rings in stock" in s for s in plan.sentences)
    assert not ring_plan(SOME, {"red": 40, "blue": 40, "green": 40}).colours["short"].any()


def test_without_a_list_of_colours_those_worn_are_taken_and_it_is_said() -> None:
    plan = ring_plan(SOME)
    assert plan.colours["left"].tolist() == ["blue", "red"]
    assert any("Which colours are in stock" in said for said in plan.cannot)


def test_birds_without_a_pair_are_counted() -> None:
    assert any("1 living bird wears no pair of rings" in said for said in ring_plan(SOME).sentences)


@pytest.mark.parametrize(
    ("sex", "hatched", "kind", "size", "due", "why"),
    [
        ("female", "2026-08-29", "spiral", 6.0, "change", "6 mm at 6 weeks; the sources give 9.5 to 10 mm"),
        ("female", "2026-08-29", "spiral", 9.5, "look weekly", "a growing bird of 6 weeks"),
        ("female", "2026-08-29", "spiral", np.nan, "look weekly", "its size is not recorded"),
        ("female", "2026-08-29", "clip", 10.0, "check", "do not count on it to spring open"),
        ("male", "2025-04-01", "spiral", 14.0, "check", "too small by some of them"),
        ("male", "2025-04-01", "spiral", 11.0, "change", "the sources give 14.3 to 20 mm"),
        ("female", "2025-04-01", "spiral", 16.0, None, ""),
        ("female", "2026-08-29", "closed", 16.0, "look weekly", "a growing bird"),
        ("female", "2026-08-29", "closed", 10.0, "change", "the sources give 14.3 to 16 mm"),
        ("female", None, "spiral", 16.0, "check", "hatch day is not known"),
    ],
)
def test_a_ring_is_due_by_age_sex_size_and_kind(sex, hatched, kind, size, due, why) -> None:
    ring = ("k1", "right", "red", kind, size, "2026-09-20", None)
    found = ring_plan(flock_of([("k1", sex, hatched, None)], [ring]), ["red"]).due
    if due is None:
        assert found.empty
    else:
        assert found["due"].tolist() == [due] and why in found["why"][0]


def test_a_ring_put_on_a_young_chick_and_never_changed_is_checked_once_it_is_grown() -> None:
    ring = ("k1", "left", "red", "spiral", np.nan, "2025-05-01", None)
    found = ring_plan(flock_of([("k1", "female", "2025-04-01", None)], [ring]), ["red"]).due
    assert found["due"].tolist() == ["check"] and "put on at 4 weeks" in found["why"][0]


def test_rings_of_birds_gone_and_rings_taken_off_need_nothing() -> None:
    birds = [("k1", "male", "2026-08-20", "2026-09-30"), ("k2", "male", "2026-08-20", None)]
    rings = [
        ("k1", "left", "red", "spiral", 5.0, "2026-08-25", None),
        ("k2", "left", "red", "spiral", 5.0, "2026-08-25", "2026-09-15"),
    ]
    assert ring_plan(flock_of(birds, rings), ["red"]).due.empty


def test_a_bantams_rings_are_held_against_bantam_sizes() -> None:
    band = Section("size", "Size", 100.0, measured="weight", at_weeks=24, band={"male": (900, 1100)})
    ring = ("k1", "right", "red", "flat", 11.0, "2025-09-20", None)
    bird = [("k1", "male", "2025-04-01", None)]
    assert ring_plan(flock_of(bird, [ring]), ["red"]).due["due"].tolist() == ["change"]
    bantams = Standard("Marram bantam", (band,))
    assert ring_plan(flock_of(bird, [ring], bantams), ["red"]).due["due"].tolist() == ["check"]
    assert sizes_at(52, "male", "bantam") == (11.0, 12.0)


def test_every_size_names_its_source_and_the_sources_do_disagree() -> None:
    table = size_table()
    assert table["where"].str.len().gt(10).all() and table["source"].nunique() >= 3
    low, high = sizes_at(100, "female", "large")
    assert low < high


def test_sixteenths_of_an_inch_are_those_printed() -> None:
    """Wood Enterprises: "size 9 = 9/16" diameter" for most hens; an inch is 25.4 mm."""
    table = size_table()
    hens = table[(table["source"] == "Wood Enterprises") & (table["sex"] == "female")]
    assert hens["size_mm"].tolist() == [round(9 * 25.4 / 16, 1)]


def test_the_plan_in_words_holds_pairs_dues_kinds_sizes_and_the_caution() -> None:
    text = ring_plan(SOME, ["red", "blue"]).text()
    for part in (
        "Free pairs",
        "blue: with",
        "spiral",
        "common practice",
        "do not count on",
        "weekly at least",
    ):
        assert part.casefold() in text.casefold(), part


def test_a_flock_without_rings_has_a_plan_all_the_same() -> None:
    plan = ring_plan(flock_of([("k1", "male", "2026-04-01", None)], []), ["red", "blue"])
    assert plan.pairs["free"].all() and plan.due.empty and plan.text()
    assert ring_plan(flock_of([], [])).pairs.empty


@pytest.mark.parametrize("colours", [None, [" "]])
def test_a_flock_that_has_worn_no_ring_yet_is_told_to_name_colours(colours) -> None:
    plan = ring_plan(flock_of([("k1", "male", "2026-04-01", None)], []), colours)
    assert plan.pairs.empty
    assert "name those in stock" in plan.text()
