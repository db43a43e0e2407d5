"""Overlays of polygons that stay polygons, on a grid only where the plain operation fails."""

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

GRID_M = 0.001
"""Snapping grid of the fallback [m]; it costs about 1e-7 of the area."""

_LINE, _POLYGON, _MULTIPOLYGON = 1, 3, 6

GeometryArray = npt.NDArray[np.object_]


def only_polygons(geometry: object) -> GeometryArray:
    """
    Geometries less their points and lines, which an overlay leaves where edges touch.

    Parameters
    ----------
    geometry
        Any geometries, shape (n,).

    Returns
    -------
    polygons
        Polygon or MultiPolygon, empty where nothing has an area; shape (n,).

    Examples
    --------
    >>> only_polygons([shapely.LineString([(0, 0), (1, 1)])])[0].is_empty
    True
    """
    out = np.array(geometry, dtype=object, ndmin=1)
    for i in np.flatnonzero(~_are_polygons(out)):
        parts = shapely.get_parts(shapely.get_parts(out[i]))
        areas = parts[_are_polygons(parts)]
        out[i] = shapely.union_all(areas) if len(areas) else shapely.MultiPolygon()
    return out


def _are_polygons(geometry: GeometryArray) -> npt.NDArray[np.bool_]:
    """Which geometries are Polygons or MultiPolygons."""
    kind = shapely.get_type_id(geometry)
    return np.asarray((kind == _POLYGON) | (kind == _MULTIPOLYGON))


def only_polygon(geometry: BaseGeometry) -> BaseGeometry:
    """
    One geometry less its points and lines.

    Parameters
    ----------
    geometry
        Any geometry.

    Returns
    -------
    polygon
        Polygon or MultiPolygon, perhaps empty.
    """
    found: BaseGeometry = only_polygons([geometry])[0]
    return found


def as_multi(geometry: object) -> GeometryArray:
    """
    Polygons as MultiPolygons, lines as MultiLineStrings.

    Parameters
    ----------
    geometry
        Polygons or lines, single or multi; shape (n,).

    Returns
    -------
    multi
        Shape (n,).
    """
    out = np.array(geometry, dtype=object, ndmin=1)
    kind, empty = shapely.get_type_id(out), shapely.is_empty(out)
    for single, build, nothing in (
        (_POLYGON, shapely.multipolygons, shapely.MultiPolygon()),
        (_LINE, shapely.multilinestrings, shapely.MultiLineString()),
    ):
        chosen = (kind == single) & ~empty
        out[chosen] = build(out[chosen], indices=np.arange(np.count_nonzero(chosen)))
        out[(kind == single) & empty] = nothing
    return out


def split(whole: BaseGeometry, area: BaseGeometry) -> tuple[BaseGeometry, BaseGeometry]:
    """
    The part of a polygon inside an area, and the rest.

    Parameters
    ----------
    whole, area
        Polygons or MultiPolygons in one projected CRS.

    Returns
    -------
    inside, outside
        Their areas add up to that of `whole`.

    Examples
    --------
    >>> inside, outside = split(shapely.box(0, 0, 4, 1), shapely.box(1, 0, 9, 9))
    >>> inside.area, outside.area
    (3.0, 1.0)
    """
    try:
        pieces = shapely.intersection(whole, area), shapely.difference(whole, area)
    except shapely.GEOSException:
        pieces = (
            shapely.intersection(whole, area, grid_size=GRID_M),
            shapely.difference(whole, area, grid_size=GRID_M),
        )
    return only_polygon(pieces[0]), only_polygon(pieces[1])
