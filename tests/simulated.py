"""How tests reach the generator of invented holdings: `demo/` lies beside the package, outside it."""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from demo.holding import Holding, simulate  # noqa: E402
from demo.years import Options  # noqa: E402

__all__ = ["ROOT", "Holding", "Options", "simulate"]
