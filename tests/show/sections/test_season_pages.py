"""The season's pictures draw what is on record: years side by side, what the kept are made of, pens, blood."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from selection.show.sections.season_pages import (
    OWN_FOUNDERS,
    blood_frame,
    blood_picture,
    pens_frame,
    profile_frame,
    season_page,
    years_frame,
)
from tests.show import held


def test_years_are_what_the_forms_add_up_to() -> None:
    meeting = held.meeting()
    frame, flock = years_frame(meeting), meeting.flock
    clutches = flock.clutches[flock.clutches["hatched"].notna() & flock.clutches["eggs_set"].notna()]
    sums = clutches.groupby(clutches["set_on"].dt.year)[["hatched", "eggs_set"]].sum()
    hatch = frame[frame["what"].str.startswith("hatched")].set_index("year")
    middle = 100 * sums["hatched"] / sums["eggs_set"]
    assert hatch["value"].to_dict() == pytest.approx(middle.to_dict())
    assert (hatch["low"] < hatch["value"]).all() and (hatch["value"] <= hatch["high"]).all()
    money = frame[frame["what"].str.startswith("brought in")].set_index("year")["value"]
    sold = flock.sales.groupby(flock.sales["on"].dt.year)["price"].sum()
    other = flock.income.groupby(flock.income["on"].dt.year)["amount"].sum()
    assert money.to_dict() == pytest.approx(sold.add(other, fill_value=0).to_dict())
    assert str(season_page(meeting)).count("<svg") == frame.groupby("what").size().gt(1).sum() + len(
        profile_frame(meeting)
    )


def test_the_kept_stand_beside_their_group_section_by_section() -> None:
    meeting = held.meeting()
    frame = profile_frame(meeting).set_index(["group", "section"])
    points = meeting.merit.points.sections
    for name in ("cockerels", "pullets"):
        table = meeting.verdicts.groups[name].table
        kept = table.loc[table["stands"] == "keep", "bird"]
        for section in meeting.flock.standard.sections:
            seen = points[points["section"] == section.name]
            row = frame.loc[name, section.name]
            assert row["kept"] == pytest.approx(
                seen.loc[seen["bird"].isin(kept), "points"].mean(), nan_ok=True
            )
            assert row["all"] == pytest.approx(
                seen.loc[seen["bird"].isin(table["bird"]), "points"].mean(), nan_ok=True
            )


def test_pens_hold_the_living_that_went_in_and_have_not_come_out() -> None:
    meeting = held.meeting()
    flock, day = meeting.flock, pd.Timestamp(meeting.flock.plan.on)
    frame = pens_frame(meeting)
    stays = flock.pens.merge(frame, on=["pen", "bird"])
    there = stays[(stays["from"] <= day) & (stays["to"].isna() | (stays["to"] > day))]
    assert set(zip(there["pen"], there["bird"], strict=True)) == set(
        zip(frame["pen"], frame["bird"], strict=True)
    )
    assert frame.size or flock.pens["to"].notna().all()
    assert set(frame["bird"]) <= set(flock.birds.loc[flock.birds["alive"], "bird"])


def test_blood_adds_up_and_a_bought_in_chick_is_all_its_supplier_s() -> None:
    meeting = held.meeting()
    frame = blood_frame(meeting)
    assert np.allclose(frame.sum(axis=1), 1)
    clutches = meeting.flock.clutches.set_index("clutch")
    birds = meeting.flock.birds.set_index("bird")
    bought = [b for b in frame.index if clutches["origin"].get(birds.loc[b, "clutch"]) == "bought-in"]
    assert bought and all(
        frame.loc[b].drop(OWN_FOUNDERS, errors="ignore").max() == pytest.approx(1) for b in bought
    )
    assert all(str(b) in str(blood_picture(meeting)) for b in frame.index)
