"""Shapes as the page holds them: metres from a corner of the stand, to the centimetre."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd
    import numpy.typing as npt

_DECIMALS = 2  # 1 cm: no receiver and no screen shows less
_TOLERANCE_M = 0.05  # vertices that nobody can see are left out of what is drawn, never of an area
_GRID_M = 100.0  # the corner is a round coordinate

Rings = list[list[list[list[float]]]]
"""For each feature its polygons, for each of these its outer ring and holes, as numbers."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Plane:
    """
    Where the page's zero lies.

    Attributes
    ----------
    east_m, north_m
        Coordinates of that corner in the working CRS.
    """

    east_m: float
    north_m: float

    @classmethod
    def below(cls, layer: gpd.GeoDataFrame) -> Plane:
        """Plane with its zero at a round coordinate below and left of a layer."""
        west, south, _, _ = layer.total_bounds
        return cls(
            east_m=float(np.floor(west / _GRID_M) * _GRID_M),
            north_m=float(np.floor(south / _GRID_M) * _GRID_M),
        )

    def points(self, layer: gpd.GeoDataFrame) -> npt.NDArray[np.float32]:
        """
        Positions of the points of a layer.

        Parameters
        ----------
        layer
            Point rows in the working CRS.

        Returns
        -------
        positions
            One row a point: x and y [m]; NaN for an empty point.
        """
        xy = np.column_stack([layer.geometry.x, layer.geometry.y])
        return np.asarray(xy - [self.east_m, self.north_m], dtype=np.float32)

    def rings(self, shapes: Sequence[object] | gpd.GeoSeries) -> tuple[Rings, Rings]:
        """
        Outlines of polygons as a script draws them.

        Parameters
        ----------
        shapes
            Polygons and multipolygons in the working CRS; others are empty.

        Returns
        -------
        xs, ys
            Coordinates [m] of every ring.
        """
        moved = shapely.transform(
            shapely.simplify(np.asarray(shapes, dtype=object), _TOLERANCE_M),
            lambda xy: np.round(xy - [self.east_m, self.north_m], _DECIMALS),
        )
        outlines = [_outlines(shape) for shape in moved]
        xs, ys = (
            [[[ring[:, axis].tolist() for ring in part] for part in parts] for parts in outlines]
            for axis in (0, 1)
        )
        return xs, ys

    def box(self, shape: shapely.Geometry) -> list[float]:
        """
        Bounds of one shape.

        Parameters
        ----------
        shape
            In the working CRS, not empty.

        Returns
        -------
        box
            West, south, east, north [m].
        """
        west, south, east, north = shapely.bounds(shape).tolist()
        zero = (self.east_m, self.north_m) * 2
        corners = (west, south, east, north)
        return [round(at - from_, _DECIMALS) for at, from_ in zip(corners, zero, strict=True)]


def _outlines(shape: shapely.Geometry) -> list[list[npt.NDArray[np.float64]]]:
    """Coordinates of the rings of each polygon, the outer one first."""
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return [
        [shapely.get_coordinates(ring) for ring in (part.exterior, *part.interiors)]
        for part in parts
        if not part.is_empty
    ]
