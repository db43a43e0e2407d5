"""
Reach: how far marks stand from the nearest corridor edge, and what would bring them nearer.

A machine stays in the corridor. A tree is within reach where its distance to the nearest corridor
edge is at most that of the boom or winch line.
"""

from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import STAND, features
from glademark.contracts.survey import labels_of
from glademark.contracts.terrain import ReachFigures
from glademark.measure.terrain.extraction import FIXED, TREES, Wood, solid_m3, wood_columns
from glademark.measure.terrain.network import nearest_of
from glademark.project.job_settings import MachineSettings

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


_OF_STUBS = ("trees", "volume_m3")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Reach:
    """
    Distance of every mark to the nearest corridor edge.

    Attributes
    ----------
    distance_m
        0 inside a corridor; NaN without corridors.
    corridor
        Name of the corridor whose edge is nearest; empty without corridors.
    """

    distance_m: npt.NDArray[np.float64]
    corridor: npt.NDArray[np.object_]


def measure_reach(points: npt.NDArray[np.object_], corridors: gpd.GeoDataFrame) -> Reach:
    """
    Distance of marks to the nearest corridor edge, and which corridor that is.

    Parameters
    ----------
    points
        Points, projected CRS [m].
    """
    distance, nearest = to_corridor(points, corridors.geometry.to_numpy())
    names = np.array([*corridors["corridor"], ""], dtype=object)
    return Reach(distance_m=distance, corridor=names[nearest])


def entered(
    marks: gpd.GeoDataFrame,
    openings: gpd.GeoDataFrame,
    corridors: gpd.GeoDataFrame,
    machine: MachineSettings,
) -> npt.NDArray[np.bool_]:
    """Marks of openings that the machine enters: those that a corridor meets, where it may."""
    if not machine.enters_openings or not len(openings):
        return np.zeros(len(marks), dtype=bool)
    lanes = shapely.union_all(corridors.geometry.to_numpy())
    met = shapely.dwithin(openings.geometry.to_numpy(), lanes, machine.snapping_distance_m)
    keys = pd.MultiIndex.from_frame(openings.loc[met, [STAND, "opening"]].astype("Int64"))
    mine = pd.MultiIndex.from_frame(marks[[STAND, "opening"]].astype("Int64"))
    return np.asarray(mine.isin(keys) & marks["opening"].notna().to_numpy(), dtype=bool)


def stub_layer(
    stubs: Stubs,
    marks: gpd.GeoDataFrame,
    corridors: gpd.GeoDataFrame,
    wood: Wood,
    *,
    obstacles: dict[str, BaseGeometry],
) -> gpd.GeoDataFrame:
    """Stubs that would bring trees within reach."""
    count = len(stubs.lines)
    sums = np.zeros((count, wood.amounts.shape[1]))
    some = stubs.served >= 0
    np.add.at(sums, stubs.served[some], wood.amounts[some])
    names = np.array([*corridors["corridor"], "a stub"], dtype=object)
    crosses = np.full(count, "", dtype=object)
    for name, ground in obstacles.items():
        met = shapely.intersects(stubs.lines, ground)
        crosses[met] = np.where(crosses[met] == "", name, crosses[met] + ", " + name)
    table = pd.DataFrame(
        {
            "stub": np.arange(1, count + 1),
            "corridor": names[stubs.start],
            "length_m": shapely.length(stubs.lines),
            "tree_id": labels_of(marks).to_numpy(dtype=object)[wood.row[stubs.tree]],
            **{k: v for k, v in wood_columns(sums, wood.products).items() if k in _OF_STUBS},
            "crosses": crosses,
        }
    )
    return features(table, stubs.lines, crs=marks.crs)


def reach_figures(reach: Reach, wood: Wood, stubs: Stubs, *, reach_m: float) -> ReachFigures:
    """
    Totals of the trees within and beyond reach.

    Parameters
    ----------
    reach_m
        Of the machine [m].
    """
    within = reach.distance_m <= reach_m + SLACK_M
    sums = [wood.amounts[side].sum(axis=0) for side in (within, ~within)]
    left = ~within & (stubs.served < 0)
    farthest = reach.distance_m.max() if len(within) else np.nan
    nets = sums[1][len(FIXED) : len(FIXED) + len(wood.products)]
    beyond = zip(wood.products, nets, strict=True)
    return ReachFigures(
        reach_m=reach_m,
        trees_within=round(sums[0][TREES]),
        trees_beyond=round(sums[1][TREES]),
        m3_within=solid_m3(sums[0]),
        m3_beyond=solid_m3(sums[1]),
        by_product_beyond={name: f"{net:,.2f} {unit}" for (name, unit), net in beyond if net > 0},
        farthest_m=float(farthest),
        stubs=len(stubs.lines),
        stubs_m=float(shapely.length(stubs.lines).sum()),
        trees_left=round(wood.trees[left].sum()),
    )


def stubs_for(
    points: npt.NDArray[np.object_],
    corridors: gpd.GeoDataFrame,
    *,
    reach_m: float,
    passed: npt.NDArray[np.bool_],
) -> Stubs:
    """Stubs, as wide as corridors are, that would bring points within reach but those passed."""
    width = float(corridors["width_m"].median()) if len(corridors) else 1.0
    strips = corridors.geometry.to_numpy()
    wanted = np.flatnonzero(~passed)
    found = shortest_stubs(points[wanted], strips, reach_m=reach_m, width_m=width)
    served = np.full(len(points), -1, dtype=np.intp)
    served[wanted] = found.served
    return replace(found, tree=wanted[found.tree], served=served)
