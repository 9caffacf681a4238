"""Who laid and who sired a clutch: day by day beside a plain loop, and what no record of pens may break."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from selection.merit.relationship.parentage import parentage
from selection.merit.relationship.pedigree import from_shares
from selection.merit.relationship.pens import Laid, Pens
from selection.merit.relationship.worst_case import WorstCase, chance_over
from selection.records.flock import Flock
from selection.records.settings.plan import Plan
from tests.merit.tiny import PLAN, bird, clutch, flock, stood

FIRST, SET = date(2026, 2, 19), date(2026, 3, 1)
"""The eggs of clutch 26-H1 were laid from the first of these days up to and not with the second."""
HENS, COCKS = ("H1", "H2", "H3"), ("A", "B", "C")
FOUNDERS = [*(bird(h, "female") for h in HENS), *(bird(c, "male") for c in COCKS)]
Stay = tuple[str, str, date, date]


def day(offset: int) -> str:
    """The day so long after the first egg."""
    return str(FIRST + timedelta(days=offset))


def shares(made: Flock, chick: str = "x") -> dict[str, float]:
    """Shares of one chick in all its possible parents."""
    family = parentage(made).pedigree
    row = family.weights[[family.positions([chick])[0]]]
    return {family.birds[i]: float(w) for i, w in zip(row.indices, row.data, strict=True)}


def flock_of(
    pens: list[dict[str, object]], eggs: tuple[dict[str, object], ...] = (), **cells: object
) -> Flock:
    chick = bird("x", "female", "26-H1", **cells)
    return flock(birds=[*FOUNDERS, chick], clutches=[clutch("26-H1")], pens=pens, eggs=eggs)


BASE = flock_of([stood("H1", "2026-01-01")])
"""A flock whose pens are exchanged below, so that it is put together once."""


def laid(stays: list[Stay], plan: Plan = PLAN) -> Laid:
    """The clutch as these stays have it."""
    frame = pd.DataFrame(stays, columns=["bird", "pen", "from", "to"])
    frame[["from", "to"]] = frame[["from", "to"]].astype("datetime64[s]")
    return Pens(replace(BASE, plan=plan, pens=frame)).laid("pen 1", pd.Timestamp(SET))


def by_loop(stays: list[Stay], dam: str | None = None) -> dict[str, float]:
    """Shares of the cocks by the words of the method, one hen, one egg and one day at a time."""
    inside = lambda one, on: one[2] <= on < one[3]  # noqa: E731
    sired = dict.fromkeys(COCKS, 0.0)
    for egg in (FIRST + timedelta(days=i) for i in range(10)):
        for hen in HENS if dam is None else (dam,):
            if not any(s[0] == hen and s[1] == "pen 1" and inside(s, egg) for s in stays):
                continue
            carried = dict.fromkeys(COCKS, 0.0)
            for ago in range(22):
                on = egg - timedelta(days=ago)
                pens = {s[1] for s in stays if s[0] == hen and inside(s, on)}
                for cock in {s[0] for s in stays if s[0] in COCKS and s[1] in pens and inside(s, on)}:
                    carried[cock] += 2 ** (-ago / 2.5)
            always, left = 1 / (1 - 2 ** (-1 / 2.5)), sum(carried.values())
            fertile = min(1.0, 0.5 * left / (always * 2 ** (-12.75 / 2.5)))
            for cock, own in carried.items():
                sired[cock] += fertile * own / left if left else 0.0
    return {cock: 0.5 * own / sum(sired.values()) for cock, own in sired.items() if own > 0}


@st.composite
def some_stays(draw: st.DrawFn) -> list[Stay]:
    """A few stays of cocks and hens in two pens, some of them over before the first egg."""
    stays = []
    for one in draw(st.lists(st.sampled_from((*COCKS, *HENS)), min_size=2, max_size=7)):
        since = FIRST + timedelta(days=draw(st.integers(-40, 9)))
        until = since + timedelta(days=draw(st.integers(1, 40)))
        stays.append((one, draw(st.sampled_from(["pen 1", "pen 2"])), since, until))
    return [("H1", "pen 1", FIRST, SET), *stays]


class TestShares:
    """Every number of the shares, by another way."""

    @settings(max_examples=15, deadline=None)
    @given(some_stays(), st.randoms(use_true_random=False))
    def test_as_by_a_plain_loop_in_any_order_of_rows(self, stays: list[Stay], order: random.Random) -> None:
        found = laid(stays)
        sires, dams = found.sires(), found.dams()
        assert sires == pytest.approx(by_loop(stays))
        assert sum(dams.values()) == pytest.approx(0.5)
        assert not sires or sum(sires.values()) == pytest.approx(0.5)
        order.shuffle(stays)
        assert (laid(stays).sires(), laid(stays).dams()) == (pytest.approx(sires), pytest.approx(dams))

    @settings(max_examples=15, deadline=None)
    @given(some_stays())
    def test_a_known_dam_has_her_own_cocks(self, stays: list[Stay]) -> None:
        own = by_loop(stays, "H1")
        assert laid(stays).sires("H1") == pytest.approx(own or by_loop(stays))

    @settings(max_examples=20, deadline=None)
    @given(some_stays(), st.integers(1, 30))
    def test_leaving_later_never_takes_from_a_cock(self, stays: list[Stay], longer: int) -> None:
        since, until = FIRST - timedelta(days=40), FIRST + timedelta(days=5)
        sooner = ("A", "pen 1", since, until - timedelta(days=longer))
        less, more = (
            laid([*stays, own]).sires().get("A", 0.0) for own in (sooner, ("A", "pen 1", since, until))
        )
        assert less <= more + 1e-12


class TestAReplacedCock:
    """A stands in the pen until a day, B from it on."""

    def share(self, change: date, plan: Plan = PLAN) -> float:
        long_ago, later = date(2025, 1, 1), date(2027, 1, 1)
        stays = [("H1", "pen 1", long_ago, later), ("A", "pen 1", long_ago, change)]
        return 2 * laid([*stays, ("B", "pen 1", change, later)], plan).sires().get("A", 0.0)

    def test_falls_smoothly_the_earlier_he_left(self) -> None:
        by_day = [self.share(FIRST + timedelta(days=offset)) for offset in range(-25, 11)]
        steps = [later - earlier for earlier, later in pairwise(by_day)]
        assert by_day[0] == 0 and by_day[-1] == pytest.approx(1)
        assert min(steps) >= 0 and max(steps) < 0.1 + 1e-9
        assert max(later - earlier for earlier, later in pairwise(steps)) < 0.03

    def test_has_half_the_eggs_two_or_three_days_on(self) -> None:
        """Of one egg, so many days after the change: common practice has the new cock foremost on day 2 or 3."""
        plan = replace(PLAN, egg_days=1)
        day_1, day_2, day_3 = (self.share(SET - timedelta(days=k), plan) for k in (1, 2, 3))
        assert day_1 > 0.5 > day_3
        assert day_2 == pytest.approx(0.5, abs=0.1)


class TestACockThatLeftNoSuccessor:
    """Published: half of such eggs fertile after 10.7 to 14.8 days, hardly any after three weeks (Hutt 1949)."""

    def fertile(self, days: int) -> float:
        """What part of one egg is fertile, so many days after he left."""
        left = SET - timedelta(days=days + 1)
        stays = [("H1", "pen 1", date(2025, 1, 1), SET), ("A", "pen 1", date(2025, 1, 1), left)]
        return float(laid(stays, replace(PLAN, egg_days=1, cock_days=40)).sired.sum())

    def test_fades_as_published(self) -> None:
        assert self.fertile(7) == 1.0
        assert self.fertile(11) > 0.5 > self.fertile(14)
        assert self.fertile(21) < 0.1


class TestAHenFromAnotherPen:
    """She comes from A's pen the day before the first egg, to B."""

    PENS = (
        stood("A", "2026-01-01", pen="pen 2"),
        stood("H1", "2026-01-01", day(-1), "pen 2"),
        stood("H1", day(-1)),
        stood("B", "2026-01-01"),
    )

    def test_brings_its_cock(self) -> None:
        made = flock_of(list(self.PENS))
        assert 0.05 < shares(made)["A"] < shares(made)["B"]

    def test_whose_daughter_is_then_no_stranger_to_him(self) -> None:
        family = parentage(flock_of(list(self.PENS))).pedigree
        assert family.relationship(["A"], ["x"])[0, 0] == pytest.approx(
            shares(flock_of(list(self.PENS)))["A"]
        )
        assert WorstCase(family, ["A", "x"]).pair("A", "x").relationship == pytest.approx(0.5)

    def test_does_not_bring_it_to_the_others(self) -> None:
        pens = [*self.PENS, stood("H2", "2026-01-01")]
        assert shares(flock_of(pens, dam="H2"))["B"] == 0.5
        assert 0 < shares(flock_of(pens))["A"] < shares(flock_of(list(self.PENS)))["A"]


