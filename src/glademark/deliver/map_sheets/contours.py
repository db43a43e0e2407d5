"""Contour lines of the ground, at a round interval in the user's unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.units import FOOT_M

if TYPE_CHECKING:
    from glademark.deliver.map_sheets.map_frame import MapFrame
    from glademark.elevation import Elevation
    from glademark.layers import Units

_STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500)
_INDEX_EVERY = 5
_APART_PT = 9.0  # that contour lines should have between them on average
_FINEST_PT = 2.0  # cells finer than that are averaged: paper cannot show them


@dataclass(frozen=True, kw_only=True, slots=True)
class Contour:
    """
    The lines of one height.

    Attributes
    ----------
    height
        In feet or metres.
    lines
        On the sheet [points].
    is_index
        Whether it is drawn stronger and labelled.
    """

    height: int
    lines: np.ndarray
    is_index: bool


def contour_interval(elevation: Elevation, frame: MapFrame, units: Units) -> int:
    """
    Round interval of contour lines for a map.

    Parameters
    ----------
    elevation
        Heights.
    frame
        The map.
    units
        What the project shows.

    Returns
    -------
    interval
        In feet or metres, so that lines are 9 points apart or more on average.
    """
    heights, _, _ = _window(elevation, frame)
    cell_m = _cell_m(elevation, frame)
    rows, columns = np.gradient(heights, cell_m[1], cell_m[0]) if min(heights.shape) > 1 else (0, 0)
    slopes = np.hypot(rows, columns)
    slope = float(np.nanmean(slopes)) if np.isfinite(slopes).any() else 0.0
    size = FOOT_M if units == "us" else 1.0
    least = slope * _APART_PT * frame.metres_per_point / size
    return next((step for step in _STEPS if step >= least), _STEPS[-1])


def contours(
    elevation: Elevation, frame: MapFrame, units: Units, *, interval: int
) -> list[Contour]:
    """
    Contour lines of a map.

    Parameters
    ----------
    elevation
        Heights; where there are none, there are no lines.
    frame
        The map.
    units
        What the project shows.
    interval
        In feet or metres.

    Returns
    -------
    contours
        Rising; every fifth is an index contour.
    """
    import contourpy  # noqa: PLC0415 - comes with the plotting library

    heights, x, y = _window(elevation, frame)
    known = np.isfinite(heights)
    if min(heights.shape) < 2 or not known.any():  # noqa: PLR2004 - cells of a line
        return []
    shown = heights / (FOOT_M if units == "us" else 1.0)
    generator = contourpy.contour_generator(*frame.on_paper(x, y), np.ma.masked_invalid(shown))
    low, high = np.floor(np.nanmin(shown) / interval), np.ceil(np.nanmax(shown) / interval)
    found = []
    for step in range(int(low), int(high) + 1):
        lines = [np.asarray(line) for line in generator.lines(step * interval) if len(line) > 1]
        if lines:
            ends = np.repeat(np.arange(len(lines)), [len(line) for line in lines])
            shapes = shapely.linestrings(np.concatenate(lines), indices=ends)
            found.append(
                Contour(
                    height=step * interval,
                    lines=np.asarray(shapes),
                    is_index=step % _INDEX_EVERY == 0,
                )
            )
    return found


def _cell_m(elevation: Elevation, frame: MapFrame) -> tuple[float, float]:
    """Size of a cell of the window [m]."""
    every = _thinning(elevation, frame)
    return elevation.cell_x_m * every, elevation.cell_y_m * every


def _thinning(elevation: Elevation, frame: MapFrame) -> int:
    """How many cells are averaged in a row."""
    finest = _FINEST_PT * frame.metres_per_point
    return max(1, int(finest / min(elevation.cell_x_m, elevation.cell_y_m)))


def _window(elevation: Elevation, frame: MapFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Heights under a map, averaged to what paper can show, with the middles of the cells [m]."""
    west, south, east, north = frame.ground
    rows, columns = elevation.heights_m.shape
    left = max(int((west - elevation.west_m) / elevation.cell_x_m) - 1, 0)
    right = min(int((east - elevation.west_m) / elevation.cell_x_m) + 2, columns)
    upper = max(int((elevation.north_m - north) / elevation.cell_y_m) - 1, 0)
    lower = min(int((elevation.north_m - south) / elevation.cell_y_m) + 2, rows)
    heights = elevation.heights_m[upper : max(lower, upper), left : max(right, left)]
    every = _thinning(elevation, frame)
    heights = _averaged(heights, every)
    middle = every / 2
    x = elevation.west_m + elevation.cell_x_m * (
        left + middle + every * np.arange(heights.shape[1])
    )
    y = elevation.north_m - elevation.cell_y_m * (
        upper + middle + every * np.arange(heights.shape[0])
    )
    return heights, x, y


def _averaged(heights: np.ndarray, every: int) -> np.ndarray:
    """Means of square blocks of cells; NaN where one of them is."""
    rows, columns = heights.shape[0] // every, heights.shape[1] // every
    whole = heights[: rows * every, : columns * every]
    return np.asarray(whole.reshape(rows, every, columns, every).mean(axis=(1, 3)))
