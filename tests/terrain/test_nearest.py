"""Nearest features of many points."""

import numpy as np
import pytest
import shapely

from glademark.measure.terrain.nearest import AT_ONCE, nearest_of


@pytest.mark.parametrize("count", [0, 1, 500, AT_ONCE + 1])
def test_shared_out_or_not_the_nearest_line_is_the_same(count: int) -> None:
    """Beside parallel lines 10 m apart the nearest one is the one whose number rounds to it."""
    lines = shapely.linestrings([[(10.0 * n, -1000), (10.0 * n, 1000)] for n in range(20)])
    x = np.random.default_rng(1).uniform(0, 190, count)
    points = shapely.points(x, np.zeros(count))

    row, feature, distance = nearest_of(shapely.STRtree(lines), np.asarray(points, dtype=object))

    assert row.tolist() == list(range(count))
    assert feature.tolist() == np.rint(x / 10).astype(int).tolist()
    assert distance == pytest.approx(np.abs(x - 10 * np.rint(x / 10)))


def test_empty_points_are_left_out() -> None:
    """A point without a position has no nearest line."""
    tree = shapely.STRtree([shapely.LineString([(0, 0), (0, 9)])])

    row, _, distance = nearest_of(tree, np.array([shapely.Point(), shapely.Point(3, 1)]))

    assert row.tolist() == [1]
    assert distance.tolist() == [3.0]
