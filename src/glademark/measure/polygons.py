"""Overlays of polygons that stay polygons, on a grid only where the plain operation fails."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from itertools import pairwise
from typing import cast

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

GRID_M = 0.001
"""Snapping grid of the fallback [m]; it costs about 1e-7 of the area."""

AT_ONCE = 50_000
"""Vertices from which it pays to share them out."""

MOST_SHARES = 16
"""Shares at most."""

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
    """One geometry less its points and lines."""
    found: BaseGeometry = only_polygons([geometry])[0]
    return found


def as_multi(geometry: object) -> GeometryArray:
    """
    Polygons as MultiPolygons, lines as MultiLineStrings.

    Parameters
    ----------
    geometry
        Polygons or lines, single or multi; shape (n,).
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


def union_by(
    pieces: GeometryArray,
    owners: npt.NDArray[np.intp],
    count: int,
    *,
    grid_size: float | None = None,
) -> GeometryArray:
    """
    Union of the pieces of each owner.

    Parameters
    ----------
    pieces
        Geometries, shape (n,).
    owners
        Number of the owner of each, shape (n,).
    grid_size
        Grid on which they are united [m]; None for none.
    """
    order = np.argsort(owners, kind="stable")
    size, pieces = np.bincount(owners, minlength=count), pieces[order]
    found = np.full(count, shapely.GeometryCollection(), dtype=object)
    some = np.flatnonzero(size)
    ends = np.cumsum(size)[some].tolist()
    unite = united if grid_size is None else partial(shapely.union_all, grid_size=grid_size)
    found[some] = shared_out(unite, [pieces[a:b] for a, b in pairwise([0, *ends])])
    return found


def united(pieces: GeometryArray) -> BaseGeometry:
    """Union of some geometries; those that cannot meet, and one area alone, are not overlaid."""
    if len(pieces) == 1 and _are_polygons(pieces)[0] and not shapely.is_empty(pieces[0]):
        return cast("BaseGeometry", pieces[0])
    return shapely.disjoint_subset_union_all(pieces)


def shared_out(
    unite: Callable[[GeometryArray], BaseGeometry], groups: Sequence[GeometryArray]
) -> GeometryArray:
    """What comes of each group of geometries, on all processors where there is enough to do."""
    found = np.empty(len(groups), dtype=object)
    if not groups or shapely.get_num_coordinates(np.concatenate(groups)).sum() < AT_ONCE:
        found[:] = [unite(group) for group in groups]
        return found
    with ThreadPoolExecutor() as workers:
        shares = np.array_split(np.arange(len(groups)), MOST_SHARES)
        parts = workers.map(lambda share: [unite(groups[place]) for place in share], shares)
        found[:] = [one for part in parts for one in part]
    return found


def without(whole: GeometryArray, area: GeometryArray) -> GeometryArray:
    """
    Polygons less areas of their own; nothing is done where there is nothing to take out.

    Parameters
    ----------
    whole, area
        Polygons or MultiPolygons in one projected CRS; shape (n,).

    Returns
    -------
    left
        Polygon or MultiPolygon, perhaps empty; shape (n,).
    """
    left = np.array(whole, dtype=object)
    some = ~shapely.is_empty(area) & ~shapely.is_empty(whole)
    left[some] = shapely.difference(whole[some], area[some])
    return only_polygons(left)


def split_each(whole: GeometryArray, area: GeometryArray) -> tuple[GeometryArray, GeometryArray]:
    """
    The part of each polygon inside an area of its own, and the rest.

    Parameters
    ----------
    whole, area
        Polygons or MultiPolygons in one projected CRS; shape (n,).

    Returns
    -------
    inside, outside
        Their areas add up to those of `whole`; shape (n,).
    """
    inside, outside = np.full(len(whole), shapely.MultiPolygon(), dtype=object), whole.copy()
    some = ~shapely.is_empty(area) & ~shapely.is_empty(whole)
    try:
        pieces = [
            cut(whole[some], area[some]) for cut in (shapely.intersection, shapely.difference)
        ]
    except shapely.GEOSException:
        pairs = [
            _split_on_grid(one, other) for one, other in zip(whole[some], area[some], strict=True)
        ]
        pieces = [*np.array(pairs, dtype=object).T]
    inside[some], outside[some] = (only_polygons(piece) for piece in pieces)
    return inside, outside


def _split_on_grid(whole: BaseGeometry, area: BaseGeometry) -> tuple[BaseGeometry, BaseGeometry]:
    """One polygon split, on a grid only where the plain operation fails."""
    try:
        return shapely.intersection(whole, area), shapely.difference(whole, area)
    except shapely.GEOSException:
        return (
            shapely.intersection(whole, area, grid_size=GRID_M),
            shapely.difference(whole, area, grid_size=GRID_M),
        )


def split(whole: BaseGeometry, area: BaseGeometry) -> tuple[BaseGeometry, BaseGeometry]:
    """
    The part of a polygon inside an area, and the rest.

    Parameters
    ----------
    whole, area
        Polygons or MultiPolygons in one projected CRS.

    Examples
    --------
    >>> inside, outside = split(shapely.box(0, 0, 4, 1), shapely.box(1, 0, 9, 9))
    >>> inside.area, outside.area
    (3.0, 1.0)
    """
    inside, outside = split_each(np.array([whole]), np.array([area]))
    return inside[0], outside[0]