class TestDams:
    """Days in the pen, by how each lays."""

    PENS = (
        stood("A", "2026-01-01"),
        stood("H1", "2026-01-01"),
        stood("H2", "2026-01-01"),
        stood("H3", day(5)),
    )

    def test_by_days_where_nobody_is_known_to_lay(self) -> None:
        found = shares(flock_of(list(self.PENS)))
        assert [found[h] for h in HENS] == pytest.approx([0.5 * 10 / 25, 0.5 * 10 / 25, 0.5 * 5 / 25])

    def test_by_laying_rate_where_it_is_known(self) -> None:
        """H1 laid 40 in 50 days, H2 10 in 50; mean .5, sd between hens .1: as if each had 25 more days at .5."""
        eggs = tuple(
            {"on": "2026-02-20", "pen": "pen 1", "bird": hen, "eggs": laid, "days": 50}
            for hen, laid in (("H1", 40), ("H2", 10))
        )
        found = shares(flock_of(list(self.PENS), eggs))
        rates = [(40 + 12.5) / 75, (10 + 12.5) / 75, 0.5]
        days = [10 * rates[0], 10 * rates[1], 5 * rates[2]]
        assert [found[h] for h in HENS] == pytest.approx([0.5 * d / sum(days) for d in days])

    def test_a_known_sire_tells_who_carried_him(self) -> None:
        pens = [*TestAHenFromAnotherPen.PENS, stood("H2", "2026-01-01")]
        assert shares(flock_of(pens, sire="A")) == pytest.approx({"A": 0.5, "H1": 0.5})


