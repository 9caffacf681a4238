"""A small holding's meeting, held once for all the tests of what people look at."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

from demo.holding import Holding
from selection.decide.meeting import Meeting, hold
from selection.records.flock import read_flock
from selection.records.intake.recording import record
from selection.show.pack import hold_meeting
from tests.simulated import simulate

SEED = 11


@cache
def holding() -> Holding:
    """Three seasons of an invented holding."""
    return simulate(SEED, seasons=3)


@cache
def flock_path() -> Path:
    """Its flock on disk, in a folder that goes when the tests end. Nobody records in it."""
    folder = Path(tempfile.mkdtemp(prefix="selection-tests-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    forms = folder / "forms"
    holding().write(forms)
    outcome = record(folder / "flock", forms)
    assert outcome.status == 0, outcome.words()
    return folder / "flock"


@cache
def meeting() -> Meeting:
    """Its meeting."""
    return hold(read_flock(flock_path()))


@cache
def pack_folder() -> Path:
    """What the command leaves of its meeting: meeting.html and the tables."""
    out = flock_path().parent / "pack"
    hold_meeting(flock_path(), out)
    return out
