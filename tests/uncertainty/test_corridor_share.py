"""The corridors' share with the error of their lines."""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from glademark.uncertainty.errors import line_shifts
from glademark.uncertainty.zone_chances import share_draws

STAND = shapely.box(0, 0, 200, 200)


def lines(vertices: np.ndarray) -> gpd.GeoDataFrame:
    """One line of 4 m."""
    return gpd.GeoDataFrame({"width_m": [4.0]}, geometry=[shapely.LineString(vertices)])


def test_noise_on_vertices_does_not_bias_the_share() -> None:
    """Recorded lines are longer than true ones; on average the drawn share is the true one."""
    rng = np.random.default_rng(1)
    true = np.column_stack([np.full(6, 100.0), np.linspace(10, 190, 6)])
    share = 180 * 4 / STAND.area
    recorded, drawn = [], []
    for _ in range(120):
        moved = true + line_shifts(true, error_m=7, length_m=20, count=1, rng=rng)[0]
        measured = lines(moved).buffer(2, cap_style="flat").intersection(STAND).area.sum()
        recorded.append(measured / STAND.area)
        difference = share_draws(
            lines(moved), stand=STAND, error_m=7, length_m=20, count=20, rng=rng
        )
        drawn.append(recorded[-1] + difference.mean())

    assert np.mean(recorded) > 1.005 * share
    assert np.mean(drawn) == pytest.approx(share, rel=0.012)


def test_lines_without_error_leave_no_uncertainty() -> None:
    """An error of nothing changes nothing, and neither do no lines."""
    rng = np.random.default_rng(2)
    line = lines(np.array([[0.0, 100], [200, 100]]))

    for given in (line, line.iloc[:0]):
        found = share_draws(given, stand=STAND, error_m=0, length_m=20, count=3, rng=rng)
        assert found.tolist() == [0.0, 0.0, 0.0]
