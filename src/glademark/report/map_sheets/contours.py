"""Contour lines of the ground, at a round interval in the user's unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.units import SHOWN_LENGTH_M

if TYPE_CHECKING:
    import geopandas as gpd

    from glademark.contracts.layers import Units
    from glademark.report.map_sheets.drawing.map_frame import MapFrame

_STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500)
_INDEX_EVERY = 5
_APART_PT = 9.0  # that contour lines should have between them on average


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


def contour_interval(layer: gpd.GeoDataFrame, frame: MapFrame, units: Units) -> int:
    """
    Round interval of contour lines for a map.

    Parameters
    ----------
    layer
        Columns of `contracts.layers.CONTOURS`; at least one row.
    frame
        The map.
    units
        What the project shows.

    Returns
    -------
    interval
        In feet or metres, a multiple of the layer's own, so that lines are 9 points apart or more
        on average: the mean slope is the interval times the length of all lines over the area.
    """
    size = SHOWN_LENGTH_M[units]
    own_m = float(layer["interval_m"].iloc[0])
    ground = shapely.box(*frame.ground)
    area_m2 = shapely.intersection(ground, shapely.box(*layer.total_bounds)).area
    lines = shapely.clip_by_rect(layer.geometry.to_numpy(), *frame.ground)
    slope = own_m * float(shapely.length(lines).sum()) / area_m2 if area_m2 > 0 else 0.0
    least = slope * _APART_PT * frame.metres_per_point / size
    own = round(own_m / size)
    steps = [step for step in _STEPS if step % own == 0]
    return next((step for step in steps if step >= least), steps[-1])


def contours(
    layer: gpd.GeoDataFrame, frame: MapFrame, units: Units, *, interval: int
) -> list[Contour]:
    """
    Contour lines of a map.

    Parameters
    ----------
    layer
        Columns of `contracts.layers.CONTOURS`.
    frame
        The map.
    units
        What the project shows.
    interval
        In feet or metres, as from `contour_interval`.

    Returns
    -------
    contours
        Those that meet the map, rising; every fifth is an index contour.
    """
    heights = np.round(layer["elevation_m"].to_numpy(dtype=float) / SHOWN_LENGTH_M[units]).astype(
        int
    )
    shown = heights % interval == 0
    found = []
    for height, lines in zip(heights[shown], layer.geometry.to_numpy()[shown], strict=True):
        drawn = frame.drawn(list(shapely.get_parts(lines)))
        if len(drawn):
            found.append(
                Contour(
                    height=int(height),
                    lines=drawn,
                    is_index=int(height) // interval % _INDEX_EVERY == 0,
                )
            )
    return found