def test_of_a_mixed_brood_a_known_dam_tells_the_clutch() -> None:
    pens = [stood("A", "2026-01-01"), stood("H1", "2026-01-01")]
    pens += [stood("B", "2026-01-01", pen="pen 2"), stood("H2", "2026-01-01", pen="pen 2")]
    chick = bird("x", "female", "26-H1;26-H2", dam="H2")
    made = flock(
        birds=[*FOUNDERS, chick], clutches=[clutch("26-H1"), clutch("26-H2", pen="pen 2")], pens=pens
    )
    assert shares(made) == pytest.approx({"B": 0.5, "H2": 0.5})


def drawn_chick(stays: list[Stay], rng: np.random.Generator) -> tuple[str, str]:
    """The sire and dam of one chick that truly hatched: an egg day and hen at random, a cock by what she carried."""
    where = [(FIRST + timedelta(days=i), hen) for i in range(10) for hen in HENS]
    held = [
        at for at in where if any(s[0] == at[1] and s[1] == "pen 1" and s[2] <= at[0] < s[3] for s in stays)
    ]
    on, hen = held[rng.integers(len(held))]
    carried = dict.fromkeys(COCKS, 1e-12)
    for ago in range(22):
        day = on - timedelta(days=ago)
        pens = {s[1] for s in stays if s[0] == hen and s[2] <= day < s[3]}
        for cock in {s[0] for s in stays if s[0] in COCKS and s[1] in pens and s[2] <= day < s[3]}:
            carried[cock] += 2 ** (-ago / 2.5)
    chances = np.array(list(carried.values()))
    return str(rng.choice(COCKS, p=chances / chances.sum())), hen


def some_season(rng: np.random.Generator) -> list[Stay]:
    """Cock A makes way for B in pen 1 about the first egg; hens come to it from C's pen at different times."""
    change = FIRST + timedelta(days=int(rng.integers(-8, 9)))
    old, later = date(2025, 1, 1), date(2027, 1, 1)
    stays = [("A", "pen 1", old, change), ("B", "pen 1", change, later), ("C", "pen 2", old, later)]
    for hen in HENS:
        came = FIRST + timedelta(days=int(rng.integers(-12, 6)))
        stays += [(hen, "pen 2", old, came), (hen, "pen 1", came, later)]
    return stays


def test_the_chance_of_too_much_inbreeding_comes_true_bin_by_bin() -> None:
    """50 seasons with true parents drawn egg by egg: of pairs said to be too close with chance p, p are."""
    rng, said, true = np.random.default_rng(7), [], []
    founders = {b: {} for b in (*COCKS, *HENS)}
    sons, daughters = [f"son {i}" for i in range(3)], [f"daughter {i}" for i in range(4)]
    cocks = [*COCKS, *sons]
    for _ in range(50):
        stays = some_season(rng)
        found = laid(stays)
        every = [*sons, *daughters]
        shared = from_shares(
            founders | dict.fromkeys(every, found.sires()), founders | dict.fromkeys(every, found.dams())
        )
        parents = {chick: drawn_chick(stays, rng) for chick in every}
        truth = from_shares(
            founders | {chick: {sire: 0.5} for chick, (sire, _) in parents.items()},
            founders | {chick: {dam: 0.5} for chick, (_, dam) in parents.items()},
        )
        for most in (0.0625, 0.125):
            said.append(chance_over(shared, cocks, daughters, most, rng, 400).ravel())
            true.append((0.5 * truth.relationship(cocks, daughters) > most + 1e-9).ravel())
    chance, came = np.concatenate(said), np.concatenate(true)
    bins = np.digitize(chance, [0.02, 0.1, 0.2, 0.35, 0.5, 0.7, 0.9])
    for one in np.unique(bins):
        at = bins == one
        assert came[at].mean() == pytest.approx(chance[at].mean(), abs=0.05), (one, at.sum())
