"""Inbreeding depression in points, from the published per cent and the holding's own means."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from selection.decide.matings.depression import depression
from selection.merit.observations import LAYING
from selection.merit.selection_index import Band, SelectionIndex
from selection.records.flock import assemble
from selection.records.settings.reading import Measured, Section, Standard
from selection.standard.traits import Trait, traits_of
from tests.decide import holdings

SIZE = Section(
    "size",
    "Size",
    40,
    measured="weight",
    at_weeks=24,
    band={"male": (3000, 3500)},
    none={"male": (1000, 6000)},
)
STANDARD = Standard(
    "Invented fowl",
    (holdings.STANDARD.sections[0], SIZE),
    (),
    (Measured("eggs", "eggs a year", like="egg number"),),
)
EGGS = traits_of(STANDARD)[-1]


def given(straight: list[float], last: Trait, worth_at: Sequence[float] = ()) -> Any:
    """What a ranking knows of three traits, the last one `last`, and living birds with a mean of nought.

    `worth_at`: points of a band on weight, the second trait, at log weights from −1 to 1.
    """
    asked = (*traits_of(STANDARD)[:2], last)
    known = SimpleNamespace(model=SimpleNamespace(observations=SimpleNamespace(asked=asked)))
    grid = np.linspace(-1, 1, len(worth_at) or 2)
    bands = (Band("size", "weight band", 1, 1, grid, np.array(worth_at)),) if len(worth_at) else ()
    return SimpleNamespace(known=known, index=SelectionIndex(np.array(straight), bands, np.zeros(3)))


def flock(eggs: list[float]) -> Any:
    measures = pd.DataFrame({"on": pd.Timestamp("2026-09-01"), "bird": "a", "trait": "eggs", "value": eggs})
    return assemble(STANDARD, holdings.plan(), {"measures": measures})


def test_eggs_lost_are_the_published_share_of_the_holdings_mean_at_the_plans_worth() -> None:
    """Shoffner (1948) as tabulated by Falconer, from memory: −6.2 % of the mean for 0.1 of F."""
    found = depression(flock([100.0, 140.0]), given([1.0, 0.0, 0.3], EGGS))
    assert found.points == pytest.approx(10 * 0.062 * 120 * 0.3)
    assert "from memory" in " ".join(found.sentences)


def test_laying_beside_the_standard_goes_by_the_hens_own_eggs_in_a_hundred_days() -> None:
    """Three eggs in four days of one hen's own records; a pen's count tells no hen's."""
    plain = Standard("Invented fowl", STANDARD.sections)
    eggs = pd.DataFrame(
        {"on": pd.Timestamp("2026-05-04"), "pen": "p", "bird": ["a", "a", None], "eggs": [2.0, 1.0, 9.0],
         "days": [3.0, np.nan, np.nan]}
    )  # fmt: skip
    found = depression(assemble(plain, holdings.plan(), {"eggs": eggs}), given([1.0, 0.0, 0.3], LAYING))
    assert found.points == pytest.approx(10 * 0.062 * 75 * 0.3)


def test_weight_lost_goes_through_the_band() -> None:
    """Shoffner (1948), from memory: −0.8 % of body weight for 0.1 of F; 20 points a unit of log."""
    found = depression(flock([]), given([1.0, 0.0, 0.0], EGGS, np.linspace(-20, 20, 401)))
    assert found.points == pytest.approx(-10 * 20 * np.log(1 - 0.008))
    assert found.parts["trait"].tolist() == ["size"]


def test_a_flock_over_the_band_is_not_credited_for_growing_lighter() -> None:
    found = depression(flock([]), given([1.0, 0.0, 0.0], EGGS, np.linspace(20, -20, 401)))
    assert found.points == 0
    assert "size" not in " ".join(found.sentences)


def test_traits_without_a_published_value_or_a_mean_are_named() -> None:
    found = depression(flock([]), given([1.0, 0.0, 0.3], EGGS))
    assert found.points == 0
    assert found.cannot == (
        "No inbreeding depression is published for type: taken as none.",
        "The mean of eggs is not on record, so its depression is left out.",
    )


def test_hatchability_is_said_beside_merit() -> None:
    said = " ".join(depression(flock([]), given([1.0, 0.0, 0.0], EGGS)).sentences)
    assert "hatchability by -6.4 % of its mean" in said


def test_where_nothing_was_seen_nothing_is_taken_off() -> None:
    found = depression(holdings.flock(), holdings.merit(holdings.flock(), {}))
    assert found.points == 0
    assert found.parts.empty
