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

from glademark.contracts.frames import STAND
from glademark.contracts.layout import ZONE_NAMES
from glademark.contracts.survey import Survey
from glademark.measure.polygons import split_each
from glademark.measure.tables import rows_by, sums

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
GeometryArray = npt.NDArray[np.object_]


LISTED_ERRORS = 2.0
"""A disagreement of paint and position is listed beyond so many standard errors of the line."""

BESIDE_M = 15.0
"""Width of the belt beside a corridor in which the density of other trees is counted [m]."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Ground:
    """
    What is laid over each stand, in one projected CRS in metres; each may be empty.

    Attributes
    ----------
    stand, exclusion, landing, corridor, opening
        Polygons or MultiPolygons, shape (stands,); overlaps are settled by the order of precedence.
    """

    stand: GeometryArray
    exclusion: GeometryArray
    landing: GeometryArray
    corridor: GeometryArray
    opening: GeometryArray


def partition(ground: Ground) -> Mapping[str, GeometryArray]:
    """
    Every stand cut into its zones.

    Parameters
    ----------
    ground
        What is laid over the stands.

    Returns
    -------
    zones
        Polygon or MultiPolygon of each stand by name in the order of precedence, empty where there
        is none: without gaps and overlaps, their areas add up to the stand's. Shape (stands,).

    Examples
    --------
    >>> empty = np.array([shapely.MultiPolygon()])
    >>> zones = partition(
    ...     Ground(
    ...         stand=shapely.box([0], 0, 10, 10),
    ...         exclusion=empty,
    ...         landing=empty,
    ...         corridor=shapely.box([4], 0, 6, 10),
    ...         opening=shapely.box([5], 5, 8, 20),
    ...     )
    ... )
    >>> [float(shapely.area(zones[name][0])) for name in ("corridor", "opening", "matrix")]
    [20.0, 10.0, 70.0]
    """
    rest = ground.stand
    zones: dict[str, GeometryArray] = {}
    for name in ZONE_NAMES[:-1]:
        zones[name], rest = split_each(rest, getattr(ground, name))
    zones["matrix"] = rest
    return MappingProxyType(zones)


def located_zone(
    marks: gpd.GeoDataFrame, *, zones: Mapping[str, GeometryArray], stands: GeometryArray
) -> npt.NDArray[np.object_]:
    """
    Zone of its own stand that each mark falls in.

    The first in order of precedence that covers it, edges included; outside the stand, the nearest.
    What the others leave of a stand is its last zone.
    """
    points, stand = marks.geometry.to_numpy(), marks[STAND].to_numpy()
    located = np.full(len(points), "", dtype=object)
    open_still = np.arange(len(points))
    for name, area in {**zones, list(zones)[-1]: stands}.items():
        hit = _covered(points[open_still], stand[open_still], area)
        located[open_still[hit]] = name
        open_still = open_still[~hit]
    if len(open_still):
        away = [
            shapely.distance(points[open_still], area[stand[open_still]]) for area in zones.values()
        ]
        nearest = np.argmin(np.where(np.isnan(away), np.inf, away), axis=0)  # NaN: no such zone
        located[open_still] = np.array(list(zones), dtype=object)[nearest]
    return located


def _covered(
    points: GeometryArray, stand: npt.NDArray[np.integer], area: GeometryArray
) -> npt.NDArray[np.bool_]:
    """Whether the area of its own stand covers each point; part by part, few points to a part."""
    parts, owner = shapely.get_parts(area, return_index=True)
    part, point = shapely.STRtree(points).query(parts, predicate="intersects")
    covered = np.zeros(len(points), dtype=bool)
    covered[point[owner[part] == stand[point]]] = True
    return covered


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
    marks: gpd.GeoDataFrame, *, corridor: GeometryArray, above: GeometryArray
) -> npt.NDArray[np.bool_]:
    """
    Whether the tally counts a mark as corridor wood: by paint where it speaks, else by position.

    `corridor` is the union of the corridors of each stand, `above` its exclusions and landings,
    which take precedence where the paint does not speak.
    """
    stand = marks[STAND].to_numpy()
    x, y = shapely.get_coordinates(marks.geometry.to_numpy()).T
    for area in (corridor, above):
        shapely.prepare(area)
    inside = shapely.intersects_xy(corridor[stand], x, y)
    inside &= ~shapely.intersects_xy(above[stand], x, y)
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
    zone = np.where(in_opening & (located != "exclusion"), "opening", zone)
    return np.where(painted == "corridor", "corridor", zone)


def edge_distance(points: GeometryArray, *, edges: BaseGeometry) -> FloatArray:
    """Distance of points to the nearest line, or outline of a polygon [m]; NaN without any."""
    lines = shapely.get_parts(
        shapely.boundary(edges) if shapely.get_dimensions(edges) > 1 else edges
    )
    stand, line_stand = (np.zeros(len(some), dtype=np.intp) for some in (points, lines))
    return line_distances(points, stand=stand, lines=lines, line_stand=line_stand)


def line_distances(
    points: GeometryArray, *, stand: IntArray, lines: GeometryArray, line_stand: IntArray
) -> FloatArray:
    """Distance of each point to the nearest line of its own stand [m]; NaN where it has none."""
    parts, line = shapely.get_parts(lines, return_index=True)
    segments, part = _segments(parts)
    near = rows_by(line_stand[line[part]])
    distance = np.full(len(points), np.nan)
    for key, rows in rows_by(stand).items():  # each stand is searched by itself
        if key in near:
            tree = shapely.STRtree(segments[near[key]])
            nearest, away = tree.query_nearest(
                points[rows], all_matches=False, return_distance=True
            )
            distance[rows[nearest[0]]] = away
    return distance


def _segments(lines: GeometryArray) -> tuple[GeometryArray, IntArray]:
    """Every single segment of the lines, and the line that it is of."""
    coordinates, line = shapely.get_coordinates(lines, return_index=True)
    follows = line[1:] == line[:-1]
    ends = np.stack([coordinates[:-1][follows], coordinates[1:][follows]], axis=1)
    return np.asarray(shapely.linestrings(ends), dtype=object), line[1:][follows]


def nearest_line(points: GeometryArray, *, lines: GeometryArray) -> IntArray:
    """Position of the nearest of some lines, at least one, to each point; ties go to the first."""
    point, line = shapely.STRtree(lines).query_nearest(points)
    order = np.lexsort((line, point))
    return np.asarray(line[order][np.unique(point[order], return_index=True)[1]], dtype=np.intp)


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
        Rows of the marks beyond `LISTED_ERRORS` standard errors of the line.
    listed_trees
        Trees of those marks.
    """

    trees: int
    expected: float
    listed: IntArray
    listed_trees: int


