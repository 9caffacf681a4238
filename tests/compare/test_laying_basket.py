"""Hen-days and counts from the forms: who stood where on which day, which days were counted, whose eggs they are."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from selection.compare.laying.basket import Basket, count
from tests.compare.little_basket import daily, flock_of

OLD, YOUNG = "2023-04-01", "2024-04-01"


def hen_days(basket: Basket) -> dict[float, float]:
    """Counted hen-days by hatch year."""
    of = basket.exposure["hen_days"].groupby(basket.exposure["lot"].map(basket.lots["hatch_year"])).sum()
    return of.to_dict()


def test_a_hen_counts_from_the_first_day_up_to_but_not_with_the_day_she_left_the_pen() -> None:
    pens = [("A", "h", "2025-05-03", "2025-05-06")]
    eggs = daily("A", "2025-05-01", [0] * 10)
    assert hen_days(count(flock_of({"h": OLD}, pens, eggs))) == {2023: 3}


def test_a_hen_that_went_still_counts_on_her_last_day() -> None:
    birds = [{"bird": "h", "sex": "female", "hatched_on": OLD, "gone_on": "2025-05-04", "gone_why": "died"}]
    eggs = daily("A", "2025-05-01", [1] * 10)
    basket = count(flock_of(birds, [("A", "h", "2025-05-01", None)], eggs))
    assert hen_days(basket) == {2023: 4}
    assert "6 days from 2025-05-05 to 2025-05-10, A: 6 eggs, but no hen" in basket.warnings[0]


def test_a_pullet_counts_from_eighteen_weeks_and_cocks_and_chicks_without_a_sex_never() -> None:
    hatched = pd.Timestamp("2025-05-01") - pd.Timedelta(weeks=18) + pd.Timedelta(days=4)
    birds = [
        {"bird": "pullet", "sex": "female", "hatched_on": f"{hatched:%Y-%m-%d}"},
        {"bird": "cock", "sex": "male", "hatched_on": OLD},
        {"bird": "chick", "sex": "unknown", "hatched_on": OLD},
    ]
    pens = [("A", bird["bird"], "2025-01-01", None) for bird in birds]
    basket = count(flock_of(birds, pens, daily("A", "2025-05-01", [0] * 10)))
    assert hen_days(basket) == {2025 if hatched.year == 2025 else 2024: 6}


def test_a_hen_bought_grown_counts_from_the_day_she_came_and_with_no_hatch_date_at_once() -> None:
    birds = [{"bird": "bought", "sex": "female", "came_on": "2025-05-03"}]
    basket = count(flock_of(birds, [("A", "bought", "2025-01-01", None)], daily("A", "2025-05-01", [0] * 4)))
    assert basket.exposure["hen_days"].sum() == 2
    assert basket.lots["hatch_year"].isna().all()


def test_a_moved_hen_is_in_one_pen_a_day_even_if_her_leaving_was_not_written_down() -> None:
    pens = [("A", "h", "2025-05-01", None), ("B", "h", "2025-05-04", None), ("B", "b", "2025-05-01", None)]
    eggs = daily("A", "2025-05-01", [1, 1, 1]) + daily("B", "2025-05-01", [0] * 6)
    basket = count(flock_of({"h": OLD, "b": YOUNG}, pens, eggs))
    assert hen_days(basket) == {2023: 6, 2024: 6}
    on = basket.days[basket.days["pen"] == "B"]
    assert on["hens"].tolist() == [1, 1, 1, 2, 2, 2]


def test_uncounted_days_are_no_days_and_a_zero_is_a_count() -> None:
    eggs = daily("A", "2025-05-01", [1, None, 0, None, None, 1])
    basket = count(flock_of({"h": OLD}, [("A", "h", "2025-04-01", None)], eggs))
    assert hen_days(basket) == {2023: 3}
    assert basket.cells["eggs"].sum() == 2
    assert basket.days["counted"].tolist() == [True, False, True, False, False, True]
    assert basket.days["eggs"].isna().tolist() == [False, True, False, True, True, False]


def test_a_count_of_several_days_covers_them_up_to_and_with_its_own() -> None:
    eggs = [{"on": "2025-05-07", "pen": "A", "eggs": 5, "days": 7}]
    pens = [("A", "h", "2025-05-01", None), ("A", "b", "2025-05-05", None)]
    basket = count(flock_of({"h": OLD, "b": YOUNG}, pens, eggs))
    assert hen_days(basket) == {2023: 7, 2024: 3}
    assert len(basket.cells) == 1  # never split where the hens changed within it
    assert basket.days["eggs"].sum() == pytest.approx(5)


def test_pens_and_hens_are_matched_whatever_their_case() -> None:
    eggs = [
        {"on": "2025-05-01", "pen": "LONG RUN", "eggs": 1},
        {"on": "2025-05-02", "pen": "Long Run", "eggs": 1},
    ]
    basket = count(flock_of({"H1": OLD}, [("long run", "h1", "2025-04-01", None)], eggs))
    assert hen_days(basket) == {2023: 2}


def test_counts_without_a_pen_are_of_every_hen_on_the_holding() -> None:
    birds = [
        {"bird": "a", "sex": "female", "hatched_on": OLD},
        {"bird": "b", "sex": "female", "hatched_on": YOUNG, "gone_on": "2025-05-02"},
    ]
    basket = count(flock_of(birds, [], [{"on": f"2025-05-0{d}", "eggs": 1} for d in (1, 2, 3)]))
    assert hen_days(basket) == {2023: 3, 2024: 2}


def test_a_count_without_a_pen_beside_counts_of_pens_is_left_out_and_named() -> None:
    eggs = [*daily("A", "2025-05-01", [1]), {"on": "2025-05-01", "eggs": 3}]
    basket = count(flock_of({"h": OLD}, [("A", "h", "2025-04-01", None)], eggs))
    assert basket.cells["eggs"].sum() == 1
    assert basket.warnings == (
        "2025-05-01, no pen: 3 eggs without a pen on a day when pens were counted; left out",
    )


def test_more_eggs_than_hens_is_a_warning_that_names_day_and_pen_and_the_eggs_stay() -> None:
    eggs = daily("A", "2025-05-01", [1, 3, 1])
    basket = count(flock_of({"h": OLD, "g": OLD}, [("A", h, "2025-04-01", None) for h in "hg"], eggs))
    assert basket.warnings == ("2025-05-02, A: 3 eggs from 2 hens; look at the eggs and pens forms",)
    assert basket.cells["eggs"].sum() == 5


def test_two_rows_for_one_day_are_named_and_its_hens_counted_once() -> None:
    eggs = [
        {"on": "2025-05-03", "pen": "A", "eggs": 2, "days": 3},
        {"on": "2025-05-02", "pen": "A", "eggs": 1},
    ]
    basket = count(flock_of({"h": OLD}, [("A", "h", "2025-04-01", None)], eggs))
    assert hen_days(basket) == {2023: 3}
    assert any("2025-05-03, A: 2 eggs counted over days of another row" in w for w in basket.warnings)


def own(on: str, bird: str, eggs: float, **more: Any) -> dict[str, Any]:
    return {"on": on, "bird": bird, "eggs": eggs, **more}


def test_a_hens_own_rows_are_part_of_her_pens_count() -> None:
    eggs = [
        *daily("A", "2025-05-01", [2, 1, 2]),
        own("2025-05-01", "h", 1),
        own("2025-05-02", "h", 0, pen="A"),
    ]
    pens = [("A", h, "2025-04-01", None) for h in ("h", "g")]
    basket = count(flock_of({"h": OLD, "g": OLD}, pens, eggs))
    assert basket.cells["eggs"].sum() == 5
    assert basket.exposure["hen_days"].sum() == 6
    of_pen = basket.cells.index[basket.cells["of_pen"]]
    rest = basket.exposure[basket.exposure["cell"].isin(of_pen)].set_index("lot")["hen_days"]
    birds = basket.lots["birds"].str[0]
    assert basket.cells.loc[of_pen, "eggs"].tolist() == [4]
    assert {birds[lot]: days for lot, days in rest.items()} == {"h": 1, "g": 3}


def test_own_rows_where_nobody_counted_the_pen_stand_alone() -> None:
    basket = count(flock_of({"h": OLD}, [], [own("2025-05-01", "h", 1), own("2025-05-03", "h", 0, days=2)]))
    assert hen_days(basket) == {2023: 3}
    assert basket.cells["eggs"].sum() == 1
    assert not basket.cells["of_pen"].any()


def test_own_rows_of_a_hen_that_no_pen_holds_count_all_the_same() -> None:
    eggs = [
        *daily("A", "2025-05-01", [1, 1]),
        own("2025-05-01", "single", 1, pen="Coop"),
        own("2025-05-02", "single", 0, pen="A"),
    ]
    basket = count(flock_of({"h": OLD, "single": YOUNG}, [("A", "h", "2025-04-01", None)], eggs))
    assert hen_days(basket) == {2023: 2, 2024: 2}
    assert basket.cells["eggs"].sum() == 3


def test_eggs_beyond_those_of_hens_all_recorded_singly_are_named() -> None:
    eggs = [*daily("A", "2025-05-01", [2]), own("2025-05-01", "h", 1)]
    basket = count(flock_of({"h": OLD}, [("A", "h", "2025-04-01", None)], eggs))
    assert any("2025-05-01, A: 1 eggs more over that fortnight" in w for w in basket.warnings)
    assert basket.exposure["hen_days"].sum() == 1


def test_own_rows_of_several_days_are_taken_from_the_pens_counted_days_alone() -> None:
    eggs = [*daily("A", "2025-05-01", [2, None, 1]), own("2025-05-03", "h", 3, days=3)]
    pens = [("A", h, "2025-04-01", None) for h in ("h", "g")]
    basket = count(flock_of({"h": OLD, "g": OLD}, pens, eggs))
    assert basket.exposure["hen_days"].sum() == 5  # h three days, g the two that were counted
    assert basket.cells["eggs"].sum() == pytest.approx(4)  # her third egg fell on a day without a count


def test_own_rows_of_a_bird_that_is_no_hen_stay_in_the_pens_count_and_are_named() -> None:
    birds = [
        {"bird": "h", "sex": "female", "hatched_on": OLD},
        {"bird": "k", "sex": "male", "hatched_on": OLD},
    ]
    eggs = [*daily("A", "2025-05-01", [1]), own("2025-05-01", "k", 1)]
    basket = count(flock_of(birds, [("A", "h", "2025-04-01", None)], eggs))
    assert "2025-05-01, k: eggs of a bird that is no hen of 18 weeks" in basket.warnings[0]
    assert basket.cells["eggs"].sum() == 1


def test_more_by_own_rows_than_by_the_pens_count_is_named() -> None:
    eggs = [*daily("A", "2025-05-01", [0]), own("2025-05-01", "h", 1)]
    pens = [("A", h, "2025-04-01", None) for h in ("h", "g")]
    basket = count(flock_of({"h": OLD, "g": OLD}, pens, eggs))
    assert any(w.startswith("2025-05-01, A: 0 eggs and less over that fortnight") for w in basket.warnings)


def test_broody_days_count_and_are_kept_apart() -> None:
    eggs = [own("2025-05-02", "h", 0, note="Broody"), own("2025-05-03", "h", 1, note=None)]
    basket = count(flock_of({"h": OLD}, [], eggs))
    assert basket.own["broody"].tolist() == [1, 0]
    assert hen_days(basket) == {2023: 2}


def test_hens_that_always_stood_together_are_one_lot_and_a_recorded_hen_is_her_own() -> None:
    pens = [("A", h, "2025-04-01", None) for h in "abcd"]
    eggs = [*daily("A", "2025-05-01", [2]), own("2025-05-01", "d", 1)]
    basket = count(flock_of({"a": OLD, "b": OLD, "c": YOUNG, "d": OLD}, pens, eggs))
    assert sorted(basket.lots["birds"]) == [("a", "b"), ("c",), ("d",)]


days = st.integers(0, 40)
spell = st.tuples(st.sampled_from("AB"), st.integers(0, 5), days, st.one_of(st.none(), st.integers(1, 25)))
row = st.tuples(st.sampled_from("AB"), days, st.integers(0, 4))


@settings(max_examples=30)
@given(
    st.lists(spell, min_size=1, max_size=14),
    st.lists(row, min_size=1, max_size=40, unique_by=lambda r: r[:2]),
)
def test_hen_days_are_those_of_a_count_day_by_day(spells: list[tuple], rows: list[tuple]) -> None:
    first = pd.Timestamp("2025-05-01")
    birds = {f"h{k}": OLD if k % 2 else YOUNG for k in range(6)}
    pens = [
        (pen, f"h{k}", first + pd.Timedelta(days=start), length and first + pd.Timedelta(days=start + length))
        for pen, k, start, length in {(k, start): (pen, k, start, n) for pen, k, start, n in spells}.values()
    ]
    eggs = [{"on": first + pd.Timedelta(days=d), "pen": pen, "eggs": n} for pen, d, n in rows]
    expected = np.zeros(2)
    for pen, d, _ in rows:
        day = first + pd.Timedelta(days=d)
        for k in range(6):
            of = sorted(
                ((f, p, t) for p, bird, f, t in pens if bird == f"h{k}" and f <= day), key=lambda s: s[0]
            )
            if of and of[-1][1] == pen and (of[-1][2] is None or day < of[-1][2]):
                expected[k % 2] += 1
    found = hen_days(count(flock_of(birds, pens, eggs)))
    assert [found.get(2024.0, 0), found.get(2023.0, 0)] == expected.tolist()
