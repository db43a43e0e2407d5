"""
The way to the landing: corridors as a graph, the shortest way from every point, wood that passes.

Distances run along the centre lines. The way from a tree to its corridor is not in them.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import dijkstra
from shapely.geometry.base import BaseGeometry

from glademark.measure.terrain.noding import GRID_M, Edges, node_lines

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
GeometryArray = npt.NDArray[np.object_]

AT_ONCE = 20_000
"""Points from which it pays to share them out."""

MOST_SHARES = 8
"""Shares at most."""


def nearest_of(
    tree: shapely.STRtree, points: npt.NDArray[np.object_]
) -> tuple[IntArray, IntArray, FloatArray]:
    """
    The nearest feature of each point, and how far it is.

    Parameters
    ----------
    tree
        Of features that are not empty, at least one; projected CRS [m].
    points
        Points in the same CRS; shape (n,).

    Returns
    -------
    distance_m
        Between the two [m].
    """
    shares = min(MOST_SHARES, 1 + len(points) // AT_ONCE)
    parts = np.array_split(points, shares)
    ask = partial(tree.query_nearest, return_distance=True, all_matches=False)
    with ThreadPoolExecutor() as workers:
        found = list(workers.map(ask, parts))
    first = np.cumsum([0, *(len(part) for part in parts[:-1])])
    rows = [pair[0] + start for (pair, _), start in zip(found, first, strict=True)]
    return (
        np.concatenate(rows),
        np.concatenate([pair[1] for pair, _ in found]),
        np.concatenate([distance for _, distance in found]),
    )


NEVER = -1
"""Stands for no node, no edge, no landing."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Network:
    """
    Corridors with the shortest way from every node to the nearest landing.

    Attributes
    ----------
    edges
        Pieces between nodes.
    distance_m
        From each node to the nearest landing; infinite where none can be reached.
    inside_m
        The part of that way that lies in the stand.
    after
        Next node on the way; `NEVER` at a landing and where none can be reached.
    by
        Edge that leads there; `NEVER` likewise.
    landing
        Number of the landing that is reached; `NEVER` where none is.
    """

    edges: Edges
    distance_m: FloatArray
    inside_m: FloatArray
    after: IntArray
    by: IntArray
    landing: IntArray


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Entry:
    """
    Points on the network.

    Attributes
    ----------
    edge
        Nearest edge of each point; shape (n,).
    at_m
        Where on it, from its start.
    distance_m
        Way to the nearest landing; infinite where none can be reached.
    inside_m
        The part of it that lies in the stand.
    landing
        Number of that landing, or `NEVER`.
    """

    edge: IntArray
    at_m: FloatArray
    distance_m: FloatArray
    inside_m: FloatArray
    landing: IntArray


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Stretches:
    """
    Pieces of corridor on which all wood goes the same way.

    Attributes
    ----------
    geometry
        LineStrings that run towards the landing, where one is reached; shape (n,).
    edge
        Edge that each is of.
    distance_m, farthest_m
        Way to the landing from its near and far end; infinite where none is reached.
    landing
        Number of the landing, or `NEVER`.
    wood
        What leaves it towards the landing, one column a kind; shape (n, kinds). Where no landing is
        reached, what stands along it.
    """

    geometry: GeometryArray
    edge: IntArray
    distance_m: FloatArray
    farthest_m: FloatArray
    landing: IntArray
    wood: FloatArray


def build_network(
    lines: GeometryArray, landings: GeometryArray, *, stand: BaseGeometry, snap_m: float
) -> Network:
    """
    Corridor lines as a graph, with the shortest way from every node to the nearest landing.

    Parameters
    ----------
    lines
        LineStrings, projected CRS in metres; shape (n,).
    landings
        Polygons in the same CRS; shape (m,). Their edge is where extraction ends.
    snap_m
        Ends within this of a line or landing belong to it [m].
    """
    union = shapely.union_all(landings)
    edges = node_lines(lines, stand=stand, landing=union, snap_m=snap_m)
    nodes = np.asarray(shapely.points(edges.nodes), dtype=object)
    at_landing = np.flatnonzero(shapely.dwithin(nodes, union, 2 * GRID_M))
    count = len(nodes)
    distance, after, source = _shortest(edges, at_landing, count)
    by = _edge_between(edges, np.arange(count), after)
    own = np.where(by >= 0, edges.length_m[by] * edges.inside[by], 0.0) if count else np.zeros(0)
    inside = _solve(after, own, towards=True)
    return Network(
        edges=edges,
        distance_m=distance,
        inside_m=np.where(np.isfinite(distance), inside, np.inf),
        after=after,
        by=by,
        landing=_landing_of(nodes, source, landings),
    )


