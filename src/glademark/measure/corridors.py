"""
Corridors: from centre lines to the ground that they take.

A line becomes a strip of its own width, bends round, free ends square. A line end close to another
strip is carried on to that strip's centre line, so that a branch leaves no notch; where line ends
meet, a disc fills the wedge. Overlaps and duplicate lines count once.

The spacing of lanes is taken at right angles on both sides, wherever the next lane runs the same
way; the ground round a node that two lanes share says nothing of it.
"""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import STAND, features
from glademark.contracts.layout import CorridorFigures
from glademark.measure.crowns import APART_M, inscribed_discs, longest_edge_bearings
from glademark.measure.polygons import only_polygons, union_by
from glademark.measure.tables import least, sums
from glademark.measure.zones import Covers

QUAD_SEGS = 16
"""Segments a quarter circle of round bends and node discs."""

REACH_M = 0.5
"""A line end this close to another strip belongs to it [m]."""

STRAIGHT_ON = 4.0
"""An end goes straight on if that is at most so many times the shortest way (15 degrees up)."""

ON_LINE_M = 0.001
"""A line end this close to a centre line ends on it [m]."""

SAME_LINE_M = 1e-6
"""Grid on which stretches that stand twice are found alike [m]; it costs about 1e-9 of a length."""

SAME_WAY_DEG = 5.0
"""Line ends that meet and run the same way, within this, are one line that stands twice."""

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]
IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Corridors:
    """
    Corridors as measured.

    Attributes
    ----------
    strips
        Polygon rows `stand`, `corridor`, `state`, `width_m`, `length_m`, `area_m2`: the ground of
        each inside its stand.
    lines
        The centre lines inside the stand, carried on; same index and columns but the area.
    area
        Union of the strips of each stand; shape (stands,).
    figures
        Totals of each stand.
    """

    strips: gpd.GeoDataFrame
    lines: gpd.GeoDataFrame
    area: GeometryArray
    figures: tuple[CorridorFigures, ...]


def strips_of(lines: GeometryArray, *, width_m: FloatArray) -> GeometryArray:
    """
    Strips of given width along lines: bends round, ends square.

    Polygons, shape (n,); overlaps between them are kept.

    Examples
    --------
    >>> line = shapely.LineString([(0, 0), (100, 0)])
    >>> float(strips_of(np.array([line]), width_m=np.array([4.0]))[0].area)
    400.0
    """
    return np.asarray(
        shapely.buffer(
            lines, width_m / 2, quad_segs=QUAD_SEGS, cap_style="flat", join_style="round"
        ),
        dtype=object,
    )


def measure_corridors(lines: gpd.GeoDataFrame, ground: Covers) -> Corridors:
    """
    The ground that corridors take in their stands, and what share of these it is.

    `lines` are LineString or MultiLineString rows `stand`, `corridor`, `width_m`, `state`, perhaps
    none; those of different stands never meet. Overlaps and duplicate lines count once.
    """
    stand, stand_of = ground.stand, lines[STAND].to_numpy()
    raw, line = drawn_parts(lines)
    number = stand_of[line]
    width = lines["width_m"].to_numpy(dtype=float)[line]
    carried = carry_ends_on(raw, width_m=width, stand=number)
    strips = _cut_at_joins(strips_of(carried, width_m=width), carried, width, number)
    bearing = longest_edge_bearings(stand)[number]
    discs, owner = node_discs(carried, width_m=width, bearing=bearing, stand=number)
    pieces, owners = np.concatenate([strips, discs]), np.concatenate([line, line[owner]])
    whole = union_by(pieces, owners, len(lines))
    clipped = only_polygons(shapely.intersection(whole, stand[stand_of]))
    inside = union_by(np.asarray(shapely.intersection(carried, stand[number])), line, len(lines))
    named = {name: lines[name] for name in (STAND, "corridor", "state", "width_m")}
    columns = {**named, "length_m": shapely.length(inside)}
    area = union_by(clipped, stand_of, len(stand))
    return Corridors(
        strips=features({**columns, "area_m2": shapely.area(clipped)}, clipped, crs=lines.crs),
        lines=features(columns, inside, crs=lines.crs),
        area=area,
        figures=_figures(lines, clipped, inside, area=area, ground=ground),
    )


def drawn_parts(lines: gpd.GeoDataFrame) -> tuple[GeometryArray, IntArray]:
    """LineStrings that have a direction at both ends, and the row of each; no vertex twice."""
    parts, line = shapely.get_parts(np.asarray(lines.geometry.array), return_index=True)
    drawn = shapely.length(parts) > 0
    return np.asarray(shapely.remove_repeated_points(parts[drawn]), dtype=object), line[drawn]


