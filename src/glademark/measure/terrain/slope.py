"""
Slope and aspect of the ground, and what they are inside openings and zones.

References
----------
.. [1] Horn 1981: Hill shading and the reflectance map. Proceedings of the IEEE 69(1):14-47,
       doi:10.1109/PROC.1981.11918. Weights 1, 2, 1 over three rows and three columns.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.frames import features
from glademark.contracts.terrain import WINDS, Elevation
from glademark.units import SHOWN_LENGTH_M

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS
    from shapely.geometry.base import BaseGeometry

    from glademark.contracts.layers import Units
    from glademark.contracts.terrain import Elevation

FLAT = 0.02
"""Slope below which a cell faces nowhere: two metres in a hundred."""

SLOPE_COLUMNS = ("slope_mean_pct", "slope_p90_pct", "slope_max_pct", "aspect")
"""Columns of `slope_within`."""

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Gradient:
    """
    Rise of the ground per metre in every cell.

    Attributes
    ----------
    east, north
        Towards the east and the north; NaN where the cell or one of its eight neighbours has no
        height, and along the edge of the grid; shape (rows, columns).
    """

    east: FloatArray
    north: FloatArray

    @property
    def slope(self) -> FloatArray:
        """Slope of every cell."""
        return np.asarray(np.hypot(self.east, self.north))


def gradient(elevation: Elevation) -> Gradient:
    """Rise of the ground per metre by Horn's method."""
    height = elevation.heights_m
    east, north = np.full(height.shape, np.nan), np.full(height.shape, np.nan)
    if min(height.shape) > 2:  # noqa: PLR2004 - a cell with neighbours on all sides
        columns = height[:-2] + 2 * height[1:-1] + height[2:]
        rows = height[:, :-2] + 2 * height[:, 1:-1] + height[:, 2:]
        whole = ~np.isnan(height)
        known = np.ones((height.shape[0] - 2, height.shape[1] - 2), dtype=bool)
        for i in range(3):
            for j in range(3):
                bottom, right = height.shape[0] - 2 + i, height.shape[1] - 2 + j
                known &= whole[i:bottom, j:right]
        to_east = (columns[:, 2:] - columns[:, :-2]) / (8 * elevation.cell_x_m)
        to_north = (rows[:-2] - rows[2:]) / (8 * elevation.cell_y_m)
        east[1:-1, 1:-1] = np.where(known, to_east, np.nan)
        north[1:-1, 1:-1] = np.where(known, to_north, np.nan)
    return Gradient(east=east, north=north)


def slope_within(
    polygons: npt.NDArray[np.object_], elevation: Elevation, rise: Gradient
) -> pd.DataFrame:
    """
    Slope of the cells inside each polygon.

    `SLOPE_COLUMNS`, one row a polygon: mean, 90th percentile and largest slope in per cent of the
    cells whose middle lies inside (of the cell under its middle where none does), and the sector of
    the compass that most of the cells steeper than `FLAT` face. NaN and "" where no cell has a
    slope. One loop over polygons, because each has its own window of the grid.
    """
    rows = [_slopes(*cells_within(polygon, elevation, rise)) for polygon in polygons]
    return pd.DataFrame(rows, columns=list(SLOPE_COLUMNS))


