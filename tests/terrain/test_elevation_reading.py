"""Reading the terrain raster: window, unit, missing cells, other coordinate systems, refusals."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from pyproj import CRS
from rasterio.transform import Affine, from_origin

from glademark.contracts.terrain import Elevation, heights_at
from glademark.errors import FileError
from glademark.intake.formats.files import FieldFile
from glademark.intake.record_log import RecordLog
from glademark.intake.site import StandArea
from glademark.intake.terrain import CELLS_MAX, read_elevation, refuse_little_cover
from glademark.measure.terrain.slope import gradient
from glademark.project.job_settings import TerrainSettings

UTM = CRS.from_epsg(26916)
WEST, SOUTH = 412_000.0, 5_138_000.0
STAND = shapely.box(WEST, SOUTH, WEST + 400, SOUTH + 500)  # 20 ha
STAND_AREA = StandArea(number=0, area=STAND, crs=UTM)

Read = Callable[..., tuple[Elevation, tuple[str, ...]]]


def field_file(path: Path) -> FieldFile:
    """The raster as intake hands it on."""
    return FieldFile(
        input="terrain", name=path.name, path=path, copy=path, format="GeoTIFF", sha256=""
    )


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Writer of a raster from heights and its transform, and reader of it."""

    def build(
        heights: np.ndarray,
        transform: Affine,
        *,
        crs: str = "EPSG:26916",
        **more: Any,  # noqa: ANN401 - of the writer
    ) -> tuple[Elevation, tuple[str, ...]]:
        path = tmp_path / "heights.tif"
        settings = TerrainSettings.model_validate(more.pop("settings", {"height_unit": "m"}))
        unit = more.pop("unit", None)
        rows, columns = heights.shape
        with rasterio.open(
            path, "w", driver="GTiff", width=columns, height=rows, count=1,
            dtype=heights.dtype, crs=crs, transform=transform, **more,
        ) as raster:  # fmt: skip
            raster.write(heights, 1)
            if unit:
                raster.units = (unit,)
        log = RecordLog()
        found = read_elevation(
            field_file(path), CRS.from_user_input(crs), STAND_AREA, settings, log
        )
        assert found is not None
        return found, tuple(notice.text for notice in log.notices({0: 0}))

    return build


def sloping(cell: float = 5.0, margin: float = 400.0) -> tuple[np.ndarray, Affine]:
    """400 m at the stand's corner, rising 0.1 to the east and 0.05 to the north."""
    west, north = WEST - margin, SOUTH + 500 + margin
    rows, columns = int((500 + 2 * margin) / cell), int((400 + 2 * margin) / cell)
    x = west + (np.arange(columns) + 0.5) * cell
    y = north - (np.arange(rows) + 0.5) * cell
    heights = 400 + 0.1 * (x[None, :] - WEST) + 0.05 * (y[:, None] - SOUTH)
    return heights.astype("float64"), from_origin(west, north, cell, cell)


def test_only_the_window_of_the_stand_and_its_margin_is_read(read: Read) -> None:
    """400 x 500 m with 50 m around, in cells of 5 m, and three cells to spare on every side."""
    found, notices = read(*sloping())

    assert found.heights_m.shape == (600 / 5 + 6, 500 / 5 + 6)
    assert (found.west_m, found.north_m) == (WEST - 65, SOUTH + 565)
    assert notices == ()
    at = heights_at(found, np.array([WEST + 123.0]), np.array([SOUTH + 77.0]))
    assert at == pytest.approx([400 + 12.3 + 3.85])


def test_a_huge_raster_costs_no_more_than_its_window(tmp_path: Path) -> None:
    """A sparse raster that claims 160 thousand million cells is read in its window only."""
    path = tmp_path / "huge.tif"
    side = 400_000
    transform = from_origin(WEST - 1_000_000, SOUTH + 1_000_000, 5, 5)
    with rasterio.open(
        path, "w", driver="GTiff", width=side, height=side, count=1, dtype="int16",
        crs="EPSG:26916", transform=transform, tiled=True, SPARSE_OK=True, BIGTIFF="YES",
        nodata=-32768,
    ):  # fmt: skip
        pass
    settings = TerrainSettings.model_validate({"height_unit": "m"})
    found = read_elevation(field_file(path), UTM, STAND_AREA, settings, RecordLog())

    assert found is not None
    assert found.heights_m.size == 126 * 106


