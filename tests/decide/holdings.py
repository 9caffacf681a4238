"""A small invented flock and what the layers below would say of it, for the tests of decisions."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from selection.merit.relationship.parentage import parentage
from selection.records.flock import Flock, assemble
from selection.records.settings.plan import Keep, Plan
from selection.records.settings.reading import Fault, Section, Standard

STANDARD = Standard(
    "Invented fowl",
    (Section("type", "Type", 60, like="conformation"), Section("head", "Head", 40)),
    (Fault("wry tail", serious=True),),
)


def plan(**changes: Any) -> Plan:
    keep = {"cockerels": Keep(1, 1, ("bought-in",)), "pullets": Keep(2, 0, ("home-bred",))}
    settings: dict[str, Any] = {
        "on": date(2026, 10, 10),
        "season": 2026,
        "keep": keep,
        "most_inbreeding": 0.0625,
    }
    return Plan(**{**settings, **changes})


def flock(same_pen: float = 0.5, looks: pd.DataFrame | None = None, **changes: Any) -> Flock:
    """Two springs of Mill chicks (one cock and one hen in the pen) and the home pen that the first led.

    2025: cock 25-M1 from Mill; he stood with hens 24-H1 and 24-H2 in spring 2026. 2026: cockerels 26-M1 and
    26-M2 from Mill, home-bred pullets 26-P1 (dam 24-H1 known) and 26-P2, 26-P3 (either hen).
    """
    clutches = pd.DataFrame(
        {
            "clutch": ["25-B", "26-B", "26-H"],
            "origin": ["bought-in", "bought-in", "home-bred"],
            "source": ["Mill", "Mill", None],
            "pen": [None, None, "orchard"],
            "set_on": pd.to_datetime(["2025-03-10", "2026-03-10", "2026-03-12"]),
            "hatched_on": pd.to_datetime(["2025-03-31", "2026-03-31", "2026-04-02"]),
            "cocks": [1, 1, np.nan],
            "hens": [1, 1, np.nan],
        }
    )
    rows = [
        ("24-H1", "female", None, "2024", None), ("24-H2", "female", None, "2024", None),
        ("25-M1", "male", "25-B", None, None), ("26-M1", "male", "26-B", None, None),
        ("26-M2", "male", "26-B", None, None), ("26-P1", "female", "26-H", None, "24-H1"),
        ("26-P2", "female", "26-H", None, None), ("26-P3", "female", "26-H", None, None),
    ]  # fmt: skip
    birds = pd.DataFrame(rows, columns=["bird", "sex", "clutch", "hatched_on", "dam"])
    pens = pd.DataFrame(
        {"pen": "orchard", "bird": ["25-M1", "24-H1", "24-H2"], "from": pd.Timestamp("2026-01-20")}
    )
    forms = {"clutches": clutches, "birds": birds, "pens": pens}
    forms |= {} if looks is None else {"scores": looks}
    return assemble(STANDARD, plan(same_pen=same_pen, **changes), forms)


def merit(of: Flock, values: dict[str, float], sd: float = 1.0, draws: int = 4_000, seed: int = 1) -> Any:
    """What a ranking would say: merits as given, independent, each known to `sd`; nothing known of traits."""
    birds = list(of.birds["bird"])
    means = np.array([values.get(b, 0.0) for b in birds])
    drawn = means + sd * np.random.default_rng(seed).standard_normal((draws, len(birds)))
    family = parentage(of)
    table = pd.DataFrame({"bird": birds, "merit": means, "merit_se": sd})
    return SimpleNamespace(
        flock=table,
        living=pd.DataFrame(drawn, columns=birds),
        pedigree=family.pedigree,
        parentage=family,
        known=None,
        worth=None,
        band=None,
        ranking=pd.DataFrame(),
    )


def verdicts(**stands: str) -> Any:
    """Verdicts by bird, `_` standing for `-` in a bird's number: verdicts(**{"26-M1": "keep"}) works too."""
    rows = [(bird.replace("_", "-"), said) for bird, said in stands.items()]
    return SimpleNamespace(table=pd.DataFrame(rows, columns=["bird", "stands"]))
