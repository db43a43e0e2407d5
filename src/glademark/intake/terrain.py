"""A raster of heights (terrain or canopy): what it is, and how much of the stand it covers."""

import math
import warnings
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, TypeAlias

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS

from glademark.contracts.terrain import Elevation
from glademark.errors import CrsError, FileError, InputError
from glademark.intake.crs import parse_crs, same_crs, transformed
from glademark.intake.formats.files import FieldFile
from glademark.intake.opened import Raster, open_raster
from glademark.intake.record_log import RecordLog
from glademark.intake.site import StandArea
from glademark.project.job_settings import CanopySettings, TerrainSettings
from glademark.project.model import Source
from glademark.units import FOOT_M

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
            f"{file.name}: the {_noun(file)} must be a GeoTIFF, and this is {file.format}. "
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
            f"{file.name}: the {_noun(file)} covers no part of the stand. Check the file and its "
            "coordinate system."
        )
        raise FileError(msg)
    if share < COVERED_MIN:
        text = f"{file.name}: the {_noun(file)} covers only {share:.1%} of the stand."
        log.notice(text, stand=stand.number)
    return {**described, "covered_share": share}


def _described(raster: Raster, file: FieldFile, source: Source) -> dict[str, float | str]:
    """Facts of an open raster."""
    if raster.count != 1 or np.dtype(raster.dtypes[0]).kind not in "iuf":
        msg = (
            f"{file.name}: the {_noun(file)} must have one band of heights, and this has "
            f"{raster.count}. Export the heights alone."
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
        f"{file.name}: it does not say its coordinate system. State it in [inputs]: {file.input} = "
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


Transform: TypeAlias = "Any"  # an affine transform of rasterio

CELLS_MAX = 25_000_000
"""Most cells that are read of a raster."""

SPARE_CELLS = 3
"""Cells read beyond the margin: one for slopes at the edge, the others for the warp."""

US_SURVEY_FOOT_M = 1200 / 3937
"""United States Metric Law of 1866, as kept by the survey foot [m]."""

_UNITS = {
    "m": 1.0, "metre": 1.0, "metres": 1.0, "meter": 1.0, "meters": 1.0,
    "ft": FOOT_M, "foot": FOOT_M, "feet": FOOT_M, "international foot": FOOT_M,
    "us survey foot": US_SURVEY_FOOT_M, "us-ft": US_SURVEY_FOOT_M, "ftus": US_SURVEY_FOOT_M,
    "us survey feet": US_SURVEY_FOOT_M, "foot_us": US_SURVEY_FOOT_M,
}  # fmt: skip


def read_elevation(
    file: FieldFile, crs: CRS, stand: StandArea, settings: TerrainSettings, log: RecordLog
) -> Elevation | None:
    """
    Heights around a stand, one a cell, of a raster in `crs`; None where the stand was refused.

    Only the window of the stand and its margin is read. A raster in another coordinate system, or
    one whose rows do not run west to east from north to south, is warped (bilinear) to square
    cells of the same area.
    """
    if stand.area is None:
        return None
    from rasterio.errors import RasterioError  # noqa: PLC0415 - only where there is terrain

    try:
        with open_raster(file) as raster:
            return _read(raster, file, (crs, stand), settings, log)
    except InputError:
        raise
    except (RasterioError, ValueError, OSError) as error:
        msg = f"{file.name}: the raster is damaged or cut off. Export it again."
        raise FileError(msg) from error


def for_canopy(settings: CanopySettings) -> TerrainSettings:
    """How a raster of canopy heights is read: with as much ground around as a crown is wide."""
    return TerrainSettings.model_validate({"height_unit": settings.height_unit, "margin": "20 m"})


def refuse_little_cover(file: FieldFile, share: float, settings: TerrainSettings) -> None:
    """Refuse a raster that has heights for too small a share of a stand."""
    if share < settings.covered_min:
        msg = (
            f"{file.name}: the {_noun(file)} covers only {share:.1%} of the stand; expected at "
            f"least {settings.covered_min:.1%}. Bring a larger raster"
            f"{'' if file.input == 'canopy_height' else ', or lower [terrain] covered_min'}."
        )
        raise FileError(msg)


def _read(
    raster: Raster,
    file: FieldFile,
    place: tuple[CRS, StandArea],
    settings: TerrainSettings,
    log: RecordLog,
) -> Elevation:
    """Heights of an open raster."""
    crs, stand = place
    notice = partial(log.notice, stand=stand.number)
    metres = _metres_a_unit(raster, file, crs, settings, notice)
    bounds = _with_margin(stand, settings.margin_m)
    plain = same_crs(crs, stand.crs) and _is_upright(raster.transform)
    window = _window(raster, bounds if plain else _bounds_in(bounds, stand.crs, crs))
    if window[2] * window[3] > CELLS_MAX:
        msg = (
            f"{file.name}: the stand with a margin of {settings.margin_m:g} m has "
            f"{window[2] * window[3]:,} cells; expected at most {CELLS_MAX:,}. Resample the "
            "raster to larger cells."
        )
        raise FileError(msg)
    heights, transform = _cell_heights(raster, window, file, notice)
    heights *= metres
    if plain:
        return _elevation(heights, transform, file)
    return _warped((heights, transform, crs), bounds, stand, file)


def _with_margin(stand: StandArea, margin_m: float) -> tuple[float, float, float, float]:
    """Bounds of the stand and a margin."""
    west, south, east, north = stand.area.bounds  # type: ignore[union-attr] # there is a stand
    return west - margin_m, south - margin_m, east + margin_m, north + margin_m


def _is_upright(transform: Transform) -> bool:
    """Whether rows run from west to east and follow each other from north to south."""
    return bool(transform.b == 0 and transform.d == 0 and transform.a > 0 and transform.e < 0)


def _bounds_in(
    bounds: tuple[float, float, float, float], crs: CRS, other: CRS
) -> tuple[float, float, float, float]:
    """Bounds in another coordinate system."""
    from pyproj import Transformer  # noqa: PLC0415 - only where there is terrain

    turned = Transformer.from_crs(crs, other, always_xy=True).transform_bounds(*bounds)
    if not all(math.isfinite(value) for value in turned):
        msg = "the raster's coordinate system does not reach the stand"
        raise ValueError(msg)
    return turned


def _window(raster: Raster, bounds: tuple[float, float, float, float]) -> tuple[int, int, int, int]:
    """Left column, top row, columns and rows of the raster that cover bounds, within it."""
    west, south, east, north = bounds
    x, y = np.array([west, west, east, east]), np.array([south, north, south, north])
    back = ~raster.transform
    columns, rows = back.a * x + back.b * y + back.c, back.d * x + back.e * y + back.f
    left = max(math.floor(columns.min()) - SPARE_CELLS, 0)
    top = max(math.floor(rows.min()) - SPARE_CELLS, 0)
    right = min(math.ceil(columns.max()) + SPARE_CELLS, raster.width)
    bottom = min(math.ceil(rows.max()) + SPARE_CELLS, raster.height)
    return left, top, max(right - left, 0), max(bottom - top, 0)


def _cell_heights(
    raster: Raster,
    window: tuple[int, int, int, int],
    file: FieldFile,
    notice: Callable[[str], None],
) -> tuple[npt.NDArray[np.float64], Transform]:
    """Heights of a window in the raster's unit, NaN where missing, and its transform."""
    from rasterio.windows import Window  # noqa: PLC0415 - only where there is terrain

    place = Window(*window)
    cells = raster.read(1, window=place, masked=True)
    missing = np.ma.getmaskarray(cells)
    undeclared = ~missing & np.isin(cells.data, UNDECLARED_NODATA)
    if undeclared.any():
        held = ", ".join(f"{value:g}" for value in np.unique(cells.data[undeclared]))
        notice(
            f"{file.name}: {int(undeclared.sum()):,} cells hold {held}, which is no height; they "
            "are taken as missing. Declare it as the no-data value."
        )
    heights = cells.data.astype(np.float64)
    heights = heights * float(raster.scales[0]) + float(raster.offsets[0])
    heights[missing | undeclared | ~np.isfinite(heights)] = np.nan
    return heights, raster.window_transform(place)


def _elevation(
    heights: npt.NDArray[np.float64], transform: Transform, file: FieldFile
) -> Elevation:
    """Heights with their place."""
    return Elevation(
        heights_m=heights,
        west_m=float(transform.c),
        north_m=float(transform.f),
        cell_x_m=float(transform.a),
        cell_y_m=float(-transform.e),
        file=file.name,
    )


def _warped(
    source: tuple[npt.NDArray[np.float64], Transform, CRS],
    bounds: tuple[float, float, float, float],
    stand: StandArea,
    file: FieldFile,
) -> Elevation:
    """Heights carried to square cells in the working CRS, bilinear."""
    from rasterio.transform import from_origin  # noqa: PLC0415 - only where there is terrain
    from rasterio.warp import Resampling, reproject  # noqa: PLC0415 - the same

    heights, transform, crs = source
    cell = _cell_m(transform, crs, stand)
    west = math.floor(bounds[0] / cell) * cell
    north = math.ceil(bounds[3] / cell) * cell
    shape = math.ceil((north - bounds[1]) / cell), math.ceil((bounds[2] - west) / cell)
    if shape[0] * shape[1] > CELLS_MAX:
        msg = (
            f"{file.name}: the stand with its margin has {shape[0] * shape[1]:,} cells; expected "
            f"at most {CELLS_MAX:,}. Resample the raster to larger cells."
        )
        raise FileError(msg)
    there = from_origin(west, north, cell, cell)
    carried = np.full(shape, np.nan)
    if heights.size:
        reproject(
            heights,
            carried,
            src_transform=transform,
            src_crs=crs.to_wkt(),
            src_nodata=np.nan,
            dst_transform=there,
            dst_crs=stand.crs.to_wkt(),
            dst_nodata=np.nan,
            resampling=Resampling.bilinear,
        )
    return _elevation(carried, there, file)


def _cell_m(transform: Transform, crs: CRS, stand: StandArea) -> float:
    """Side of the square that has the area of a cell at the stand [m]."""
    from pyproj import Transformer  # noqa: PLC0415 - only where there is terrain

    middle = stand.area.centroid  # type: ignore[union-attr] # there is a stand
    to_raster = Transformer.from_crs(stand.crs, crs, always_xy=True)
    x, y = to_raster.transform(middle.x, middle.y)
    corners_x = np.array([x, x + transform.a, x + transform.b])
    corners_y = np.array([y, y + transform.d, y + transform.e])
    east, north = to_raster.transform(corners_x, corners_y, direction="INVERSE")
    one = np.array([east[1] - east[0], north[1] - north[0]])
    two = np.array([east[2] - east[0], north[2] - north[0]])
    return float(np.sqrt(abs(one[0] * two[1] - one[1] * two[0])))


def _metres_a_unit(
    raster: Raster,
    file: FieldFile,
    crs: CRS,
    settings: TerrainSettings,
    notice: Callable[[str], None],
) -> float:
    """Size of the unit of heights: as the project file states, else as the raster does [m]."""
    if settings.height_unit is not None:
        return _UNITS[settings.height_unit]
    said = (raster.units[0] or "").strip()
    if said.casefold() in _UNITS:
        return _UNITS[said.casefold()]
    vertical = _vertical_unit_m(raster)
    if not said and vertical is not None:
        return vertical
    what = f"says that heights are in '{said}', which is no" if said else "does not say the"
    feet = any("foot" in axis.unit_name.casefold() for axis in crs.axis_info)
    table = "[canopy]" if file.input == "canopy_height" else "[terrain]"
    hint = " Its map coordinates are in feet, so heights may be as well." if feet else ""
    notice(
        f"{file.name}: it {what} unit of its heights; they are taken for metres.{hint} State "
        f'{table} height_unit = "m" or "ft".'
    )
    return 1.0


def _noun(file: FieldFile) -> str:
    """What a raster is called."""
    return file.input.replace("_", " ")


def _vertical_unit_m(raster: Raster) -> float | None:
    """Size of the unit of the vertical part of a compound coordinate system [m]."""
    if raster.crs is None:
        return None
    whole = CRS.from_wkt(raster.crs.to_wkt())
    vertical = [part for part in whole.sub_crs_list if part.is_vertical]
    return float(vertical[0].axis_info[0].unit_conversion_factor) if vertical else None
