"""A bird's life gathered from the records: every fact where it belongs, and none that belongs to another."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from selection.decide.life import Ancestor, Life, ancestors, laid_by_dams, life
from selection.errors import RecordsError
from selection.merit.relationship.parentage import parentage
from selection.records.flock import Flock
from tests.merit import tiny
from tests.merit.tiny import bird, clutch, look, stood


def ring(number: str, leg: str, colour: str, on: str, off: str | None = None) -> dict[str, object]:
    return {"bird": number, "leg": leg, "colour": colour, "kind": "flat", "fitted_on": on, "removed_on": off}


def holding(**more: object) -> Flock:
    """Cock C and hens H1, H2 in pen 1; pullets x and y and cockerel z of their clutch; B bought of Mill, a stranger."""
    forms: dict[str, list[dict[str, object]]] = {
        "clutches": [
            clutch("26-H1", eggs_set=10, fertile=9, hatched=3),
            clutch("25-B1", origin="bought-in", source="Mill", pen=None),
        ],
        "birds": [
            bird("C", "male", name="Rust"), bird("H1", "female"), bird("H2", "female"), bird("B", "male", "25-B1"),
            bird("x", "female", "26-H1", note="tame"), bird("y", "female", "26-H1"), bird("z", "male", "26-H1"),
        ],
        "pens": [stood("C", "2026-01-01"), stood("H1", "2026-01-01"), stood("H2", "2026-01-01", "2026-05-01"),
                 stood("B", "2026-06-01")],
        "rings": [
            ring("x", "left", "green", "2026-05-01", "2026-07-01"), ring("x", "left", "red", "2026-07-01"),
            ring("x", "right", "blue", "2026-05-01"),
        ],
        "scores": [
            look("x", {"type": 40, "head": 30}, faults="split wing"), look("y", {"type": 44}), look("z", {"type": 50}),
            look("x", {"type": 42}, on="2026-09-30", judge="B", note="better"),
        ],
        "weights": [{"on": "2026-05-17", "bird": b, "grams": g} for b, g in (("x", 600), ("y", 700), ("z", 900))],
        "eggs": [
            {"on": "2026-03-01", "pen": "Pen 1", "eggs": 2}, {"on": "2026-05-01", "pen": "pen 1", "eggs": 5},
            {"on": "2026-04-02", "pen": "pen 1", "bird": "H2", "eggs": 1},
            {"on": "2025-12-31", "pen": "pen 1", "eggs": 9},
        ],
        "decisions": [{"on": "2026-10-10", "bird": "x", "decided": "keep", "why": "best of the clutch"}],
        "sales": [{"on": "2026-10-01", "bird": b, "sold_as": "breeding", "price": 70, "lot": "trio"} for b in "yz"],
    }  # fmt: skip
    return tiny.flock(**{**forms, **more})  # type: ignore[arg-type]


def of(number: str) -> Life:
    return life(holding(), number)


def test_a_look_stands_beside_the_mean_of_its_sex_and_year_that_the_judge_saw_that_day() -> None:
    rows = of("x").looks.set_index(["judge", "section"])[["points", "mean", "birds", "most"]]
    assert rows.loc[("A", "type")].tolist() == [40, 42, 2, 60]  # x and y, not the cockerel z
    assert rows.loc[("A", "head")].tolist() == [30, 30, 1, 40]
    assert rows.loc[("B", "type")].tolist() == [42, 42, 1, 60] and len(rows) == 3
    assert of("x").seen["faults"].fillna("").tolist() == ["split wing", ""]


def test_a_section_may_be_called_as_a_column_of_the_table_is() -> None:
    sections = tuple(
        replace(s, name=n) for s, n in zip(tiny.STANDARD.sections, ("judge", "mean"), strict=True)
    )
    flock = holding()
    named = replace(
        flock, standard=replace(tiny.STANDARD, sections=sections),
        scores=flock.scores.rename(columns={"head": "mean"}).assign(on=flock.scores["on"]),
    )  # fmt: skip
    named = replace(named, standard=replace(named.standard, sections=sections[1:]))
    assert life(named, "x").looks[["section", "points"]].to_numpy().tolist() == [["mean", 30.0]]


def test_a_weighing_has_its_age_and_the_mean_of_those_like_it() -> None:
    (row,) = of("x").weights.itertuples()
    assert (row.grams, row.mean, row.birds, row.weeks) == (600, 650, 2, 8)


def test_rings_end_where_another_takes_their_place() -> None:
    rows = of("x").rings.assign(until=lambda r: r["until"].dt.strftime("%m-%d").fillna("worn"))
    assert rows[["leg", "colour", "until"]].to_numpy().tolist() == [
        ["left", "green", "07-01"], ["right", "blue", "worn"], ["left", "red", "worn"],
    ]  # fmt: skip


def test_pens_name_who_stood_there_on_a_day_with_it() -> None:
    (row,) = of("H2").pens.itertuples()
    assert (row.males, row.females) == (["C"], ["H1"])  # B came after she had left


def test_a_hen_s_eggs_are_her_own_and_those_of_her_pen_while_she_stood_there() -> None:
    rows = of("H2").eggs.groupby("whose")["eggs"].sum().to_dict()
    assert rows == {"own": 1, "pen": 2}  # not those of the day she left, nor of the day before she came
    assert of("C").eggs.empty


def test_parents_are_told_with_their_chances_and_supplier_s_stock_as_such() -> None:
    told = {place.path: place.possible for place in of("x").ancestors}
    assert told[("sire",)] == (("C", 1.0),) and dict(told[("dam",)]) == pytest.approx(
        {"H1": 0.5, "H2": 0.5}, abs=0.01
    )
    assert told[("dam", "dam")] == () and len(told) == 14
    bought = {place.path: place.possible for place in of("B").ancestors}
    assert len(bought[("dam",)]) == 6 and all(
        name.startswith("unseen hen of Mill") for name, _ in bought[("dam",)]
    )


def test_chances_go_down_through_generations() -> None:
    """Half a chance of either hen, and H1 alone has a known dam: her dam is the granddam by half."""
    rows = [
        bird("old", "female", hatched_on="2022"), bird("C", "male"), bird("H1", "female", dam="old", hatched_on="2024"),
        bird("H2", "female"), bird("x", "female", "26-H1"),
    ]  # fmt: skip
    flock = holding(birds=rows, scores=[], weights=[], sales=[], decisions=[], rings=[], eggs=[])
    found = {place.path: place for place in ancestors(parentage(flock).pedigree, "x")}
    assert found[("dam", "dam")] == Ancestor(("dam", "dam"), (("old", 0.5),))


def test_brothers_and_sisters_and_chicks() -> None:
    assert of("x").kin[["other", "words"]].to_numpy().tolist() == [
        ["y", "full or half sister"], ["z", "full or half brother"],
    ]  # fmt: skip
    assert of("B").kin.empty and of("B").chicks.empty
    chicks = of("H1").chicks
    assert chicks["chick"].tolist() == ["x", "y", "z"] and chicks["chance"].tolist() == pytest.approx(
        [0.5] * 3, abs=0.01
    )
    assert chicks["other"].tolist() == ["C"] * 3 and chicks["gone"].tolist() == [False, True, True]
    assert of("C").chicks["others"].tolist() == [2, 2, 2]


def test_decisions_sales_and_the_lot() -> None:
    assert of("x").decisions["why"].tolist() == ["best of the clutch"]
    (sale,) = of("y").sales.itertuples()
    assert sale.price == 70 and sale.others == ["z"] and of("x").sales.empty


def test_nothing_after_the_day_is_told() -> None:
    flock = holding()
    early = tiny.flock(
        plan=replace(tiny.PLAN, on=date(2026, 6, 1)),
        birds=[bird("C", "male"), bird("x", "female", "26-H1")], clutches=[clutch("26-H1")],
        scores=[look("x", {"type": 40})], rings=[ring("x", "left", "red", "2026-07-01")],
    )  # fmt: skip
    assert life(early, "x").looks.empty and life(early, "x").rings.empty and len(life(flock, "x").looks) == 3


def test_a_bird_that_is_not_there_and_parents_that_cannot_be() -> None:
    with pytest.raises(RecordsError, match="no bird 99 is on record"):
        of("99")
    broken = holding(birds=[bird("C", "male"), bird("x", "female", sire="C", hatched_on="2023")])
    found = life(broken, "x")
    assert found.ancestors == () and "nothing of its family" in found.cannot[0] and len(found.looks) == 3


def test_sixty_chicks_and_twenty_generations() -> None:
    rows = [bird("g0", "male", hatched_on="2000")]
    rows += [bird(f"g{k}", "male", sire=f"g{k - 1}", hatched_on=str(2000 + k)) for k in range(1, 21)]
    rows += [bird(f"c{k:02}", "female", sire="g19", hatched_on="2020") for k in range(60)]
    flock = tiny.flock(birds=rows)
    assert len(life(flock, "g19").chicks) == 61 and len(life(flock, "c00").kin) == 60
    up = {place.path: place.possible for place in life(flock, "g20").ancestors}
    assert up[("sire", "sire", "sire")] == (("g17", 1.0),)


def test_the_eggs_of_a_dam_s_group_are_its_pens_counts_over_its_hen_days() -> None:
    """2 eggs on 1 March, both hens there; 5 on 1 May, when H2 had left: 7 eggs on 3 hen-days. The year before: none."""
    flock = holding()
    laid = laid_by_dams(flock, parentage(flock).pedigree, "x")
    assert laid is not None and (laid.eggs, laid.hen_days, laid.hens) == (7, 3, 2)
    assert laid_by_dams(flock, parentage(flock).pedigree, "B") is None
