"""What the map of a comparison shows, as plain shapes that page and sheet draw alike."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    import geopandas as gpd
    import numpy.typing as npt

    from glademark.comparison.comparison import Comparison
    from glademark.contracts.layout import Layout

SYMBOLS = (
    ("matched", "dot", "marked and cut"),
    ("left_standing", "ring", "marked, no stump found"),
    ("unmarked", "triangle", "cut, no mark matched"),
    ("unmarked_in_corridor", "wedge", "cut, no mark matched, in a corridor"),
    ("tallied", "bar", "cut, counted on paper"),
    ("cleared", "diamond", "cut, no mark, cleared in an opening"),
    ("other", "square", "stump matched to a leave, line, danger or unconfirmed tree"),
)
"""Key, form and words of every symbol: told apart by form, not by colour."""

_SIMPLER_M = 0.2  # outlines may be drawn so much off [m]


@dataclass(frozen=True, kw_only=True, slots=True)
class MapShapes:
    """
    Shapes in paper units: x to the right, y down.

    Attributes
    ----------
    width, height
        Of the map.
    scale
        Metres of one unit.
    areas
        By name (stand, corridor, opening, opening_after): rings, each (n, 2).
    lines
        Stretches driven off corridors, each (n, 2).
    points
        By key of `SYMBOLS`: place and whether it is doubtful, each (n, 3).
    """

    width: float
    height: float
    scale: float
    areas: dict[str, list[npt.NDArray[np.float64]]]
    lines: list[npt.NDArray[np.float64]]
    points: dict[str, npt.NDArray[np.float64]]


def map_shapes(comparison: Comparison, layout: Layout, *, width: float) -> MapShapes:
    """The map of a comparison."""
    west, south, east, north = layout.stand.total_bounds
    margin = 0.03 * max(east - west, north - south)
    corner, scale = (west - margin, north + margin), (east - west + 2 * margin) / width
    placed = partial(_placed, corner=corner, scale=scale)
    parts = shapely.get_parts(comparison.driven_outside.geometry.to_numpy())
    return MapShapes(
        width=width,
        height=(north - south + 2 * margin) / scale,
        scale=scale,
        areas={
            "stand": [placed(xy) for xy in _rings(layout.stand)],
            "corridor": [placed(xy) for xy in _rings(layout.corridors)],
            "opening": [placed(xy) for xy in _rings(layout.openings)],
            "opening_after": [placed(xy) for xy in _rings(comparison.openings_after)],
        },
        lines=[placed(shapely.get_coordinates(line)) for line in parts],
        points={
            key: np.column_stack([placed(xy), doubtful])
            for key, (xy, doubtful) in _points(comparison).items()
        },
    )


def _placed(
    xy: npt.NDArray[np.float64], *, corner: tuple[float, float], scale: float
) -> npt.NDArray[np.float64]:
    """Places in paper units, from the upper left corner."""
    return np.column_stack([(xy[:, 0] - corner[0]) / scale, (corner[1] - xy[:, 1]) / scale])


def _rings(areas: gpd.GeoDataFrame) -> list[npt.NDArray[np.float64]]:
    """Outlines of areas, a little simplified."""
    parts = shapely.get_parts(areas.geometry.to_numpy())
    every = shapely.get_rings(shapely.simplify(parts, _SIMPLER_M))
    return [shapely.get_coordinates(ring) for ring in every]


def _points(
    comparison: Comparison,
) -> dict[str, tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]]:
    """Place of each stump and of each tree without one, by its symbol."""
    stumps, trees = comparison.stumps, comparison.trees
    standing = trees[(trees["kind"] == "cut") & (trees["finding"] == "no_stump")]
    own = {"matched", "unmarked", "unmarked_in_corridor", "tallied", "cleared"}
    rows = {key: stumps[stumps["finding"] == key] for key in own}
    rows |= {"left_standing": standing, "other": stumps[~stumps["finding"].isin(own)]}
    return {
        key: (
            shapely.get_coordinates(rows[key].geometry.to_numpy()),
            rows[key]["doubtful"].to_numpy(dtype=float),
        )
        for key, _, _ in SYMBOLS
    }