def test_more_cells_than_can_be_read_are_refused(tmp_path: Path) -> None:
    """Cells of 1 cm over the stand are too many, and what to do is said."""
    path = tmp_path / "fine.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=60_000, height=60_000, count=1, dtype="uint8",
        crs="EPSG:26916", transform=from_origin(WEST - 60, SOUTH + 560, 0.01, 0.01), tiled=True,
        SPARSE_OK=True,
    ):  # fmt: skip
        pass

    with pytest.raises(FileError, match=r"expected at most 25,000,000\. Resample the raster"):
        read_elevation(field_file(path), UTM, STAND_AREA, TerrainSettings(), RecordLog())
    assert CELLS_MAX == 25_000_000


@pytest.mark.parametrize(
    ("unit", "setting", "metres"),
    [
        ("metre", None, 1.0),
        ("foot", None, 0.3048),
        ("US survey foot", None, 1200 / 3937),
        ("foot", "m", 1.0),  # the project file wins
        (None, "ft", 0.3048),
    ],
)
def test_heights_come_in_metres(
    read: Read, unit: str | None, setting: str | None, metres: float
) -> None:
    """The unit of the band is taken, else that of the project file, without a word."""
    settings = {} if setting is None else {"height_unit": setting}
    found, notices = read(*sloping(), unit=unit, settings=settings)
    at = heights_at(found, np.array([WEST]), np.array([SOUTH]))

    assert at == pytest.approx([400 * metres])
    assert notices == ()


@pytest.mark.parametrize(
    ("unit", "said"),
    [(None, "does not say the unit of its heights"), ("fathom", "heights are in 'fathom'")],
)
def test_an_unknown_unit_is_taken_for_metres_and_said(
    read: Read, unit: str | None, said: str
) -> None:
    """Nobody knows whether they are feet, so the forester is asked."""
    found, notices = read(*sloping(), unit=unit, settings={})

    assert len(notices) == 1
    assert said in notices[0]
    assert '[terrain] height_unit = "m" or "ft"' in notices[0]
    assert heights_at(found, np.array([WEST]), np.array([SOUTH])) == pytest.approx([400])


def test_the_vertical_system_tells_the_unit(read: Read) -> None:
    """NAVD88 heights in US survey feet, in a compound coordinate system."""
    found, notices = read(*sloping(), crs="EPSG:26916+6360", settings={})

    assert heights_at(found, np.array([WEST]), np.array([SOUTH])) == pytest.approx(
        [400 * 1200 / 3937]
    )
    assert notices == ()


@pytest.mark.parametrize("value", [-9999.0, -32768.0, float(np.float32(-3.4028235e38))])
def test_figures_that_are_no_heights_are_missing(read: Read, value: float) -> None:
    """Undeclared no-data figures are taken out with a notice, never for pits."""
    heights, transform = sloping()
    heights[100:110, 100:110] = value
    found, notices = read(heights, transform)

    assert np.isnan(found.heights_m).sum() == 100
    assert "100 cells hold" in notices[0]
    assert np.nanmin(found.heights_m) > 380


def test_declared_no_data_is_missing_without_a_word(read: Read) -> None:
    """What the file declares needs no notice."""
    heights, transform = sloping()
    heights[100:110, 100:110] = 1e6
    found, notices = read(heights, transform, nodata=1e6)

    assert np.isnan(found.heights_m).sum() == 100
    assert notices == ()


