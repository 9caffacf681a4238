"""What the kernel of a meeting loads unasked: the pages at once, and beside its first work what it needs last."""

from __future__ import annotations

import importlib
import os
import shutil
import threading
import time

LATER = ("statsmodels.regression.linear_model", "matplotlib.pyplot")
"""Slow to load, and wanted only when the prices are fitted and the pages drawn."""


def load_pages(folder: str | None = None) -> None:
    """Load the pages, and begin to load what is wanted later: the kernel waits a while for its first cell.

    `folder` is the kernel's own, where its sockets lie: should the program that started the kernel be killed, the
    folder is removed and the kernel ends.
    """
    if folder is not None and os.name == "posix":
        threading.Thread(target=_watch, args=(folder,), daemon=True).start()
    importlib.import_module("selection.show.meeting")
    threading.Thread(target=_load_later, daemon=True).start()


def _load_later() -> None:
    for name in LATER:
        importlib.import_module(name)


def _watch(folder: str) -> None:
    """Wait until the program that started this kernel is gone, then clear up after it and end."""
    starter = int(os.environ.get("JPY_PARENT_PID", os.getppid()))
    while os.getppid() == starter:
        time.sleep(0.2)
    shutil.rmtree(folder, ignore_errors=True)
    os._exit(1)
