"""What a bird carries is picked by the levels that the model was made with, or not at all."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from selection.errors import ModelError
from selection.merit.candidates import carried
from selection.merit.observations import brooder_years, observe
from selection.standard.growth import fit_growth
from tests.merit import tiny

FLOCK = tiny.flock(
    birds=[tiny.bird("26-001", "male", "26-A; 26-B"), tiny.bird("26-002", "female", "26-C")],
    clutches=[
        tiny.clutch("26-A", brooder="Shed"),
        tiny.clutch("26-B", brooder="barn"),
        tiny.clutch("26-C"),
    ],
    scores=[tiny.look("26-001", {"type": 40.0}), tiny.look("26-002", {"type": 41.0})],
)


def test_a_brooders_level_is_its_first_clutchs_in_the_year_of_hatching() -> None:
    birds = FLOCK.birds.set_index("bird")
    levels = brooder_years(FLOCK, birds["clutch"].str.casefold(), birds["hatched"])
    assert levels["26-001"] == "shed 2026" and pd.isna(levels["26-002"])
    rows = observe(FLOCK, fit_growth(FLOCK)).rows.drop_duplicates("bird").set_index("bird")
    assert rows.loc["26-001", "brooder"] == "shed 2026" and pd.isna(rows.loc["26-002", "brooder"])


def test_birds_of_another_flock_than_the_models_are_not_counted_as_never_seen() -> None:
    model = SimpleNamespace(traits=["type"], observations=observe(FLOCK, fit_growth(FLOCK)))
    known = SimpleNamespace(model=model, solution=SimpleNamespace(effects=np.zeros(4)))
    moved = replace(FLOCK, clutches=FLOCK.clutches.assign(brooder="Loft"))
    with pytest.raises(ModelError, match=r"26-001: its brooder is 'loft 2026', .* under 'shed 2026'"):
        carried(known, moved, pd.Index(["26-001"]), np.eye(1))
