"""Small flocks for the tests of growth and points: an invented breed, a few birds, typed frames."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date

import numpy as np
import pandas as pd

from selection.records.flock import Flock, assemble
from selection.records.settings.plan import Keep, Plan
from selection.records.settings.reading import Fault, Section, Standard
from selection.standard.points import Points

TYPE = Section("type", "Type", 40)
COLOUR = Section("colour", "Colour", 35)
SIZE = Section(
    "size",
    "Size",
    25,
    measured="weight",
    at_weeks=24,
    band={"male": (3200, 4000), "female": (2500, 3100)},
    none={"male": (2000, 5200), "female": (1600, 4200)},
)
FAULTS = (Fault("wry tail", serious=True), Fault("white lobe", costs=3), Fault("pale legs"))
STANDARD = Standard("an invented breed", (TYPE, COLOUR, SIZE), FAULTS)
BY_EYE = Standard("an invented breed", (Section("type", "Type", 60), Section("colour", "Colour", 40)))
PLAN = Plan(on=date(2026, 10, 10), season=2026, keep={"pullets": Keep(2)})
HATCHED = pd.Timestamp("2026-04-01")


def make_flock(
    birds: Mapping[str, str] | pd.DataFrame,
    weights: Iterable[tuple[str, float, float]] | pd.DataFrame = (),
    scores: pd.DataFrame | None = None,
    standard: Standard = STANDARD,
    clutches: pd.DataFrame | None = None,
) -> Flock:
    """A flock of `birds` (name: sex, all hatched on 1 April 2026) with `weights` (bird, weeks, grams)."""
    if not isinstance(birds, pd.DataFrame):
        birds = pd.DataFrame({"bird": list(birds), "sex": list(birds.values()), "hatched_on": "2026-04-01"})
    if not isinstance(weights, pd.DataFrame):
        rows = list(weights)
        days = [HATCHED + pd.Timedelta(days=round(7 * weeks)) for _, weeks, _ in rows]
        weights = pd.DataFrame(
            {"on": pd.to_datetime(days), "bird": [r[0] for r in rows], "grams": [float(r[2]) for r in rows]}
        )
    forms = {"birds": birds, "weights": weights, "scores": scores, "clutches": clutches}
    return assemble(standard, PLAN, {name: frame for name, frame in forms.items() if frame is not None})


def looks_at(rows: Iterable[Mapping[str, object]]) -> pd.DataFrame:
    """A scores form from rows of on (text), judge, bird and sections."""
    frame = pd.DataFrame(list(rows))
    return frame.assign(on=pd.to_datetime(frame["on"]))


def by_section(points: Points) -> pd.DataFrame:
    """Points by bird and section, missing where not seen."""
    return points.sections.pivot(index="bird", columns="section", values="points")


def grown(
    rng: np.random.Generator, number: int, ages: Iterable[float], sd: float = 0.09, noise: float = 0.03
) -> tuple[list[tuple[str, float, float]], dict[str, float]]:
    """Weighings of cockerels on the curve 4000·exp(−4.5·exp(−0.16t)), and each one's true log deviation."""
    true = {f"c{i:03d}": float(x) for i, x in enumerate(rng.normal(0, sd, number))}
    rows = [
        (bird, weeks, float(4000 * np.exp(-4.5 * np.exp(-0.16 * weeks) + off + rng.normal(0, noise))))
        for bird, off in true.items()
        for weeks in ages
    ]
    return rows, true
