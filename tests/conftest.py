"""What all tests share."""

from __future__ import annotations

import os

from hypothesis import settings

# before numpy is loaded: what is tested is small, and two files are tested at once
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# machines differ in speed: property tests are bounded by their number of examples, never by the clock
settings.register_profile("project", deadline=None, max_examples=60)
settings.load_profile("project")
