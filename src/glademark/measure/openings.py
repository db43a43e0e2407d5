"""
Openings: the holes that groups of trees leave in the canopy, sized at the crown edge.

The area of a tagged or crown-linked opening is the union of its crown discs, closed by half the
link distance, less the crowns of leave trees. A walked or centred opening is its outline. No hull
and no ellipse ever stands for the area.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.measure.crowns import GeometryArray
from glademark.measure.groups import Groups, crown_components
from glademark.measure.polygons import only_polygons
from glademark.measure.shape import length_and_width

QUAD_SEGS = 16
"""Segments a quarter circle of the closing."""

_NUMBER = re.compile(r"\D*(\d{1,6})")

FloatArray = npt.NDArray[np.float64]


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
    order = np.argsort(np.asarray(owner), kind="stable")
    numbers, start = np.unique(np.asarray(owner)[order], return_index=True)
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
    return pd.Series(union, index=numbers, dtype=object)


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
    crowns = _joined_crowns(marks, discs, candidates, thresholds.link_distance_m)
    stated, opening_of, notices = _stated_holes(marks, discs, groups, leave_crowns, thresholds)
    left = candidates & (opening_of < 0)
    if left.to_numpy()[crowns.mark].all():
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
        opening_of=opening_of,
        gap_of=gap_of,
        components=len(crowns.union),
        components_area_m2=_united_area(crowns.union.to_numpy()),
        notices=notices,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Crowns:
    """Crown-linked components: their marks, the component of each mark, the union of each."""

    mark: npt.NDArray[np.intp]
    component: npt.NDArray[np.intp]
    union: pd.Series


def _joined_crowns(
    marks: gpd.GeoDataFrame,
    discs: GeometryArray,
    candidates: pd.Series,
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
    union = closed_union(discs[mark][new], component[new], link_distance_m=link_distance_m)
    if known is not None:
        kept = np.flatnonzero(before >= 0)
        reused = pd.Series(known.union[before[kept]].to_numpy(), index=kept, dtype=object)
        union = pd.concat([union, reused]).sort_index()
    return _Crowns(mark=mark, component=component, union=union)


def _whole_before(
    size: int,
    mark: npt.NDArray[np.intp],
    component: npt.NDArray[np.intp],
    known: _Crowns | None,
) -> npt.NDArray[np.intp]:
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
) -> tuple[gpd.GeoDataFrame, pd.Series, tuple[str, ...]]:
    """Stated groups as holes; those whose hole is empty are dropped with a notice."""
    stated, member = groups.stated, groups.member
    outline = stated.geometry.to_numpy().copy()
    tagged = (stated["basis"] == "tagged").to_numpy()
    mine = np.flatnonzero(member.isin(np.flatnonzero(tagged)))
    crowns = closed_union(
        discs[mine], member.to_numpy()[mine], link_distance_m=thresholds.link_distance_m
    )
    outline[crowns.index] = shapely.difference(crowns.to_numpy(), leave_crowns)
    outline = only_polygons(outline)
    net = shapely.area(shapely.difference(outline, leave_crowns))
    keep = ~shapely.is_empty(outline)
    place = pd.Series(np.where(keep, np.cumsum(keep) - 1, -1))
    notices = tuple(
        f"group {name}: no opening is left of it once the crowns of leave trees are taken out"
        for name in stated["group"][~keep]
    )
    frame = gpd.GeoDataFrame(
        {"group": stated["group"], "basis": stated["basis"], "net_of_leave_m2": net},
        geometry=outline,
        crs=marks.crs,
    )
    moved = member.where(member < 0, member.map(place))
    return frame[keep].reset_index(drop=True), moved.astype(int), (*groups.notices, *notices)


def _touching_holes(
    marks: gpd.GeoDataFrame, crowns: _Crowns, leave_crowns: BaseGeometry, thresholds: Thresholds
) -> tuple[gpd.GeoDataFrame, pd.Series]:
    """Components with enough trees and area, as holes."""
    count = marks["count"].to_numpy()[crowns.mark]
    trees = np.bincount(crowns.component, weights=count, minlength=len(crowns.union))
    union = crowns.union[trees >= thresholds.min_trees]
    hole = only_polygons(shapely.difference(union.to_numpy(), leave_crowns))
    area = shapely.area(hole)
    large = (area >= thresholds.min_area_m2) & (area > 0)
    row = pd.Series(np.cumsum(large) - 1, index=union.index)[large]
    member = np.full(len(marks), -1)
    member[crowns.mark] = pd.Series(crowns.component).map(row).fillna(-1).astype(int).to_numpy()
    frame = gpd.GeoDataFrame({"net_of_leave_m2": area[large]}, geometry=hole[large], crs=marks.crs)
    return frame, pd.Series(member, index=marks.index)


def hole_measures(holes: gpd.GeoDataFrame) -> pd.DataFrame:
    """
    Area, perimeter, pieces and axes of each hole.

    Parameters
    ----------
    holes
        Polygon or MultiPolygon rows, projected CRS in metres.

    Returns
    -------
    measures
        `area_m2`, `perimeter_m`, `parts`, `length_m`, `width_m`, `ellipse_m2`,
        `equivalent_diameter_m` on the index of `holes`.
    """
    geometry = holes.geometry.to_numpy()
    area = shapely.area(geometry)
    axes = length_and_width(geometry).set_axis(holes.index)
    return axes.assign(
        area_m2=area,
        perimeter_m=shapely.length(geometry),
        parts=shapely.get_num_geometries(geometry),
        ellipse_m2=np.pi / 4 * axes["length_m"] * axes["width_m"],
        equivalent_diameter_m=2 * np.sqrt(area / np.pi),
    )


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
        to east. A group name that ends in digits ("7", "G
        7") is the marker's own number, unless two names give the same one.
    """
    found = openings["group"].str.strip().str.fullmatch(_NUMBER)
    own = openings["group"].str.extract(r"(\d+)$", expand=False).where(found).astype(float)
    own = own.where(own > 0)
    own = own.where(~own.duplicated(keep=False))
    number = _keep_earlier(own, opening_of, earlier)
    centre = shapely.get_coordinates(shapely.centroid(openings.geometry.to_numpy()))
    order = openings.index[np.lexsort((centre[:, 0], -centre[:, 1]))]
    waiting = [row for row in order if np.isnan(number[row])]
    first = int(max(earlier.values(), default=0)) + 1
    taken = set(number.dropna().astype(int))
    free = [n for n in range(first, first + len(openings) + len(taken)) if n not in taken]
    number[waiting] = np.array(free[: len(waiting)], dtype=float)
    return number.astype(int)


