"""Slope and aspect: planes, a cone, flat ground, and a general raster tool on real heights."""

import math
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import matplotlib.cbook
import numpy as np
import pytest
import rasterio
import shapely
from hypothesis import given
from hypothesis import strategies as st
from rasterio.transform import from_origin

from glademark.contracts.terrain import Elevation
from glademark.measure.terrain.slope import Gradient, gradient, main_aspect, slope_within


def aspect_deg(found: Gradient) -> np.ndarray:
    """Direction in which every cell falls, clockwise from north; NaN where it is level."""
    bearing = np.degrees(np.arctan2(-found.east, -found.north)) % 360
    return np.where((found.east == 0) & (found.north == 0), np.nan, bearing)


@given(
    rise=st.floats(0.001, 2.0),
    bearing=st.floats(0.0, 359.9),
    cell=st.tuples(st.floats(0.5, 30.0), st.floats(0.5, 30.0)),
)
def test_a_plane_has_its_own_slope_and_aspect(
    plane: Callable[..., Elevation], rise: float, bearing: float, cell: tuple[float, float]
) -> None:
    """A plane that falls by `rise` towards `bearing` has that slope and aspect in every cell."""
    turned = math.radians(bearing)
    ground = plane(-rise * math.sin(turned), -rise * math.cos(turned), shape=(5, 6), cell=cell)
    found = gradient(ground)
    inner = np.s_[1:-1, 1:-1]
    off = (aspect_deg(found)[inner] - bearing + 180) % 360 - 180

    np.testing.assert_allclose(found.slope[inner], rise, rtol=1e-6)
    np.testing.assert_allclose(off, 0, atol=1e-3)


def test_flat_ground_has_no_slope_and_faces_nowhere(plane: Callable[..., Elevation]) -> None:
    """Level ground: slope 0, aspect missing."""
    found = gradient(plane(0.0, 0.0))

    assert (found.slope[1:-1, 1:-1] == 0).all()
    assert np.isnan(aspect_deg(found)).all()


def test_a_cone_faces_outwards_all_round(ground_of: Callable[..., Elevation]) -> None:
    """A cone of slope 0.3 falls away from its top everywhere; Horn's weights blur it little."""
    cone = ground_of(
        lambda x, y: 900 - 0.3 * np.hypot(x, y), shape=(80, 80), west=-400.0, south=-400.0
    )
    found = gradient(cone)
    x, y = np.meshgrid(np.arange(-395, 400, 10), np.arange(395, -400, -10))
    far = np.hypot(x, y) > 100
    far[[0, -1]] = far[:, [0, -1]] = False
    outwards = np.degrees(np.arctan2(x, y)) % 360
    off = (aspect_deg(found) - outwards + 180) % 360 - 180

    assert np.abs(off[far]).max() < 0.1
    np.testing.assert_allclose(found.slope[far], 0.3, rtol=5e-3)


def test_a_missing_height_spoils_its_neighbours_only(plane: Callable[..., Elevation]) -> None:
    """One missing cell leaves nine cells without a slope."""
    ground = plane(0.1, 0.0, shape=(9, 9))
    heights = ground.heights_m.copy()
    heights[4, 4] = np.nan
    slope = gradient(replace(ground, heights_m=heights)).slope

    assert np.isnan(slope[1:-1, 1:-1]).sum() == 9
    assert np.isnan(slope[3:6, 3:6]).all()


def test_a_grid_too_small_for_neighbours_has_no_slope(plane: Callable[..., Elevation]) -> None:
    """Two rows of cells have no cell with neighbours on all sides."""
    assert np.isnan(gradient(plane(0.1, 0.0, shape=(2, 9))).slope).all()


