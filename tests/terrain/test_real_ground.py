"""
Real heights and real trees: 3,604 trees of the 1,000 m x 500 m plot on Barro Colorado Island.

Data sets `bei` and `bei.extra` of the R package spatstat.data 3.0 (GPL-2 or later): positions, and
heights on a grid of 5 m. The plot's place on the map, corridors and landing are invented. Every
figure is found a second time by other means: scipy's interpolator and filters, and plain formulas.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely
from scipy.interpolate import RegularGridInterpolator
from scipy.ndimage import sobel

from glademark.contracts.layout import Layout
from glademark.contracts.terrain import Elevation
from glademark.judge.limits import Case

WEST, SOUTH = 412_000.0, 5_138_000.0
WIDTH, SPACING, FIRST = 4.0, 50.0, 25.0
REACH = 12.0


@pytest.fixture(scope="module")
def plot(mapped_data: Callable[[str], Any]) -> tuple[np.ndarray, np.ndarray]:
    """Trees [m from the plot's corner] and heights [m], rows from south to north."""
    trees = mapped_data("bei")
    heights = np.asarray(mapped_data("bei.extra")["elev"]["v"], dtype=float)
    spots = np.column_stack([np.asarray(trees["x"]), np.asarray(trees["y"])]).astype(float)
    return spots, heights.reshape(101, 201) if heights.ndim == 1 else heights


@pytest.fixture
def layout(
    plot: tuple[np.ndarray, np.ndarray],
    laid_out: Callable[..., Case],
    marks_at: Callable[..., list[dict[str, object]]],
) -> Layout:
    """Corridors 50 m apart up the plot from a road along its southern edge to the landing."""
    spots, heights = plot
    ground = Elevation(
        heights_m=heights[::-1].copy(),
        west_m=WEST - 2.5,  # the grid's nodes are the middles of cells
        north_m=SOUTH + 502.5,
        cell_x_m=5.0,
        cell_y_m=5.0,
        file="bei",
    )
    road = shapely.LineString([(WEST, SOUTH), (WEST + 1000, SOUTH)])
    corridors = [
        shapely.LineString([(WEST + x, SOUTH), (WEST + x, SOUTH + 500)])
        for x in np.arange(FIRST, 1000, SPACING)
    ]
    placed = spots + np.array([WEST, SOUTH])
    marks = marks_at(*placed.tolist(), crown_radius_m=0.5)
    case = laid_out(
        shapely.box(WEST, SOUTH, WEST + 1000, SOUTH + 500),
        project={"machine": {"reach": f"{REACH} m"}, "openings": {"min_trees": 10_000}},
        elevation=ground,
        corridors=[road, *corridors],
        landings=[shapely.box(WEST - 20, SOUTH - 10, WEST, SOUTH + 10)],
        marks=marks,
    )
    return case.layout


def test_ground_and_trees_together(layout: Layout, plot: tuple[np.ndarray, np.ndarray]) -> None:
    """Heights, slopes, reach, extraction and grades agree with the second method."""
    spots, heights = plot
    x, y = spots.T
    axes = (np.arange(101) * 5.0, np.arange(201) * 5.0)
    at = RegularGridInterpolator(axes, heights)
    rise = np.hypot(sobel(heights, axis=0), sobel(heights, axis=1)) / (8 * 5.0)
    row, column = np.rint(y / 5).astype(int), np.rint(x / 5).astype(int)
    inner = (row > 0) & (row < 100) & (column > 0) & (column < 200)
    to_line = np.minimum(np.abs((x - FIRST + SPACING / 2) % SPACING - SPACING / 2), y)
    away = np.maximum(to_line - WIDTH / 2, 0)
    nearest = FIRST + SPACING * np.clip(np.rint((x - FIRST) / SPACING), 0, 19)
    on_road = y < np.abs(x - nearest)
    way = np.where(on_road, x, nearest + y)
    clear = np.abs(y - np.abs(x - nearest)) > 1e-6  # not as near to the road as to the corridor
    marks, reach, extraction = layout.marks, layout.ground.reach, layout.ground.extraction

    assert len(marks) == len(spots) == 3604
    np.testing.assert_allclose(marks["elevation_m"], at(np.column_stack([y, x])), atol=1e-6)
    np.testing.assert_allclose(
        marks["slope_pct"][inner], 100 * rise[row[inner], column[inner]], atol=1e-9
    )
    np.testing.assert_allclose(marks["reach_m"], away, atol=1e-6)
    assert reach is not None
    assert reach.trees_beyond == (away > REACH).sum() > 500
    np.testing.assert_allclose(marks["extraction_m"][clear], way[clear], atol=1e-6)
    assert extraction is not None
    assert extraction.mean_m == pytest.approx(np.where(clear, way, marks["extraction_m"]).mean())
    assert extraction.inside_share == pytest.approx(1)


def test_grades_along_a_real_corridor(layout: Layout, plot: tuple[np.ndarray, np.ndarray]) -> None:
    """Each piece of a corridor has the grade of the interpolated heights at its ends."""
    _, heights = plot
    at = RegularGridInterpolator((np.arange(101) * 5.0, np.arange(201) * 5.0), heights)
    pieces = layout.corridor_grades[layout.corridor_grades["corridor"] == "5"]
    line_x = FIRST + 3 * SPACING
    start, end = pieces["from_m"].to_numpy(), pieces["to_m"].to_numpy()
    low = at(np.column_stack([start, np.full(len(start), line_x)]))
    high = at(np.column_stack([end, np.full(len(end), line_x)]))
    towards = -(high - low) / (end - start)  # the landing lies south

    assert len(pieces) == 50
    np.testing.assert_allclose(pieces["grade_pct"], 100 * towards, atol=1e-6)
    assert (pieces["direction"] == "adverse").to_numpy().tolist() == (towards > 0.01).tolist()
