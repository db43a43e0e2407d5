"""
Openings: the holes that groups of trees leave in the canopy, sized at the crown edge.

The area of a tagged or crown-linked opening is the union of its crown discs, closed by half the
link distance, less the crowns of leave trees. A walked or centred opening is its outline. No hull
and no ellipse ever stands for the area.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from glademark.features import features
from glademark.measure.crowns import GeometryArray
from glademark.measure.groups import Groups, crown_components
from glademark.measure.polygons import only_polygons
from glademark.measure.shape import length_and_width

QUAD_SEGS = 16
"""Segments a quarter circle of the closing."""

_NUMBER = re.compile(r"\D*(\d{1,6})")

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

ROUNDING = 1e-9
"""Share of a distance, and length [m], by which two ways of measuring it may differ."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Thresholds:
    """
    What makes crown-linked trees an opening.

    Attributes
    ----------
    link_distance_m
        Gap between crowns that still links them [m].
    min_trees
        Least number of trees.
    min_area_m2
        Least area [m2].
    """

    link_distance_m: float
    min_trees: int
    min_area_m2: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Holes:
    """
    Openings and canopy gaps, before they are numbered.

    Attributes
    ----------
    openings
        Rows `group`, `basis`, `net_of_leave_m2`; geometry the hole.
    gaps
        Rows `net_of_leave_m2`; geometry the hole.
    opening_of
        Row of `openings` for each mark, else -1.
    gap_of
        Row of `gaps` for each mark, else -1.
    components
        Crown-linked components of all candidates.
    components_area_m2
        Area of their union, closed alike [m2].
    notices
        One sentence each.
    """

    openings: gpd.GeoDataFrame
    gaps: gpd.GeoDataFrame
    opening_of: pd.Series
    gap_of: pd.Series
    components: int
    components_area_m2: float
    notices: tuple[str, ...]


def closed_union(
    discs: GeometryArray, owner: npt.ArrayLike, *, link_distance_m: float
) -> pd.Series:
    """
    Union of the discs of each owner, closed by half the link distance.

    Parameters
    ----------
    discs
        Polygons, shape (n,).
    owner
        Number of the group of each disc, shape (n,).
    link_distance_m
        Gaps up to this width are closed: out by half of it, and back in [m].

    Returns
    -------
    holes
        Polygon or MultiPolygon for each owner, sorted by owner.
    """
    numbers, union = _closed(discs, np.asarray(owner), link_distance_m)
    return pd.Series(union, index=numbers, dtype=object)


def _closed(
    discs: GeometryArray, owner: IntArray, link_distance_m: float
) -> tuple[IntArray, GeometryArray]:
    """Owners, sorted, and the closed union of the discs of each."""
    order = np.argsort(owner, kind="stable")
    numbers, start = np.unique(owner[order], return_index=True)
    union = np.empty(len(numbers), dtype=object)
    union[:] = [
        part[0] if len(part) == 1 else shapely.union_all(part)
        for part in np.split(discs[order], start[1:])
    ][: len(numbers)]
    if link_distance_m > 0:
        half = link_distance_m / 2
        closed = shapely.buffer(
            shapely.buffer(union, half, quad_segs=QUAD_SEGS), -half, quad_segs=QUAD_SEGS
        )
        union = shapely.union(union, closed)  # chords for arcs would take some of the crowns away
    return numbers, union


