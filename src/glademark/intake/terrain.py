"""The terrain raster: what it is, and how much of the stand it covers."""

import warnings
from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS

from glademark.errors import CrsError, FileError, InputError
from glademark.intake.crs import parse_crs, transformed
from glademark.intake.formats.files import FieldFile
from glademark.intake.formats.raster_tiles import Raster, open_raster
from glademark.intake.record_log import RecordLog
from glademark.intake.site import StandArea
from glademark.project.model import Source

SAMPLE_CELLS = 128
"""Cells along the longer side of the sample in which coverage is counted."""

COVERED_MIN = 0.999
"""Below this share of the stand a notice is due; the rest is rounding at the edge."""

UNDECLARED_NODATA = (-9999.0, -32768.0, -3.4028234663852886e38)
"""Figures that stand for no data though the file does not say so."""


def describe_terrain(
    file: FieldFile, source: Source, stand: StandArea, log: RecordLog
) -> Mapping[str, float | str]:
    """
    What the raster is, and the share of a stand for which it has a height.

    `file` (path), `crs` (WKT), `width` and `height` (cells), `cell_x` and `cell_y` (in the raster's
    own unit), `nodata` (NaN where not declared), `covered_share` (0 to 1).
    """
    if file.format != "GeoTIFF":
        msg = (
            f"{file.name}: the terrain must be a GeoTIFF, and this is {file.format}. "
            "Export it as GeoTIFF."
        )
        raise FileError(msg)
    from rasterio.errors import NotGeoreferencedWarning, RasterioError  # noqa: PLC0415 - needed here only

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)  # told as covering nothing
            opened = open_raster(file)
        with opened as raster:
            described = _described(raster, file, source)
            crs = CRS.from_wkt(str(described["crs"]))
            share = _share(raster, crs, stand)
    except InputError:
        raise
    except (RasterioError, ValueError, OSError) as error:
        msg = f"{file.name}: the raster is damaged or cut off. Export it again."
        raise FileError(msg) from error
    if not share > 0:
        msg = (
            f"{file.name}: the terrain covers no part of the stand. Check the file and its "
            "coordinate system."
        )
        raise FileError(msg)
    if share < COVERED_MIN:
        text = f"{file.name}: the terrain covers only {share:.1%} of the stand."
        log.notice(text, stand=stand.number)
    return {**described, "covered_share": share}


def _described(raster: Raster, file: FieldFile, source: Source) -> dict[str, float | str]:
    """Facts of an open raster."""
    if raster.count != 1 or np.dtype(raster.dtypes[0]).kind not in "iuf":
        msg = (
            f"{file.name}: the terrain must have one band of heights, and this has {raster.count}. "
            "Export the heights alone."
        )
        raise FileError(msg)
    return {
        "file": str(file.path),
        "crs": _crs(raster, file, source).to_wkt(),
        "width": float(raster.width),
        "height": float(raster.height),
        "cell_x": float(raster.res[0]),
        "cell_y": float(raster.res[1]),
        "nodata": float("nan") if raster.nodata is None else float(raster.nodata),
    }


def _share(raster: Raster, crs: CRS, stand: StandArea) -> float:
    """Share of a stand that the raster covers; all where there is no stand."""
    return 1.0 if stand.area is None else _covered(raster, stand.area, stand.crs, crs)


def _crs(raster: Raster, file: FieldFile, source: Source) -> CRS:
    """Coordinate system of the raster."""
    if raster.crs is not None:
        return CRS.from_wkt(raster.crs.to_wkt())
    if source.crs is not None:
        return parse_crs(source.crs, where=f"[inputs], crs of {file.name}")
    msg = (
        f"{file.name}: it does not say its coordinate system. State it in [inputs]: terrain = "
        f'{{file = "{file.name}", crs = "EPSG:…"}}.'
    )
    raise CrsError(msg)


def _covered(
    raster: Raster, stand: shapely.Polygon | shapely.MultiPolygon, stand_crs: CRS, crs: CRS
) -> float:
    """Share of the stand with a height, counted on a grid of points."""
    west, south, east, north = stand.bounds
    step = max(east - west, north - south) / SAMPLE_CELLS
    x, y = np.meshgrid(
        np.arange(west + step / 2, east, step), np.arange(south + step / 2, north, step)
    )
    shapely.prepare(stand)
    inside = shapely.contains_xy(stand, x, y)
    points = gpd.GeoSeries(shapely.points(x[inside], y[inside]))
    if points.empty:
        points = gpd.GeoSeries([stand.representative_point()])
    x, y = shapely.get_coordinates(transformed(points, stand_crs, crs).to_numpy()).T
    back = ~raster.transform
    columns, rows = back.a * x + back.b * y + back.c, back.d * x + back.e * y + back.f
    within = (columns >= 0) & (columns < raster.width) & (rows >= 0) & (rows < raster.height)
    if not within.any():
        return 0.0
    heights = _heights(raster, columns[within].astype(int), rows[within].astype(int))
    return float(heights.sum() / len(points))


def _heights(
    raster: Raster, columns: npt.NDArray[np.int64], rows: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """Whether each cell has a height; only the window around the cells is read, thinned out."""
    from rasterio.windows import Window  # noqa: PLC0415 - only where there is terrain

    left, top = int(columns.min()), int(rows.min())
    width, height = int(columns.max()) - left + 1, int(rows.max()) - top + 1
    shape = min(height, 8 * SAMPLE_CELLS), min(width, 8 * SAMPLE_CELLS)
    cells = raster.read(1, window=Window(left, top, width, height), out_shape=shape, masked=True)
    known = (
        ~np.ma.getmaskarray(cells)
        & np.isfinite(cells.data)
        & ~np.isin(cells.data.astype("float64"), UNDECLARED_NODATA)
    )
    at_row = (rows - top) * shape[0] // height
    at_column = (columns - left) * shape[1] // width
    return np.asarray(known[at_row, at_column], dtype=bool)
