"""Each map says where it lies: drawn points are found again at their own coordinates."""

import re
import shutil
import subprocess
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from types import SimpleNamespace as Sheets

import numpy as np
import pikepdf
import pytest
import rasterio
import shapely
from pyproj import CRS, Transformer
from rasterio.transform import rowcol

READER = Path(__file__).with_name("found_points.py")
SYSTEM_PYTHON = "/usr/bin/python3"
MOST_OFF_M = 0.5
TOKEN = re.compile(
    r"(?P<colour>[\d.]+ [\d.]+ [\d.]+) rg\b"
    r"|(?P<end>[-\d.]+ [-\d.]+) [mcl]\n"
    r"|^(?P<painted>f|b|B)$",
    re.MULTILINE,
)
"""What of a page's content tells of filled shapes: colours, ends of lines, the filling itself."""


@cache
def why_no_gdal() -> str:
    """Why the outside reader cannot be used; empty where it can."""
    if shutil.which(SYSTEM_PYTHON) is None:
        return "there is no system Python"
    code = "from osgeo import gdal; assert gdal.GetDriverByName('PDF')"
    done = subprocess.run(  # noqa: S603 - a fixed command
        [SYSTEM_PYTHON, "-c", code], capture_output=True, check=False
    )
    return "GDAL with its PDF driver is not installed" if done.returncode else ""


def viewports(pdf: pikepdf.Pdf) -> Iterator[tuple[int, np.ndarray, pikepdf.Dictionary]]:
    """Every map of a file with the number of its page and the dots on that."""
    for number, page in enumerate(pdf.pages, 1):
        dots = red_dots(page) if "/VP" in page.obj else np.empty((0, 2))
        for view in page.obj.get("/VP", []):
            yield number, dots, view


def placed(view: pikepdf.Dictionary, crs: CRS) -> tuple[np.ndarray, np.ndarray]:
    """From what a measure dictionary says: factors and shifts from points of the page to metres."""
    left, bottom, right, top = (float(end) for end in view["/BBox"])
    measure = view["/Measure"]
    local = np.array([float(one) for one in measure["/LPTS"]]).reshape(-1, 2)
    lat_lon = np.array([float(one) for one in measure["/GPTS"]]).reshape(-1, 2)
    page = np.array([left, bottom]) + local * np.array([right - left, top - bottom])
    turn = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    ground = np.column_stack(turn.transform(lat_lon[:, 1], lat_lon[:, 0]))
    design = np.column_stack([page, np.ones(len(page))])
    solved, *_ = np.linalg.lstsq(design, ground, rcond=None)
    return solved[:2], solved[2]


def red_dots(page: pikepdf.Page) -> np.ndarray:
    """Middles of the red dots that a page's content draws, in points."""
    content = page.obj["/Contents"].read_bytes().decode("latin-1")
    middles, dot, is_red = [], [], False
    for found in TOKEN.finditer(content):
        if found["colour"]:
            is_red = found["colour"] == "1 0 0"
        elif is_red and found["end"]:
            dot.append(found["end"].split())
        elif dot and found["painted"]:
            ends = np.array(dot, dtype=float)
            middles.append((ends.min(axis=0) + ends.max(axis=0)) / 2)
            dot = []
    return np.array(middles).reshape(-1, 2)


def matched(found: np.ndarray, sheets: Sheets, ground: shapely.Geometry) -> np.ndarray:
    """How far off the dots are from the points that lie on some ground [m], one for one."""
    points = shapely.get_coordinates(sheets.points.to_numpy())
    points = points[shapely.contains_xy(ground, points[:, 0], points[:, 1])]
    assert len(points) > 0
    apart = np.linalg.norm(points[:, None] - found[None], axis=2)
    assert len(np.unique(apart.argmin(axis=1))) == len(points)
    return apart.min(axis=1)


