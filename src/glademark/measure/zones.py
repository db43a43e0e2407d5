"""
Zones: the partition of the stand, and the zone of every mark.

Where a mark stands is uncertain by more than half a corridor's width, so the tally goes by what the
paint says where it speaks, and by position elsewhere.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.special import ndtr
from shapely.geometry.base import BaseGeometry

from glademark.layout import ZONE_NAMES
from glademark.measure.crowns import GeometryArray
from glademark.measure.polygons import split
from glademark.measure.sums import least

ZONE_SUM_TOLERANCE = 1e-9
"""Largest share of the stand by which the zones may miss it."""

LISTED_ERRORS = 2.0
"""A disagreement of paint and position is listed beyond so many standard errors of the line."""

BESIDE_M = 15.0
"""Width of the belt beside a corridor in which the density of other trees is counted [m]."""

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Ground:
    """
    What is laid over the stand, in one projected CRS in metres; each may be empty.

    Attributes
    ----------
    stand, keep_out, landing, corridor, opening
        Polygons or MultiPolygons; overlaps are settled by the order of precedence.
    """

    stand: BaseGeometry
    keep_out: BaseGeometry
    landing: BaseGeometry
    corridor: BaseGeometry
    opening: BaseGeometry


def partition(ground: Ground) -> Mapping[str, BaseGeometry]:
    """
    The stand cut into its zones.

    Parameters
    ----------
    ground
        What is laid over the stand.

    Returns
    -------
    zones
        Polygon or MultiPolygon by name in the order of precedence, empty where there is none:
        without gaps and overlaps, their areas add up to the stand's.

    Examples
    --------
    >>> empty = shapely.MultiPolygon()
    >>> zones = partition(
    ...     Ground(
    ...         stand=shapely.box(0, 0, 10, 10),
    ...         keep_out=empty,
    ...         landing=empty,
    ...         corridor=shapely.box(4, 0, 6, 10),
    ...         opening=shapely.box(5, 5, 8, 20),
    ...     )
    ... )
    >>> [zones[name].area for name in ("corridor", "opening", "matrix")]
    [20.0, 10.0, 70.0]
    """
    rest = ground.stand
    zones: dict[str, BaseGeometry] = {}
    for name in ZONE_NAMES[:-1]:
        zones[name], rest = split(rest, getattr(ground, name))
    zones["matrix"] = rest
    return MappingProxyType(zones)


def located_zone(
    points: GeometryArray, *, zones: Mapping[str, BaseGeometry]
) -> npt.NDArray[np.object_]:
    """
    Zone that each point falls in.

    Parameters
    ----------
    points
        Points, projected CRS [m]; shape (n,).
    zones
        The partition, in order of precedence.

    Returns
    -------
    zone
        Name of the first zone that covers the point, edges included; outside the stand, that of the
        nearest zone.
    """
    located = np.full(len(points), "", dtype=object)
    x, y = shapely.get_coordinates(points).T
    for name, area in zones.items():
        shapely.prepare(area)
        open_still = located == ""
        hit = shapely.intersects_xy(area, x[open_still], y[open_still])
        located[np.flatnonzero(open_still)[hit]] = name
    outside = np.flatnonzero(located == "")
    if len(outside):
        there = [name for name, area in zones.items() if not shapely.is_empty(area)]
        away = [shapely.distance(points[outside], zones[name]) for name in there]
        located[outside] = np.array(there, dtype=object)[np.argmin(away, axis=0)]
    return located


def painted_zone(marks: pd.DataFrame) -> pd.Series:
    """
    What the paint of each mark says: corridor, not_corridor, or nothing.

    Parameters
    ----------
    marks
        `paint_meaning`: corridor, cut, or empty where blank or unlisted.

    Returns
    -------
    painted
        Same index.
    """
    meaning = marks["paint_meaning"].to_numpy(dtype=object)
    said = np.where(meaning == "cut", "not_corridor", np.where(meaning == "corridor", meaning, ""))
    return pd.Series(said, index=marks.index, dtype=object)


def in_corridor_zone(
    marks: gpd.GeoDataFrame, *, corridor: BaseGeometry, above: BaseGeometry
) -> npt.NDArray[np.bool_]:
    """
    Whether the tally counts a mark as corridor wood.

    Parameters
    ----------
    marks
        `zone_painted` and Point geometry, projected CRS in metres.
    corridor
        Union of the corridors.
    above
        Keep-outs and landings, which take precedence where the paint does not speak.

    Returns
    -------
    is_corridor
        Shape (marks,): by paint where it speaks, else by position.
    """
    x, y = shapely.get_coordinates(marks.geometry.to_numpy()).T
    for area in (corridor, above):
        shapely.prepare(area)
    inside = shapely.intersects_xy(corridor, x, y) & ~shapely.intersects_xy(above, x, y)
    painted = marks["zone_painted"].to_numpy(dtype=object)
    return np.asarray((painted == "corridor") | ((painted == "") & inside))


def final_zone(
    located: npt.NDArray[np.object_],
    painted: npt.NDArray[np.object_],
    *,
    in_opening: npt.NDArray[np.bool_],
) -> npt.NDArray[np.object_]:
    """
    Zone that the tally counts each mark in.

    Parameters
    ----------
    located
        Where the point falls; shape (marks,).
    painted
        What the paint says; shape (marks,).
    in_opening
        Whether the mark belongs to an opening; shape (marks,).

    Returns
    -------
    zone
        Paint listed as corridor means corridor; a mark of an opening is in the opening; other known
        paint in a corridor means the matrix; all else goes by position.
    """
    zone = np.where((located == "corridor") & (painted == "not_corridor"), "matrix", located)
    zone = np.where(in_opening & (located != "keep_out"), "opening", zone)
    return np.where(painted == "corridor", "corridor", zone)


def edge_distance(points: GeometryArray, *, edges: BaseGeometry) -> FloatArray:
    """
    Distance from each point to the nearest of some edges.

    Parameters
    ----------
    points
        Points, projected CRS [m]; shape (n,).
    edges
        Lines, or polygons, whose outlines count.

    Returns
    -------
    distance
        In metres, NaN without edges; shape (n,).
    """
    outline = shapely.boundary(edges) if shapely.get_dimensions(edges) > 1 else edges
    vertices = shapely.get_parts(outline)
    if not len(vertices) or not len(points):
        return np.full(len(points), np.nan)
    tree = shapely.STRtree(_segments(vertices))
    nearest, distance = tree.query_nearest(points, all_matches=False, return_distance=True)
    out = np.empty(len(points))
    out[nearest[0]] = distance
    return out


def _segments(lines: GeometryArray) -> GeometryArray:
    """Every single segment of the lines."""
    coordinates, line = shapely.get_coordinates(lines, return_index=True)
    follows = line[1:] == line[:-1]
    ends = np.stack([coordinates[:-1][follows], coordinates[1:][follows]], axis=1)
    return np.asarray(shapely.linestrings(ends), dtype=object)


def nearest_line(points: GeometryArray, *, lines: GeometryArray) -> npt.NDArray[np.intp]:
    """
    Position of the nearest line to each point; ties go to the first.

    Parameters
    ----------
    points
        Points, projected CRS [m]; shape (n,).
    lines
        At least one line.

    Returns
    -------
    position
        Into `lines`, shape (n,).
    """
    mine, line = shapely.STRtree(lines).query_nearest(points)
    return least(line, mine, len(points), none=len(lines))


def stray_share(width_m: npt.ArrayLike, *, sigma_m: npt.ArrayLike) -> FloatArray:
    """
    Share of the true corridor trees that plot outside a straight strip.

    Parameters
    ----------
    width_m
        Width of the strip, > 0 [m].
    sigma_m
        Standard error of a position across the strip [m].

    Returns
    -------
    share
        From 0 to 1. Trees spread evenly over the width w, with a normal error of standard deviation
        s, a = w/s: 1 - [2 (a Phi(a) + phi(a) - phi(0)) - a]/a, our own integration of the normal
        distribution.

    Examples
    --------
    >>> float(stray_share(4.0, sigma_m=4 / 2**0.5).round(2))
    0.51
    """
    width, sigma = np.broadcast_arrays(
        np.asarray(width_m, dtype=float), np.asarray(sigma_m, dtype=float)
    )
    a = width / np.where(sigma > 0, sigma, np.inf)
    density = np.exp(-(a**2) / 2) / np.sqrt(2 * np.pi)
    with np.errstate(invalid="ignore", divide="ignore"):
        inside = (2 * (a * ndtr(a) + density - 1 / np.sqrt(2 * np.pi)) - a) / a
    return np.where(sigma > 0, 1 - inside, 0.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Disagreement:
    """
    Cut trees whose paint and position name different zones.

    Attributes
    ----------
    trees
        All of them.
    expected
        Number to be expected from the position error alone.
    listed
        Index of the marks beyond `LISTED_ERRORS` standard errors of the line.
    listed_trees
        Trees of those marks.
    """

    trees: int
    expected: float
    listed: pd.Index
    listed_trees: int


def paint_disagreement(
    marks: pd.DataFrame, *, corridor: BaseGeometry, width_m: FloatArray, stand: BaseGeometry
) -> Disagreement:
    """
    Where paint and position disagree about the corridor, and how often they must.

    Parameters
    ----------
    marks
        Cut marks: `count`, `zone_painted`, `corridor_distance_m` (negative inside),
        `position_error_m`.
    corridor
        Union of the corridors inside the stand.
    width_m
        Width of the corridor nearest to each mark [m].
    stand
        Polygon; density beside the corridors is counted inside it.

    Returns
    -------
    disagreement
        The expected number counts corridor trees that plot outside, and as many others that plot
        inside as their density beside the corridors makes: both by `stray_share`.
    """
    painted = marks["zone_painted"].to_numpy()
    trees = marks["count"].to_numpy(dtype=float)
    away = marks["corridor_distance_m"].to_numpy(dtype=float)
    sigma = marks["position_error_m"].to_numpy(dtype=float) / np.sqrt(2)
    is_corridor, is_other = painted == "corridor", painted == "not_corridor"
    differs = (is_corridor & (away > 0)) | (is_other & (away <= 0))
    listed = differs & (np.abs(away) > LISTED_ERRORS * sigma)
    stray = stray_share(np.where(np.isfinite(width_m), width_m, 1.0), sigma_m=sigma)
    expected = float((trees * stray)[is_corridor].sum())
    if is_other.any() and corridor.area > 0:
        near = is_other & (away <= BESIDE_M)
        belt = shapely.intersection(shapely.buffer(corridor, BESIDE_M), stand)
        beside = shapely.difference(belt, corridor).area
        density = float(trees[near].sum()) / beside if beside > 0 else 0.0
        mean_stray = float(np.average(stray[is_other], weights=trees[is_other]))
        expected += mean_stray * density * corridor.area
    return Disagreement(
        trees=int(trees[differs].sum()),
        expected=expected,
        listed=marks.index[listed],
        listed_trees=int(trees[listed].sum()),
    )
