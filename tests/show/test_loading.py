"""What a kernel loads unasked, tried in an interpreter that has loaded nothing."""

from __future__ import annotations

import subprocess
import sys

TRIED = """
import sys, threading
from selection.show.loading import LATER, load
assert not {"selection.show.meeting", *LATER} & sys.modules.keys()
load()
assert "selection.show.meeting" in sys.modules
[thread.join() for thread in threading.enumerate() if thread.daemon]
assert {*LATER} <= sys.modules.keys()
"""


def test_pages_are_loaded_at_once_and_what_they_need_later_beside_the_first_work():
    done = subprocess.run([sys.executable, "-c", TRIED], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
