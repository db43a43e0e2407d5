"""Contour lines: where formulas put them, and as the maps take them from their layer."""

import itertools
from collections.abc import Callable

import numpy as np
import pypdf
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from pyproj import CRS

from glademark.contracts.terrain import Elevation
from glademark.export.reopen import reopen
from glademark.jobs.layout import Outcome
from glademark.measure.terrain.slope import INTERVALS, contour_layer
from glademark.report.delivery import PDF_FILE
from glademark.report.map_sheets.map_drawing import contour_interval, contours
from glademark.report.map_sheets.paper import POINT_M, Box, MapFrame

CRS_M = CRS.from_epsg(26916)
FOOT_M = 0.3048
Plane = Callable[..., Elevation]


def frame_at(denominator: int) -> MapFrame:
    """A map of the middle of the made ground."""
    size_m = 300.0
    points = size_m / denominator / POINT_M
    box = Box(left=50, bottom=50, width=points, height=points)
    return MapFrame(name="", box=box, west_m=0.0, south_m=0.0, denominator=denominator)


def test_lines_of_a_plane_lie_at_their_heights(plane: Plane) -> None:
    """On 500 + x / 10 the line of 505 m runs along x = 50 m, and 1 m lies between two of them."""
    layer = contour_layer(plane(0.1, 0.0), "metric", crs=CRS_M)
    line = layer.set_index("elevation_m").geometry[505.0]

    assert set(layer["interval_m"]) == {1.0}
    assert shapely.get_coordinates(line)[:, 0] == pytest.approx(50.0, abs=0.2)
    assert np.diff(layer["elevation_m"]) == pytest.approx(1.0)


def test_lines_stand_at_whole_feet(plane: Plane) -> None:
    """Where the project shows feet, each line has a whole number of them."""
    feet = contour_layer(plane(0.02, 0.01), "us", crs=CRS_M)["elevation_m"] / FOOT_M

    assert feet.to_numpy() == pytest.approx(feet.round().to_numpy(), abs=1e-9)
    assert len(feet) > 1


@pytest.mark.parametrize(("slope", "interval"), [(0.05, 1), (1.0, 1), (1.5, 5), (3.0, 10)])
def test_steep_ground_has_wider_intervals(plane: Plane, slope: float, interval: int) -> None:
    """3.8 m apart at least: 5 m where 3.8 m of ground rise 5.7 m, 10 m where they rise 11.4 m."""
    layer = contour_layer(plane(slope, 0.0), "metric", crs=CRS_M)

    assert set(layer["interval_m"]) == {float(interval)}


def test_flat_ground_and_missing_heights_have_none(ground_of: Plane) -> None:
    """Ground that reaches no whole metre, and a raster of holes, give a layer without rows."""
    flat = ground_of(lambda x, y: 500.5 + 0.0 * (x + y))
    holes = ground_of(lambda x, y: x + y + np.nan)

    assert contour_layer(flat, "metric", crs=CRS_M).empty
    assert contour_layer(holes, "metric", crs=CRS_M).empty


def test_round_hill_gives_circles(ground_of: Plane) -> None:
    """On a cone of 20 % the line 10 m below the top of 550 m is a circle of radius 50 m."""
    cone = ground_of(
        lambda x, y: 550 - 0.2 * np.hypot(x - 100, y - 100), shape=(300, 300), cell=(2.0, 2.0)
    )
    line = contour_layer(cone, "metric", crs=CRS_M).set_index("elevation_m").geometry[540.0]
    radii = np.hypot(*(shapely.get_coordinates(line) - 100).T)

    assert radii == pytest.approx(50.0, abs=0.3)


@pytest.mark.parametrize("denominator", [1_200, 2_000, 5_000, 10_000])
def test_maps_keep_lines_apart(plane: Plane, denominator: int) -> None:
    """On a slope of 20 % lines of the interval taken are 9 points apart; one step less are not."""
    layer, frame = contour_layer(plane(0.2, 0.0), "metric", crs=CRS_M), frame_at(denominator)
    interval = contour_interval(layer, frame, "metric")
    apart_pt = interval / 0.2 / frame.metres_per_point
    finer = max([step for step in (1, 2, 5, 10, 20, 50) if step < interval], default=0)

    assert apart_pt >= 9.0
    assert finer / 0.2 / frame.metres_per_point < 9.0


def test_maps_take_every_line_of_their_interval(plane: Plane) -> None:
    """Of lines at each metre a map at 5 m shows every fifth, on paper where they lie."""
    layer, frame = contour_layer(plane(0.2, 0.0), "metric", crs=CRS_M), frame_at(5_000)
    found = contours(layer, frame, "metric", interval=5)
    (line,) = [one for one in found if one.height == 520]
    places = shapely.get_coordinates(line.lines)[:, 0]

    assert [one.height for one in found] == list(range(500, 561, 5))
    assert [one.height for one in found if one.is_index] == [500, 525, 550]
    assert places == pytest.approx(50 + 100 / 5_000 / POINT_M, abs=0.1)


def test_intervals_divide_each_other() -> None:
    """A map's interval is made of whole ones of the layer, whichever the layer has."""
    assert all(wide % narrow == 0 for narrow, wide in itertools.pairwise(INTERVALS))


def test_contours_come_back_and_are_told(sample_run: Outcome) -> None:
    """The lines in layout.gpkg are those of the run; the first sheet names their step."""
    first = sample_run.files[0].parent
    sheet = pypdf.PdfReader(first / PDF_FILE).pages[0].extract_text()

    assert_geodataframe_equal(
        reopen(first / "layout.gpkg").layout.contours, sample_run.delivery.layout.contours
    )
    assert "Contour every 5 ft" in " ".join(sheet.split())