def find_holes(
    marks: gpd.GeoDataFrame,
    *,
    discs: GeometryArray,
    candidates: pd.Series,
    groups: Groups,
    leave_crowns: BaseGeometry,
    thresholds: Thresholds,
) -> Holes:
    """
    Openings and canopy gaps of the marks that leave a hole.

    Parameters
    ----------
    marks
        `count` and Point geometry, projected CRS in metres.
    discs
        Crown disc of each mark, shape (n,).
    candidates
        Marks that leave a hole: cut, and not in the corridor zone.
    groups
        Stated groups and their members.
    leave_crowns
        Union of the crowns of leave trees; may be empty.
    thresholds
        When crowns that touch make an opening or a gap.

    Returns
    -------
    holes
        Stated groups where there are any, and the other components that reach the thresholds as
        canopy gaps; else those components as openings.
    """
    leaving = candidates.to_numpy(dtype=bool)
    crowns = _joined_crowns(marks, discs, leaving, thresholds.link_distance_m)
    stated, opening_of, notices = _stated_holes(marks, discs, groups, leave_crowns, thresholds)
    left = leaving & (opening_of < 0)
    if left[crowns.mark].all():
        rest = crowns
    else:
        rest = _joined_crowns(marks, discs, left, thresholds.link_distance_m, known=crowns)
    touching, gap_of = _touching_holes(marks, rest, leave_crowns, thresholds)
    if groups.stated.empty:
        touching = touching.assign(group="", basis="crowns")
        openings, gaps, opening_of, gap_of = touching, touching.iloc[:0], gap_of, opening_of
    else:
        openings, gaps = stated, touching
    return Holes(
        openings=openings,
        gaps=gaps,
        opening_of=pd.Series(opening_of, index=marks.index),
        gap_of=pd.Series(gap_of, index=marks.index),
        components=len(crowns.union),
        components_area_m2=_united_area(crowns.union),
        notices=notices,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Crowns:
    """Crown-linked components: their marks, the component of each mark, the union of each."""

    mark: IntArray
    component: IntArray
    union: GeometryArray


def _joined_crowns(
    marks: gpd.GeoDataFrame,
    discs: GeometryArray,
    candidates: npt.NDArray[np.bool_],
    link_distance_m: float,
    *,
    known: _Crowns | None = None,
) -> _Crowns:
    """Components of some marks; the union of one that is known whole is not made again."""
    mark = np.flatnonzero(candidates)
    component = crown_components(
        marks.geometry.to_numpy()[mark],
        radius_m=np.sqrt(shapely.area(discs[mark]) / np.pi),
        link_distance_m=link_distance_m,
    )
    before = _whole_before(len(marks), mark, component, known)
    new = before[component] < 0
    union = np.empty(len(before), dtype=object)
    if known is not None:
        union[before >= 0] = known.union[before[before >= 0]]
    numbers, made = _closed(discs[mark][new], component[new], link_distance_m)
    union[numbers] = made
    return _Crowns(mark=mark, component=component, union=union)


def _whole_before(
    size: int, mark: IntArray, component: IntArray, known: _Crowns | None
) -> IntArray:
    """Number that each component had among the known ones, -1 where it is not the same whole."""
    trees = np.bincount(component)
    if known is None or not len(mark):
        return np.full(len(trees), -1)
    number = np.full(size, -1)
    number[known.mark] = known.component
    before = np.full(len(trees), -1)
    before[component] = number[mark]
    return np.where(trees == np.bincount(known.component)[before], before, -1)


def _united_area(polygons: GeometryArray) -> float:
    """Area of the union; polygons that meet no other are only added up."""
    one, two = shapely.STRtree(polygons).query(polygons, predicate="intersects")
    meets = np.zeros(len(polygons), dtype=bool)
    meets[one[one != two]] = True
    alone = float(shapely.area(polygons[~meets]).sum())
    return alone + float(shapely.area(shapely.union_all(polygons[meets])))


def _stated_holes(
    marks: gpd.GeoDataFrame,
    discs: GeometryArray,
    groups: Groups,
    leave_crowns: BaseGeometry,
    thresholds: Thresholds,
) -> tuple[gpd.GeoDataFrame, IntArray, tuple[str, ...]]:
    """Stated groups as holes; those whose hole is empty are dropped with a notice."""
    name, basis = (groups.stated[column].to_numpy(dtype=object) for column in ("group", "basis"))
    member = groups.member.to_numpy()
    mine = np.flatnonzero(np.append(basis == "tagged", False)[member])  # -1 is in none
    number, crowns = _closed(discs[mine], member[mine], thresholds.link_distance_m)
    outline = np.array(groups.stated.geometry.array)
    outline[number] = shapely.difference(crowns, leave_crowns)
    outline = only_polygons(outline)
    net = shapely.area(shapely.difference(outline, leave_crowns))
    keep = ~shapely.is_empty(outline)
    place = np.append(np.where(keep, np.cumsum(keep) - 1, -1), -1)
    notices = tuple(
        f"group {lost}: no opening is left of it once the crowns of leave trees are taken out"
        for lost in name[~keep]
    )
    columns = {"group": name[keep], "basis": basis[keep], "net_of_leave_m2": net[keep]}
    holes = features(columns, outline[keep], crs=marks.crs)
    return holes, place[member], (*groups.notices, *notices)


def _touching_holes(
    marks: gpd.GeoDataFrame, crowns: _Crowns, leave_crowns: BaseGeometry, thresholds: Thresholds
) -> tuple[gpd.GeoDataFrame, IntArray]:
    """Components with enough trees and area, as holes."""
    count = marks["count"].to_numpy()[crowns.mark]
    trees = np.bincount(crowns.component, weights=count, minlength=len(crowns.union))
    many = np.flatnonzero(trees >= thresholds.min_trees)
    hole = only_polygons(shapely.difference(crowns.union[many], leave_crowns))
    area = shapely.area(hole)
    large = (area >= thresholds.min_area_m2) & (area > 0)
    row = np.full(len(crowns.union), -1)
    row[many[large]] = np.arange(np.count_nonzero(large))
    member = np.full(len(marks), -1)
    member[crowns.mark] = row[crowns.component]
    return features({"net_of_leave_m2": area[large]}, hole[large], crs=marks.crs), member


def hole_measures(holes: GeometryArray) -> dict[str, FloatArray]:
    """
    Area, perimeter, pieces and axes of each hole.

    Parameters
    ----------
    holes
        Polygons or MultiPolygons, projected CRS in metres; shape (n,).

    Returns
    -------
    measures
        `area_m2`, `perimeter_m`, `parts`, `length_m`, `width_m`, `ellipse_m2`,
        `equivalent_diameter_m`, each of shape (n,).
    """
    area = shapely.area(holes)
    length, width = length_and_width(holes).T
    return {
        "length_m": length,
        "width_m": width,
        "area_m2": area,
        "perimeter_m": shapely.length(holes),
        "parts": shapely.get_num_geometries(holes),
        "ellipse_m2": np.pi / 4 * length * width,
        "equivalent_diameter_m": 2 * np.sqrt(area / np.pi),
    }


def opening_numbers(
    openings: gpd.GeoDataFrame, *, opening_of: pd.Series, earlier: Mapping[int, int]
) -> pd.Series:
    """
    Number of each opening: the marker's own, an earlier output's, else by place.

    Parameters
    ----------
    openings
        Rows with `group`; Polygon geometry.
    opening_of
        Row of `openings` for each mark, else -1.
    earlier
        Number that an earlier output gave the opening of a mark, by the mark's index; may be empty.

    Returns
    -------
    numbers
        Positive and unique, on the index of `openings`; by place means north to south, then west
        to east. A group name that ends in digits ("7", "G 7") is the marker's own number, unless
        two names give the same one.
    """
    number = _own_numbers(openings["group"].tolist())
    if earlier:
        number = _keep_earlier(number, opening_of, earlier)
    centre = shapely.get_coordinates(shapely.centroid(openings.geometry.to_numpy()))
    order = np.lexsort((centre[:, 0], -centre[:, 1]))
    waiting = order[np.isnan(number[order])]
    first = int(max(earlier.values(), default=0)) + 1
    free = np.setdiff1d(np.arange(first, first + 2 * len(number)), number)
    number[waiting] = free[: len(waiting)]
    return pd.Series(number.astype(int), index=openings.index)


def _own_numbers(groups: Sequence[str]) -> FloatArray:
    """Number in each group's name, NaN where it has none or shares it; a loop over openings."""
    found = [_NUMBER.fullmatch(name.strip()) for name in groups]
    own = np.array([float(digits[1]) if digits else np.nan for digits in found])
    _, one, count = np.unique(own, return_inverse=True, return_counts=True)
    return np.where((own > 0) & (count[one] == 1), own, np.nan)


def _keep_earlier(own: FloatArray, opening_of: pd.Series, earlier: Mapping[int, int]) -> FloatArray:
    """Own numbers, then earlier ones by most marks in common; each number once."""
    number = own.copy()
    before = pd.Series(earlier, dtype=int)
    now = opening_of.reindex(before.index).dropna().astype(int)
    shared = pd.DataFrame({"row": now, "number": before.reindex(now.index)})
    shared = shared[shared["row"] >= 0].value_counts().rename("marks").reset_index()
    shared = shared.sort_values(["marks", "number", "row"], ascending=[False, True, True])
    for row, old in zip(shared["row"], shared["number"], strict=True):
        if np.isnan(number[row]) and not (number == old).any():
            number[row] = old
    return number


def nearest_other(
    openings: GeometryArray, *, number: IntArray
) -> tuple[pd.api.extensions.ExtensionArray, FloatArray]:
    """
    Nearest other opening of each, crown edge to crown edge.

    Parameters
    ----------
    openings
        Polygons, projected CRS in metres; shape (n,).
    number
        Their numbers.

    Returns
    -------
    nearest
        Number, <NA> where there is no other; ties go to the lower number.
    spacing_m
        Distance to it, NaN where there is no other.
    """
    nearest = np.full(len(openings), -1)
    spacing = np.full(len(openings), np.nan)
    if len(openings) > 1:
        # an opening beside it bounds the distance, so that few are left to be measured
        reach = shapely.distance(openings, openings[_beside(openings)]) * (1 + ROUNDING) + ROUNDING
        near = shapely.STRtree(openings).query(openings, predicate="dwithin", distance=reach)
        mine, other = near[:, near[0] != near[1]]
        away = shapely.distance(openings[mine], openings[other])
        order = np.lexsort((number[other], away, mine))
        one, first = np.unique(mine[order], return_index=True)
        nearest[one] = number[other[order[first]]]
        spacing[one] = away[order[first]]
    return pd.arrays.IntegerArray(nearest, nearest <= 0), spacing


def _beside(openings: GeometryArray) -> IntArray:
    """Another opening for each, by their middles: near, but not always the nearest."""
    middle = shapely.get_coordinates(shapely.centroid(openings))
    found = np.asarray(cKDTree(middle).query(middle, k=2)[1])
    own = np.arange(len(openings))
    return np.where(found[:, 0] == own, found[:, 1], found[:, 0])


def spacing_pairs(openings: gpd.GeoDataFrame, *, within_m: float) -> pd.DataFrame:
    """
    Pairs of openings within a distance, crown edge to crown edge.

    Parameters
    ----------
    openings
        `opening` (number) and Polygon geometry, projected CRS in metres.
    within_m
        Largest distance looked at [m].

    Returns
    -------
    pairs
        `first`, `second` (numbers, first < second) and `spacing_m`, sorted.
    """
    geometry = openings.geometry.to_numpy()
    number = openings["opening"].to_numpy()
    mine, other = shapely.STRtree(geometry).query(geometry, predicate="dwithin", distance=within_m)
    once = number[mine] < number[other]
    mine, other = mine[once], other[once]
    pairs = pd.DataFrame(
        {
            "first": number[mine],
            "second": number[other],
            "spacing_m": shapely.distance(geometry[mine], geometry[other]),
        }
    )
    return pairs.sort_values(["first", "second"], ignore_index=True)