def carry_ends_on(lines: GeometryArray, *, width_m: FloatArray, stand: IntArray) -> GeometryArray:
    """
    Lines whose ends within `REACH_M` of another's strip reach its centre line, by one more vertex.

    Straight on, where that meets it within `STRAIGHT_ON` times the shortest way, else the shortest
    way; an end on or across the centre line stays. `lines` are `drawn_parts`; stands are apart.
    """
    if len(lines) < 2:  # noqa: PLR2004 - no other line to join
        return lines
    carried = lines
    for at_end in (False, True):
        target = _targets(lines, width_m, stand, at_end=at_end)
        carried = np.asarray(
            [
                line if point is None else _with_end(line, point, at_end=at_end)
                for line, point in zip(carried, target, strict=True)
            ],
            dtype=object,
        )
    return carried


def _targets(
    lines: GeometryArray, width_m: FloatArray, stand: IntArray, *, at_end: bool
) -> list[BaseGeometry | None]:
    """Where each line's end is to be carried, None where it stays."""
    ends = shapely.get_point(lines, -1 if at_end else 0)
    before = shapely.get_point(lines, -2 if at_end else 1)
    tree = shapely.STRtree(strips_of(lines, width_m=width_m))
    mine, other = tree.query(ends, predicate="dwithin", distance=REACH_M)
    keep = (mine != other) & (stand[mine] == stand[other])
    mine, other = mine[keep], other[keep]
    shortest = shapely.distance(ends[mine], lines[other])
    order = np.lexsort((other, shortest, mine))
    first = order[np.unique(mine[order], return_index=True)[1]]
    target: list[BaseGeometry | None] = [None] * len(lines)
    for i, j, way in zip(mine[first], other[first], shortest[first], strict=True):
        if way > ON_LINE_M and not _crosses_near(ends[i], lines[i], lines[j], way):
            target[i] = _meeting_point(before[i], ends[i], lines[j], way)
    return target


def _crosses_near(end: BaseGeometry, line: BaseGeometry, other: BaseGeometry, way: float) -> bool:
    """Whether a line has crossed the other one just before its end."""
    crossing = shapely.intersection(line, other)
    return bool(shapely.dwithin(end, crossing, STRAIGHT_ON * way))


def _meeting_point(
    before: BaseGeometry, end: BaseGeometry, other: BaseGeometry, way: float
) -> BaseGeometry:
    """Point on `other` straight ahead of an end, else the nearest one."""
    a = shapely.get_coordinates(before)[0]
    b = shapely.get_coordinates(end)[0]
    ahead = (b - a) / np.hypot(*(b - a))
    ray = shapely.LineString([b, b + ahead * STRAIGHT_ON * way])
    met = shapely.intersection(ray, other)
    if shapely.is_empty(met):
        return shapely.get_point(shapely.shortest_line(end, other), 1)
    return shapely.get_point(shapely.shortest_line(end, met), 1)


def _with_end(line: BaseGeometry, point: BaseGeometry, *, at_end: bool) -> BaseGeometry:
    """The line with one more vertex at one end."""
    coordinates = shapely.get_coordinates(line)
    more = shapely.get_coordinates(point)
    joined = [coordinates, more] if at_end else [more, coordinates]
    return shapely.LineString(np.concatenate(joined))


def _cut_at_joins(
    strips: GeometryArray, lines: GeometryArray, width_m: FloatArray, stand: IntArray
) -> GeometryArray:
    """Branches that end in another strip: its near side filled, nothing beyond its far side."""
    cut = strips.copy()
    tree = shapely.STRtree(strips)
    for position in (0, -1):
        ends = shapely.get_point(lines, position)
        before = shapely.get_point(lines, 1 if position == 0 else -2)
        mine, other = tree.query(ends, predicate="within")
        apart = (mine != other) & (stand[mine] == stand[other])
        mine, other = mine[apart], other[apart]
        at_node = shapely.dwithin(ends[mine], shapely.boundary(lines[other]), REACH_M)
        sticks_out = ~shapely.covers(strips[other], shapely.buffer(ends[mine], width_m[mine] / 2))
        chosen = ~at_node & sticks_out
        for i, j in zip(mine[chosen], other[chosen], strict=True):
            corner = _open_corner(before[i], ends[i], lines[j], width_m[i] / 2)
            filled = cut[i] if shapely.covers(strips[j], corner) else shapely.union(cut[i], corner)
            cut[i] = _near_side(filled, strips[j], lines[i])
    return cut


def _open_corner(
    before: shapely.Point, end: shapely.Point, other: shapely.LineString, half_width: float
) -> BaseGeometry:
    """Triangle between a square end that meets `other` at an angle, and its centre line."""
    a, b = shapely.get_coordinates([before, end])
    ahead = (b - a) / np.hypot(*(b - a))
    at = other.project(end)
    around = [other.interpolate(where) for where in (max(at - REACH_M, 0.0), at + REACH_M)]
    along = np.diff(shapely.get_coordinates(around), axis=0)[0]
    along /= np.hypot(*along)
    sine = ahead[0] * along[1] - ahead[1] * along[0]
    if abs(sine) * STRAIGHT_ON < 1:
        return shapely.Polygon()
    cosine = float(ahead @ along)
    side = np.sign(cosine * sine) * np.array([-ahead[1], ahead[0]])
    corner = b + side * half_width
    return shapely.Polygon([b, corner, corner + ahead * half_width * abs(cosine / sine)])


