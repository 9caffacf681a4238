"""Looking back: earlier predictions against later evidence whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from selection.answer import Kind
from selection.decide.review.checks import (
    by_hatch_year,
    chances_kept,
    checks,
    differentials,
    gain_of,
    gather_evidence,
    learned,
    with_since,
)
from selection.decide.review.hindsight import as_of, choosing, standings, what_came
from selection.decide.review.review import review
from selection.merit.ranking import Merit, rank
from selection.merit.relationship.parentage import parentage
from selection.records.flock import Flock
from selection.show.sections import review_pages
from tests.decide import holdings
from tests.merit import tiny
from tests.simulated import simulate


def meeting(
    birds: list[str], merit: list[float], kept: int, p_best: list[float], group: str = "pullets"
) -> dict:
    """A kept meeting's tables: those birds about their mean, the first `kept` of them kept."""
    p_kept = np.full(len(birds), kept / len(birds))
    values = np.array(merit) - np.mean(merit)
    ranking = pd.DataFrame(
        {
            "bird": birds, "group": group, "merit": values, "merit_se": 1.0, "merit_flock": values,
            "p_best": p_best, "p_kept": p_kept, "bar": None,
        }
    )  # fmt: skip
    stands = np.where(np.arange(len(birds)) < kept, "keep", "sell")
    return {"ranking": ranking, "verdicts": pd.DataFrame({"bird": birds, "group": group, "stands": stands})}


def many(bold: float, seed: int = 1, groups: int = 40) -> pd.DataFrame:
    """Birds of 40 meetings, six a group: predicted by a posterior mean `bold` times too large, and what is known
    now: truth, all but for certain."""
    rng = np.random.default_rng(seed)
    parts = []
    for g in range(groups):
        birds = [f"{g}-{i}" for i in range(6)]
        expected = rng.standard_normal(6)
        truth = expected + rng.standard_normal(6)
        draws = expected + rng.standard_normal((4_000, 6))
        best = np.bincount(draws.argmax(axis=1), minlength=6) / 4_000
        ranking = meeting(birds, list(bold * expected), 2, list(best))["ranking"]
        order = np.argsort(-expected)
        rows = ranking.assign(
            on=pd.Timestamp(2000 + g, 10, 10), kept=np.isin(np.arange(6), order[:2]), number=2
        )
        since = pd.DataFrame(truth + 1e-6 * rng.standard_normal((200, 6)), columns=birds)
        parts.append(with_since(rows, since))
    return pd.concat(parts, ignore_index=True)


def found(told: pd.DataFrame, quantity: str) -> pd.Series:
    flock = holdings.flock()
    table = checks(gather_evidence(flock, holdings.merit(flock, {}), told), told)
    return table[(table["evidence"] == "later merit") & (table["quantity"] == quantity)].iloc[0]


def test_honest_predictions_are_found_in_agreement() -> None:
    told = many(1.0)
    assert found(told, "slope")["says"] == "in agreement with 1"
    assert found(told, "bias")["says"] == "in agreement with 0"
    # six birds of a group: Corr(E, E + noise of as much again) = √½
    row = found(told, "correlation")
    assert row["low"] < np.sqrt(0.5) < row["high"]


def test_predictions_twice_too_bold_are_found_out() -> None:
    told = many(2.0)
    row = found(told, "slope")
    assert row["low"] < 0.5 < row["high"]
    assert row["says"] == "predictions were too bold"
    assert found(told, "bias")["says"] == "kept birds were promised too much"


def test_predictions_half_too_timid_are_found_out() -> None:
    assert found(many(0.5), "slope")["says"] == "predictions were too timid"


def test_chances_that_were_right_prove_so() -> None:
    told = many(1.0)
    assert learned(told) == pytest.approx(1.0, abs=1e-3)
    table = chances_kept(told)
    best = table[(table["kind"] == "p_best") & (table["birds"] >= 15)]
    assert len(best) >= 4
    inside = (best["low"] <= best["given"]) & (best["given"] <= best["high"])
    assert inside.mean() >= 0.75
    assert best["says"].str.contains("proved so").all()


def test_chances_are_no_proof_where_nothing_was_learned_since() -> None:
    told = many(1.0).assign(doubt_left=0.99)
    assert not chances_kept(told)["says"].str.contains("proved so").any()


def test_agreement_with_what_was_known_then_already_is_called_no_proof() -> None:
    told = many(2.0).assign(doubt_left=0.9)
    for quantity in ("bias", "slope", "correlation"):
        assert found(told, quantity)["says"].startswith("no proof yet")