def test_slope_inside_a_polygon_is_that_of_its_cells(ground_of: Callable[..., Elevation]) -> None:
    """Left half level, right half rising one in four: a polygon over both has half of each."""
    ground = ground_of(lambda x, _y: 0.25 * np.maximum(x - 100, 0))
    both = shapely.box(0, 0, 200, 100)  # ten columns of level cells, ten of sloping ones
    right = shapely.box(120, 0, 180, 100)
    small = shapely.Point(151, 51).buffer(0.5)  # no middle of a cell in it
    outside = shapely.box(5000, 0, 5100, 100)
    found = slope_within(
        np.array([both, right, small, outside, shapely.Polygon()], dtype=object),
        ground,
        gradient(ground),
    )
    # at x = 95 the cell east of it (x = 105, height 1.25 m) tilts it: (1.25 - 0) / 20 m;
    # at x = 105: (3.75 - 0) / 20 m
    mean = (9 * 0 + 0.0625 + 0.1875 + 9 * 0.25) / 20

    assert found["slope_mean_pct"].iloc[0] == pytest.approx(100 * mean)
    assert found["slope_max_pct"].iloc[0] == pytest.approx(25)
    assert found["slope_p90_pct"].iloc[1:3].to_list() == pytest.approx([25, 25])
    assert found["aspect"].to_list() == ["W", "W", "W", "", ""]
    assert found["slope_mean_pct"].iloc[3:].isna().all()


def test_main_aspect_is_the_most_frequent_sector() -> None:
    """Three cells that fall north-east outvote two that fall south."""
    east = np.array([-0.1, -0.1, -0.1, 0.0, 0.0])
    north = np.array([-0.1, -0.1, -0.1, 0.3, 0.3])

    assert main_aspect(east, north) == "NE"
    assert main_aspect(east[:0], north[:0]) == "flat"


@pytest.fixture(scope="module")
def real() -> Elevation:
    """Jacksboro fault, Tennessee: SRTM heights in matplotlib's sample data, in metric cells."""
    with matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz") as held:
        heights = held["elevation"].astype(np.float64)
    return Elevation(
        heights_m=heights,
        west_m=400_000.0,
        north_m=4_040_000.0,
        cell_x_m=90.0,
        cell_y_m=90.0,
        file="jacksboro.tif",
    )


@pytest.mark.skipif(
    shutil.which("gdaldem") is None,
    reason="gdaldem is not installed; on Debian: apt-get install gdal-bin",
)
@pytest.mark.parametrize(("what", "cell"), [("slope", (74.0, 92.5)), ("aspect", (90.0, 90.0))])
def test_slope_and_aspect_equal_those_of_a_general_raster_tool(
    what: str, cell: tuple[float, float], real: Elevation, tmp_path: Path
) -> None:
    """
    ``gdaldem slope|aspect -alg Horn`` on real heights agrees within 0.01 degree.

    Cells are square for the aspect: the tool takes them for square there, whatever they are.
    """
    real = replace(real, cell_x_m=cell[0], cell_y_m=cell[1])
    made, answer = tmp_path / "heights.tif", tmp_path / "answer.tif"
    rows, columns = real.heights_m.shape
    with rasterio.open(
        made, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32",
        crs="EPSG:26916",
        transform=from_origin(real.west_m, real.north_m, real.cell_x_m, real.cell_y_m),
    ) as raster:  # fmt: skip
        raster.write(real.heights_m.astype("float32"), 1)
    command = ["gdaldem", what, str(made), str(answer), "-alg", "Horn", "-q"]
    subprocess.run(command, check=True, capture_output=True)  # noqa: S603 - a fixed command
    with rasterio.open(answer) as raster:
        theirs = raster.read(1).astype(np.float64)
    found = gradient(real)
    inner = np.s_[1:-1, 1:-1]
    ours = np.degrees(np.arctan(found.slope)) if what == "slope" else aspect_deg(found)
    level = theirs[inner] == -9999
    off = (ours[inner] - theirs[inner] + 180) % 360 - 180

    assert np.abs(off[~level]).max() < 0.01
    assert (np.isnan(ours[inner]) == level).all()
    assert theirs[inner][~level].size > 130_000
