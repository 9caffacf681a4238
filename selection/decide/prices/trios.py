"""Unrelated trios from the birds that go: a cock and two hens whose chicks are not inbred, at worst.

Each pair is judged by the worst case over its possible parents (:mod:`selection.merit.relationship.worst_case`),
because the buyer breeds from them for years and cannot ask again.
"""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pandas as pd

from selection.decide.prices.market import Market
from selection.decide.prices.money import Currency
from selection.merit.relationship.kinship import degree
from selection.merit.relationship.pedigree import Pedigree
from selection.merit.relationship.worst_case import WorstCase

COLUMNS = [
    "cock",
    "hen",
    "other_hen",
    "inbreeding",
    "inbreeding_most",
    "hens_related",
    "price",
    "low",
    "high",
    "apart",
    "why",
]


def make_trios(
    birds: pd.DataFrame,
    kinds: pd.DataFrame,
    market: Market,
    pedigree: Pedigree | None,
    most_inbreeding: float,
    currency: Currency,
) -> pd.DataFrame:
    """Trios that may be offered instead of their birds singly; each bird is in one at most.

    `birds` and `kinds` as in :mod:`selection.decide.prices.prices`; only birds that go as breeders, one by one, take
    part. Columns: cock, hen, other_hen; inbreeding (F of the chicks, of the closer hen), inbreeding_most (its
    worst case); hens_related (relationship of the two hens); price, low, high (of the trio as a lot) and
    apart (its birds singly), Decimal, missing where no sale tells them; why. Empty without a
    pedigree.
    """
    breeders = birds[(birds["sold_as"] == "breeding") & birds["known"] & birds["lot"].isna()]
    alone = kinds[kinds["sold_as"] == "breeding"].set_index("bird")["price"].reindex(breeders["bird"])
    breeders = breeders.assign(alone=alone.to_numpy())
    best_first = breeders.sort_values(["alone", "points"], ascending=False, kind="stable")
    cocks = best_first[best_first["sex"] == "male"]
    hens = breeders[breeders["sex"] == "female"]
    if pedigree is None or cocks.empty or len(hens) < 2:
        return pd.DataFrame(columns=COLUMNS)
    worst = WorstCase(pedigree, list(breeders["bird"]))
    chicks = np.array(
        [[worst.bound[worst.at[c], worst.at[h]] / 2 for h in hens["bird"]] for c in cocks["bird"]]
    )
    rows = [
        _trio(cocks.iloc[c], hens.iloc[pair], worst, pedigree, market, currency)
        for c, pair in match(chicks, most_inbreeding)
    ]
    return pd.DataFrame(rows, columns=COLUMNS)


def match(inbreeding: np.ndarray, most: float) -> list[tuple[int, list[int]]]:
    """Two columns for as many rows of `inbreeding` (cocks × hens) as can be served, none above `most`.

    Earlier rows come first; among the ways to serve them all, the one with least inbreeding in all. Returns
    (row, [column, column]) pairs.
    """
    from scipy.optimize import linear_sum_assignment

    served: list[int] = []
    best = np.empty(0, dtype=int)
    cost = np.where(inbreeding <= most, inbreeding, 1e6)
    for row in range(len(cost)):
        wanted = [*served, row]
        if 2 * len(wanted) > cost.shape[1]:
            break
        places = np.repeat(wanted, 2)
        _, columns = linear_sum_assignment(cost[places])
        if cost[places, columns].max() < 1e6:
            served, best = wanted, columns
    return [(row, sorted(map(int, best[2 * i : 2 * i + 2]))) for i, row in enumerate(served)]


def _trio(
    cock: pd.Series,
    hens: pd.DataFrame,
    worst: WorstCase,
    pedigree: Pedigree,
    market: Market,
    currency: Currency,
) -> tuple:
    names = [str(hen) for hen in hens["bird"]]
    expected = pedigree.relationship([cock["bird"]], names)[0] / 2
    cases = [worst.pair(cock["bird"], hen) for hen in names]
    at_most = max(case.relationship for case in cases) / 2
    supposing = "; ".join(dict.fromkeys(word for case in cases for word in case.supposing[:1]))
    related, at_worst = degree(float(expected.max())), degree(at_most)
    doubt = "" if related == at_worst else f"; at worst {at_worst}"
    return (
        cock["bird"],
        *names,
        float(expected.max()),
        at_most,
        float(pedigree.relationship(names[:1], names[1:])[0, 0]),
        *_priced(pd.concat([cock.to_frame().T, hens]), market, currency),
        f"cock and hens {related}{doubt}" + (f", if {supposing}" if doubt and supposing else ""),
    )


def _priced(members: pd.DataFrame, market: Market, currency: Currency) -> list[Decimal | None]:
    """Price, low and high of a trio as one lot, and its birds singly; None where no sale tells them."""
    if not market.sold("breeding"):
        return [None] * 4
    offer = pd.DataFrame(
        {
            "sale": 0,
            "sold_as": "breeding",
            "sex": members["sex"],
            "weeks": members["weeks"].astype(float),
            "points": members["points"].astype(float),
            "season": market.season,
            "size": float(len(members)),
        }
    )
    said = market.price(offer).iloc[0] * len(members)
    together = [currency.about(said[c]) for c in ("price", "low", "high")]
    return [*together, currency.about(float(members["alone"].sum()))]
