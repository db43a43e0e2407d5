"""Corridor lines as edges that meet in nodes: ends that nearly meet are linked, crossings cut."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

GRID_M = 0.001
"""Grid of the nodes [m]: what lies closer is one node."""

OWN_LINE = 4.0
"""An end is not linked to its own line within so many snapping distances along it."""

IntArray = npt.NDArray[np.intp]
FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Edges:
    """
    Pieces of corridor between nodes, outside the landings.

    Attributes
    ----------
    geometry
        LineStrings, shape (n,).
    ends
        Node at the start and at the end of each, shape (n, 2).
    nodes
        Coordinates of the nodes, shape (nodes, 2).
    length_m
        Of each edge.
    line
        Line that it came from; shape (n,).
    inside
        Whether it lies in the stand.
    """

    geometry: GeometryArray
    ends: IntArray
    nodes: FloatArray
    length_m: FloatArray
    line: IntArray
    inside: npt.NDArray[np.bool_]


def node_lines(
    lines: GeometryArray, *, stand: BaseGeometry, landing: BaseGeometry, snap_m: float
) -> Edges:
    """
    Lines as edges between nodes.

    Nodes are: where lines cross or touch, where an end comes within the snapping distance of a
    line or of a landing (a straight link is added), where a line enters a landing (it stops there)
    or the stand.

    Parameters
    ----------
    lines
        LineStrings, projected CRS in metres; shape (n,).
    snap_m
        Snapping distance [m].
    """
    links = [end_links(lines, snap_m=snap_m), landing_links(lines, landing, snap_m=snap_m)]
    every = np.concatenate([lines, *links])
    outside = shapely.difference(every, landing)
    shapely.prepare(stand)
    pieces = [shapely.intersection(outside, stand), shapely.difference(outside, stand)]
    noded = shapely.get_parts(shapely.union_all(np.concatenate(pieces), grid_size=GRID_M))
    noded = noded[(shapely.get_dimensions(noded) == 1) & (shapely.length(noded) > 0)]
    return _edges(np.asarray(noded, dtype=object), lines, stand)


def _edges(noded: GeometryArray, lines: GeometryArray, stand: BaseGeometry) -> Edges:
    """Edges with their nodes, lines and place."""
    coordinates = np.concatenate(
        [shapely.get_coordinates(shapely.get_point(noded, i)) for i in (0, -1)]
    ).reshape(-1, 2)
    on_grid = np.rint(coordinates / GRID_M).astype(np.int64)
    _, first, node = np.unique(on_grid, axis=0, return_index=True, return_inverse=True)
    middle = shapely.line_interpolate_point(noded, 0.5, normalized=True)
    line = np.zeros(len(noded), dtype=np.intp)
    if len(noded):
        line = shapely.STRtree(lines).query_nearest(middle, all_matches=False)[1]
    return Edges(
        geometry=noded,
        ends=node.reshape(2, -1).T.astype(np.intp),
        nodes=coordinates[first],
        length_m=np.asarray(shapely.length(noded), dtype=np.float64),
        line=line,
        inside=np.asarray(shapely.intersects(stand, middle), dtype=bool),
    )


def end_links(lines: GeometryArray, *, snap_m: float) -> GeometryArray:
    """
    Straight links from line ends to the lines that they nearly reach.

    Parameters
    ----------
    lines
        LineStrings, projected CRS [m]; shape (n,).
    snap_m
        Snapping distance [m].
    """
    if not len(lines):
        return np.array([], dtype=object)
    segments, owner, begin = _segments(lines)
    length = shapely.length(lines)
    ends = np.concatenate([shapely.get_point(lines, i) for i in (0, -1)])
    mine = np.tile(np.arange(len(lines)), 2)
    at = np.concatenate([np.zeros(len(lines)), length])
    end, segment = shapely.STRtree(segments).query(ends, predicate="dwithin", distance=snap_m)
    where = begin[segment] + shapely.line_locate_point(segments[segment], ends[end])
    own = (owner[segment] == mine[end]) & (np.abs(where - at[end]) <= OWN_LINE * snap_m)
    end, segment = end[~own], segment[~own]
    away = shapely.distance(ends[end], segments[segment])
    order = np.lexsort((away, owner[segment], end))
    pair = np.column_stack([end, owner[segment]])[order]
    nearest = order[np.unique(pair, axis=0, return_index=True)[1]] if len(order) else order
    nearest = nearest[away[nearest] > GRID_M / 2]
    found = shapely.shortest_line(ends[end[nearest]], segments[segment[nearest]])
    return np.asarray(found, dtype=object)


def landing_links(lines: GeometryArray, landing: BaseGeometry, *, snap_m: float) -> GeometryArray:
    """
    Straight links from lines that come close to a landing without reaching it.

    Parameters
    ----------
    lines
        LineStrings, projected CRS [m]; shape (n,).
    snap_m
        Snapping distance [m].
    """
    sites = shapely.get_parts(landing)
    if not len(lines) or not len(sites):
        return np.array([], dtype=object)
    line, site = shapely.STRtree(sites).query(lines, predicate="dwithin", distance=snap_m)
    apart = shapely.distance(lines[line], sites[site]) > 0
    return np.asarray(shapely.shortest_line(lines[line[apart]], sites[site[apart]]), dtype=object)


def _segments(lines: GeometryArray) -> tuple[GeometryArray, IntArray, FloatArray]:
    """Straight pieces of lines, their line, and the distance along it at which they begin."""
    points, owner = shapely.get_coordinates(lines, return_index=True)
    follows = owner[1:] == owner[:-1]
    pairs = np.stack([points[:-1][follows], points[1:][follows]], axis=1)
    size = np.hypot(*(pairs[:, 1] - pairs[:, 0]).T)
    line = owner[:-1][follows].astype(np.intp)
    ended = np.cumsum(size) - size
    first = np.unique(line, return_index=True)[1]
    begin = ended - ended[first][np.searchsorted(line[first], line)]
    return np.asarray(shapely.linestrings(pairs), dtype=object), line, begin