def test_whole_numbers_with_a_scale_are_heights(read: Read, tmp_path: Path) -> None:
    """Decimetres above 300 m, as a band with scale and offset."""
    heights, transform = sloping()
    stored = np.rint((heights - 300) * 10).astype("int16")
    read(stored, transform)
    with rasterio.open(tmp_path / "heights.tif", "r+") as raster:
        raster.scales, raster.offsets = (0.1,), (300.0,)
    settings = TerrainSettings.model_validate({"height_unit": "m"})
    found = read_elevation(
        field_file(tmp_path / "heights.tif"), UTM, STAND_AREA, settings, RecordLog()
    )

    assert found is not None
    at = heights_at(found, np.array([WEST]), np.array([SOUTH]))
    assert at == pytest.approx([400], abs=0.06)


def test_a_raster_turned_upside_down_is_put_right(read: Read) -> None:
    """Rows from south to north give the same heights."""
    heights, transform = sloping()
    turned = transform * Affine.translation(0, len(heights)) * Affine.scale(1, -1)
    found, _ = read(heights[::-1].copy(), turned)
    x, y = np.array([WEST + 7.0, WEST + 321.0]), np.array([SOUTH + 33.0, SOUTH + 480.0])

    assert heights_at(found, x, y) == pytest.approx(400 + 0.1 * (x - WEST) + 0.05 * (y - SOUTH))


def test_a_geographic_raster_is_warped_to_the_working_system(read: Read) -> None:
    """
    A plane in the working CRS, handed over on a grid of degrees, keeps its heights and slope.

    Over one cell the plane is straight in degrees too, so bilinear loses nothing that can be seen.
    """
    to_degrees = pyproj.Transformer.from_crs(UTM, "EPSG:4269", always_xy=True)
    lon, lat = to_degrees.transform(WEST + 200, SOUTH + 250)
    step_x, step_y = 1 / 10_000, 1 / 14_000  # 7.69 m by 7.94 m here
    transform = from_origin(lon - 70 * step_x, lat + 120 * step_y, step_x, step_y)
    rows, columns = np.indices((240, 140))
    x, y = to_degrees.transform(*(transform * (columns + 0.5, rows + 0.5)), direction="INVERSE")
    found, _ = read(400 + 0.1 * (x - WEST) + 0.05 * (y - SOUTH), transform, crs="EPSG:4269")
    at_x, at_y = np.array([WEST + 20.0, WEST + 380.0]), np.array([SOUTH + 20.0, SOUTH + 480.0])
    expected = 400 + 0.1 * (at_x - WEST) + 0.05 * (at_y - SOUTH)
    slope = gradient(found).slope

    assert found.cell_x_m == found.cell_y_m == pytest.approx(np.sqrt(7.69 * 7.94), abs=0.03)
    np.testing.assert_allclose(heights_at(found, at_x, at_y), expected, atol=0.02)
    assert slope[slope.shape[0] // 2, slope.shape[1] // 2] == pytest.approx(
        np.hypot(0.1, 0.05), rel=1e-3
    )


def test_little_cover_is_refused_below_the_stated_share(tmp_path: Path) -> None:
    """A raster for 30 % of the stand is refused unless the project file takes it."""
    file = field_file(tmp_path / "heights.tif")
    refuse_little_cover(file, 0.3, TerrainSettings.model_validate({"covered_min": "25 %"}))

    with pytest.raises(FileError, match=r"covers only 30\.0% of the stand; expected at least 50"):
        refuse_little_cover(file, 0.3, TerrainSettings())


def test_a_damaged_raster_is_refused(tmp_path: Path) -> None:
    """A file that only begins like a raster is said to be damaged."""
    path = tmp_path / "broken.tif"
    path.write_bytes(b"II*\x00" + bytes(40))

    with pytest.raises(FileError, match=r"damaged or cut off\. Export it again"):
        read_elevation(field_file(path), UTM, STAND_AREA, TerrainSettings(), RecordLog())


def test_without_a_stand_no_heights_are_read(tmp_path: Path) -> None:
    """Where the stand was refused there is no window to read."""
    nowhere = StandArea(number=0, area=None, crs=UTM)

    assert (
        read_elevation(
            field_file(tmp_path / "none.tif"), UTM, nowhere, TerrainSettings(), RecordLog()
        )
        is None
    )
