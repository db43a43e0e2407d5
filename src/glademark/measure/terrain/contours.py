"""Contour lines of the ground around a stand, as fine as the largest map of it can show them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely

from glademark.contracts.frames import features
from glademark.units import SHOWN_LENGTH_M

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS

    from glademark.contracts.elevation import Elevation
    from glademark.contracts.layers import Units

FloatArray = npt.NDArray[np.float64]

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
    elevation
        Heights.
    units
        What the project shows: lines stand at whole feet or metres.
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
