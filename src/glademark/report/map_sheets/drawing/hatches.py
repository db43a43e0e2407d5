"""Patterns that fill an area: lines and dots of their own, cut at its edge."""

from __future__ import annotations

import math
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely

if TYPE_CHECKING:
    from collections.abc import Mapping

Hatch = Literal["level", "upright", "rising", "falling", "crossed", "gridded", "dotted"]

_APART_PT = 4.0  # of level lines and of dots; slanting ones lie wider, since they look closer
_TURNS: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {
        "level": (0.0,),
        "upright": (90.0,),
        "rising": (45.0,),
        "falling": (-45.0,),
        "crossed": (45.0, -45.0),
        "gridded": (0.0, 90.0),
    }
)


def hatch_lines(area: shapely.Geometry, hatch: Hatch) -> shapely.Geometry:
    """Lines of a pattern in an area."""
    return shapely.union_all(
        [shapely.intersection(_ruled(shapely.bounds(area), turn), area) for turn in _TURNS[hatch]]
        if not shapely.is_empty(area)
        else []
    )


def hatch_dots(area: shapely.Geometry) -> np.ndarray:
    """
    Dots of the pattern ``dotted`` in an area.

    Returns
    -------
    places
        Of dots in the area, every second row set off by half; shape (n, 2).
    """
    west, south, east, north = shapely.bounds(area)
    if not math.isfinite(west):
        return np.empty((0, 2))
    rows = np.arange(math.floor(south / _APART_PT), math.ceil(north / _APART_PT) + 1)
    columns = np.arange(math.floor(west / _APART_PT) - 1, math.ceil(east / _APART_PT) + 1)
    row, column = (part.ravel() for part in np.meshgrid(rows, columns, indexing="ij"))
    places = np.column_stack([(column + row % 2 / 2) * _APART_PT, row * _APART_PT])
    return np.asarray(places[shapely.contains_xy(area, *places.T)])


def _ruled(bounds: np.ndarray, turn: float) -> shapely.Geometry:
    """Lines over some bounds, at round distances from the corner of the sheet."""
    west, south, east, north = bounds
    along = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
    across = np.array([-along[1], along[0]])
    apart = _APART_PT / max(abs(along))
    corners = np.array([(west, south), (west, north), (east, south), (east, north)])
    offs, ends = corners @ across, corners @ along
    off = apart * np.arange(math.floor(offs.min() / apart), math.ceil(offs.max() / apart) + 1)
    starts, stops = (
        off[:, None] * across + end * along for end in (ends.min() - 1, ends.max() + 1)
    )
    lines = np.asarray(shapely.linestrings(np.stack([starts, stops], axis=1)))
    return shapely.MultiLineString(list(lines))
