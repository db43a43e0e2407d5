"""Intervals of what is found after the cut."""

import numpy as np

from glademark.comparison.findings import _limits, _Sum


def test_a_chance_a_hair_above_one_is_certain() -> None:
    """Sums of chances end a rounding error above 1; an interval is never wider, or lost, by it."""
    chance = np.array([1 + 1e-12, 1 - 2e-12])
    found = _Sum(side="stump", chance=chance, variance=0.0, covariance=0.0, third=0.0)

    assert _limits(found, np.array([1.0, 0.0]), open_rates=0.0, z=1.645) == (0.0, 0.0)
