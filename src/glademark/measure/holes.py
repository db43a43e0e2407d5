"""
Holes: what groups of trees leave in the canopy, opening by opening and incidental ones besides.

The area of a tagged or crown-linked hole is the union of its crown discs, closed by half the link
distance, less the crowns of leave trees. A walked or centred one is its outline. No hull and no
ellipse ever stands for the area.
"""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.frames import STAND, features
from glademark.contracts.survey import Notice
from glademark.measure.crowns import GeometryArray, crown_cover
from glademark.measure.groups import Groups, crown_components
from glademark.measure.polygons import shared_out, union_by, united, without
from glademark.measure.tables import rows_by, sums

QUAD_SEGS = 16
"""Segments a quarter circle of the closing."""

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


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
    Openings and incidental openings, before they are numbered.

    Attributes
    ----------
    openings
        Rows `stand`, `group`, `basis`, `crosses_at`, `net_of_leave_m2`; geometry the hole; sorted
        by stand.
    incidental
        Rows `stand`, `net_of_leave_m2`; geometry the hole; sorted by stand.
    opening_of, incidental_of
        Row of `openings` and of `incidental` for each mark, <NA> for none.
    components
        Crown-linked components of all candidates of each stand.
    components_area_m2
        Area of their union in each stand, closed alike [m2].
    notices
        On groups that could not be used as they are.
    """

    openings: gpd.GeoDataFrame
    incidental: gpd.GeoDataFrame
    opening_of: pd.Series
    incidental_of: pd.Series
    components: IntArray
    components_area_m2: FloatArray
    notices: tuple[Notice, ...]


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
    rows = rows_by(owner)
    numbers = np.array([*rows], dtype=np.intp)
    parts = [discs[some] for some in rows.values()]
    union = shared_out(lambda part: part[0] if len(part) == 1 else united(part), parts)
    if link_distance_m > 0:
        half = link_distance_m / 2
        closed = shapely.buffer(
            shapely.buffer(union, half, quad_segs=QUAD_SEGS), -half, quad_segs=QUAD_SEGS
        )
        union = shapely.union(union, closed)  # chords for arcs would take some of the crowns away
    return numbers, union


def find_holes(
    marks: gpd.GeoDataFrame,
    discs: GeometryArray,
    *,
    candidates: pd.Series,
    groups: Groups,
    leave_crowns: GeometryArray,
    thresholds: Thresholds,
) -> Holes:
    """
    Openings and incidental openings of the marks that leave a hole.

    `candidates` are cut and not in the corridor zone; `leave_crowns` are those of each stand,
    perhaps empty. Where a stand has stated groups, these are its openings and its other components
    that reach the thresholds incidental ones; else the components are its openings.
    """
    stand, leaving = marks[STAND].to_numpy(), candidates.to_numpy(dtype=bool)
    whole = _components(marks, discs, leaving, thresholds.link_distance_m)
    stated, stated_of, notices = _stated_holes(marks, discs, groups, leave_crowns, thresholds)
    left = leaving & stated_of.isna().to_numpy()
    linked = whole
    if (leaving & ~left).any():
        linked = _components(marks, discs, left, thresholds.link_distance_m)
    touching, touching_of = _touching_holes(marks, discs, linked, leave_crowns, thresholds)
    touching.index += len(groups.stated)  # unlike the stated ones
    touching_of += len(groups.stated)
    has_groups = touching[STAND].isin(groups.stated[STAND])
    openings = stated if has_groups.all() else pd.concat([stated, touching[~has_groups]])
    openings, opening_of = _in_order(openings, stated_of.fillna(touching_of))
    incidental, incidental_of = _in_order(touching[has_groups], touching_of)
    return Holes(
        openings=openings,
        incidental=incidental[[STAND, "net_of_leave_m2", "geometry"]],
        opening_of=opening_of,
        incidental_of=incidental_of,
        components=np.bincount(_stands_of(stand, whole), minlength=len(leave_crowns)),
        components_area_m2=_crown_areas(
            marks, discs, whole, thresholds.link_distance_m, len(leave_crowns)
        ),
        notices=(*groups.notices, *notices),
    )


def _in_order(holes: gpd.GeoDataFrame, hole_of: pd.Series) -> tuple[gpd.GeoDataFrame, pd.Series]:
    """Holes by stand on an index 0..n-1, and the row of the hole of each mark."""
    ordered = holes.sort_values(STAND, kind="stable")
    row = pd.Series(np.arange(len(ordered)), index=ordered.index, dtype="Int64")
    return ordered.reset_index(drop=True), hole_of.map(row).astype("Int64")


def _components(
    marks: gpd.GeoDataFrame,
    discs: GeometryArray,
    chosen: npt.NDArray[np.bool_],
    link_distance_m: float,
) -> pd.Series:
    """Crown-linked component of some marks, on their rows."""
    rows = np.flatnonzero(chosen)
    component = crown_components(
        marks.geometry.to_numpy()[rows],
        radius_m=_radius(discs[rows]),
        link_distance_m=link_distance_m,
        stand=marks[STAND].to_numpy()[rows],
    )
    return pd.Series(component, index=rows)


def _stands_of(stand: IntArray, component: pd.Series) -> IntArray:
    """Stand of each component."""
    once = component.drop_duplicates().sort_values()
    return np.asarray(stand[once.index.to_numpy()], dtype=np.intp)


def _radius(discs: GeometryArray) -> FloatArray:
    """Radius of each crown."""
    return np.sqrt(shapely.area(discs) / np.pi)


def _crown_areas(
    marks: gpd.GeoDataFrame,
    discs: GeometryArray,
    component: pd.Series,
    link_distance_m: float,
    stands: int,
) -> FloatArray:
    """Area of the union of all crowns of each stand, closed alike."""
    rows = component.index.to_numpy()
    crowns, stand = discs[rows], marks[STAND].to_numpy()
    if link_distance_m > 0:  # what is closed is no union of circles
        numbers, closed = _closed(crowns, component.to_numpy(), link_distance_m)
        return united_areas(closed, _stands_of(stand, component)[numbers], stands)
    centre = shapely.get_coordinates(marks.geometry.to_numpy()[rows])
    return crown_cover(centre, _radius(crowns), stand=stand[rows], stands=stands)


def united_areas(polygons: GeometryArray, stand: IntArray, stands: int) -> FloatArray:
    """Area of the union of the polygons of each stand; those that meet no other are added up."""
    one, two = shapely.STRtree(polygons).query(polygons, predicate="intersects")
    meets = np.zeros(len(polygons), dtype=bool)
    meets[one[(one != two) & (stand[one] == stand[two])]] = True
    clear = sums(shapely.area(polygons[~meets]), stand[~meets], stands)
    return clear + shapely.area(union_by(polygons[meets], stand[meets], stands))


def _stated_holes(
    marks: gpd.GeoDataFrame,
    discs: GeometryArray,
    groups: Groups,
    leave_crowns: GeometryArray,
    thresholds: Thresholds,
) -> tuple[gpd.GeoDataFrame, pd.Series, list[Notice]]:
    """Stated groups as holes and the hole of each mark; empty holes are left out with a notice."""
    stated, group_of = groups.stated, groups.group_of
    leave = leave_crowns[stated[STAND].to_numpy()]
    is_tagged = stated["basis"] == "tagged"
    tagged = group_of[group_of.isin(stated.index[is_tagged])]
    rows = marks.index.get_indexer(tagged.index)
    number, crowns = _closed(
        discs[rows], tagged.to_numpy(dtype=np.intp), thresholds.link_distance_m
    )
    outline = np.array(stated.geometry.array)
    outline[number] = without(crowns, leave[number])
    columns = {
        **{name: stated[name] for name in (STAND, "group", "basis", "crosses_at")},
        "net_of_leave_m2": shapely.area(without(outline, leave)),
    }
    holes = features(columns, outline, crs=marks.crs)
    is_empty = shapely.is_empty(outline)
    lost = stated[is_empty]
    left = "no opening is left of it once the crowns of leave trees are taken out"
    notices = [
        Notice(stand, f"group {name}: {left}")
        for stand, name in zip(lost[STAND], lost["group"], strict=True)
    ]
    return holes[~is_empty], group_of.mask(group_of.isin(lost.index)), notices


def _touching_holes(
    marks: gpd.GeoDataFrame,
    discs: GeometryArray,
    component: pd.Series,
    leave_crowns: GeometryArray,
    thresholds: Thresholds,
) -> tuple[gpd.GeoDataFrame, pd.Series]:
    """Components with enough trees and area as holes, and the hole of each mark."""
    rows = component.index.to_numpy()
    size = pd.Series(marks["count"].to_numpy()[rows]).groupby(component.to_numpy()).sum()
    many = component[component.isin(size.index[size >= thresholds.min_trees])]
    members = many.index.to_numpy()
    number, crowns = _closed(discs[members], many.to_numpy(), thresholds.link_distance_m)
    stand = _stands_of(marks[STAND].to_numpy(), many)
    hole = without(crowns, leave_crowns[stand])
    area = shapely.area(hole)
    columns = {
        STAND: pd.Series(stand, index=number),
        "group": np.full(len(number), "", dtype=object),
        "basis": np.full(len(number), "crowns", dtype=object),
        "crosses_at": np.full(len(number), "", dtype=object),
        "net_of_leave_m2": area,
    }
    holes = features(columns, hole, crs=marks.crs)
    holes = holes[(area >= thresholds.min_area_m2) & (area > 0)]
    kept = many[many.isin(holes.index)]
    is_member = np.zeros(len(marks), dtype=bool)
    is_member[kept.index.to_numpy()] = True
    hole_of = np.zeros(len(marks), dtype=np.int64)
    hole_of[is_member] = kept.to_numpy()
    return holes, pd.Series(pd.arrays.IntegerArray(hole_of, ~is_member), index=marks.index)
