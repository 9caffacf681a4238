"""The commands that tell of birds, as their user meets them."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pandas as pd
import pytest
from PIL import Image

from selection.__main__ import main
from selection.records.intake.recording import record
from tests.records import small


@pytest.fixture
def flock(tmp_path: Path) -> Path:
    """The small holding's flock."""
    return small.flock(tmp_path)


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
    assert status == 2 and "26-01 (green, red); 26-02 (green, blue)" in told and "hatched" not in told


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


def test_buyer_writes_a_page_a_bird_that_says_what_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    forms, out = small.forms(), tmp_path / "sheets.html"
    forms["scores"][0]["faults"] = "wry tail"
    plan = f'{small.PLAN}[holding]\nname = "Marsh <End>"\ncontact = "by the gate"\n'
    assert record(tmp_path / "flock", small.write(tmp_path / "forms", forms, plan=plan)).status == 0
    (tmp_path / "flock" / "photos").mkdir()
    Image.new("RGB", (300, 200)).save(tmp_path / "flock" / "photos" / "26-01.jpg")
    (tmp_path / "flock" / "photos" / "26-02.jpg").write_text("<svg/>")
    arguments = [
        "buyer",
        str(tmp_path / "flock"),
        "26-01",
        "green blue",
        "--out",
        str(out),
        "--to",
        "A. <b>Buyer</b>",
    ]
    assert main(arguments) == 0
    told = capsys.readouterr()
    assert f"written: {out}" in told.out and "photo left out: 26-02.jpg: not a picture" in told.err
    page = out.read_text(encoding="utf-8")
    assert page.count("<section") == 2 and page.count("<img") == 1 and "<b>" not in page
    said = unescape(re.sub(r"\s+", " ", re.sub("<[^>]*>", " ", page)))
    for words in (
        "26-01: wry tail (seen by Ann, 1 September 2026)", "cockerel; hatched 18 April 2026", "left green",
        "right blue",
        "sire: 24-C1 (2024)", "dam: one of 2 (24-H1 50 %, 24-H2 50 %)", "Sold with 26-02 (green, blue).",
            "Buyer: A. <b>Buyer</b>",
        "Seller: Marsh <End>, by the gate", "no certificate of any society", "The bird's own inbreeding is 0.000",
        "how its dam's group laid: not counted" if not forms["eggs"] else "Eggs of its dam's group",
        "26-01 (green, red) × 26-02 (green, blue): expected inbreeding of their chicks 0.18",
    ):  # fmt: skip
        assert words in said, words


def test_buyer_names_every_bird_it_does_not_find_and_writes_nothing(
    flock: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["buyer", str(flock), "26-01", "ghost", "--out", str(tmp_path / "x.html")]) == 2
    assert "“ghost” is no bird's number" in capsys.readouterr().err and not (tmp_path / "x.html").exists()