def _shortest(
    edges: Edges, at_landing: IntArray, count: int
) -> tuple[FloatArray, IntArray, IntArray]:
    """Distance, next node and landing node of every node."""
    never = np.full(count, NEVER, dtype=np.intp)
    if not len(at_landing):
        return np.full(count, np.inf), never, never
    kept = shortest_between(edges)
    ends, length = edges.ends[kept], edges.length_m[kept]
    graph = csr_array(coo_array((length, (ends[:, 0], ends[:, 1])), shape=(count, count)))
    distance, after, source = dijkstra(
        graph, directed=False, indices=at_landing, min_only=True, return_predecessors=True
    )
    return (
        distance,
        np.where(after < 0, NEVER, after).astype(np.intp),
        np.where(source < 0, NEVER, source).astype(np.intp),
    )


def shortest_between(edges: Edges) -> IntArray:
    """The shortest edge between each two nodes."""
    low, high = np.sort(edges.ends, axis=1).T
    order = np.lexsort((edges.length_m, high, low))
    pair = np.column_stack([low, high])[order]
    first = np.ones(len(pair), dtype=bool)
    first[1:] = (pair[1:] != pair[:-1]).any(axis=1)
    kept = order[first]
    return np.asarray(kept[low[kept] != high[kept]], dtype=np.intp)


def _edge_between(edges: Edges, node: IntArray, other: IntArray) -> IntArray:
    """Shortest edge between pairs of nodes, `NEVER` where the other one is."""
    kept = shortest_between(edges)
    count = np.int64(len(edges.nodes))
    low, high = np.sort(edges.ends[kept], axis=1).T
    keys = low * count + high
    wanted = np.minimum(node, other) * count + np.maximum(node, other)
    found = np.full(len(node), NEVER, dtype=np.intp)
    known = other >= 0
    found[known] = kept[np.searchsorted(keys, wanted[known])]
    return found


def _solve(after: IntArray, own: FloatArray, *, towards: bool) -> FloatArray:
    """Sums of `own` along the way to the landing, or of all nodes whose way leads through one."""
    from scipy.sparse import csc_array, eye_array  # noqa: PLC0415 - with the solver
    from scipy.sparse.linalg import spsolve  # noqa: PLC0415 - only where there are landings

    count = len(after)
    if not count:
        return own
    node = np.flatnonzero(after >= 0)
    ways = csc_array((np.ones(len(node)), (node, after[node])), shape=(count, count))
    links = ways if towards else ways.T
    return np.asarray(spsolve(csc_array(eye_array(count) - links), own)).reshape(own.shape)


def _landing_of(nodes: GeometryArray, source: IntArray, landings: GeometryArray) -> IntArray:
    """Number of the landing at each node's landing node."""
    found = np.full(len(nodes), NEVER, dtype=np.intp)
    reached = np.flatnonzero(source >= 0)
    if len(reached):
        tree = shapely.STRtree(landings)
        found[reached] = tree.query_nearest(nodes[source[reached]], all_matches=False)[1]
    return found


def enter(network: Network, points: GeometryArray) -> Entry:
    """
    Where points come onto the network, and their way from there to the landing.

    Parameters
    ----------
    points
        Points in its CRS; shape (n,).
    """
    edges = network.edges
    _, edge, _ = nearest_of(shapely.STRtree(edges.geometry), points)
    at_m = np.asarray(shapely.line_locate_point(edges.geometry[edge], points), dtype=np.float64)
    ends, length = edges.ends[edge], edges.length_m[edge]
    ways = network.distance_m[ends] + np.column_stack([at_m, length - at_m])
    back = ways[:, 1] < ways[:, 0]
    row = np.arange(len(edge))
    node = ends[row, back.astype(int)]
    own = np.where(back, length - at_m, at_m) * edges.inside[edge]
    return Entry(
        edge=edge,
        at_m=at_m,
        distance_m=ways[row, back.astype(int)],
        inside_m=network.inside_m[node] + own,
        landing=network.landing[node],
    )