def _near_side(strip: BaseGeometry, across: BaseGeometry, line: BaseGeometry) -> BaseGeometry:
    """`strip` less its pieces behind `across`, seen from its own line."""
    pieces = shapely.get_parts(shapely.difference(strip, across))
    behind = pieces[~shapely.intersects(pieces, line)]
    return shapely.difference(strip, shapely.union_all(behind)) if len(behind) else strip


def node_discs(
    lines: GeometryArray,
    *,
    width_m: FloatArray,
    bearing: float | FloatArray,
    stand: IntArray,
) -> tuple[GeometryArray, IntArray]:
    """
    Discs of the least half-width where line ends meet, and the position of the line of each.

    One for each end of `drawn_parts` that meets one that runs another way; its first vertex lies
    towards `bearing` [rad], on the outline of bends, so that a line in two pieces takes what one
    takes.
    """
    owner = np.tile(np.arange(len(lines)), 2)
    if not len(lines):
        return np.array([], dtype=object), owner
    points, before = (
        shapely.get_coordinates(np.concatenate([shapely.get_point(lines, i) for i in positions]))
        for positions in ((0, -1), (1, -2))
    )
    pairs = cKDTree(np.column_stack([points, stand[owner] * APART_M])).query_pairs(
        REACH_M, output_type="ndarray"
    )
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points),) * 2)
    node = connected_components(links, directed=False)[1]
    away = before - points
    away /= np.hypot(*away.T)[:, None]
    one, two = pairs.T
    apart = (away[one] * away[two]).sum(axis=1) < np.cos(np.radians(SAME_WAY_DEG))
    shared = np.isin(np.arange(len(points)), pairs[apart])
    narrowest = least(width_m[owner], node, len(points))
    discs = inscribed_discs(
        np.asarray(shapely.points(points[shared]), dtype=object),
        radius_m=narrowest[node[shared]] / 2,
        bearing=np.broadcast_to(bearing, len(lines))[owner[shared]],
    )
    return discs, owner[shared]


def _figures(
    corridors: gpd.GeoDataFrame,
    clipped: GeometryArray,
    inside: GeometryArray,
    *,
    area: GeometryArray,
    ground: Covers,
) -> tuple[CorridorFigures, ...]:
    """Totals over all corridors of each stand."""
    stand, stand_of = ground.stand, corridors[STAND].to_numpy()
    stays = corridors["state"].to_numpy(dtype=object) == "existing"
    existing = union_by(clipped[stays], stand_of[stays], len(stand))
    with_landings = shapely.union(area, shapely.intersection(ground.landing, stand))
    once = union_by(inside, stand_of, len(stand), grid_size=SAME_LINE_M)
    columns = {
        "length_m": (length := shapely.length(once)),
        "area_m2": (taken := shapely.area(area)),
        "share": taken / shapely.area(stand),
        "share_operable": _share_of(area, ground.operable),
        "new_m2": shapely.area(shapely.difference(area, existing)),
        "overlap_m2": sums(shapely.area(clipped), stand_of, len(stand)) - taken,
        "with_landings_m2": (both := shapely.area(with_landings)),
        "share_with_landings": both / shapely.area(stand),
        "share_operable_with_landings": _share_of(with_landings, ground.operable),
        "density_m_per_ha": length / shapely.area(stand) * 10_000,
        "mean_spacing_m": shapely.area(stand) / np.where(length > 0, length, np.nan),
    }
    rows = zip(*(values.tolist() for values in columns.values()), strict=True)
    return tuple(CorridorFigures(**dict(zip(columns, row, strict=True))) for row in rows)


def _share_of(area: GeometryArray, operable: GeometryArray) -> FloatArray:
    """Share of each operable area that `area` takes; NaN where all is kept out."""
    whole = shapely.area(operable)
    taken = shapely.area(shapely.intersection(area, operable))
    return np.asarray(taken / np.where(shapely.is_empty(operable), np.nan, whole))


STEP_M = 2.0
"""Distance along a lane at which its spacing is taken [m]."""

LANES_WITHIN_DEG = 30.0
"""Lanes within this of each other run side by side."""

TURN_WIDTHS = 3.0
"""A lane is its own neighbour only farther along it than so many of the least spacing."""

REACH_WIDTHS = 10.0
"""Lanes farther away than so many of the least spacing are no neighbours."""

REACH_LEAST_M = 100.0
"""... but those within this always are [m]."""

NODE_M = 0.5
"""Lanes this close to each other meet [m]."""


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
        beside = sine <= np.sin(np.radians(LANES_WITHIN_DEG))
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
