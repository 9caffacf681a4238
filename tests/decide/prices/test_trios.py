"""Trios: never related beyond the limit, whoever the parents were, and the least related that can be made."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, strategies as st

from selection.decide.prices.market import fit_sales
from selection.decide.prices.money import Currency
from selection.decide.prices.offers import make_trios, match
from selection.merit.relationship.pedigree import from_parents, from_shares
from selection.records.settings.plan import MOST_INBREEDING
from tests.decide.prices.test_market import listed

POUND = Currency("GBP")


def breeders(**sexes: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Birds that go as breeders, all alike but for their sex, and what each would bring (rising by name)."""
    birds = pd.DataFrame(
        {
            "bird": list(sexes),
            "sex": list(sexes.values()),
            "known": True,
            "lot": None,
            "sold_as": "breeding",
            "weeks": 28.0,
            "points": 70.0,
        }
    )
    kinds = pd.DataFrame(
        {"bird": birds["bird"], "sold_as": "breeding", "price": 30.0 + np.arange(len(birds))}
    )
    return birds, kinds


def trios(pedigree, most=MOST_INBREEDING, market=None, **sexes: str) -> pd.DataFrame:
    birds, kinds = breeders(**sexes)
    return make_trios(birds, kinds, market or fit_sales(listed(60), 2026), pedigree, most, POUND)


FAMILY = from_parents(
    pd.DataFrame(
        {
            "bird": ["c", "sister", "half", "cousin", "stranger", "far"],
            "sire": ["s1", "s1", "s1", "s2", "s9", "s9"],
            "dam": ["d1", "d1", "d2", "d3", "d9", "d9"],
        }
    )
)
"""Cock c; his full sister (F of their chicks ¼), half sister (⅛), and hens not related to him."""


def test_a_trio_takes_unrelated_hens_and_leaves_sisters():
    made = trios(FAMILY, c="male", sister="female", half="female", stranger="female", far="female")
    assert made[["cock", "hen", "other_hen"]].to_numpy().tolist() == [["c", "stranger", "far"]]
    assert made["inbreeding_most"].iloc[0] == 0
    assert made["hens_related"].iloc[0] == pytest.approx(
        0.5
    )  # full sisters of each other, which harms no chick
    assert "not related as far as is known" in made["why"].iloc[0]


def test_no_trio_is_made_of_relations_and_the_limit_is_the_plan_s():
    birds = {"c": "male", "sister": "female", "half": "female"}
    assert trios(FAMILY, **birds).empty
    assert trios(FAMILY, most=0.2, **birds).empty
    made = trios(FAMILY, most=0.25, **birds)
    assert made["inbreeding_most"].iloc[0] == pytest.approx(0.25)  # full brother and sister (Wright 1922)
    assert "as full brother and sister" in made["why"].iloc[0]


def test_the_worst_case_decides_where_the_sire_is_in_doubt():
    """Hens perhaps, at one in ten, of the cock's own sire: expected F 0.0125 each, at worst ⅛."""
    shares = {
        "a": {},
        "b": {},
        "m": {},
        "n": {},
        "c": {"a": 0.5},
        "h": {"a": 0.05, "b": 0.45},
        "k": {"a": 0.05, "b": 0.45},
    }
    dams = {"a": {}, "b": {}, "m": {}, "n": {}, "c": {"m": 0.5}, "h": {"n": 0.5}, "k": {"n": 0.5}}
    pedigree = from_shares(shares, dams)
    assert trios(pedigree, most=0.1, c="male", h="female", k="female").empty
    made = trios(pedigree, most=0.13, c="male", h="female", k="female")
    assert made["inbreeding"].iloc[0] == pytest.approx(0.0125)
    assert made["inbreeding_most"].iloc[0] == pytest.approx(0.125)
    assert "at worst as half brother and sister, if a is the sire of" in made["why"].iloc[0]


def test_a_trio_is_priced_as_one_lot():
    market = fit_sales(listed(200), 2026)
    row = trios(FAMILY, market=market, c="male", stranger="female", far="female").iloc[0]
    assert row["low"] < row["price"] < row["high"]
    assert float(row["apart"]) == 30 + 31 + 32
    assert 60 < row["price"] < 130  # three birds of about 30


def test_without_sales_a_trio_has_no_price_and_without_a_pedigree_there_is_none():
    nothing = fit_sales(listed(60).head(0), 2026)
    made = trios(FAMILY, market=nothing, c="male", stranger="female", far="female")
    assert made[["price", "low", "high", "apart"]].isna().all(axis=None)
    assert trios(None, c="male", stranger="female", far="female").empty


inbreeding = st.integers(1, 3).flatmap(
    lambda cocks: st.integers(2, 5).flatmap(
        lambda hens: st.lists(
            st.lists(st.sampled_from([0.0, 0.03, 0.06, 0.2]), min_size=hens, max_size=hens),
            min_size=cocks,
            max_size=cocks,
        )
    )
)


@given(inbreeding)
def test_matching_serves_the_first_cocks_that_can_be_with_the_least_inbreeding(table):
    F = np.array(table)
    made = match(F, 0.0625)
    used = [hen for _, hens in made for hen in hens]
    assert len(used) == len(set(used)) == 2 * len(made)
    assert all(F[cock, hen] <= 0.0625 for cock, hens in made for hen in hens)
    served, least = by_hand(F, 0.0625)
    assert [cock for cock, _ in made] == served
    assert sum(F[cock, hen] for cock, hens in made for hen in hens) == pytest.approx(least)


def by_hand(F: np.ndarray, most: float) -> tuple[list[int], float]:
    """Every way of giving hens to cocks, tried one by one."""
    served: list[int] = []
    least = 0.0
    for cock in range(len(F)):
        wanted = [*served, cock]
        sums = [
            sum(F[c, h] for c, h in zip(np.repeat(wanted, 2), hens, strict=True))
            for hens in permutations(range(F.shape[1]), 2 * len(wanted))
            if all(F[c, h] <= most for c, h in zip(np.repeat(wanted, 2), hens, strict=True))
        ]
        if sums:
            served, least = wanted, min(sums)
    return served, least


def test_only_birds_that_go_one_by_one_as_breeders_take_part():
    birds, kinds = breeders(c="male", stranger="female", far="female")
    market = fit_sales(listed(60), 2026)
    for change in ({"lot": "pullets of B"}, {"sold_as": "layer"}, {"known": False}):
        column, value = next(iter(change.items()))
        changed = birds.assign(**{column: [birds[column].iloc[0], value, birds[column].iloc[0]]})
        assert make_trios(changed, kinds, market, FAMILY, MOST_INBREEDING, POUND).empty
    assert len(make_trios(birds, kinds, replace(market), FAMILY, MOST_INBREEDING, POUND)) == 1
