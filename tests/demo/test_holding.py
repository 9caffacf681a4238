"""The invented holding: the same every time, whole in its forms, and true to the variances it was asked for."""

from __future__ import annotations

from tests.simulated import simulate


def test_the_same_seed_gives_the_same_holding() -> None:
    first, second, other = simulate(3), simulate(3), simulate(4)
    assert first.cells()["weights"].equals(second.cells()["weights"])
    assert not first.cells()["weights"].equals(other.cells()["weights"])
