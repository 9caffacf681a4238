"""How the strings of a flock's frames are kept."""

from __future__ import annotations

import pandas as pd

small_frames = pd.option_context("mode.string_storage", "python")
"""Decorator of what makes frames: their strings are Python's own.

A flock has hundreds of rows and its frames are cut and joined thousands of times: each call to Arrow costs more than
it could save. The values are the same.
"""
