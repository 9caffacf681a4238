"""Strange holdings, many of them: every one gets its meeting, or is refused in words before it.

Run from the top of the checkout: `python -m tests.benchmarks.strange_holdings 500 [first seed]`.
"""

from __future__ import annotations

import sys
import tempfile
import warnings
from collections import Counter
from pathlib import Path

from selection.decide.meeting import hold, write_tables
from selection.errors import SelectionError
from selection.records.flock import read_flock
from selection.records.intake.recording import record
from tests.invariants import faults_of
from tests.strange import strange


def outcome(seed: int) -> str:
    """`held`, `refused`, or what went wrong."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        try:
            recorded = record(root / "flock", strange(seed).write(root / "forms"))
            if recorded.status == 2:
                return "refused"
            meeting = hold(read_flock(root / "flock"))
            write_tables(meeting, root / "out")
            return "; ".join(faults_of(meeting, root / "out")) or "held"
        except SelectionError as error:
            return f"a refusal only at the meeting: {error}"
        except Exception as error:
            return f"{type(error).__name__}: {error}"


def main() -> None:
    """Print how many were held and refused, and every one that went wrong."""
    count, first = (int(word) for word in [*sys.argv[1:], "500", "0"][:2])
    if len(sys.argv) == 2:
        first = 0
    told: Counter[str] = Counter()
    for seed in range(first, first + count):
        found = outcome(seed)
        told[found if found in ("held", "refused") else "went wrong"] += 1
        if found not in ("held", "refused"):
            print(f"seed {seed}: {found}", flush=True)
    print(f"of {count} strange holdings: {dict(told)}")


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    main()