def test_what_choosing_gained_against_what_was_possible() -> None:
    flock = holdings.flock()
    kept = {date(2025, 10, 10): meeting(["a", "b", "c", "d"], [1.0, 0.0, 3.0, 2.0], 2, [0.1, 0.1, 0.5, 0.3])}
    stood = standings(flock, kept)
    since = pd.DataFrame([[0.0, 0.0, 4.0, 0.0]] * 3, columns=["a", "b", "c", "d"])
    row = differentials(with_since(stood, since)).iloc[0]
    # merits about their mean of 1.5: kept a and b, −0.5 and −1.5; possible c and d, 1.5 and 0.5
    assert (row["kept"], row["differential"], row["possible"], row["share"]) == (2, -1.0, 1.0, -1.0)
    assert (row["later"], row["later_possible"]) == (-1.0, 1.0)


def test_a_bird_the_records_no_longer_tell_of_is_left_out_of_its_group() -> None:
    kept = {date(2025, 10, 10): meeting(["a", "b", "c"], [3.0, 0.0, 6.0], 1, [0.3, 0.1, 0.6])}
    told = with_since(standings(holdings.flock(), kept), pd.DataFrame([[1.0, 5.0]] * 3, columns=["a", "b"]))
    assert told["bird"].tolist() == ["a", "b"]
    assert told["merit"].tolist() == pytest.approx([1.5, -1.5])
    assert told["later"].tolist() == pytest.approx([-2.0, 2.0])


def test_what_was_decided_counts_before_what_was_proposed() -> None:
    flock = holdings.flock()
    said = pd.DataFrame(
        {"on": [pd.Timestamp("2025-10-11")], "bird": ["c"], "decided": ["keep"], "why": ["her head"]}
    )
    object.__setattr__(flock, "decisions", said.reindex(columns=flock.decisions.columns))
    kept = {date(2025, 10, 10): meeting(["a", "b", "c"], [1.0, 0.0, 3.0], 1, [0.4, 0.1, 0.5])}
    assert standings(flock, kept).set_index("bird")["kept"].to_dict() == {"a": True, "b": False, "c": True}


def test_barred_birds_and_meetings_to_come_are_not_looked_back_on() -> None:
    flock = holdings.flock()
    tables = meeting(["a", "b", "c"], [1.0, 0.0, 3.0], 1, [0.4, 0.1, 0.5])
    tables["ranking"].loc[0, "bar"] = "wry tail"
    assert set(standings(flock, {date(2025, 10, 10): tables})["bird"]) == {"b", "c"}
    assert standings(flock, {date(2026, 10, 10): tables}).empty
    rehearsal = meeting(["26-M1", "26-M2"], [1.0, 0.0], 1, [0.6, 0.4], "cockerels")
    assert standings(flock, {date(2026, 9, 20): rehearsal}).empty


def test_no_meeting_kept_is_said() -> None:
    flock = holdings.flock()
    empty = review({}, flock, holdings.merit(flock, {}))
    assert empty.birds.empty
    assert empty.texts(Kind.SHORT)[0].startswith("No earlier meeting is kept with this flock")
    assert "nan" not in " ".join((*empty.texts(Kind.SHORT), *empty.sentences, *empty.cannot)).lower()


def test_the_flock_as_of_an_earlier_day_has_no_bird_that_hatched_later() -> None:
    then = as_of(holdings.flock(), date(2025, 10, 10), 2025)
    assert set(then.birds["bird"]) == {"24-H1", "24-H2", "25-M1"}
    assert then.plan.season == 2025


@pytest.fixture(scope="module")
def held() -> tuple[Flock, Merit]:
    flock = simulate(7, seasons=2, bought_in=1, home_bred=2, hens=5, new_pullets=3, weighings=2).flock()
    return flock, rank(flock)


def test_a_holding_that_kept_no_meeting_is_ranked_as_of_its_earlier_seasons(
    held: tuple[Flock, Merit], monkeypatch: pytest.MonkeyPatch
) -> None:
    flock, merit = held
    steps: list[float] = []
    found = review({}, flock, merit, rank_as_of=rank, progress=lambda step, share: steps.append(share))
    assert steps[-1] == 1.0
    assert set(found.birds["on"].dt.year) < set(flock.scores["on"].dt.year)
    assert found.texts(Kind.SHORT)[0].startswith("No meeting was kept")
    assert found.choosing.empty
    kept = found.birds[found.birds["kept"]]
    gone = kept["bird"].map(flock.birds.set_index("bird")["gone_on"])
    assert len(kept) and (gone.isna() | (gone > kept["on"] + pd.DateOffset(months=4))).all()
    text = " ".join(
        (
            *found.texts(Kind.SHORT),
            *found.sentences,
            *found.cannot,
            *found.checks["says"],
            *found.chances["says"],
        )
    )
    assert "nan" not in text.lower()


