"""What was seen of birds: means, and errors that shrink with looks, share a halo, and hold the weight's doubt."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from selection.standard.agreement import Levels
from selection.standard.growth import fit_growth
from selection.standard.judges import Looks
from selection.standard.points import MEASURED, measured_points
from selection.standard.seen import HALO, USUAL_SD, Seen, gather
from tests.standard.flocks import STANDARD, make_flock

NO_SIZE = pd.DataFrame(columns=MEASURED)


def long(looks: pd.DataFrame) -> Looks:
    """Looks with a column a section, as they are kept: what a section was given is a row."""
    given = (
        looks.rename_axis("row")
        .reset_index()
        .melt(["row", "bird"], var_name="section", value_name="adjusted")
    )
    return Looks(looks[["bird"]].assign(row=looks.index), given.dropna(subset="adjusted"))


def levels(within: float, between: float = 2.0) -> dict[str, Levels]:
    nothing = np.zeros(0)
    known = Levels(nothing, nothing, nothing, np.zeros(0, dtype=np.intp), between, within)
    return {"type": known, "colour": known}


def seen(looks: pd.DataFrame, birds: list[str], within: float = 1.5, size: pd.DataFrame = NO_SIZE) -> Seen:
    return gather(STANDARD, long(looks), pd.Series(birds), levels(within), size)


def test_means_are_those_of_pandas_and_blanks_are_not_zeros() -> None:
    looks = pd.DataFrame(
        {"bird": ["b", "a", "b", "b"], "type": [30.0, 28, 33, np.nan], "colour": [np.nan, 25, 26, 27]}
    )
    found = seen(looks, ["a", "b", "c"])
    means = looks.groupby("bird")[["type", "colour"]].mean().reindex(["a", "b", "c"])
    assert found.means[:, :2] == pytest.approx(means.to_numpy(), nan_ok=True)
    assert np.isnan(found.means[:, 2]).all()


def test_the_error_of_a_mean_falls_with_the_looks_it_rests_on() -> None:
    looks = pd.DataFrame({"bird": ["a", "b", "b", "b", "b"], "type": 30.0, "colour": np.nan})
    found = seen(looks, ["a", "b"])
    assert found.noise[:, 0, 0] == pytest.approx([1.5**2, 1.5**2 / 4])


def test_sections_of_one_look_share_its_halo() -> None:
    together = pd.DataFrame({"bird": ["a"], "type": [30.0], "colour": [26.0]})
    apart = pd.DataFrame({"bird": ["a", "a"], "type": [30.0, np.nan], "colour": [np.nan, 26.0]})
    assert seen(together, ["a"]).noise[0, 0, 1] == pytest.approx(HALO * 1.5**2)
    assert seen(apart, ["a"]).noise[0, 0, 1] == 0


def test_many_repeat_looks_show_their_own_halo() -> None:
    rng = np.random.default_rng(1)
    birds = np.repeat([f"b{i}" for i in range(150)], 3)
    halo = rng.normal(0, 1, 450)
    points = {name: 30 + halo + rng.normal(0, 1, 450) for name in ("type", "colour")}  # correlation ½
    found = seen(pd.DataFrame({"bird": birds, **points}), list(dict.fromkeys(birds)), within=np.sqrt(2))
    assert found.noise[0, 0, 1] / found.noise[0, 0, 0] == pytest.approx(0.5, abs=0.1)


def test_where_looks_show_no_spread_the_usual_one_is_taken() -> None:
    looks = pd.DataFrame({"bird": ["a"], "type": [30.0], "colour": [np.nan]})
    found = gather(STANDARD, long(looks), pd.Series(["a"]), levels(np.nan, np.nan), NO_SIZE)
    assert found.between_sd[:2] == pytest.approx(USUAL_SD * np.array([40, 35]))
    assert found.noise[0, 0, 0] == pytest.approx((USUAL_SD * 40) ** 2)


def test_points_for_weight_carry_the_doubt_of_the_weight() -> None:
    flock = make_flock({"a": "female", "b": "female"}, [("a", 24, 2050), ("b", 24, 2800)])
    measured = measured_points(flock, fit_growth(flock))
    size = measured.set_index("bird")
    # a stands on the slope of the band, 25 points over 900 g; b in the middle of it, where little is at stake
    assert size.loc["a", "points_se"] == pytest.approx(25 / 900 * size.loc["a", "se"], rel=0.02)
    assert size.loc["b", "points_se"] < 0.3 * size.loc["a", "points_se"]
    nothing = pd.DataFrame({"bird": pd.Series([], dtype="str"), "type": [], "colour": []})
    found = seen(nothing, ["a", "b"], size=measured)
    assert found.noise[:, 2, 2] == pytest.approx(size["points_se"] ** 2)
    assert found.means[:, 2] == pytest.approx(size["points"])


def test_a_mean_beyond_the_sections_points_is_brought_back() -> None:
    assert seen(pd.DataFrame({"bird": ["a"], "type": [40.6], "colour": [-0.2]}), ["a"]).means[
        0, :2
    ].tolist() == [40, 0]
