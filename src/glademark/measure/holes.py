"""
Holes: what groups of trees leave in the canopy, opening by opening and incidental ones besides.

The area of a tagged or crown-linked hole is the union of its crown discs, closed by half the link
distance, less the crowns of leave trees. A walked or centred one is its outline. No hull and no
ellipse ever stands for the area.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from glademark.contracts.frames import features
from glademark.measure.crown_cover import crown_cover
from glademark.measure.crowns import GeometryArray
from glademark.measure.groups import Groups, crown_components
from glademark.measure.polygons import shared_out, union_by, united, without
from glademark.measure.sums import sums

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
        Rows `group`, `basis`, `net_of_leave_m2`; geometry the hole; one stand after the other.
    incidental
        Rows `net_of_leave_m2`; geometry the hole; one stand after the other.
    opening_stand, incidental_stand
        Place of the stand of each row of `openings` and of `incidental`.
    opening_of
        Row of `openings` for each mark, else -1.
    incidental_of
        Row of `incidental` for each mark, else -1.
    components
        Crown-linked components of all candidates of each stand.
    components_area_m2
        Area of their union in each stand, closed alike [m2].
    notices
        Place of a stand and a sentence on it each.
    """

    openings: gpd.GeoDataFrame
    incidental: gpd.GeoDataFrame
    opening_stand: IntArray
    incidental_stand: IntArray
    opening_of: pd.Series
    incidental_of: pd.Series
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
    Openings and incidental openings of the marks that leave a hole.

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
        When crowns that touch make an opening.

    Returns
    -------
    holes
        Stated groups where a stand has any, and its other components that reach the thresholds as
        incidental openings; else those components as openings.
    """
    leaving = candidates.to_numpy(dtype=bool)
    whole = _linked(trees, leaving, thresholds.link_distance_m)
    stated = _stated_holes(trees, groups, leave_crowns, thresholds)
    left = leaving & (stated.member < 0)
    linked = whole if left[whole.mark].all() else _linked(trees, left, thresholds.link_distance_m)
    touching = _touching_holes(trees, linked, leave_crowns, thresholds)
    named = np.zeros(len(leave_crowns), dtype=bool)
    named[groups.stand] = True  # what touches is incidental where groups are stated
    openings = stated.beside(touching.only(~named[touching.stand]))
    incidental = touching.only(named[touching.stand])
    stands = len(leave_crowns)
    return Holes(
        openings=openings.frame(("group", "basis", "net_of_leave_m2"), crs=trees.marks.crs),
        incidental=incidental.frame(("net_of_leave_m2",), crs=trees.marks.crs),
        opening_stand=openings.stand,
        incidental_stand=incidental.stand,
        opening_of=pd.Series(openings.member, index=trees.marks.index),
        incidental_of=pd.Series(incidental.member, index=trees.marks.index),
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
