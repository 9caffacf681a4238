"""What all tests share."""

from __future__ import annotations

from hypothesis import settings

# machines differ in speed: property tests are bounded by their number of examples, never by the clock
settings.register_profile("project", deadline=None, max_examples=60)
settings.load_profile("project")
