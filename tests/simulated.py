"""How tests reach the generator of invented holdings, which lies beside the package and is not part of it.

`from tests.simulated import simulate` works wherever pytest is started: `tests` is a package, so pytest puts
the project's root, where `demo/` is, on the path.
"""

from __future__ import annotations

from demo.history import Options
from demo.holding import Holding, simulate

__all__ = ["Holding", "Options", "simulate"]