def paint_disagreement(
    marks: pd.DataFrame,
    *,
    corridor: GeometryArray,
    stand: GeometryArray,
) -> list[Disagreement]:
    """
    Where paint and position disagree about the corridor in each stand, and how often they must.

    `marks` are all marks of the layout: `stand`, `count`, `is_cut`, `zone_painted`,
    `corridor_distance_m` (negative inside), `corridor_width_m` of the nearest corridor,
    `position_error_m`. `corridor` and `stand` have one polygon a stand. The expected number counts
    corridor trees that plot outside, and as many others that plot inside as their density beside
    the corridors makes: both by `stray_share`.
    """
    painted = marks["zone_painted"].to_numpy(dtype=object)
    trees = marks["count"].to_numpy(dtype=float)
    away = marks["corridor_distance_m"].to_numpy(dtype=float)
    width_m = marks["corridor_width_m"].to_numpy(dtype=float)
    sigma = marks["position_error_m"].to_numpy(dtype=float) / np.sqrt(2)
    cut, number = marks["is_cut"].to_numpy(dtype=bool), marks[STAND].to_numpy()
    is_corridor, is_other = cut & (painted == "corridor"), cut & (painted == "not_corridor")
    differs = (is_corridor & (away > 0)) | (is_other & (away <= 0))
    listed = differs & (np.abs(away) > LISTED_ERRORS * sigma)
    stray = stray_share(np.where(np.isfinite(width_m), width_m, 1.0), sigma_m=sigma)

    def _by_stand(amount: FloatArray, chosen: npt.NDArray[np.bool_]) -> FloatArray:
        """Sum over the chosen marks of each stand."""
        return sums(amount[chosen], number[chosen], len(stand))

    expected = _by_stand(trees * stray, is_corridor) + _others_inside(
        _by_stand(trees, is_other & (away <= BESIDE_M)),
        _by_stand(trees * stray, is_other),
        _by_stand(trees, is_other),
        corridor=corridor,
        stand=stand,
    )
    differing, far = _by_stand(trees, differs), _by_stand(trees, listed)
    at = np.flatnonzero(listed)
    rows = {key: at[some] for key, some in rows_by(number[listed]).items()}
    return [
        Disagreement(
            trees=int(differing[place]),
            expected=float(expected[place]),
            listed=rows.get(place, np.zeros(0, dtype=np.intp)),
            listed_trees=int(far[place]),
        )
        for place in range(len(stand))
    ]


