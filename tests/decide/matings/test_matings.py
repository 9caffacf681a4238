"""Matings: inbreeding by the pedigree, its worst case, what is refused and in which words."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from selection.decide.matings.matings import MATING_COLUMNS, Matings, matings, stay
from selection.records.flock import Flock
from selection.records.settings.plan import Plan
from tests.decide import holdings

PLAN = holdings.plan()

STANDS = {"26-M1": "keep", "26-M2": "reserve", "26-P1": "keep", "26-P2": "keep", "26-P3": "sell"}


def of(flock: Flock, values: dict[str, float] | None = None, **changes: Any) -> Matings:
    return matings(flock, holdings.merit(flock, values or {}), holdings.verdicts(**{**STANDS, **changes}))


def pair(found: Matings, cock: str, hen: str) -> pd.Series:
    return found.table.set_index(["cock", "hen"]).loc[(cock, hen)]


def test_every_cock_and_hen_that_stays_is_a_row() -> None:
    table = of(holdings.flock()).table
    assert tuple(table.columns) == MATING_COLUMNS
    assert set(table["cock"]) == {"26-M1", "26-M2", "25-M1"}
    assert set(table["hen"]) == {"26-P1", "26-P2", "24-H1", "24-H2"}
    assert len(table) == 12


def test_those_who_stay_come_kept_first_and_sold_ones_not_at_all() -> None:
    flock = holdings.flock()
    found = stay(flock, holdings.verdicts(**{**STANDS, "24-H2": "sell"}))
    assert list(found["bird"]) == ["26-M1", "26-P1", "26-P2", "24-H1", "25-M1", "26-M2"]
    assert list(found["role"]) == ["keep"] * 3 + ["standing"] * 2 + ["reserve"]


# Wright (1922): parent × chick ¼, half sibs ⅛; the supplier's pair unknown and the same with chance ½
@pytest.mark.parametrize(
    ("cock", "hen", "inbreeding", "most", "known"),
    [
        ("25-M1", "24-H1", 0.0, 0.0, "yes"),
        ("25-M1", "26-P1", 0.25, 0.25, "yes"),
        ("26-M1", "24-H1", 0.0, 0.0, "yes"),
        # uncle and niece: full brothers 26-M1 and 25-M1 if the Mill birds are the same; else unrelated
        ("26-M1", "26-P1", 0.0625, 0.125, "no"),
        ("26-M1", "26-P2", 0.0625, 0.125, "no"),
    ],
)
def test_inbreeding_and_its_worst_case(
    cock: str, hen: str, inbreeding: float, most: float, known: str
) -> None:
    row = pair(of(holdings.flock()), cock, hen)
    assert row["inbreeding"] == pytest.approx(inbreeding)
    assert row["inbreeding_most"] == pytest.approx(most)
    assert row["known"] == known


def test_a_supplier_whose_birds_are_never_the_same_leaves_no_doubt() -> None:
    row = pair(of(holdings.flock(same_pen=0.0)), "26-M1", "26-P1")
    assert (row["inbreeding"], row["inbreeding_most"], row["known"]) == (0.0, 0.0, "yes")


def test_a_pair_above_the_ceiling_is_refused_with_its_common_ancestors() -> None:
    row = pair(of(holdings.flock()), "25-M1", "26-P1")
    assert row["allowed"] == "no"
    assert row["why"] == (
        "as full brother and sister (F 0.250, above the ceiling of 0.0625): 26-P1 is a chick of 25-M1"
    )


def test_a_pair_at_the_ceiling_is_allowed_and_the_doubt_above_it_is_said() -> None:
    found = of(holdings.flock())
    row = pair(found, "26-M1", "26-P1")
    assert row["allowed"] == "yes"
    assert row["why"].startswith(
        "as first cousins (F 0.062): 26-M1 may be a chick and 26-P1 a grandchild of the "
    )
    doubt = r"F may be as high as 0\.125 and above the ceiling \(chance 0\.2\d\) if the unseen hen of Mill, 2026 is"
    assert re.search(doubt, row["why"])
    said = (
        "Parents are in doubt: at worst, the chicks of 4 allowed pairs would be more inbred than 0.0625; for 4 of them "
        "the chance of that is 0.1 or more."
    )
    assert said in found.sentences


def test_unrelated_birds_are_said_to_be_so_as_far_as_is_known() -> None:
    assert pair(of(holdings.flock()), "26-M1", "24-H1")["why"] == "not related as far as is known"


def test_without_a_ceiling_in_the_plan_first_cousins_are_the_limit() -> None:
    """Common practice: 25-M1, the only cock left, is the sire of 26-P1 and perhaps of 26-P2."""
    flock = replace(holdings.flock(), plan=Plan(PLAN.on, PLAN.season, PLAN.keep))
    stands = holdings.verdicts(**{**STANDS, "26-M1": "sell", "26-M2": "sell"})
    found = matings(flock, holdings.merit(flock, {}), stands)
    assert pair(found, "25-M1", "26-P1")["allowed"] == "no"
    put = found.allotment.table.set_index("hen")
    assert pd.isna(put.loc["26-P1", "cock"])
    assert put.loc["26-P1", "why"] == "too close to every cock that is kept, or refused with him"
    assert put.loc["24-H1", "cock"] == "25-M1"


def test_the_chance_of_too_much_inbreeding_is_that_of_its_doubts() -> None:
    """26-M1 is uncle of 26-P1 (F ⅛, above the ceiling) if Mill's cock and hen are both the same as last year (½ each);
    of either alone they make half uncle and niece, at the ceiling and not above it."""
    found = of(holdings.flock())
    assert pair(found, "26-M1", "26-P1")["chance_over"] == pytest.approx(0.25, abs=0.03)
    assert pair(found, "25-M1", "26-P1")["chance_over"] == 1
    assert pair(found, "25-M1", "24-H1")["chance_over"] == 0
    again = of(holdings.flock()).table["chance_over"]
    assert again.equals(found.table["chance_over"])


def test_a_barred_hen_stands_in_no_pair() -> None:
    looks = pd.DataFrame(
        {"on": [pd.Timestamp("2025-08-01")], "judge": ["M"], "bird": ["24-H1"], "faults": ["wry tail"]}
    )
    table = of(holdings.flock(looks=looks)).table
    assert "24-H1" not in set(table["hen"]) and "24-H2" in set(table["hen"])


def test_merit_of_the_chicks_is_the_mean_of_the_parents() -> None:
    row = pair(of(holdings.flock(), {"26-M1": 4.0, "24-H1": -1.0}), "26-M1", "24-H1")
    assert row["merit"] == pytest.approx(1.5)
    # independent parents known to 1 point each: √(¼ + ¼), within the error of 4,000 draws
    assert row["merit_se"] == pytest.approx(np.sqrt(0.5), rel=0.04)


def test_chicks_of_birds_that_nobody_has_seen_have_no_standard_error() -> None:
    flock = holdings.flock()
    merit = holdings.merit(flock, {})
    merit.living = merit.living.head(1)
    table = matings(flock, merit, holdings.verdicts(**STANDS)).table
    assert table["merit_se"].isna().all()


def test_the_allotment_uses_kept_cocks_and_hens_that_stay() -> None:
    best = of(holdings.flock(), {"26-M1": 1.0, "25-M1": 9.0}).allotment
    assert set(best.table["hen"]) == {"26-P1", "26-P2", "24-H1", "24-H2"}
    assert set(best.table["cock"]) == {"26-M1"}


def test_standing_cocks_are_used_where_none_is_kept() -> None:
    best = of(holdings.flock(), **{"26-M1": "sell", "26-M2": "sell"}).allotment
    table = best.table.set_index("hen")
    assert table.loc["24-H1", "cock"] == "25-M1"
    assert pd.isna(table.loc["26-P1", "cock"])
    assert table.loc["26-P1", "why"] == "too close to every cock that is kept, or refused with him"
    assert "26-P1 has no cock: too close to every cock that is kept, or refused with him." in best.sentences


def test_no_cock_is_said_in_words() -> None:
    flock = holdings.flock()
    object.__setattr__(flock, "birds", flock.birds[flock.birds["sex"] == "female"].reset_index(drop=True))
    found = of(flock)
    assert found.table.empty
    assert tuple(found.table.columns) == MATING_COLUMNS
    assert "No cock stays, so that no pair can be made." in found.cannot


def test_inbreeding_is_the_tabular_f_of_a_chick_of_that_pair() -> None:
    """Each pair's F by adding a chick of it to the pedigree: the pedigree's own inbreeding of that chick."""
    from selection.merit.relationship.pedigree import from_shares

    flock = holdings.flock()
    found = of(flock)
    pedigree = holdings.merit(flock, {}).pedigree
    at = {b: i for i, b in enumerate(pedigree.birds)}

    def shares(matrix: Any, bird: str) -> dict[str, float]:
        row = matrix[[at[bird]]]
        return {pedigree.birds[k]: w for k, w in zip(row.indices, row.data, strict=True)}

    founders = [b for b in pedigree.birds if pedigree.sires[[at[b]]].nnz == 0]
    sires = {b: shares(pedigree.sires, b) for b in pedigree.birds}
    dams = {b: {} if b in founders else shares(pedigree.dams, b) for b in pedigree.birds}
    partial = {b: shares(pedigree.dams, b) for b in founders}
    chicks = {f"{r.cock} × {r.hen}": (r.cock, r.hen) for r in found.table.itertuples()}
    with_chicks = from_shares(
        {**sires, **{c: {p[0]: 0.5} for c, p in chicks.items()}},
        {**dams, **{c: {p[1]: 0.5} for c, p in chicks.items()}},
        partial,
    )
    F = with_chicks.inbreeding[with_chicks.positions(chicks)]
    assert found.table["inbreeding"].to_numpy() == pytest.approx(F)
