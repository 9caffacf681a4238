"""Rewrite demo/forms/: `python demo/make.py`. The same forms every time, byte for byte."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from demo.breed import plan_toml  # noqa: E402 — the demo is a folder beside the package, not part of it
from demo.holding import simulate  # noqa: E402
from selection.records.settings.plan import Offer, SpringPlan  # noqa: E402

SEED = 34
UNSEEN = 0.08
"""Share of birds with a section that nobody ever scored, so that the pack has such cases to show."""
SPRING = SpringPlan(
    choose_from={"cockerels": 4, "pullets": 10},
    sure=0.9,
    offers=(
        Offer("Correl Bank/upper", 3.0, 12, cocks=2, hens=6),
        Offer("Oat Hollow", 2.4, 24),
        Offer("Pell Green", 2.0, 18),
    ),
)
"""What next spring is to give, and whose eggs are to be had: two suppliers of earlier springs, and one never tried."""


def main(folder: Path = ROOT / "demo" / "forms") -> None:
    """Write the demo holding's forms and settings into `folder`."""
    holding = simulate(SEED, unseen=UNSEEN)
    plan = replace(holding.plan, spring=SPRING)
    replace(holding, plan=plan, plan_toml=plan_toml(plan)).write(folder)


if __name__ == "__main__":
    main()