def test_merit_by_hatch_year_is_the_mean_of_the_birds_own(held: tuple[Flock, Merit]) -> None:
    """The linear functional against the mean of the birds' merits: the band is all that parts them."""
    flock, merit = held
    table = by_hatch_year(flock, merit).table
    home = flock.birds[(flock.birds["origin_of"] == "home-bred") & flock.birds["clutch"].notna()]
    own = (
        merit.flock.set_index("bird")["merit"]
        .reindex(home["bird"])
        .groupby(home["hatch_year"].to_numpy())
        .mean()
    )
    assert table["merit"].to_numpy() == pytest.approx((own - own.mean()).to_numpy(), abs=0.35)
    assert (table["low"] < table["merit"]).all() and (table["merit"] < table["high"]).all()
    told = table["rearing"].notna()
    assert told.any()
    parts = (table["seen"] - table["genetic"])[told]
    assert table.loc[told, "rearing"].to_numpy() == pytest.approx((parts - parts.mean()).to_numpy())


def test_the_gain_a_hatch_year_is_a_slope_with_the_interval_of_just_that_slope() -> None:
    """Independent means of variance 0.04: the slope's is 0.04/Σ(t − t̄)² = 0.02, by ordinary least squares."""
    gain = gain_of(np.array([0.0, 0.5, 1.0]), 0.04 * np.eye(3), [2024.0, 2025.0, 2026.0])
    assert gain.value == pytest.approx(0.5)
    assert gain.high - gain.value == pytest.approx(1.645 * np.sqrt(0.02))
    assert "fewer than three" in gain_of(np.zeros(2), np.eye(2), [2024.0, 2025.0]).why


def test_a_meeting_held_again_counts_once() -> None:
    """The last of a season is looked back on, though it fell in the winter after."""
    birds = ["24-H1", "24-H2"]
    first = {date(2024, 10, 10): meeting(birds, [1.0, 0.0], 1, [0.6, 0.4])}
    again = {date(2025, 1, 5): meeting(birds, [5.0, 0.0], 1, [0.9, 0.1])}
    stood = standings(holdings.flock(), {**first, **again})
    assert stood["bird"].tolist() == birds
    assert stood["merit"].tolist() == [2.5, -2.5]


def test_what_happened_counts_before_what_was_proposed(held: tuple[Flock, Merit]) -> None:
    """A bird that left within four months of its meeting was not kept, whatever the meeting proposed."""
    flock = replace(held[0], decisions=held[0].decisions.head(0))
    season = int(flock.plan.season - 1)
    day = date(season, 10, 10)
    birds = flock.birds[(flock.birds["hatch_year"] == season) & flock.birds["clutch"].notna()]
    young = birds[~(birds["gone_on"] <= pd.Timestamp(day))]
    tables = meeting(young["bird"].tolist(), [0.0] * len(young), len(young), [0.1] * len(young))
    kept = standings(flock, {day: tables}).set_index("bird")["kept"]
    left = young.loc[young["gone_on"] <= pd.Timestamp(day) + pd.DateOffset(months=4), "bird"]
    assert 0 < len(left) < len(young)
    assert set(kept.index[~kept]) == set(left)


def test_seasons_without_a_meeting_tell_what_choosing_gained(held: tuple[Flock, Merit]) -> None:
    """Recomputed bird by bird: those still there four months on against all that were there on the day."""
    flock, merit = held
    season, day = flock.plan.season - 1, pd.Timestamp(flock.plan.on) - pd.DateOffset(years=1)
    row = choosing(flock, merit).set_index(["season", "group"]).loc[(season, "pullets")]
    values, stayed = [], []
    for bird in flock.birds.itertuples():
        if bird.hatch_year == season and bird.sex == "female" and bird.origin_of == "home-bred":
            if bird.gone_on <= day or not isinstance(bird.clutch, str):
                continue
            values.append(float(merit.flock.set_index("bird")["merit"][bird.bird]))
            stayed.append(not bird.gone_on <= day + pd.DateOffset(months=4))
    kept = [v for v, s in zip(values, stayed, strict=True) if s]
    assert (row["birds"], row["stayed"]) == (len(values), len(kept))
    assert row["differential"] == pytest.approx(np.mean(kept) - np.mean(values))
    best = sorted(values, reverse=True)[: len(kept)]
    assert row["possible"] == pytest.approx(np.mean(best) - np.mean(values))
    assert choosing(flock, merit, told=[season])["season"].eq(season).sum() == 0


