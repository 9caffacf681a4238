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
    assert rows.loc["26-01", ["hatched", "sires", "dams"]].tolist() == [
        "2026-04-18", "24-C1:1", "24-H1:0.5;24-H2:0.5",
    ]  # fmt: skip
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
