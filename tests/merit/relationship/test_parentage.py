"""Shares in possible parents, from pens, suppliers and what is known."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from selection.errors import PedigreeError
from selection.merit.relationship.parentage import parentage
from tests.merit.tiny import PLAN, bird, clutch, flock, look, stood

FOUNDERS = [bird("C", "male"), bird("D", "male"), bird("H1", "female"), bird("H2", "female")]
"""The eggs of clutch 26-H1 were laid from 19 February (ten days before setting) to the end of February."""


def shares(made, chick: str = "x") -> dict[str, float]:
    """Shares of one chick in all its possible parents."""
    family = parentage(made).pedigree
    row = family.weights[[family.positions([chick])[0]]]
    return {family.birds[i]: float(w) for i, w in zip(row.indices, row.data, strict=True)}


def test_dams_by_the_days_each_stood_in_the_pen() -> None:
    pens = [stood("C", "2026-01-01"), stood("H1", "2026-01-01"), stood("H2", "2026-02-24")]
    made = flock(birds=[*FOUNDERS, bird("x", "female", "26-H1")], clutches=[clutch("26-H1")], pens=pens)
    # H1 stood all 10 days, H2 from the 24th to the 28th: 5 days
    assert shares(made) == pytest.approx({"C": 0.5, "H1": 0.5 * 10 / 15, "H2": 0.5 * 5 / 15})


def test_the_day_a_bird_leaves_is_not_counted() -> None:
    pens = [stood("C", "2026-01-01"), stood("H1", "2026-01-01", "2026-02-20"), stood("H2", "2026-02-20")]
    made = flock(birds=[*FOUNDERS, bird("x", "female", "26-H1")], clutches=[clutch("26-H1")], pens=pens)
    assert shares(made)["H1"] == pytest.approx(0.5 * 1 / 10)


def test_no_cock_on_record_is_one_unseen_cock() -> None:
    made = flock(
        birds=[*FOUNDERS, bird("x", "female", "26-H1")],
        clutches=[clutch("26-H1")],
        pens=[stood("H1", "2026-01-01")],
    )
    assert shares(made) == pytest.approx({"unseen cock of pen 1, 2026": 0.5, "H1": 0.5})
    assert "no cock on record for clutch 26-H1" in parentage(made).sentences[0]


def test_a_known_sire_has_the_whole_half() -> None:
    pens = [stood("C", "2026-01-01"), stood("D", "2026-01-01"), stood("H1", "2026-01-01")]
    made = flock(
        birds=[*FOUNDERS, bird("x", "female", "26-H1", sire="D")], clutches=[clutch("26-H1")], pens=pens
    )
    assert shares(made) == pytest.approx({"D": 0.5, "H1": 0.5})


def test_a_mixed_brood_has_equal_shares_of_its_clutches() -> None:
    clutches = [clutch("26-H1"), clutch("26-H2", pen="pen 2")]
    pens = [stood("C", "2026-01-01"), stood("H1", "2026-01-01")]
    pens += [stood("D", "2026-01-01", pen="pen 2"), stood("H2", "2026-01-01", pen="pen 2")]
    made = flock(birds=[*FOUNDERS, bird("x", "female", "26-H1;26-H2")], clutches=clutches, pens=pens)
    assert shares(made) == pytest.approx({"C": 0.25, "D": 0.25, "H1": 0.25, "H2": 0.25})


BOUGHT = {"origin": "bought-in", "source": "Marsh Farm", "pen": None}


def test_a_supplier_that_told_nothing_has_one_cock_and_six_hens() -> None:
    made = flock(birds=[bird("x", "male", "26-B1")], clutches=[clutch("26-B1", **BOUGHT)])
    found = shares(made)
    assert len(found) == 7
    assert found["unseen cock of Marsh Farm, 2026"] == 0.5
    assert "did not say how many stood" in parentage(made).sentences[0]


def test_clutches_of_one_pen_in_one_spring_share_its_birds() -> None:
    """One cock and 4 hens: ¼ + 1/16; another pen of the supplier shares only its effect."""
    told = {**BOUGHT, "cocks": 1, "hens": 4}
    clutches = [
        clutch("26-B1", **told),
        clutch("26-B2", **told),
        clutch("26-B3", **{**told, "source": "Marsh Farm/top pen"}),
    ]
    birds = [bird("x", "male", "26-B1"), bird("y", "male", "26-B2"), bird("z", "male", "26-B3")]
    made = parentage(flock(birds=birds, clutches=clutches))
    assert made.pedigree.relationship(["x"], ["y", "z"]).tolist() == [pytest.approx([0.25 + 0.25 / 4, 0.0])]
    at = made.pedigree.positions(["x", "z"])
    assert made.bases.toarray()[at, made.suppliers.index("Marsh Farm")].tolist() == [1.0, 1.0]


def test_another_spring_is_the_same_pen_by_chance() -> None:
    """same_pen = ½, one cock and one hen: two chicks a year apart have half of what full sibs have."""
    told = {**BOUGHT, "cocks": 1, "hens": 1}
    clutches = [clutch(f"{year}-B1", **told) for year in (24, 25, 26)]
    birds = [bird(f"x{year}", "male", f"{year}-B1") for year in (24, 25, 26)]
    made = parentage(flock(birds=birds, clutches=clutches))
    found = made.pedigree.relationship(["x24", "x25", "x26"])
    assert PLAN.same_pen == 0.5
    assert found[0].tolist() == pytest.approx([1.0, 0.25, 0.25])
    assert found[1, 2] == pytest.approx(0.25)


def test_suppliers_blood_is_handed_down_by_halves() -> None:
    told = {**BOUGHT, "cocks": 1, "hens": 1}
    birds = [bird("C", "male", "25-B1"), bird("H1", "female"), bird("x", "female", "26-H1")]
    pens = [stood("C", "2026-01-01"), stood("H1", "2026-01-01")]
    made = parentage(flock(birds=birds, clutches=[clutch("25-B1", **told), clutch("26-H1")], pens=pens))
    row = made.bases[[made.pedigree.positions(["x"])[0]]].toarray().ravel()
    assert dict(zip(made.suppliers, row, strict=True)) == pytest.approx({"home": 0.5, "Marsh Farm": 0.5})


def test_unnamed_chicks_are_the_mean_of_their_mates() -> None:
    """The mean of n mates: what mates share, and the Mendelian part over n."""
    pens = [stood("C", "2026-01-01"), stood("H1", "2026-01-01")]
    rows = [look(None, {"type": 50.0}, clutch="26-H1", sex="female", n=4)]
    made = parentage(flock(birds=FOUNDERS, clutches=[clutch("26-H1")], pens=pens, scores=rows))
    [group] = made.chicks["id"]
    at = made.pedigree.positions([group])[0]
    assert made.pedigree.mendelian[at] == pytest.approx(0.5 / 4)


def test_the_same_unnamed_chicks_seen_again_are_no_new_chicks() -> None:
    rows = [
        look(None, {"type": 50.0}, on, clutch=label, sex="female", n=n)
        for on, label, n in (
            ("2026-08-01", "26-H1", 4), ("2026-09-01", "26-h1", 4), ("2026-09-20", "26-H1", 3)
        )
    ]  # fmt: skip
    made = parentage(flock(birds=FOUNDERS, clutches=[clutch("26-H1")], scores=rows)).chicks
    assert made["n"].tolist() == [4, 3]


class TestImpossibleParents:
    """All impossible parents are named at once."""

    def test_sexes_and_strangers(self) -> None:
        birds = [
            *FOUNDERS,
            bird("x", "male", "26-H1", sire="H1", dam="C"),
            bird("y", "male", "26-H1", sire="Z"),
        ]
        with pytest.raises(PedigreeError) as error:
            parentage(flock(birds=birds, clutches=[clutch("26-H1")]))
        for fault in (
            "H1, sire of x, is recorded female",
            "C, dam of x, is recorded male",
            "sire Z of y is not",
        ):
            assert fault in str(error.value)

    def test_a_parent_younger_than_its_chick(self) -> None:
        birds = [bird("p", "male", "26-H1"), bird("x", "male", "25-H1", sire="p")]
        with pytest.raises(PedigreeError, match="p, sire of x, hatched no earlier than it"):
            parentage(flock(birds=birds, clutches=[clutch("25-H1"), clutch("26-H1")]))

    def test_a_loop(self) -> None:
        """Bare years leave the order open: only the loop itself gives them away."""
        birds = [bird("p", "male", sire="q"), bird("q", "male", sire="p")]
        for one in birds:
            one["hatched_on"] = None
        with pytest.raises(PedigreeError, match="a loop of parents"):
            parentage(flock(birds=birds))


def test_a_pen_that_is_surely_the_same_can_still_be_solved() -> None:
    """same_pen = 1: two chicks a year apart are as related as full sibs, and A⁻¹ stays finite."""
    told = {**BOUGHT, "cocks": 1, "hens": 1}
    clutches = [clutch(f"{year}-B1", **told) for year in (25, 26)]
    birds = [bird(f"x{year}", "male", f"{year}-B1") for year in (25, 26)]
    made = parentage(flock(plan=replace(PLAN, same_pen=1.0), birds=birds, clutches=clutches)).pedigree
    assert made.relationship(["x25"], ["x26"])[0, 0] == pytest.approx(0.5, abs=0.001)
    assert np.isfinite(made.inverse().data).all()


def test_chicks_of_a_clutch_not_yet_set_are_not_there() -> None:
    early = replace(PLAN, on=date(2026, 2, 1))
    birds = [*FOUNDERS, bird("x", "female", "26-H1")]
    assert "x" not in set(flock(plan=early, birds=birds, clutches=[clutch("26-H1")]).birds["bird"])
