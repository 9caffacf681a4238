"""How the years ahead cost: time and memory for more and more runs of a real-sized flock.

Run as `python -m tests.benchmarks.bench_years`. Prints seconds, the ratio to the first row, and the peak of
memory taken while it ran: time should grow with the runs, memory should not.
"""

from __future__ import annotations

import time
import tracemalloc

from demo.holding import simulate
from selection.decide.verdicts.verdicts import propose
from selection.decide.years.years import years_ahead
from selection.merit.ranking import rank

RUNS = (250, 500, 1_000, 2_000)


def main() -> None:
    """Rank the demo's kind of holding once, then follow five policies for ten years."""
    flock = simulate(3).flock()
    merit = rank(flock)
    verdicts = propose(flock, merit)
    print(
        f"{len(flock.birds)} birds on record, {len(merit.pedigree.birds)} in the pedigree; 5 policies, 10 years"
    )
    print(f"{'runs':>6} {'seconds':>8} {'ratio':>6} {'peak MB':>8}")
    first = 0.0
    for runs in RUNS:
        begin = time.perf_counter()
        years_ahead(flock, merit, verdicts, runs=runs)
        seconds = time.perf_counter() - begin
        first = first or seconds
        tracemalloc.start()
        years_ahead(flock, merit, verdicts, runs=runs)
        peak = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        print(f"{runs:>6} {seconds:>8.2f} {seconds / first:>6.2f} {peak:>8.0f}")


if __name__ == "__main__":
    main()