def lived_on() -> Flock:
    """Two pullets of 2025: a was kept by Ann, laid and may have a chick; b was sold. The cock c was kept, too."""
    plan = replace(tiny.PLAN, on=date(2026, 10, 10), season=2026)
    return tiny.flock(
        plan=plan,
        clutches=[tiny.clutch("25-H1"), tiny.clutch("26-H1")],
        birds=[
            tiny.bird("c", "male"), tiny.bird("d", "female"), tiny.bird("a", "female", "25-H1"),
            tiny.bird("b", "female", "25-H1", gone_on="2025-11-01", gone_why="sold"),
            tiny.bird("x", "female", "26-H1", sire="c"),
        ],
        pens=[tiny.stood("c", "2024-12-01"), tiny.stood("d", "2024-12-01"), tiny.stood("a", "2026-01-05")],
        scores=[
            tiny.look("a", {"type": 30, "head": 20}, on="2025-09-20"),
            tiny.look("a", {"type": 40, "head": 20}, on="2026-09-20"), tiny.look("a", {"type": 50}, on="2026-09-21"),
        ],
        eggs=[
            {"on": "2025-06-01", "pen": "pen 1", "bird": "a", "eggs": 9},
            {"on": "2026-02-01", "pen": "pen 1", "bird": "a", "eggs": 1},
            {"on": "2026-02-02", "pen": "pen 1", "eggs": 5},
        ],
        sales=[{"on": "2025-11-01", "bird": "b", "sold_as": "layer", "price": 18}],
        decisions=[
            {"on": "2025-10-10", "bird": "a", "decided": "keep", "who": "Ann", "why": "her dam"},
            {"on": "2025-10-10", "bird": "b", "decided": "sell", "settled": "yes"},
            {"on": "2024-10-10", "bird": "d", "decided": "keep"},
        ],
    )  # fmt: skip


def test_bird_by_bird_what_a_meeting_gave_and_what_came_of_it() -> None:
    flock = lived_on()
    merit: Any = SimpleNamespace(pedigree=parentage(flock).pedigree)
    held = {date(2025, 10, 10): meeting(["a", "b", "c"], [1.0, 0.0, -1.0], 1, [0.6, 0.3, 0.1])}
    came = what_came(flock, held, merit).set_index("bird")
    assert came.index.tolist() == ["a", "b", "c"]
    a, b, c = (came.loc[bird] for bird in "abc")
    assert (a["p_best"], a["stood"], a["decided"], a["who"], a["why"]) == (
        0.6,
        "keep",
        "keep",
        "Ann",
        "her dam",
    )
    assert (a["looks"], a["points"]) == (2, 60)  # of the sums since, the one that has every section
    assert a["chicks"] == 1 and a["chicks_expected"] == pytest.approx(0.5, abs=0.01)  # she or d
    assert (a["eggs"], a["laid"]) == (1, "own") and a["alive"]
    assert (b["settled"], b["sold_as"], b["price"]) == ("yes", "layer", 18) and not b["alive"]
    assert np.isnan(b["looks"]) and pd.isna(c["decided"]) and c["chicks"] == 1


def test_without_a_kept_meeting_the_last_seasons_decisions_are_looked_back_on() -> None:
    flock = lived_on()
    merit: Any = SimpleNamespace(pedigree=parentage(flock).pedigree)
    came = what_came(flock, {}, merit)
    assert came["bird"].tolist() == ["a", "b"] and came["p_best"].isna().all()
    none = replace(flock, decisions=flock.decisions.head(0))
    assert what_came(none, {}, merit).empty
    page = review_pages.bird_by_bird(SimpleNamespace(came=came), flock)  # type: ignore[arg-type]
    assert "keep by Ann: her dam" in page and "sell, settled as proposed" in page
    assert "Sold as layer for 18.00 on 1 November 2025." in page
    assert "about 0.5 of 1 chick its own; 1 egg, her own; here." in page
