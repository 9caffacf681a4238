"""Weight against the band: the young by their curve, the grown by what they weighed themselves, or not at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from selection.records.settings.reading import Section
from selection.standard.bands import State
from selection.standard.growth import fit_growth
from selection.standard.points import measured_points
from tests.standard.flocks import SIZE, STANDARD, make_flock

FOUR = replace(
    SIZE,
    band={"cockerel": (3200, 4000), "pullet": (2500, 3100), "cock": (3800, 4600), "hen": (2900, 3600)},
    none={"cockerel": (2000, 5200), "pullet": (1600, 4200), "cock": (2600, 5900), "hen": (2000, 4800)},
)
BIRDS = pd.DataFrame(
    {
        "bird": ["old", "young", "near"],
        "sex": "female",
        "hatched_on": ["2023-04-01", "2026-04-01", "2025-04-01"],
    }
)


def seen(section: Section, weights: list[tuple[str, str, float]]) -> pd.DataFrame:
    """What is said of each bird in the section, from weighings (bird, day, grams)."""
    rows = pd.DataFrame(weights, columns=["bird", "on", "grams"])
    standard = replace(STANDARD, sections=(*STANDARD.sections[:2], section))
    flock = make_flock(BIRDS, rows.assign(on=pd.to_datetime(rows["on"])), standard=standard)
    return measured_points(flock, fit_growth(flock)).set_index("bird")


WEIGHED = [("old", "2026-09-01", 3306.0), ("young", "2026-09-16", 2800.0), ("near", "2025-09-20", 2800.0)]


def test_a_three_year_old_hen_is_judged_on_her_own_weighing_and_no_weight_reckoned_back() -> None:
    hen = seen(FOUR, WEIGHED).loc["old"]
    assert (hen["group"], hen["value"], hen["points"]) == ("hen", 3306, 25)
    assert (hen["place"], hen["low"], hen["high"]) == ("within", 2900, 3600)


def test_with_bands_by_sex_alone_nothing_is_said_of_a_bird_not_weighed_near_the_age() -> None:
    found = seen(SIZE, WEIGHED)
    assert found.loc["old", "state"] == State.SILENT
    assert np.isnan(found.loc["old", "value"]) and np.isnan(found.loc["old", "points"])
    assert found.loc["old", "place"] == "" and "24 weeks" in found.loc["old", "why"]
    assert found.loc["near", "points"] > 20  # she was weighed at 24½ weeks, two years ago
    assert found.loc["young", "points"] > 20


def test_a_grown_bird_weighed_only_when_young_has_no_points_by_the_band_of_the_grown() -> None:
    hen = seen(FOUR, [("old", "2023-09-16", 2800.0)]).loc["old"]
    assert hen["state"] == State.SILENT and np.isnan(hen["points"])
    assert hen["why"] == "not weighed since 52 weeks of age"


@pytest.mark.parametrize(("grown_weeks", "told"), [(52.0, True), (200.0, False)])
def test_grown_weeks_say_from_when_weighings_count(grown_weeks: float, told: bool) -> None:
    hen = seen(replace(FOUR, grown_weeks=grown_weeks), WEIGHED).loc["old"]
    assert np.isfinite(hen["points"]) == told


def test_several_weighings_of_a_grown_bird_count_as_their_mean_and_say_more() -> None:
    once = seen(FOUR, WEIGHED).loc["old"]
    twice = seen(FOUR, [*WEIGHED, ("old", "2026-09-08", 3406.0)]).loc["old"]
    assert twice["value"] == 3356 and twice["se"] < once["se"]
