"""Heights of the terrain raster: the window of the stand, in metres and in the working CRS."""

import math
from collections.abc import Callable
from functools import partial
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
from pyproj import CRS

from glademark.contracts.elevation import Elevation
from glademark.errors import FileError, InputError
from glademark.intake.crs import same_crs
from glademark.intake.formats.files import FieldFile
from glademark.intake.formats.raster_tiles import Raster, open_raster
from glademark.intake.record_log import RecordLog
from glademark.intake.site import StandArea
from glademark.intake.terrain import UNDECLARED_NODATA
from glademark.project.model import TerrainSettings
from glademark.units import FOOT_M

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


def refuse_little_cover(file: FieldFile, share: float, settings: TerrainSettings) -> None:
    """Refuse a raster that has heights for too small a share of a stand."""
    if share < settings.covered_min:
        msg = (
            f"{file.name}: the terrain covers only {share:.1%} of the stand; expected at least "
            f"{settings.covered_min:.1%}. Bring a larger raster, or lower [terrain] covered_min."
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
    heights, transform = _heights(raster, window, file, notice)
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
        msg = "the terrain's coordinate system does not reach the stand"
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


def _heights(
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
    hint = " Its map coordinates are in feet, so heights may be as well." if feet else ""
    notice(
        f"{file.name}: it {what} unit of its heights; they are taken for metres.{hint} State "
        '[terrain] height_unit = "m" or "ft".'
    )
    return 1.0


def _vertical_unit_m(raster: Raster) -> float | None:
    """Size of the unit of the vertical part of a compound coordinate system [m]."""
    if raster.crs is None:
        return None
    whole = CRS.from_wkt(raster.crs.to_wkt())
    vertical = [part for part in whole.sub_crs_list if part.is_vertical]
    return float(vertical[0].axis_info[0].unit_conversion_factor) if vertical else None
