"""Small invented holdings with bills and sales, for the tests of costs and prices."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from selection.merit.candidates import candidates
from selection.merit.relationship.parentage import parentage
from selection.records.flock import Flock, assemble
from selection.records.settings.plan import Keep, Plan
from selection.records.settings.reading import Fault, Section, Standard
from selection.standard.growth import fit_growth
from selection.standard.points import score

STANDARD = Standard(
    "Invented fowl",
    (Section("type", "Type", 60), Section("head", "Head", 40)),
    (Fault("wry tail", serious=True),),
)
COCKERELS = {"cockerels": Keep(1, 1, ("bought-in",)), "pullets": Keep(1, 0, ("home-bred",))}


def plan(**changes: Any) -> Plan:
    return Plan(**{"on": date(2026, 10, 10), "season": 2026, "keep": COCKERELS, **changes})


def days(*texts: str | None) -> pd.Series:
    return pd.to_datetime(pd.Series(texts))


def holding(
    costs: list[tuple] = (), birds: list[tuple] = (), settings: Plan | None = None, **forms: pd.DataFrame
) -> Flock:
    """A flock of two clutches of 2026, B bought in and H home-bred (and C, bought in, of which nothing came).

    `costs`: rows of on, item, amount, clutch; `birds`: rows of bird, sex, clutch, hatched_on, gone_on, gone_why.
    """
    clutches = pd.DataFrame(
        {
            "clutch": ["B", "H", "C"],
            "origin": ["bought-in", "home-bred", "bought-in"],
            "source": ["Mill", None, "Croft"],
            "set_on": days("2026-03-11", "2026-03-11", "2025-12-20"),
            "hatched_on": days("2026-04-01", "2026-04-01", None),
            "hatched": [9.0, 3.0, np.nan],
        }
    )
    bills = pd.DataFrame(list(costs), columns=["on", "item", "amount", "clutch"])
    rows = pd.DataFrame(list(birds), columns=["bird", "sex", "clutch", "hatched_on", "gone_on", "gone_why"])
    given = {
        "clutches": clutches,
        "costs": bills.assign(on=pd.to_datetime(bills["on"])),
        "birds": rows.assign(gone_on=pd.to_datetime(rows["gone_on"])),
    }
    return assemble(STANDARD, settings or plan(), {**given, **forms})


CHICKS = [
    ("B1", "male", "B", None, None, None),
    ("B2", "female", "B", None, None, None),
    ("B3", "male", "B", None, "2026-05-01", "died"),
    ("H1", "female", "H", None, None, None),
    ("H2", "male", "H", None, "2026-09-01", "killed"),
    ("old", "female", None, "2024", None, None),
]
"""Three chicks of B, one of which died at four weeks, two of H, one of which went to the table, and a hen."""


def judged(flock: Flock) -> SimpleNamespace:
    """What the layers below say of a flock, without the model: points, growth, and verdicts by points alone."""
    growth = fit_growth(flock)
    points = score(flock, growth)
    field = candidates(flock)
    of_100 = points.birds.set_index("bird")["points_of_100"]
    table = field.assign(stands="sell")
    for name, keep in flock.plan.keep.items():
        best = field[(field["group"] == name) & field["bar"].isna()]
        best = best.assign(points=best["bird"].map(of_100)).sort_values("points", ascending=False)
        table.loc[best.index[: keep.number], "stands"] = "keep"
        table.loc[best.index[keep.number : keep.number + keep.reserve], "stands"] = "reserve"
    merit = SimpleNamespace(ranking=field, pedigree=parentage(flock).pedigree, growth=growth, points=points)
    return SimpleNamespace(growth=growth, points=points, merit=merit, verdicts=SimpleNamespace(table=table))
