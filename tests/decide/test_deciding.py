"""Recording a decision: who and why, once a day, and never for a bird that is not there."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from selection.decide.deciding import decide
from selection.decide.verdicts.verdicts import propose
from selection.errors import RecordsError
from selection.merit.ranking import rank
from selection.records.after_meeting import season_decisions
from selection.records.flock import read_flock
from selection.records.intake.recording import record
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