def check_measures(sheets: Sheets) -> int:
    """Number of maps in a file, on each of which every point is where it belongs."""
    crs, maps = sheets.delivery.layout.crs, 0
    with pikepdf.open(sheets.pdf) as pdf:
        for _, dots, view in viewports(pdf):
            factors, shifts = placed(view, crs)
            left, bottom, right, top = (float(end) for end in view["/BBox"])
            inside = shapely.contains_xy(shapely.box(left, bottom, right, top), *dots.T)
            corners = np.array([[left, bottom], [right, top]]) @ factors + shifts
            ground = shapely.box(*corners.ravel())
            off = matched(dots[inside] @ factors + shifts, sheets, ground.buffer(-2))

            assert off.max() < MOST_OFF_M
            maps += 1
    return maps


def test_every_placed_map_of_the_sample_is_in_its_place(sample_sheets: Sheets) -> None:
    """Overview and details of the sample: each point stands at its own latitude and longitude."""
    assert check_measures(sample_sheets) > 1


def test_a_sheet_of_several_maps_is_not_placed(sample_sheets: Sheets) -> None:
    """Readers place a whole page by its first map: the others would lie hundreds of metres off."""
    with pikepdf.open(sample_sheets.pdf) as pdf:
        assert max(len(page.obj.get("/VP", [])) for page in pdf.pages) == 1


def test_the_picture_is_placed_by_its_side_files(sample_sheets: Sheets) -> None:
    """GDAL reads code and place beside the picture; the points are red at their own pixels."""
    with rasterio.open(sample_sheets.picture) as picture:
        assert picture.crs.to_epsg() == 26916
        red, green, blue = (picture.read(band).astype(int) for band in (1, 2, 3))
        xy = shapely.get_coordinates(sample_sheets.points.to_numpy())
        rows, columns = rowcol(picture.transform, xy[:, 0], xy[:, 1])

    at = np.asarray(rows, dtype=int), np.asarray(columns, dtype=int)
    is_red = (red[at] > 200) & (green[at] < 120) & (blue[at] < 120)
    assert is_red.mean() > 0.9


def test_every_map_of_every_stand_is_in_its_place(stand_sheets: Sheets) -> None:
    """Detail sheets, long stands and large ones carry their coordinates just as well."""
    assert check_measures(stand_sheets) >= 1


def test_measures_name_the_working_coordinate_system(sample_sheets: Sheets) -> None:
    """A reader is told the code and the text of the projected system."""
    with pikepdf.open(sample_sheets.pdf) as pdf:
        systems = [view["/Measure"]["/GCS"] for _, _, view in viewports(pdf)]

        assert {int(system["/EPSG"]) for system in systems} == {26916}
        assert all(str(system["/WKT"]).startswith("PROJCS[") for system in systems)


def outside_reading(pdf: Path, page: int) -> tuple[str, np.ndarray]:
    """Code of the system and positions of the dots as GDAL reads them."""
    done = subprocess.run(  # noqa: S603 - a fixed command
        [SYSTEM_PYTHON, str(READER), str(pdf), str(page), "300"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    code, *lines = done.stdout.split("\n")
    return code, np.array([line.split() for line in lines if line], dtype=float)


@pytest.mark.skipif(bool(why_no_gdal()), reason=why_no_gdal() or "GDAL is there")
@pytest.mark.parametrize("name", ["sample", "long"])
def test_outside_reader_finds_points_at_their_pixels(
    name: str, sample_sheets: Sheets, long_sheets: Sheets
) -> None:
    """GDAL opens overview and detail in place: every dot within half a metre at its own pixels."""
    sheets = sample_sheets if name == "sample" else long_sheets
    with pikepdf.open(sheets.pdf) as pdf:
        alone = {
            number for number, page in enumerate(pdf.pages, 1) if len(page.obj.get("/VP", [])) == 1
        }
        views = {number: view for number, _, view in viewports(pdf) if number in alone}
        crs = sheets.delivery.layout.crs
        number = max(views) if name == "long" else min(views)
        factors, shifts = placed(views[number], crs)
        ends = np.array([float(end) for end in views[number]["/BBox"]]).reshape(2, 2)
        ground = shapely.box(*(ends @ factors + shifts).ravel())

    code, found = outside_reading(sheets.pdf, number)

    assert code == "26916"
    assert matched(found, sheets, ground.buffer(-2)).max() < MOST_OFF_M
