"""The commands that tell of birds, as their user meets them."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from selection.__main__ import main
from selection.records.intake.recording import record
from tests.records import small


@pytest.fixture
def flock(tmp_path: Path) -> Path:
    """The small holding's flock."""
    assert record(tmp_path / "flock", small.write(tmp_path / "forms", small.forms())).status == 0
    return tmp_path / "flock"


def test_an_export_has_the_pedigree_beside_the_forms(
    flock: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["export", str(flock), "--out", str(tmp_path / "out")]) == 0
    table = pd.read_csv(tmp_path / "out" / "pedigree.csv", dtype=str, keep_default_na=False)
    assert list(table.columns) == ["bird", "sex", "hatched", "F", "sires", "dams"]
    rows = table.set_index("bird")
    assert rows.index.tolist() == [row["bird"] for row in small.forms()["birds"]]
    assert rows.loc["26-01", ["hatched", "sires"]].tolist() == ["2026-04-18", "24-C1:1"]
    dams = dict(part.rsplit(":", 1) for part in rows.loc["26-01", "dams"].split(";"))
    assert {dam: float(share) for dam, share in dams.items()} == pytest.approx(
        {"24-H1": 0.5, "24-H2": 0.5}, abs=0.01
    )
    assert rows.loc["24-C1", ["hatched", "sires", "dams"]].tolist() == ["2024", "", ""]
    assert rows.loc["26-03", "sires"].startswith("unseen cock of Fenwick")
    assert main(["record", str(tmp_path / "again"), str(tmp_path / "out")]) == 0  # the pedigree is no form
    assert "pedigree" not in capsys.readouterr().err


def test_an_export_without_a_plan_gives_the_forms_all_the_same(
    flock: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (flock / "plan.toml").unlink()
    assert main(["export", str(flock), "--out", str(tmp_path / "out")]) == 1
    assert "pedigree.csv is not written: " in capsys.readouterr().err
    assert (tmp_path / "out" / "birds.csv").is_file() and not (tmp_path / "out" / "pedigree.csv").exists()


def who(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    status = main(["who", *arguments])
    told = capsys.readouterr()
    return status, told.out + told.err


@pytest.mark.parametrize("said", ["26-01", " 26-01 ", "green red", "green/red", "Red"])
def test_who_finds_a_bird_by_number_or_colours(
    flock: Path, capsys: pytest.CaptureFixture[str], said: str
) -> None:
    status, told = who(capsys, str(flock), said, "--on", "2026-10-10")
    assert status == 0 and told.startswith("26-01: cockerel, hatched 18 April 2026")
    assert "type 30 of 40" in told and "1 September 2026, at 19 weeks: 2,900 g" in told


def test_several_birds_are_all_named_and_none_is_told(
    flock: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, told = who(capsys, str(flock), "green", "--on", "2026-10-10")
    assert status == 2 and "26-01, 26-02" in told and "hatched" not in told


def test_colours_that_fit_nobody_say_who_wore_them_last_and_who_wears_the_nearest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    forms = small.forms()
    forms["rings"] += [
        {"bird": "24-H2", "leg": leg, "colour": colour, "fitted_on": "2025-01-01"}
        for leg, colour in (("left", "blue"), ("right", "green"))
    ]
    assert record(tmp_path / "flock", small.write(tmp_path / "forms", forms)).status == 0
    status, told = who(capsys, str(tmp_path / "flock"), "blue green", "--on", "2026-10-10")
    assert status == 2
    assert "worn last by 24-H2, until 2026-08-01" in told  # the day she died she still wore them
    assert "nearest now: 26-02 (left green, right blue)" in told  # the other way round
    status, told = who(capsys, str(tmp_path / "flock"), "white blue", "--on", "2026-10-10")
    assert status == 2 and "worn last" not in told
    assert "nearest now: 26-02 (left green, right blue), 26-03 (left white, right red/white)" in told
    assert who(capsys, str(tmp_path / "flock"), "blue green", "--on", "2026-07-01")[0] == 0


def test_who_on_a_day_knows_nothing_later(flock: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, told = who(capsys, str(flock), "26-01", "--on", "2026-06-02")
    assert status == 0 and "no judge has seen it" in told and "never weighed" in told
    status, told = who(capsys, str(flock), "26-01", "--on", "2026-01-02")
    assert status == 2 and "no bird's number" in told


def test_who_writes_a_page(flock: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (flock / "photos").mkdir()
    (flock / "photos" / "26-01.jpg").write_text("no picture")
    page = tmp_path / "bird.html"
    status, told = who(capsys, str(flock), "26-01", "--on", "2026-10-10", "--out", str(page))
    assert status == 0 and f"written: {page}" in told and "photo left out: 26-01.jpg: not a picture" in told
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    status, told = who(
        capsys, str(flock), "26-01", "--on", "2026-10-10", "--out", str(tmp_path / "no" / "x.html")
    )
    assert status == 0 and (tmp_path / "no" / "x.html").is_file()
