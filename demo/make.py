"""Rewrite demo/forms/: `python demo/make.py`. The same forms every time, byte for byte."""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from demo.holding import simulate  # noqa: E402 — the demo is a folder beside the package, not part of it

SEED = 34
UNSEEN = 0.08
"""Share of birds with a section that nobody ever scored, so that the pack has such cases to show."""


def main(folder: Path = ROOT / "demo" / "forms") -> None:
    """Write the demo holding's forms and settings into `folder`."""
    simulate(SEED, unseen=UNSEEN).write(folder)


if __name__ == "__main__":
    main()
