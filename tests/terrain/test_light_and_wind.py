"""Openings under light and wind: axes, ratios, and edges on squares and circles."""

import math
from collections.abc import Callable

import geopandas as gpd
import numpy as np
import pytest
import shapely

from glademark.judge.limits import Case
from glademark.measure.shape import axes
from glademark.measure.terrain.light_and_wind import (
    corridor_edges,
    exposed_edges,
    width_to_height,
)

STAND = shapely.box(0, 0, 400, 400)


def exposed(
    shape: shapely.Geometry,
    *,
    wind: float,
    height: float = 20.0,
    bare: shapely.Geometry | None = None,
) -> tuple[float, float]:
    """Windward edge of one opening, and the part with trees behind."""
    openings = gpd.GeoDataFrame(geometry=[shape], crs="EPSG:26916")
    edges = exposed_edges(
        openings,
        wind_from_deg=wind,
        height_m=np.array([height]),
        open_ground=shapely.union_all([shape, bare or shapely.Polygon()]),
        stand=STAND,
    )
    return float(edges["windward_edge_m"].iloc[0]), float(edges["windward_backed_m"].iloc[0])


@pytest.mark.parametrize("bearing", [0.0, 30.0, 90.0, 135.0, 179.0])
def test_long_axis_points_where_the_opening_does(bearing: float) -> None:
    """A thin rectangle laid along a bearing has that long axis, within its diagonal's angle."""
    thin = shapely.affinity.rotate(shapely.box(-0.001, -50, 0.001, 50), -bearing)
    off = (axes([thin])[0, 2] - bearing + 90) % 180 - 90

    assert abs(off) < 0.01


def test_ratio_is_by_the_stated_height_else_by_the_marks() -> None:
    """40 m wide: 2 heights of 20 m, or 1.6 of the marks' 25 m, or unknown."""
    width, marks = np.array([40.0, 40.0]), np.array([25.0, np.nan])

    assert width_to_height(width, marks, tree_height_m=20.0).tolist() == [2, 2]
    assert width_to_height(width, marks, tree_height_m=None)[0] == pytest.approx(1.6)
    assert np.isnan(width_to_height(width, marks, tree_height_m=None)[1])


@pytest.mark.parametrize("wind", [0.0, 90.0, 180.0, 270.0])
def test_a_square_shows_one_side_to_the_wind(wind: float) -> None:
    """Wind square to a side of 40 m meets the side across the opening."""
    assert exposed(shapely.box(100, 100, 140, 140), wind=wind) == pytest.approx((40, 40))


def test_a_circle_shows_a_quarter_to_the_wind() -> None:
    """Within 45 degrees of square lies 90 of 360 degrees of a circle: pi r / 2."""
    circle = shapely.Point(200, 200).buffer(30, quad_segs=256)
    facing, backed = exposed(circle, wind=37.0)

    assert facing == pytest.approx(math.pi * 30 / 2, rel=5e-3)
    assert backed == pytest.approx(facing)


def test_edge_with_open_ground_behind_it_has_no_trees() -> None:
    """West wind, and behind half of the eastern side a clearing two heights deep."""
    square = shapely.box(100, 100, 140, 140)
    clearing = shapely.box(140, 100, 180, 120)

    assert exposed(square, wind=270, bare=clearing) == pytest.approx((40, 20))


def test_a_strip_narrower_than_a_tree_height_leaves_trees_behind() -> None:
    """A corridor of 4 m behind the edge does not take the trees behind it away."""
    square = shapely.box(100, 100, 140, 140)
    corridor = shapely.box(140, 0, 144, 400)

    assert exposed(square, wind=270, bare=corridor) == pytest.approx((40, 40))


def test_nothing_is_said_of_trees_without_their_height() -> None:
    """Where no height is known, only the facing edge is."""
    facing, backed = exposed(shapely.box(100, 100, 140, 140), wind=270, height=float("nan"))

    assert facing == pytest.approx(40)
    assert math.isnan(backed)


def test_edge_on_a_corridor_is_its_length_there() -> None:
    """A corridor of 4 m through a square of 40 m meets its edge twice, one along it for 40 m."""
    square = np.array([shapely.box(100, 100, 140, 140)], dtype=object)
    through, along = shapely.box(0, 118, 400, 122), shapely.box(140, 0, 144, 400)

    assert corridor_edges(square, through).tolist() == [8]
    assert corridor_edges(square, along).tolist() == [40]


def test_columns_of_openings(
    laid_out: Callable[..., Case], marks_at: Callable[..., list[dict[str, object]]]
) -> None:
    """A walked square with heights of its marks: ratio, axis, edges, totals."""
    case = laid_out(
        STAND,
        project={"wind": {"from": "W"}},
        walked=[shapely.box(100, 100, 140, 140)],
        marks=marks_at((110, 110), (120, 120), height_m=20.0),
    )
    row = case.layout.openings.iloc[0]
    light = case.layout.ground.light

    # longest axis is the diagonal, and so is the widest extent across it
    assert row["width_to_height"] == pytest.approx(40 * math.sqrt(2) / 20)
    assert row["windward_edge_m"] == pytest.approx(40)
    assert light is not None
    assert (light.windward_m, light.wind_from_deg) == (pytest.approx(40), 270)
