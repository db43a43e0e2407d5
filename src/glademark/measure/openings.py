"""
Openings: the holes that groups of trees leave in the canopy, sized at the crown edge.

The area of a tagged or crown-linked opening is the union of its crown discs, closed by half the
link distance, less the crowns of leave trees. A walked or centred opening is its outline. No hull
and no ellipse ever stands for the area.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS
from scipy.spatial import cKDTree

from glademark.features import features
from glademark.measure.crown_cover import crown_cover
from glademark.measure.crowns import APART_M, GeometryArray
from glademark.measure.groups import Groups, crown_components
from glademark.measure.polygons import shared_out, union_by, united, without
from glademark.measure.shape import axes
from glademark.measure.sums import sums

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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Holes:
    """
    Openings and canopy gaps, before they are numbered.

    Attributes
    ----------
    openings
        Rows `group`, `basis`, `net_of_leave_m2`; geometry the hole; one stand after the other.
    gaps
        Rows `net_of_leave_m2`; geometry the hole; one stand after the other.
    opening_stand, gap_stand
        Place of the stand of each row of `openings` and of `gaps`.
    opening_of
        Row of `openings` for each mark, else -1.
    gap_of
        Row of `gaps` for each mark, else -1.
    components
        Crown-linked components of all candidates of each stand.
    components_area_m2
        Area of their union in each stand, closed alike [m2].
    notices
        Place of a stand and a sentence on it each.
    """

    openings: gpd.GeoDataFrame
    gaps: gpd.GeoDataFrame
    opening_stand: IntArray
    gap_stand: IntArray
    opening_of: pd.Series
    gap_of: pd.Series
    components: IntArray
    components_area_m2: FloatArray
    notices: tuple[tuple[int, str], ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Trees:
    """
    Marks and their crowns, one stand after the other.

    Attributes
    ----------
    marks
        `count` and Point geometry, projected CRS in metres.
    stand
        Place of the stand of each mark, rising.
    discs
        Crown disc of each mark, shape (n,).
    """

    marks: gpd.GeoDataFrame
    stand: IntArray
    discs: GeometryArray


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
    parts = np.split(discs[order], start[1:])[: len(numbers)]
    union = shared_out(lambda part: part[0] if len(part) == 1 else united(part), parts)
    if link_distance_m > 0:
        half = link_distance_m / 2
        closed = shapely.buffer(
            shapely.buffer(union, half, quad_segs=QUAD_SEGS), -half, quad_segs=QUAD_SEGS
        )
        union = shapely.union(union, closed)  # chords for arcs would take some of the crowns away
    return numbers, union


def find_holes(
    trees: Trees,
    *,
    candidates: pd.Series,
    groups: Groups,
    leave_crowns: GeometryArray,
    thresholds: Thresholds,
) -> Holes:
    """
    Openings and canopy gaps of the marks that leave a hole.

    Parameters
    ----------
    trees
        Every mark with its crown.
    candidates
        Marks that leave a hole: cut, and not in the corridor zone.
    groups
        Stated groups and their members.
    leave_crowns
        Union of the crowns of leave trees of each stand, perhaps empty; shape (stands,).
    thresholds
        When crowns that touch make an opening or a gap.

    Returns
    -------
    holes
        Stated groups where a stand has any, and its other components that reach the thresholds as
        canopy gaps; else those components as openings.
    """
    leaving = candidates.to_numpy(dtype=bool)
    whole = _linked(trees, leaving, thresholds.link_distance_m)
    stated = _stated_holes(trees, groups, leave_crowns, thresholds)
    left = leaving & (stated.member < 0)
    linked = whole if left[whole.mark].all() else _linked(trees, left, thresholds.link_distance_m)
    touching = _touching_holes(trees, linked, leave_crowns, thresholds)
    named = np.zeros(len(leave_crowns), dtype=bool)
    named[groups.stand] = True  # what touches is a gap where groups are stated
    openings = stated.beside(touching.only(~named[touching.stand]))
    gaps = touching.only(named[touching.stand])
    stands = len(leave_crowns)
    return Holes(
        openings=openings.frame(("group", "basis", "net_of_leave_m2"), crs=trees.marks.crs),
        gaps=gaps.frame(("net_of_leave_m2",), crs=trees.marks.crs),
        opening_stand=openings.stand,
        gap_stand=gaps.stand,
        opening_of=pd.Series(openings.member, index=trees.marks.index),
        gap_of=pd.Series(gaps.member, index=trees.marks.index),
        components=np.bincount(whole.stand, minlength=stands),
        components_area_m2=_crown_areas(trees, whole, thresholds.link_distance_m, stands),
        notices=(*groups.notices, *stated.notices),
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Found:
    """Holes with their stands, and the hole of each mark, -1 for none."""

    columns: Mapping[str, npt.NDArray[Any]]
    shapes: GeometryArray
    stand: IntArray
    member: IntArray
    notices: tuple[tuple[int, str], ...] = ()

    def only(self, chosen: npt.NDArray[np.bool_]) -> "_Found":
        """Some of the holes."""
        place = np.append(np.where(chosen, np.cumsum(chosen) - 1, -1), -1)
        return replace(
            self,
            columns={name: values[chosen] for name, values in self.columns.items()},
            shapes=self.shapes[chosen],
            stand=self.stand[chosen],
            member=place[self.member],
        )

    def beside(self, other: "_Found") -> "_Found":
        """These and others of other stands, one stand after the other."""
        if not len(other.stand):
            return self
        stand = np.concatenate([self.stand, other.stand])
        order = np.argsort(stand, kind="stable")
        place = np.append(np.argsort(order, kind="stable"), -1)
        behind = np.where(other.member >= 0, other.member + len(self.stand), -1)
        return replace(
            self,
            columns={
                name: np.concatenate([values, other.columns[name]])[order]
                for name, values in self.columns.items()
            },
            shapes=np.concatenate([self.shapes, other.shapes])[order],
            stand=stand[order],
            member=place[np.where(self.member >= 0, self.member, behind)],
        )

    def frame(self, names: Sequence[str], *, crs: CRS | None) -> gpd.GeoDataFrame:
        """Some columns with the holes."""
        return features({name: self.columns[name] for name in names}, self.shapes, crs=crs)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Linked:
    """Crown-linked components: their marks, the component of each mark, the stand of each."""

    mark: IntArray
    component: IntArray
    stand: IntArray


def _linked(trees: Trees, candidates: npt.NDArray[np.bool_], link_distance_m: float) -> _Linked:
    """Components of some marks."""
    mark = np.flatnonzero(candidates)
    component = crown_components(
        trees.marks.geometry.to_numpy()[mark],
        radius_m=_radius(trees.discs[mark]),
        link_distance_m=link_distance_m,
        stand=trees.stand[mark],
    )
    stand = np.zeros(int(component.max(initial=-1)) + 1, dtype=np.intp)
    stand[component] = trees.stand[mark]
    return _Linked(mark=mark, component=component, stand=stand)


def _radius(discs: GeometryArray) -> FloatArray:
    """Radius of each crown."""
    return np.sqrt(shapely.area(discs) / np.pi)


def _crown_areas(trees: Trees, linked: _Linked, link_distance_m: float, stands: int) -> FloatArray:
    """Area of the union of all crowns of each stand, closed alike."""
    discs = trees.discs[linked.mark]
    if link_distance_m > 0:  # what is closed is no union of circles
        numbers, closed = _closed(discs, linked.component, link_distance_m)
        return united_areas(closed, linked.stand[numbers], stands)
    centre = shapely.get_coordinates(trees.marks.geometry.to_numpy()[linked.mark])
    return crown_cover(centre, _radius(discs), stand=trees.stand[linked.mark], stands=stands)


def united_areas(polygons: GeometryArray, stand: IntArray, stands: int) -> FloatArray:
    """
    Area of the union of the polygons of each stand; those that meet no other are only added up.

    Parameters
    ----------
    polygons
        Shape (n,).
    stand
        Place of the stand of each; shape (n,).
    stands
        Number of stands.

    Returns
    -------
    areas
        In the square unit of the coordinates; shape (stands,).
    """
    one, two = shapely.STRtree(polygons).query(polygons, predicate="intersects")
    meets = np.zeros(len(polygons), dtype=bool)
    meets[one[(one != two) & (stand[one] == stand[two])]] = True
    alone = sums(shapely.area(polygons[~meets]), stand[~meets], stands)
    return alone + shapely.area(union_by(polygons[meets], stand[meets], stands))


def _stated_holes(
    trees: Trees, groups: Groups, leave_crowns: GeometryArray, thresholds: Thresholds
) -> _Found:
    """Stated groups as holes; those whose hole is empty are dropped with a notice."""
    name, basis = (groups.stated[column].to_numpy(dtype=object) for column in ("group", "basis"))
    member, leave = groups.member.to_numpy(), leave_crowns[groups.stand]
    mine = np.flatnonzero(np.append(basis == "tagged", False)[member])  # -1 is in none
    number, crowns = _closed(trees.discs[mine], member[mine], thresholds.link_distance_m)
    outline = np.array(groups.stated.geometry.array)
    outline[number] = without(crowns, leave[number])
    net = shapely.area(without(outline, leave))
    keep = ~shapely.is_empty(outline)
    left = "no opening is left of it once the crowns of leave trees are taken out"
    return _Found(
        columns={"group": name, "basis": basis, "net_of_leave_m2": net},
        shapes=outline,
        stand=groups.stand,
        member=member,
        notices=tuple(
            (int(place), f"group {lost}: {left}")
            for place, lost in zip(groups.stand[~keep], name[~keep], strict=True)
        ),
    ).only(keep)


def _touching_holes(
    trees: Trees, linked: _Linked, leave_crowns: GeometryArray, thresholds: Thresholds
) -> _Found:
    """Components with enough trees and area, as holes."""
    count = trees.marks["count"].to_numpy()[linked.mark]
    size = np.bincount(linked.component, weights=count, minlength=len(linked.stand))
    many = np.flatnonzero(size >= thresholds.min_trees)
    row = np.full(len(linked.stand), -1)
    row[many] = np.arange(len(many))
    member = np.full(len(trees.marks), -1)
    member[linked.mark] = row[linked.component]
    mine = np.flatnonzero(member >= 0)
    crowns = _closed(trees.discs[mine], member[mine], thresholds.link_distance_m)[1]
    stand = linked.stand[many]
    hole = without(crowns, leave_crowns[stand])
    area = shapely.area(hole)
    return _Found(
        columns={
            "group": np.full(len(many), "", dtype=object),
            "basis": np.full(len(many), "crowns", dtype=object),
            "net_of_leave_m2": area,
        },
        shapes=hole,
        stand=stand,
        member=member,
    ).only((area >= thresholds.min_area_m2) & (area > 0))


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
        `area_m2`, `perimeter_m`, `parts`, `length_m`, `width_m`, `long_axis_deg`, `ellipse_m2`,
        `equivalent_diameter_m`, each of shape (n,).
    """
    area = shapely.area(holes)
    length, width, bearing = axes(holes).T
    return {
        "length_m": length,
        "width_m": width,
        "long_axis_deg": bearing,
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
    first = int(max(earlier.values(), default=0)) + 1
    numbers = _by_place(number, openings.geometry.to_numpy(), first)
    return pd.Series(numbers, index=openings.index)


def numbers_by_stand(holes: Holes, *, earlier: Sequence[Mapping[int, int]]) -> IntArray:
    """
    Number of each opening in its stand, as from `opening_numbers`.

    Parameters
    ----------
    holes
        Openings of many stands.
    earlier
        Of each stand: number that an earlier output gave the opening of a mark, by its index.

    Returns
    -------
    numbers
        In the order of `holes.openings`; one loop over stands, since each has numbers of its own.
    """
    number = np.zeros(len(holes.openings), dtype=np.intp)
    names = holes.openings["group"].tolist()
    shapes = holes.openings.geometry.to_numpy()
    ends = np.searchsorted(holes.opening_stand, np.arange(len(earlier) + 1)).tolist()
    for place, (start, end) in enumerate(pairwise(ends)):
        if earlier[place]:
            mine = holes.openings.iloc[start:end]
            row = holes.opening_of - start  # those of other stands have no earlier number
            found = opening_numbers(mine, opening_of=row, earlier=earlier[place])
            number[start:end] = found.to_numpy()
        elif end > start:
            number[start:end] = _by_place(_own_numbers(names[start:end]), shapes[start:end], 1)
    return number


def _by_place(number: FloatArray, shapes: GeometryArray, first: int) -> IntArray:
    """Numbers given, the others free ones from `first` up: north to south, west to east."""
    centre = shapely.get_coordinates(shapely.centroid(shapes))
    order = np.lexsort((centre[:, 0], -centre[:, 1]))
    waiting = order[np.isnan(number[order])]
    free = np.setdiff1d(np.arange(first, first + 2 * len(number)), number)
    number[waiting] = free[: len(waiting)]
    return number.astype(np.intp)


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
    openings: GeometryArray, *, number: IntArray, stand: IntArray | None = None
) -> tuple[pd.api.extensions.ExtensionArray, FloatArray]:
    """
    Nearest other opening of each, crown edge to crown edge.

    Parameters
    ----------
    openings
        Polygons, projected CRS in metres; shape (n,).
    number
        Their numbers.
    stand
        Place of the stand of each, where there are several: only those of the same stand count.

    Returns
    -------
    nearest
        Number, <NA> where there is no other; ties go to the lower number.
    spacing_m
        Distance to it, NaN where there is no other.
    """
    nearest = np.full(len(openings), -1)
    spacing = np.full(len(openings), np.nan)
    place = np.zeros(len(openings), dtype=np.intp) if stand is None else stand
    some = np.flatnonzero(np.bincount(place)[place] > 1) if len(place) else place
    if len(some):
        shapes, number, place = openings[some], number[some], place[some]
        # an opening beside it bounds the distance, so that few are left to be measured
        shapely.prepare(shapes)
        reach = _apart(shapes, shapes[_beside(shapes, place)]) * (1 + ROUNDING) + ROUNDING
        mine, other = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=reach)
        apart = (mine != other) & (place[mine] == place[other])
        mine, other = mine[apart], other[apart]
        away = _apart(shapes[mine], shapes[other])
        order = np.lexsort((number[other], away, mine))
        one, first = np.unique(mine[order], return_index=True)
        nearest[some[one]] = number[other[order[first]]]
        spacing[some[one]] = away[order[first]]
    return pd.arrays.IntegerArray(nearest, nearest <= 0), spacing


def _apart(one: GeometryArray, other: GeometryArray) -> FloatArray:
    """Distance between openings, which is not searched for where they meet."""
    away = np.zeros(len(one))
    clear = ~shapely.intersects(one, other)
    away[clear] = shapely.distance(one[clear], other[clear])
    return away


def _beside(openings: GeometryArray, place: IntArray) -> IntArray:
    """Another opening of the same stand for each, by their middles: near, not always nearest."""
    middle = np.column_stack([shapely.get_coordinates(shapely.centroid(openings)), place * APART_M])
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
