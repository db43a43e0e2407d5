"""
Reach: how far marks stand from the nearest corridor edge, and what would bring them nearer.

A machine stays in the corridor. A tree is within reach where its distance to the nearest corridor
edge is at most that of the boom or winch line.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from glademark.measure.terrain.network import nearest_of

MOST_STUBS = 50
"""Stubs that are worked out; beyond it corridors are missing, not stubs."""

SLACK_M = 1e-6
"""A tree this much beyond reach is within it [m]."""

IntArray = npt.NDArray[np.intp]
FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Stubs:
    """
    New stubs of corridor that would bring trees within reach.

    Attributes
    ----------
    lines
        Centre lines from the corridor's edge, straight towards the farthest tree; shape (n,).
    start
        Corridor that each starts from; -1 where it starts from an earlier stub.
    tree
        Farthest tree that it serves, a position among the points.
    served
        Stub that brings each point within reach, -1 where it is within reach already or still
        beyond; shape (points,).
    """

    lines: GeometryArray
    start: IntArray
    tree: IntArray
    served: IntArray


def to_corridor(points: GeometryArray, strips: GeometryArray) -> tuple[FloatArray, IntArray]:
    """
    Distance of points to the nearest corridor edge, and which corridor that is.

    Parameters
    ----------
    points
        Points, projected CRS [m]; shape (n,).
    strips
        Polygons of corridors in the same CRS; empty ones are passed over; shape (m,).

    Returns
    -------
    distance_m
        0 inside a corridor; NaN without corridors; shape (n,).
    corridor
        Position of the nearest strip; -1 without corridors.
    """
    distance, nearest = np.full(len(points), np.nan), np.full(len(points), -1, dtype=np.intp)
    some = ~shapely.is_empty(strips)
    if some.any() and len(points):
        row, strip, away = nearest_of(shapely.STRtree(strips), points)
        distance[row], nearest[row] = away, strip
    return distance, nearest


def shortest_stubs(
    points: GeometryArray, strips: GeometryArray, *, reach_m: float, width_m: float
) -> Stubs:
    """
    The shortest straight stubs that bring trees within reach, the farthest tree first.

    A stub runs from the nearest corridor edge straight towards the tree until it is within reach
    of the stub's end: no shorter corridor can do that for this tree, since the ground within reach
    of it begins that far from the edge. What else comes within reach of the stub is served by it;
    the farthest of the others is next, and may start from a stub. For several trees together the
    total is good, but not proved to be the least.

    Parameters
    ----------
    points
        Points, projected CRS [m]; shape (n,).
    strips
        Polygons of corridors in the same CRS; shape (m,).
    reach_m
        Of the machine from the corridor's edge [m].
    width_m
        Of a stub [m].

    Returns
    -------
    stubs
        At most `MOST_STUBS`; none without corridors. One loop over stubs.
    """
    away, corridor = to_corridor(points, strips)
    left = np.flatnonzero(away > reach_m + SLACK_M)
    served = np.full(len(points), -1, dtype=np.intp)
    lines: list[shapely.LineString] = []
    start: list[int] = []
    trees: list[int] = []
    ground, base = list(strips), corridor.copy()
    while len(left) and len(lines) < MOST_STUBS:
        tree = left[np.argmax(away[left])]
        stub = _stub(points[tree], ground[base[tree]], reach_m)
        area = shapely.buffer(stub, width_m / 2, cap_style="flat")
        lines.append(stub)
        start.append(int(base[tree]) if base[tree] < len(strips) else -1)
        trees.append(int(tree))
        ground.append(area)
        nearer = shapely.distance(points[left], area)
        closer = nearer < away[left]
        base[left] = np.where(closer, len(ground) - 1, base[left])
        away[left] = np.minimum(away[left], nearer)
        done = away[left] <= reach_m + SLACK_M
        served[left[done]] = len(lines) - 1
        left = left[~done]
    return Stubs(
        lines=np.array(lines, dtype=object),
        start=np.array(start, dtype=np.intp),
        tree=np.array(trees, dtype=np.intp),
        served=served,
    )


def _stub(tree: shapely.Point, ground: shapely.Geometry, reach_m: float) -> shapely.LineString:
    """From the edge of a corridor straight towards a tree, as far as is needed."""
    edge, mark = shapely.get_coordinates(shapely.shortest_line(ground, tree))
    way = mark - edge
    far = float(np.hypot(*way))
    return shapely.LineString([edge, edge + way * ((far - reach_m) / far)])
