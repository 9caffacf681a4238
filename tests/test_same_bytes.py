"""The same bytes in every table, whatever the machine: threads, hash seed, locale, time zone."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.test_strange import plain

HOLD = """
import sys
from pathlib import Path
from selection.decide.meeting import hold, write_tables
from selection.records.flock import read_flock
from selection.records.intake.recording import record
forms, folder = Path(sys.argv[1]), Path(sys.argv[2])
assert record(folder / "flock", forms).status == 0
write_tables(hold(read_flock(folder / "flock")), folder / "out")
"""
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def tables(forms: Path, folder: Path, threads: str, **environment: str) -> dict[str, bytes]:
    """The tables of a meeting recorded and held in a process of its own, by file name."""
    paths = {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    whole = {**os.environ, **paths, **dict.fromkeys(THREADS, threads), **environment}
    folder.mkdir()
    subprocess.run([sys.executable, "-c", HOLD, str(forms), str(folder)], env=whole, check=True)
    return {path.name: path.read_bytes() for path in (folder / "out").glob("*.csv")}


@pytest.mark.slow
def test_threads_hash_seed_locale_and_time_zone_change_no_byte(tmp_path: Path) -> None:
    forms = plain().write(tmp_path / "forms")
    one = tables(forms, tmp_path / "a", "1", PYTHONHASHSEED="0", LC_ALL="C", TZ="UTC")
    many = tables(forms, tmp_path / "b", "8", PYTHONHASHSEED="7", LC_ALL="C.UTF-8", TZ="Pacific/Kiritimati")
    assert len(one) == 10
    assert many == one
