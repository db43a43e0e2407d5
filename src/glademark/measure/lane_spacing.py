"""
How far neighbouring lanes lie from each other, centre line to centre line.

Along each lane the way to the next one is taken at right angles on both sides, wherever that one
runs the same way. The ground round a node that two lanes share says nothing of their spacing.
"""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

STEP_M = 2.0
"""Distance along a lane at which its spacing is taken [m]."""

SAME_WAY_DEG = 30.0
"""Lanes within this of each other run side by side."""

TURN_WIDTHS = 3.0
"""A lane is its own neighbour only farther along it than so many of the least spacing."""

REACH_WIDTHS = 10.0
"""Lanes farther away than so many of the least spacing are no neighbours."""

REACH_LEAST_M = 100.0
"""... but those within this always are [m]."""

NODE_M = 0.5
"""Lanes this close to each other meet [m]."""

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]
IntArray = npt.NDArray[np.intp]

COLUMNS = ("first", "second", "median_m", "least_m")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Stations:
    """Points along lanes [m]: lane, distance along it, position, and unit vector across."""

    lane: IntArray
    along: FloatArray
    position: FloatArray
    across: FloatArray


def lane_spacing(lines: gpd.GeoDataFrame, *, least_m: float) -> pd.DataFrame:
    """
    Spacing of each pair of neighbouring lanes of a stand, `COLUMNS`, in the order of `lines`.

    `lines` have `corridor`; `least_m` is the spacing asked for: ground within it of a node that
    both lanes share is left out, and so are pairs that are neighbours nowhere else.
    """
    lanes, row = shapely.get_parts(shapely.line_merge(lines.geometry.to_numpy()), return_index=True)
    if not len(lanes):
        return pd.DataFrame(columns=list(COLUMNS))
    stations = _stations(lanes)
    station, other, away = _nearest_beside(lanes, stations, least_m)
    clear = ~_at_node(lanes, stations, station, other, least_m)
    ends = np.stack([row[stations.lane[station]], row[other]])[:, clear]
    table = pd.DataFrame({"first": ends.min(axis=0), "second": ends.max(axis=0)})
    found = table.assign(away=away[clear]).groupby(["first", "second"])["away"]
    pairs = found.agg(median_m="median", least_m="min").reset_index()
    names = lines["corridor"].to_numpy(dtype=object)
    return pairs.assign(first=names[pairs["first"]], second=names[pairs["second"]])


def _stations(lanes: GeometryArray) -> _Stations:
    """Points every `STEP_M` along all lanes."""
    length = shapely.length(lanes)
    count = np.maximum(np.ceil(length / STEP_M).astype(int), 1)
    lane = np.repeat(np.arange(len(lanes)), count)
    number = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    step = (length / count)[lane]
    along = (number + 0.5) * step
    behind, position, ahead = (
        shapely.get_coordinates(shapely.line_interpolate_point(lanes[lane], along + part * step))
        for part in (-0.5, 0.0, 0.5)
    )
    across = (ahead - behind)[:, ::-1] * [-1.0, 1.0]
    size = np.hypot(*across.T)
    return _Stations(
        lane=lane,
        along=along,
        position=position,
        across=across / np.where(size > 0, size, 1.0)[:, None],
    )


def _nearest_beside(
    lanes: GeometryArray, stations: _Stations, least_m: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Nearest lane that runs the same way on each side of each station: station, lane, way [m]."""
    reach_m = max(REACH_WIDTHS * least_m, REACH_LEAST_M)
    segments, of_lane, segment_along = _segments(lanes)
    tree = shapely.STRtree(segments)
    found = []
    for side in (1.0, -1.0):
        ends = stations.position + side * reach_m * stations.across
        rays = shapely.linestrings(np.stack([stations.position, ends], axis=1))
        ray, segment = tree.query(rays, predicate="intersects")
        corners = shapely.get_coordinates(segments[segment]).reshape(-1, 2, 2)
        way = corners[:, 1] - corners[:, 0]
        sine = np.abs((way * stations.across[ray]).sum(axis=1)) / np.hypot(*way.T)
        beside = sine <= np.sin(np.radians(SAME_WAY_DEG))
        ray, segment, corners, way = ray[beside], segment[beside], corners[beside], way[beside]
        to_corner = corners[:, 0] - stations.position[ray]
        away = np.abs(_cross(to_corner, way) / _cross(stations.across[ray], way))
        met = _cross(to_corner, stations.across[ray]) / _cross(stations.across[ray], way)
        met_along = segment_along[segment] + met * np.hypot(*way.T)
        far = np.abs(stations.along[ray] - met_along) > TURN_WIDTHS * least_m
        keep = (away > NODE_M) & ((of_lane[segment] != stations.lane[ray]) | far)
        ray, segment, away = ray[keep], segment[keep], away[keep]
        order = np.lexsort((of_lane[segment], away, ray))
        first = order[np.unique(ray[order], return_index=True)[1]]
        found.append((ray[first], of_lane[segment][first], away[first]))
    station, other, away = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return station, other, away


def _cross(one: FloatArray, other: FloatArray) -> FloatArray:
    """Cross product of vectors in the plane; shape (n,)."""
    return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])


def _segments(lanes: GeometryArray) -> tuple[GeometryArray, IntArray, FloatArray]:
    """Single segments of lanes, their lane, and how far along it they begin [m]."""
    corners, lane = shapely.get_coordinates(lanes, return_index=True)
    follows = lane[1:] == lane[:-1]
    ends = np.stack([corners[:-1], corners[1:]], axis=1)[follows]
    length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    of_lane = lane[1:][follows]
    run, first = np.cumsum(length) - length, np.searchsorted(of_lane, of_lane)
    keep = length > 0
    segments = shapely.linestrings(ends[keep])
    return np.asarray(segments, dtype=object), of_lane[keep], (run - run[first])[keep]


def _at_node(
    lanes: GeometryArray, stations: _Stations, station: IntArray, other: IntArray, least_m: float
) -> npt.NDArray[np.bool_]:
    """Whether a station lies within the least spacing of a node that its lane shares with one."""
    lane = stations.lane[station]
    near = shapely.dwithin(lanes[lane], lanes[other], NODE_M) & (lane != other)
    result = np.zeros(len(lane), dtype=bool)
    if near.any():
        pairs, pair = np.unique(np.stack([lane[near], other[near]]), axis=1, return_inverse=True)
        node = shapely.intersection(lanes[pairs[0]], shapely.buffer(lanes[pairs[1]], NODE_M))
        points = shapely.points(stations.position[station[near]])
        result[near] = shapely.dwithin(points, node[pair], least_m)
    return result
