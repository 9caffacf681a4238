"""Two colours and a day name one bird, or nobody."""

from __future__ import annotations

import pandas as pd

from selection.records.rings import name_birds, shared_pairs, worn


def day(text: str | None) -> pd.Timestamp:
    return pd.Timestamp(text).as_unit("s") if text else pd.NaT


def rings(*rows: tuple[str, str, str, str, str | None]) -> pd.DataFrame:
    """Rows of bird, leg, colour, fitted_on, removed_on."""
    frame = pd.DataFrame(rows, columns=["bird", "leg", "colour", "fitted_on", "removed_on"])
    days = {c: [day(d) for d in frame[c]] for c in ("fitted_on", "removed_on")}
    return frame.assign(**{c: pd.Series(d, dtype="datetime64[s]") for c, d in days.items()})


def birds(**gone_on: str | None) -> pd.DataFrame:
    """Birds hatched on 1 March 2026, each with the day it went."""
    gone = pd.Series([day(d) for d in gone_on.values()], dtype="datetime64[s]")
    return pd.DataFrame({"bird": list(gone_on), "hatched": day("2026-03-01"), "gone_on": gone})


def asked(on: str, left: str | None, right: str | None) -> pd.DataFrame:
    frame = pd.DataFrame({"on": [day(on)], "left": [left], "right": [right]}, index=[2])
    return frame.astype({"left": "str", "right": "str"})


PAIR = (
    ("a", "left", "green", "2026-05-01", None),
    ("a", "right", "red", "2026-05-01", None),
    ("b", "left", "green", "2026-05-01", None),
    ("b", "right", "blue", "2026-05-01", None),
)


def answer(on: str, left: str | None, right: str | None, ring_rows=PAIR, **gone_on: str | None) -> str | None:
    gone_on = gone_on or {"a": None, "b": None}
    named = name_birds(asked(on, left, right), rings(*ring_rows), birds(**gone_on))
    return None if named.bird.isna()[2] else named.bird[2]


def test_a_pair_names_the_bird_that_wears_it_whatever_its_case():
    assert answer("2026-06-01", "Green", "RED") == "a"
    assert answer("2026-06-01", "green", "blue") == "b"


def test_a_ring_is_on_from_the_day_it_was_fitted():
    assert answer("2026-05-01", "green", "red") == "a"
    assert answer("2026-04-30", "green", "red") is None


def test_a_ring_is_off_on_the_day_it_was_removed():
    removed = (*PAIR[2:], PAIR[0], ("a", "right", "red", "2026-05-01", "2026-07-01"))
    assert answer("2026-06-30", "green", "red", removed) == "a"
    assert answer("2026-07-01", "green", "red", removed) is None


def test_a_ring_replaced_by_one_of_its_colour_leaves_one_answer_on_every_day():
    replaced = (
        PAIR[0],
        ("a", "right", "red", "2026-05-01", "2026-07-01"),
        ("a", "right", "red", "2026-07-01", None),
    )
    for on in ("2026-06-30", "2026-07-01", "2026-07-02"):
        assert answer(on, "green", "red", replaced, a=None) == "a"


def test_a_ring_fitted_over_another_that_was_never_taken_off_takes_its_place():
    over = (*PAIR, ("a", "right", "pink", "2026-07-01", None))
    assert answer("2026-07-01", "green", "pink", over) == "a"
    assert answer("2026-07-01", "green", "red", over) is None
    assert answer("2026-06-30", "green", "red", over) == "a"


def test_two_rings_on_one_leg_are_read_upper_first():
    two = (PAIR[0], ("a", "right", "Red / white", "2026-05-01", None))
    assert answer("2026-06-01", "green", "red/WHITE", two, a=None) == "a"
    assert answer("2026-06-01", "green", "white/red", two, a=None) is None


def test_one_colour_alone_is_taken_where_one_living_bird_fits_and_reported():
    named = name_birds(asked("2026-06-01", None, "blue"), rings(*PAIR), birds(a=None, b=None))
    assert named.bird[2] == "b"
    assert "the only living bird with it on 2026-06-01" in named.notes[2]
    assert answer("2026-06-01", "green", None) is None


def test_a_bird_gone_is_not_meant_any_more_but_still_was_on_its_last_day():
    same = (*PAIR[:2], ("b", "left", "green", "2026-06-02", None), ("b", "right", "red", "2026-06-02", None))
    assert answer("2026-06-01", "green", "red", same, a="2026-06-01", b=None) == "a"
    assert answer("2026-06-02", "green", "red", same, a="2026-06-01", b=None) == "b"


def test_a_pair_that_fits_two_names_both():
    same = (*PAIR[:2], ("b", "left", "green", "2026-05-01", None), ("b", "right", "red", "2026-05-01", None))
    named = name_birds(asked("2026-06-01", "green", "red"), rings(*same), birds(a=None, b=None))
    assert named.bird.isna()[2]
    assert "it fits a, b" in named.faults[2]


def test_a_pair_that_fits_nobody_says_who_wears_half_of_it():
    named = name_birds(asked("2026-06-01", "green", "pink"), rings(*PAIR), birds(a=None, b=None))
    assert "no living bird wore it on 2026-06-01; there was left green on a, b" in named.faults[2]


def test_what_a_bird_wears_is_one_row():
    legs = worn(rings(*PAIR), day("2026-06-01"))
    assert legs.loc["a"].to_dict() == {"left": "green", "right": "red"}
    assert worn(rings(), day("2026-06-01")).empty


def test_two_living_birds_with_one_pair_are_found_with_the_first_such_day():
    same = (*PAIR[:2], ("b", "left", "green", "2026-05-01", None), ("b", "right", "RED", "2026-06-11", None))
    (clash,) = shared_pairs(rings(*same), birds(a=None, b=None)).to_dict("records")
    assert clash == {"first": "a", "second": "b", "pair": "green and red", "on": day("2026-06-11")}
    assert shared_pairs(rings(*same), birds(a="2026-06-10", b=None)).empty
    assert len(shared_pairs(rings(*same), birds(a="2026-06-11", b=None))) == 1


def test_a_clutchs_colour_that_all_its_birds_share_is_no_pair():
    assert shared_pairs(rings(*PAIR[::2]), birds(a=None, b=None)).empty
