"""Recording a decision: who and why, once a day, and never for a bird that is not there."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import date
from multiprocessing import get_context
from pathlib import Path

import pandas as pd
import pytest

from selection.__main__ import main
from selection.decide import settling
from selection.decide.settling import decide, settle, undo, unsettle
from selection.decide.verdicts.verdicts import decision_words, propose
from selection.errors import RecordsError
from selection.merit.ranking import rank
from selection.records.after_meeting import season_decisions
from selection.records.flock import read_flock
from selection.records.intake.recording import record, record_rows
from selection.records.ledger.batches import read_state
from selection.records.ledger.kept import keep_meeting, read_settings, what_is_read
from tests.simulated import simulate


@pytest.fixture(scope="module")
def holding(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("deciding")
    simulate(5, seasons=2, bought_in=1, home_bred=2, hens=5, new_pullets=3, weighings=2).write(
        folder / "forms"
    )
    assert record(folder / "flock", folder / "forms").status == 0
    return folder / "flock"


def last_decision(path: Path, bird: str) -> tuple[str, str]:
    rows = read_flock(path).decisions
    row = rows[rows["bird"] == bird].iloc[-1]
    return row["decided"], ": ".join(part for part in row[["who", "why"]] if isinstance(part, str))


def test_who_stands_before_why_and_a_later_word_of_the_day_replaces_it(holding: Path) -> None:
    flock = read_flock(holding)
    bird = propose(flock, rank(flock)).table.query("group == 'pullets'")["bird"].iloc[0]
    before = len(flock.decisions)
    assert decide(holding, bird, "sell", who="Ann", why=" too tall ").status == 0
    assert last_decision(holding, bird) == ("sell", "Ann: too tall")
    assert decide(holding, bird, "keep", why="her dam laid all winter").status == 0
    assert last_decision(holding, bird) == ("keep", "her dam laid all winter")
    assert decide(holding, bird, "keep", who="Bob").status == 0
    assert last_decision(holding, bird)[1] == "Bob"
    assert len(read_flock(holding).decisions) == before + 1


def test_an_overruling_is_solved_around_with_as_many_kept_as_planned(holding: Path) -> None:
    flock = read_flock(holding)
    merit = rank(flock)
    table = propose(flock, merit).table.set_index("bird")
    pullets = table[table["group"] == "pullets"]
    out = pullets.index[(pullets["stands"] == "keep") & pullets["decided"].isna()][0]
    assert decide(holding, out, "sell", who="Ann", why="split wing").status == 0
    after = propose(read_flock(holding), merit).table.set_index("bird")
    after = after[after["group"] == "pullets"]
    assert after.loc[out, "stands"] == "sell"
    assert after.loc[out, "decided_why"] == "Ann: split wing"
    assert (after["stands"] == "keep").sum() == (pullets["stands"] == "keep").sum()


def test_a_decision_of_a_meeting_in_the_winter_after_counts_for_its_season(holding: Path) -> None:
    flock = read_flock(holding)
    winter = replace(flock.plan, on=date(flock.plan.season + 1, 1, 9))
    bird = propose(flock, rank(flock)).table.query("group == 'pullets' and stands == 'sell'")["bird"].iloc[-1]
    assert decide(holding, bird, "keep", why="her dam", on=winter.on).status == 0
    after = season_decisions(read_flock(holding, winter)).set_index("bird")
    assert after.loc[bird, "decided"] == "keep"
    spring = replace(winter, on=date(flock.plan.season + 1, 3, 1), season=flock.plan.season + 1)
    # on 1 March the new season's plan has left last autumn's decisions behind
    assert set(season_decisions(read_flock(holding, spring))["on"].dt.year) <= {spring.season}
    assert season_decisions(flock).set_index("bird")["decided"].get(bird) != "keep"


def test_a_bird_not_on_record_is_refused_in_words(holding: Path) -> None:
    with pytest.raises(RecordsError, match="no-such-bird"):
        decide(holding, "no-such-bird", "keep")
    bird = read_flock(holding).birds["bird"].iloc[0]
    refused = decide(holding, bird, "eat")
    assert refused.status == 1 and "one of keep, reserve, sell" in refused.words()
    assert "see refused" not in refused.words() and not (holding / "refused").exists()


STANDARD = """breed = "Invented fowl"
[[section]]
name = "type"
points = 60
[[section]]
name = "head"
points = 40
"""
PLAN = "on = 2026-10-10\nseason = 2026\n[keep]\ncockerels = { number = 1 }\n"
BIRDS = """bird,sex,hatched_on,name
1,male,2026-04-01,Brock
2,male,2026-04-01,
3,female,2026-04-01,
4,female,2024,Bramble
"""
STANDS = {"1": "keep", "2": "sell", "3": "sell", "4": "open"}


def write(folder: Path, **texts: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / name.replace("_", ".")).write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def small(tmp_path: Path) -> Path:
    forms = write(tmp_path / "forms", standard_toml=STANDARD, plan_toml=PLAN, birds_csv=BIRDS)
    assert record(tmp_path / "flock", forms).status == 0
    return tmp_path / "flock"


def hold(path: Path, stands: dict[str, str] = STANDS, on: date = date(2026, 10, 10)) -> None:
    """Keep a meeting with the flock, as holding one does, without working it out."""
    table = pd.DataFrame({"bird": list(stands), "stands": list(stands.values())}, dtype="str")
    keep_meeting(path, on, {"flock": table, "read": what_is_read(path, read_settings(path))})


def on_record(path: Path) -> dict[str, tuple[str, str, bool]]:
    rows = season_decisions(read_flock(path))
    return {r.bird: (r.decided, f"{r.on:%Y-%m-%d}", r.settled == "yes") for r in rows.itertuples()}


def test_settling_records_what_stands_as_of_the_meetings_day_and_only_once(small: Path) -> None:
    assert settle(small).status == 2 and "no meeting was held" in settle(small).words()
    decide(small, "2", "keep", who="Ann", on="2026-10-01")
    hold(small, {**STANDS, "2": "keep"})
    done = settle(small, who="Bob")
    assert done.status == 0 and list(done.rows["bird"]) == ["1", "3"]
    assert on_record(small) == {
        "1": ("keep", "2026-10-10", True), "2": ("keep", "2026-10-01", False), "3": ("sell", "2026-10-10", True),
    }  # fmt: skip
    assert set(read_flock(small).decisions["who"].dropna()) == {"Ann", "Bob"}
    before = read_state(small / "records").number
    assert settle(small).rows.empty and settle(small).status == 0
    assert read_state(small / "records").number == before


def test_settling_is_taken_back_but_no_decision_of_a_persons(small: Path) -> None:
    hold(small)
    settle(small)
    decide(small, "3", "keep", who="Ann", why="a promise")
    assert unsettle(small).rows["bird"].tolist() == ["1", "2"]
    assert on_record(small) == {"3": ("keep", "2026-10-10", False)}
    assert unsettle(small).rows.empty and unsettle(small).status == 0


def test_taken_back_settling_can_be_settled_again(small: Path) -> None:
    hold(small)
    settle(small)
    unsettle(small)
    assert on_record(small) == {} and settle(small).status == 0
    assert {bird: said[0] for bird, said in on_record(small).items()} == {
        "1": "keep",
        "2": "sell",
        "3": "sell",
    }


def test_a_settled_bird_says_what_was_proposed_and_one_settled_before_is_not_quoted_again(
    small: Path,
) -> None:
    flock = pd.DataFrame(
        {"bird": ["1", "2"], "stands": ["keep", "sell"], "why": ["ranked 1 of 2", "ranked 2 of 2"]}
    )
    verdicts = pd.DataFrame({"bird": ["1", "2"], "decided": [None, "sell"]})
    read = what_is_read(small, read_settings(small))
    keep_meeting(small, date(2026, 10, 10), {"flock": flock, "verdicts": verdicts, "read": read})
    assert "keep: 1 Brock" in settle(small, who="Ann").words()
    made = season_decisions(read_flock(small)).set_index("bird")
    assert made.loc["1", "why"] == "Ann: ranked 1 of 2" and made.loc["2", "why"] == "Ann"
    told = made.rename(columns={"why": "decided_why", "on": "decided_on"})
    assert decision_words(told.loc["1"]) == "settled as proposed on 2026-10-10: keep (Ann: ranked 1 of 2)"
    bare = told.loc["1"].copy()
    bare["settled"], bare["decided_why"] = None, None
    assert decision_words(bare) == "decided by the meeting: keep (no reason given)"


LOOK = "on,judge,bird,type,head\n{},Ann,1,50,30\n"
CHANGES = {
    "a look of the day": {"scores_csv": LOOK.format("2026-10-10")},
    "a bird": {"birds_csv": "bird,sex,hatched_on\n5,female,2026-04-01\n"},
    "a death before the day": {"birds_csv": "bird,sex,gone_on,gone_why\n3,female,2026-10-09,died\n"},
    "a bill": {"costs_csv": "on,item,amount\n2026-06-01,feed,20\n"},
    "the plan": {"plan_toml": PLAN.replace("number = 1", "number = 2")},
    "the standard": {"standard_toml": STANDARD.replace("60", "70").replace("40", "30")},
}


@pytest.mark.parametrize("what", CHANGES)
def test_a_meeting_is_refused_that_what_it_read_has_left_behind(
    small: Path, tmp_path: Path, what: str
) -> None:
    hold(small)
    assert record(small, write(tmp_path / "more", **CHANGES[what]), today=date(2026, 10, 11)).status == 0
    done = settle(small)
    assert done.status == 2 and on_record(small) == {}
    name = next(iter(CHANGES[what])).replace("_toml", ".toml").removesuffix("_csv")
    assert name in done.words() and "hold the meeting again" in done.words()


def test_a_persons_decision_of_the_season_makes_a_meeting_stale_and_its_undoing_mends_it(small: Path) -> None:
    hold(small)
    decide(small, "4", "sell", who="Ann")
    assert settle(small).status == 2 and "decisions, new: 2026-10-10 4" in settle(small).words()
    undo(small, "4")
    assert settle(small).status == 0


def test_rows_of_later_days_and_comments_in_the_settings_do_not_count(small: Path, tmp_path: Path) -> None:
    hold(small)
    later = write(
        tmp_path / "later",
        scores_csv=LOOK.format("2026-10-11"),
        birds_csv="bird,sex,gone_on,gone_why\n2,male,2026-10-12,sold\n",
        plan_toml=f"# the autumn's\n{PLAN}",
    )
    assert record(small, later, today=date(2026, 10, 12)).status == 0
    assert settle(small).status == 0 and len(on_record(small)) == 3


def test_a_meeting_kept_without_what_it_read_is_not_settled(small: Path) -> None:
    keep_meeting(small, date(2026, 10, 10), {"ranking": pd.DataFrame({"bird": ["1"]}, dtype="str")})
    assert settle(small).status == 2 and "earlier version" in settle(small).words()


def test_only_a_meeting_of_the_day_asked_for_is_settled(small: Path) -> None:
    hold(small)
    assert settle(small, on="2026-10-09").status == 2
    assert settle(small, on="2026-10-10").status == 0


def test_undoing_takes_back_the_last_decision_and_the_one_before_it_stands_again(small: Path) -> None:
    assert undo(small, "1").status == 0 and "none to take back" in undo(small, "1").words()
    for day, word, who in (
        ("2026-09-01", "sell", "Ann"),
        ("2026-10-10", "reserve", "Ann"),
        ("2026-10-10", "keep", "Bob"),
    ):
        decide(small, "brock", word, who=who, on=day)
    said = []
    for _ in range(4):
        undo(small, "Brock")
        said.append(on_record(small).get("1", ("", ""))[:2])
    assert said == [("reserve", "2026-10-10"), ("sell", "2026-09-01"), ("", ""), ("", "")]


def test_a_decision_taken_back_does_not_come_back_by_another_undoing(small: Path) -> None:
    for word in ("keep", "sell"):
        decide(small, "1", word)
    undo(small, "1")
    decide(small, "1", "sell", who="Ann")
    undo(small, "1")
    assert on_record(small)["1"][0] == "keep"
    undo(small, "1")
    assert on_record(small) == {}


def test_a_settled_bird_overruled_stands_settled_again_when_that_is_undone(small: Path) -> None:
    hold(small)
    settle(small)
    decide(small, "2", "keep", who="Ann")
    assert on_record(small)["2"] == ("keep", "2026-10-10", False)
    undo(small, "2")
    assert on_record(small)["2"] == ("sell", "2026-10-10", True) and settle(small).status == 0
    undo(small, "2")
    assert "2" not in on_record(small) and len(on_record(small)) == 2


def test_the_catch_list_follows_what_is_taken_back_and_the_settled_others_are_said(
    small: Path, capsys
) -> None:
    """Nobody is caught by a list that names a bird which no longer goes."""
    hold(small)
    assert main(["settle", str(small)]) == 0
    listed = small / "forms" / "catch-list.html"
    goes = [bird for bird, made in on_record(small).items() if made[0] == "sell"]
    assert goes and all(f">{bird}</th>" in listed.read_text(encoding="utf-8") for bird in goes)
    capsys.readouterr()
    for number, bird in enumerate(goes, 1):
        assert main(["decide", str(small), bird, "--undo"]) == 0
        assert "the other birds stay as they were settled" in capsys.readouterr().out
        if number < len(goes):
            assert f">{bird}</th>" not in listed.read_text(encoding="utf-8")
    assert not listed.exists()
    assert main(["decide", str(small), goes[0], "--undo"]) == 0
    assert "none to take back" in capsys.readouterr().out and not listed.exists()


def _looks(path: Path) -> None:
    for day in range(11, 14):
        row = {"on": date(2026, 10, day), "judge": "Ann", "bird": "1", "type": 50, "head": 30}
        assert record_rows(path, "scores", [row]).status == 0


def _decisions(path: Path) -> None:
    for day in range(11, 14):
        assert decide(path, "4", "keep", who="Bob", on=date(2026, 10, day)).status == 0


def _settled_often(path: Path) -> None:
    for _ in range(2):
        settle(path, who="Cid")
        unsettle(path)


@pytest.mark.slow
def test_nothing_is_lost_while_three_processes_look_decide_and_settle_at_once(small: Path) -> None:
    hold(small)
    with ProcessPoolExecutor(3, get_context("fork")) as pool:
        for done in [pool.submit(work, small) for work in (_looks, _decisions, _settled_often)]:
            done.result()
    flock = read_flock(small, replace(read_flock(small).plan, on=date(2026, 10, 20)))
    assert sorted(flock.scores["on"].dt.day) == list(range(11, 14))
    made = flock.decisions[flock.decisions["bird"] == "4"]
    assert sorted(made["on"].dt.day) == list(range(11, 14)) and set(made["who"]) == {"Bob"}
    assert on_record(small) == {} and settle(small).status == 0 and set(on_record(small)) == {"1", "2", "3"}


@pytest.mark.parametrize("meanwhile", ["a look", "a decision"])
def test_what_is_recorded_in_the_midst_of_settling_is_looked_at_before_anything_is_written(
    small: Path, monkeypatch, meanwhile: str
) -> None:
    hold(small)
    stale = settling._stale

    def recorded_after(path: Path, *rest) -> str | None:
        said = stale(path, *rest)
        monkeypatch.setattr(settling, "_stale", stale)
        if meanwhile == "a look":
            row = {"on": date(2026, 10, 10), "judge": "Ann", "bird": "1", "type": 50, "head": 30}
            assert record_rows(path, "scores", [row]).status == 0
        else:
            assert decide(path, "3", "keep", who="Ann").status == 0
        return said

    monkeypatch.setattr(settling, "_stale", recorded_after)
    assert settle(small).status == 2
    assert on_record(small) == ({} if meanwhile == "a look" else {"3": ("keep", "2026-10-10", False)})


def test_a_person_who_decides_in_the_midst_of_unsettling_keeps_the_last_word(
    small: Path, monkeypatch
) -> None:
    hold(small)
    settle(small)
    of_season = settling.of_season

    def decided_after(flock):
        made = of_season(flock)
        monkeypatch.setattr(settling, "of_season", of_season)
        assert decide(small, "3", "keep", who="Ann").status == 0
        return made

    monkeypatch.setattr(settling, "of_season", decided_after)
    assert sorted(unsettle(small).rows["bird"]) == ["1", "2"]
    assert on_record(small) == {"3": ("keep", "2026-10-10", False)}
