"""What the kernel of a meeting loads unasked: the pages at once, and beside its first work what it needs last."""

from __future__ import annotations

import importlib
import threading

LATER = ("statsmodels.regression.linear_model", "matplotlib.pyplot")
"""Slow to load, and wanted only when the prices are fitted and the pages drawn."""


def load() -> None:
    """Load the pages, and begin to load what is wanted later: the kernel waits a while for its first cell."""
    importlib.import_module("selection.show.meeting")
    threading.Thread(target=_load_later, daemon=True).start()


def _load_later() -> None:
    for name in LATER:
        importlib.import_module(name)
