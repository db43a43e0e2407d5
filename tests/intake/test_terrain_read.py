"""The terrain raster: what it is and how much of the stand it covers."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine

from glademark.contracts.survey import Survey
from glademark.errors import InputError

Read = Callable[..., Survey]
Raster = Callable[..., str]


@pytest.fixture
def raster(tmp_path: Path) -> Raster:
    """Write a raster of 10 m cells from a corner, counted from that of the stand [m]."""

    def write(
        heights: np.ndarray,
        *,
        west: float = 0,
        north: float = 200,
        name: str = "terrain.tif",
        **options: object,
    ) -> str:
        bands = np.atleast_3d(heights.T).T
        profile = {
            "driver": "GTiff", "count": bands.shape[0], "dtype": bands.dtype, "crs": 32616,
            "height": bands.shape[1], "width": bands.shape[2],
            "transform": Affine(10, 0, 500_000 + west, 0, -10, 5_000_000 + north), **options,
        }  # fmt: skip
        with rasterio.open(tmp_path / name, "w", **profile) as file:
            file.write(bands)
        return name

    return write


def test_a_raster_over_the_whole_stand_covers_it(survey: Read, raster: Raster) -> None:
    """20 x 20 cells of 10 m are the stand."""
    name = raster(np.full((20, 20), 300, dtype="float32"))
    terrain = survey(inputs={"terrain": name}).terrain

    assert terrain is not None
    assert terrain[0]["covered_share"] == 1
    assert (terrain[0]["cell_x"], terrain[0]["cell_y"], terrain[0]["width"]) == (10, 10, 20)


@pytest.mark.parametrize("missing", [-9999.0, -32768.0, np.nan])
def test_heights_that_are_none_do_not_cover(survey: Read, raster: Raster, missing: float) -> None:
    """A fifth of the cells says no data, declared or not: 80 % of the stand are covered."""
    heights = np.full((20, 20), 300, dtype="float32")
    heights[:4] = missing
    result = survey(inputs={"terrain": raster(heights)})

    assert result.terrain is not None
    assert result.terrain[0]["covered_share"] == pytest.approx(0.8, abs=0.01)
    assert any("the terrain covers only" in notice for notice in result.notices)


@pytest.mark.parametrize(
    ("options", "what"),
    [
        ({"west": 5000}, "the terrain covers no part of the stand"),
        ({"crs": None}, "it does not say its coordinate system. State it in .inputs.: terrain"),
    ],
)
def test_a_raster_that_is_of_no_use_is_refused(
    survey: Read, raster: Raster, options: dict, what: str
) -> None:
    """It would make slopes of nothing."""
    name = raster(np.full((20, 20), 300, dtype="float32"), **options)

    with pytest.raises(InputError, match=what):
        survey(inputs={"terrain": name})


def test_a_picture_is_no_terrain(
    survey: Read, raster: Raster, layer: Callable, at: Callable
) -> None:
    """Three bands are an aerial photograph; a layer is no raster."""
    name = raster(np.full((3, 20, 20), 200, dtype="uint8"))

    with pytest.raises(InputError, match="must have one band of heights, and this has 3"):
        survey(inputs={"terrain": name})
    with pytest.raises(InputError, match="the terrain must be a GeoTIFF, and this is GeoPackage"):
        survey(inputs={"terrain": layer("t.gpkg", [at(1, 1)])})
    with pytest.raises(InputError, match="this is a raster, which can only be terrain or"):
        survey(inputs={"stand": name})


def test_a_cut_off_raster_is_refused(survey: Read, raster: Raster, tmp_path: Path) -> None:
    """The message says so in one sentence."""
    name = raster(np.random.default_rng(1).random((200, 200), dtype="float32"))
    content = (tmp_path / name).read_bytes()
    (tmp_path / name).write_bytes(content[:600])

    with pytest.raises(InputError, match="the raster is damaged or cut off"):
        survey(inputs={"terrain": name})


@pytest.mark.parametrize(("corners", "noticed"), [((0, 200), 1), ((200, 0), 0)])
def test_a_stream_that_is_drawn_uphill_is_noticed(
    survey: Read,
    raster: Raster,
    layer: Callable[..., str],
    line: Callable[..., object],
    corners: tuple[float, float],
    noticed: int,
) -> None:
    """Its left bank would be the right one: the ground rises to the north by 1 in 10."""
    heights = np.repeat(np.arange(20, 0, -1, dtype="float32")[:, None], 20, axis=1)
    stream = line((100, corners[0]), (100, corners[1]))
    water = layer("w.gpkg", [stream], {"name": ["Brook"], "width_m": [2.0]})
    result = survey(inputs={"terrain": raster(heights), "water": water}, water={"setback": "10 m"})

    found = [notice for notice in result.notices if "water Brook: by the terrain" in notice]
    assert len(found) == noticed


def test_tiles_are_one_raster(survey: Read, raster: Raster) -> None:
    """
    A plane in two tiles that overlap by two cells has its heights throughout, and a gap has none.

    The second tile is of whole numbers with a no-data value of its own; the plane rises 1 m a cell.
    """
    plane = np.broadcast_to(np.arange(20.0), (20, 20)) + 300
    west = plane[:, :11].astype("float32")
    east = plane[:, 9:].astype("int16").copy()
    east[:5, :2] = -1  # missing where the first tile has heights
    east[15:, 5:] = -1
    names = [
        raster(west, name="west & so on.tif"),
        raster(east, west=90, name="east.tif", nodata=-1),
    ]
    found = survey(inputs={"terrain": names})

    assert found.elevation is not None
    expected = plane.copy()
    expected[15:, 14:] = np.nan
    np.testing.assert_array_equal(found.elevation[0].heights_m, expected)
    assert (found.elevation[0].west_m, found.elevation[0].north_m) == (500_000, 5_000_200)
    assert [count.file for count in found.counts if count.input == "terrain"] == names


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"crs": 32617}, "in its coordinate system"),
        ({"transform": Affine(5, 0, 500_100, 0, -5, 5_000_200)}, r"cells .5 by 5, not 10 by 10"),
        ({"west": 104}, "the grid of its cells"),
        ({"transform": Affine(10, 0, 500_100, 0, 10, 5_000_000)}, "north up"),
    ],
)
def test_tiles_that_do_not_fit_are_refused(
    survey: Read, raster: Raster, change: dict, what: str
) -> None:
    """Heights are not resampled behind anyone's back."""
    half = np.full((20, 10), 300, dtype="float32")
    names = [raster(half, name="a.tif"), raster(half, name="b.tif", **{"west": 100, **change})]

    with pytest.raises(InputError, match=rf"b\.tif: .*{what}"):
        survey(inputs={"terrain": names})