def wood_over(network: Network, entry: Entry, wood: FloatArray) -> Stretches:
    """
    The wood that passes over every stretch of the network.

    Parameters
    ----------
    wood
        Of each tree, one column a kind; shape (n, kinds).
    """
    edges = network.edges
    divide, through = _divides(network)
    exists = [divide > GRID_M, edges.length_m - divide > GRID_M]
    exists[0] = exists[0] | ~exists[1]
    first = (entry.at_m <= divide[entry.edge]) & exists[0][entry.edge] | ~exists[1][entry.edge]
    count = len(edges.length_m)
    ahead = [_sums(entry.edge[side], wood[side], count) for side in (first, ~first)]
    loads = _arriving(network, ahead)
    halves = []
    for side in (0, 1):
        edge = np.flatnonzero(exists[side])
        far = edges.ends[edge, 1 - side]
        fed = through[edge] == far
        passing = ahead[side][edge] + np.where(fed[:, None], loads[far], 0.0)
        halves.append((edge, passing))
    return _stretches(network, divide, halves)


def _divides(network: Network) -> tuple[FloatArray, IntArray]:
    """Where on each edge wood parts, and the node whose own way leads over the edge."""
    edges = network.edges
    start, end = edges.ends.T
    away = network.distance_m
    length = edges.length_m
    with np.errstate(invalid="ignore"):  # infinite less infinite where no landing is reached
        middle = np.clip((length + away[end] - away[start]) / 2, 0.0, length)
    number = np.arange(len(length))
    over_end, over_start = network.by[end] == number, network.by[start] == number
    divide = np.select([over_end, over_start, np.isnan(middle)], [length, 0.0, length], middle)
    through = np.select([over_end, over_start], [end, start], NEVER)
    return divide, through.astype(np.intp)


def _sums(edge: IntArray, wood: FloatArray, count: int) -> FloatArray:
    """Sums of wood by edge."""
    sums = np.zeros((count, wood.shape[1]))
    np.add.at(sums, edge, wood)
    return sums


def _arriving(network: Network, ahead: list[FloatArray]) -> FloatArray:
    """Wood that passes through every node."""
    nodes = len(network.after)
    own = np.zeros((nodes, ahead[0].shape[1]))
    for side in (0, 1):
        node = network.edges.ends[:, side]
        reached = np.isfinite(network.distance_m[node])
        np.add.at(own, node[reached], ahead[side][reached])
    return _solve(network.after, own, towards=False)


def _stretches(
    network: Network, divide: FloatArray, halves: list[tuple[IntArray, FloatArray]]
) -> Stretches:
    """The two halves of all edges as one table."""
    edges = network.edges
    geometry, near, far, landing = [], [], [], []
    for side, (edge, _) in enumerate(halves):
        part = divide[edge] if side == 0 else edges.length_m[edge] - divide[edge]
        node = edges.ends[edge, side]
        near.append(network.distance_m[node])
        far.append(network.distance_m[node] + part)
        landing.append(network.landing[node])
        geometry.append(_towards(edges.geometry[edge], part, side=side))
    return Stretches(
        geometry=np.concatenate(geometry),
        edge=np.concatenate([edge for edge, _ in halves]),
        distance_m=np.concatenate(near),
        farthest_m=np.concatenate(far),
        landing=np.concatenate(landing),
        wood=np.concatenate([wood for _, wood in halves]),
    )


def _towards(lines: GeometryArray, part: FloatArray, *, side: int) -> GeometryArray:
    """Part of each line at its start (0) or end (1), run towards that; a loop over parted edges."""
    turned = shapely.reverse(lines) if side == 1 else lines
    result = turned.copy()
    for i in np.flatnonzero(shapely.length(turned) - part > GRID_M):
        result[i] = _beginning(turned[i], part[i])
    return np.asarray(shapely.reverse(result), dtype=object)


def _beginning(line: shapely.LineString, length_m: float) -> BaseGeometry:
    """The first metres of a line."""
    from shapely.ops import substring  # noqa: PLC0415 - only where an edge is parted

    return substring(line, 0.0, length_m)
