"""A small season written down by hand: clutches, their chicks, looks and weighings, as a flock."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd

from selection.records.flock import Flock, assemble
from selection.records.settings.plan import Keep, Plan
from selection.records.settings.reading import Section, Standard

BAND = {"male": (3200.0, 4000.0), "female": (2500.0, 3100.0)}
NONE = {"male": (2000.0, 5200.0), "female": (1600.0, 4200.0)}
STANDARD = Standard(
    "an invented breed",
    (
        Section("type", "Type", 60.0, 0.35, 0.55),
        Section("head", "Head", 25.0, 0.35, 0.55),
        Section("size", "Size", 15.0, measured="weight", at_weeks=24.0, band=BAND, none=NONE),
    ),
)
PLAN = Plan(on=date(2026, 10, 10), season=2026, keep={"cockerels": Keep(1), "pullets": Keep(4)})


def clutch(label: str, origin: str = "home-bred", brooder: str | None = "north", **more: object) -> dict:
    """One row of the clutches form; home-bred ones of one pen, bought-in ones each of a supplier of its own."""
    place = {"pen": "orchard"} if origin == "home-bred" else {"source": f"supplier of {label}"}
    dates = {"set_on": pd.Timestamp("2026-03-20"), "hatched_on": pd.Timestamp("2026-04-10")}
    return {"clutch": label, "origin": origin, "brooder": brooder, **place, **dates, **more}


def chicks(label: str, males: int = 0, females: int = 0, **more: object) -> list[dict]:
    """Rows of the birds form: so many of each sex of a clutch."""
    sexes = ["male"] * males + ["female"] * females
    return [{"bird": f"{label}-{i + 1:02d}", "sex": s, "clutch": label, **more} for i, s in enumerate(sexes)]


def looks(
    birds: Sequence[dict], rng: np.random.Generator, above: dict[str, float] | None = None
) -> list[dict]:
    """Every bird seen by two judges on two days; `above` adds points of type to a clutch."""
    rows = []
    for bird in birds:
        own = rng.normal(0, 3) + (above or {}).get(bird["clutch"], 0.0)
        for on in ("2026-08-20", "2026-09-20"):
            for judge in ("A", "B"):
                values = {"type": 40 + own + rng.normal(0, 2), "head": 15 + rng.normal(0, 2)}
                rows.append({"on": pd.Timestamp(on), "judge": judge, "bird": bird["bird"], **values})
    return rows


def weighings(birds: Sequence[dict], rng: np.random.Generator) -> list[dict]:
    """Every bird weighed twice, about the middle of a growing bird's weight."""
    return [
        {"on": pd.Timestamp(on), "bird": b["bird"], "grams": grams * (1.25 if b["sex"] == "male" else 1.0)}
        for b in birds
        for on, grams in (
            ("2026-07-03", 1400 * np.exp(rng.normal(0, 0.1))),
            ("2026-09-11", 2500 * np.exp(rng.normal(0, 0.1))),
        )
    ]


def season(
    clutches: Sequence[dict],
    birds: Sequence[dict],
    scores: Sequence[dict] = (),
    weights: Sequence[dict] = (),
    plan: Plan = PLAN,
    **forms: Sequence[dict],
) -> Flock:
    """The flock of these rows."""
    given = {"clutches": clutches, "birds": birds, "scores": scores, "weights": weights, **forms}
    return assemble(
        STANDARD, plan, {name: pd.DataFrame(list(rows)) for name, rows in given.items() if len(rows)}
    )