def _others_inside(
    near: FloatArray,
    stray: FloatArray,
    others: FloatArray,
    *,
    corridor: GeometryArray,
    stand: GeometryArray,
) -> FloatArray:
    """Other trees to be expected inside, from those near corridors, the strays among all, all."""
    found = np.zeros(len(stand))
    some = np.flatnonzero((others > 0) & (shapely.area(corridor) > 0))
    belt = shapely.intersection(shapely.buffer(corridor[some], BESIDE_M), stand[some])
    beside = shapely.area(shapely.difference(belt, corridor[some]))
    density = np.where(beside > 0, near[some] / np.where(beside > 0, beside, 1.0), 0.0)
    found[some] = stray[some] / others[some] * density * shapely.area(corridor[some])
    return found


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Covers:
    """
    The ground before anything is measured, in one projected CRS in metres: one area a stand.

    Attributes
    ----------
    stand, operable
        Polygons; the operable area is the stand less its exclusions. Shape (stands,).
    exclusion, landing, water, setback
        Polygons, perhaps empty; shape (stands,).
    """

    stand: GeometryArray
    operable: GeometryArray
    exclusion: GeometryArray
    landing: GeometryArray
    water: GeometryArray
    setback: GeometryArray

    @property
    def edges(self) -> tuple[GeometryArray, ...]:
        """Areas whose outlines are lines that no mark made: stands, exclusions and setbacks."""
        return self.stand, self.exclusion, self.setback

    def over(self, corridor: GeometryArray, opening: GeometryArray) -> Ground:
        """What is laid over the stands, for the partition into zones."""
        return Ground(
            stand=self.stand,
            exclusion=self.exclusion,
            landing=self.landing,
            corridor=corridor,
            opening=opening,
        )


def covers_of(survey: Survey) -> Covers:
    """Stand, exclusions, landings, water and setbacks of a survey, each united by stand."""
    stand, exclusion, landing, water, setback = (
        _united(getattr(survey, name), len(survey.stand))
        for name in ("stand", "exclusions", "landings", "water", "setbacks")
    )
    return Covers(
        stand=stand,
        operable=shapely.difference(stand, exclusion),
        exclusion=exclusion,
        landing=landing,
        water=water,
        setback=setback,
    )


def _united(areas: gpd.GeoDataFrame, stands: int) -> GeometryArray:
    """Union of the areas of each stand, empty where it has none."""
    union = np.full(stands, shapely.GeometryCollection(), dtype=object)
    shapes = np.asarray(areas.geometry.array)
    for stand, rows in rows_by(areas[STAND]).items():
        union[stand] = shapely.union_all(shapes[rows])
    return union