def _keep_earlier(own: pd.Series, opening_of: pd.Series, earlier: Mapping[int, int]) -> pd.Series:
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


def nearest_other(openings: gpd.GeoDataFrame, *, number: pd.Series) -> pd.DataFrame:
    """
    Nearest other opening of each, crown edge to crown edge.

    Parameters
    ----------
    openings
        Polygon rows, projected CRS in metres.
    number
        Their numbers.

    Returns
    -------
    nearest
        `nearest` (number, <NA> where there is no other) and `spacing_m`; ties go to the lower
        number.
    """
    geometry = openings.geometry.to_numpy()
    nearest = np.full(len(geometry), -1)
    spacing = np.full(len(geometry), np.nan)
    if len(geometry) > 1:
        tree = shapely.STRtree(geometry)
        # "exclusive" leaves out equal outlines as well, so what touches is asked for apart
        apart = tree.query_nearest(geometry, exclusive=True)
        touching = tree.query(geometry, predicate="intersects")
        touching = touching[:, touching[0] != touching[1]]
        mine, other = np.concatenate([apart, touching], axis=1)
        pairs = pd.DataFrame({"mine": mine, "other": other})
        pairs["spacing"] = shapely.distance(geometry[mine], geometry[other])
        pairs["number"] = number.to_numpy()[other]
        first = pairs.sort_values(["mine", "spacing", "number"]).drop_duplicates("mine")
        nearest[first["mine"].to_numpy()] = first["number"].to_numpy()
        spacing[first["mine"].to_numpy()] = first["spacing"].to_numpy()
    table = pd.DataFrame({"nearest": nearest, "spacing_m": spacing}, index=openings.index)
    return table.assign(nearest=table["nearest"].astype("Int64").where(table["nearest"] > 0))


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