def cells_within(
    polygon: BaseGeometry, elevation: Elevation, rise: Gradient
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """
    Gradient and height of the cells inside a polygon.

    One value a cell whose middle lies inside, NaN where unknown; of the cell under a point of the
    polygon where no middle does.
    """
    place = _window(polygon, elevation)
    if place is None:
        nothing = np.array([])
        return nothing, nothing, nothing
    inside = _inside(polygon, elevation, place)
    if not inside.any():
        point = polygon.representative_point()
        row, column = elevation.cell_of(np.array([point.x]), np.array([point.y]))
        at = (np.rint(row).astype(int) - place[0].start, np.rint(column).astype(int))
        at = (at[0], at[1] - place[1].start)
        inside[np.clip(at[0], 0, len(inside) - 1), np.clip(at[1], 0, inside.shape[1] - 1)] = True
    return (
        rise.east[place][inside],
        rise.north[place][inside],
        elevation.heights_m[place][inside],
    )


def _window(polygon: BaseGeometry, elevation: Elevation) -> tuple[slice, slice] | None:
    """Rows and columns of the grid around a polygon, or None where it lies beyond the grid."""
    if polygon.is_empty:
        return None
    west, south, east, north = polygon.bounds
    row, column = elevation.cell_of(np.array([west, east]), np.array([north, south]))
    rows, columns = elevation.heights_m.shape
    top, bottom = max(int(np.floor(row[0])), 0), min(int(np.ceil(row[1])) + 1, rows)
    left, right = max(int(np.floor(column[0])), 0), min(int(np.ceil(column[1])) + 1, columns)
    if top >= bottom or left >= right:
        return None
    return slice(top, bottom), slice(left, right)


def _inside(
    polygon: BaseGeometry, elevation: Elevation, place: tuple[slice, slice]
) -> npt.NDArray[np.bool_]:
    """Cells of a window whose middle lies in a polygon."""
    from rasterio.features import geometry_mask  # noqa: PLC0415 - only where there is terrain
    from rasterio.transform import from_origin  # noqa: PLC0415 - the same

    rows, columns = place
    corner = from_origin(
        elevation.west_m + columns.start * elevation.cell_x_m,
        elevation.north_m - rows.start * elevation.cell_y_m,
        elevation.cell_x_m,
        elevation.cell_y_m,
    )
    shape = rows.stop - rows.start, columns.stop - columns.start
    return np.asarray(geometry_mask([_as_rings(polygon)], shape, corner, invert=True), dtype=bool)


def _as_rings(polygon: BaseGeometry) -> dict[str, object]:
    """A polygon as lists of coordinates, which takes a tenth of the time of its own interface."""
    parts, part_of = shapely.get_rings(shapely.get_parts(polygon), return_index=True)
    points, ring_of = shapely.get_coordinates(parts, return_index=True)
    rings = np.split(points, np.flatnonzero(np.diff(ring_of)) + 1)
    polygons: list[list[object]] = [[] for _ in range(part_of[-1] + 1)]
    for part, ring in zip(part_of, rings, strict=True):
        polygons[part].append(ring.tolist())
    return {"type": "MultiPolygon", "coordinates": polygons}


def _slopes(
    east: FloatArray, north: FloatArray, _height: FloatArray
) -> tuple[float, float, float, str]:
    """Mean, 90th percentile, largest slope [%] and main aspect of some cells."""
    slope = np.hypot(east, north)
    known = ~np.isnan(slope)
    if not known.any():
        return np.nan, np.nan, np.nan, ""
    slope, east, north = slope[known], east[known], north[known]
    p90 = float(np.percentile(slope, 90))
    facing = main_aspect(east[slope >= FLAT], north[slope >= FLAT])
    return 100 * float(slope.mean()), 100 * p90, 100 * float(slope.max()), facing


def main_aspect(east: FloatArray, north: FloatArray) -> str:
    """
    Sector of the compass that most cells face.

    Examples
    --------
    >>> main_aspect(np.array([0.0]), np.array([0.3]))
    'S'
    """
    if not len(east):
        return "flat"
    bearing = np.degrees(np.arctan2(-east, -north)) % 360
    sector = np.floor((bearing + 22.5) / 45).astype(int) % 8
    return WINDS[int(np.bincount(sector, minlength=8).argmax())]


INTERVALS = (1, 5, 10, 50, 100, 500)
"""Feet or metres between two lines, one of them for all of a stand."""

_APART_M = 3.8  # on average, at least: 9 points on a map at 1:1,200
_CELL_M = 2.5  # smaller cells are averaged: an overview at 1:3,600 shows no more
_UNSEEN_M = 0.2  # vertices that move a line by less are left out
_LEAST_CELLS = 2  # of a row that a line can cross


def contour_layer(elevation: Elevation, units: Units, *, crs: CRS) -> gpd.GeoDataFrame:
    """
    Contour lines, one row a height.

    Parameters
    ----------
    crs
        Working CRS.

    Returns
    -------
    contours
        ``elevation_m`` and ``interval_m`` [m], rising; MultiLineString in the working CRS, within
        0.2 m of the line through the heights, which are averaged over 2.5 m where cells are finer.
        No rows where there are no heights, or no whole foot or metre among them.
    """
    size = SHOWN_LENGTH_M[units]
    heights, x, y = _averaged(elevation)
    known = np.isfinite(heights)
    if min(heights.shape) < _LEAST_CELLS or not known.any():
        return _layer([], [], size, crs)
    interval = _interval(heights, x, y, size)
    low, high = np.nanmin(heights) / size, np.nanmax(heights) / size
    steps = np.arange(np.ceil(low / interval), np.floor(high / interval) + 1) * interval
    lines = _lines_at(x, y, heights / size, steps)
    found = [(step, line) for step, line in zip(steps, lines, strict=True) if not line.is_empty]
    return _layer(
        [step * size for step, _ in found], [line for _, line in found], interval * size, crs
    )


def _layer(
    heights_m: list[float], lines: list[shapely.MultiLineString], interval_m: float, crs: CRS
) -> gpd.GeoDataFrame:
    """Heights and lines as a frame."""
    heights = np.array(heights_m, dtype=np.float64)
    columns = {"elevation_m": heights, "interval_m": np.full(len(heights), interval_m)}
    return features(columns, lines, crs=crs)


def _averaged(elevation: Elevation) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means of square blocks of cells, NaN where one of them is, and the blocks' middles [m]."""
    every = max(1, int(_CELL_M / max(elevation.cell_x_m, elevation.cell_y_m)))
    rows, columns = (length // every for length in elevation.heights_m.shape)
    whole = elevation.heights_m[: rows * every, : columns * every]
    heights = whole.reshape(rows, every, columns, every).mean(axis=(1, 3))
    middle = every / 2
    return (
        heights,
        elevation.west_m + elevation.cell_x_m * (middle + every * np.arange(columns)),
        elevation.north_m - elevation.cell_y_m * (middle + every * np.arange(rows)),
    )


def _interval(heights: FloatArray, x: FloatArray, y: FloatArray, size: float) -> int:
    """The widest interval whose lines are not farther apart than the largest map needs."""
    down, across = np.gradient(heights, y, x)
    slopes = np.hypot(down, across)
    slope = float(np.nanmean(slopes)) if np.isfinite(slopes).any() else 0.0
    least = slope * _APART_M / size
    return next((step for step in reversed(INTERVALS) if step <= least), INTERVALS[0])


def _lines_at(
    x: FloatArray, y: FloatArray, heights: FloatArray, steps: FloatArray
) -> list[shapely.MultiLineString]:
    """Lines of each height."""
    import contourpy  # noqa: PLC0415 - comes with the plotting library; only where there is terrain

    generator = contourpy.contour_generator(x, y, np.ma.masked_invalid(heights))
    found = []
    for step in steps.tolist():
        lines = [np.asarray(line) for line in generator.lines(step) if len(line) > 1]
        found.append(shapely.MultiLineString([shapely.LineString(line) for line in lines]))
    return list(shapely.simplify(np.array(found, dtype=object), _UNSEEN_M))
