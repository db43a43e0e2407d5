"""
Holes: what groups of trees leave in the canopy, opening by opening and incidental ones besides.

Each hole is outlined on the edge that the plan measures to, from its crown discs or from what was
walked. No hull and no ellipse ever stands for the area. Of an opening in several parts it is said
how far apart these are, and which would be groups of their own.
"""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.frames import STAND, features
from glademark.contracts.survey import Notice
from glademark.errors import counted
from glademark.measure.crowns import crown_cover
from glademark.measure.edges import (
    FITS_M2,
    Edge,
    Outlines,
    closed,
    crown_outlines,
    leave_trees_within,
    united_by,
    walked_outlines,
)
from glademark.measure.groups import Groups, crown_components
from glademark.measure.polygons import GeometryArray, only_polygons, union_by, without
from glademark.measure.tables import sums
from glademark.project.model import OpeningSettings
from glademark.units import AREA_M2, LENGTH_M

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
class EdgeRule:
    """
    Where openings end, by stand.

    Attributes
    ----------
    edge
        That the plan measures to.
    radius_m
        Crown radius of the standing trees of each stand [m].
    deducted
        Whether the crowns of leave trees are no part of an opening.
    leave_stems, leave_crowns
        MultiPoint and union of crowns of the leave trees of each stand, perhaps empty.
    """

    edge: Edge
    radius_m: FloatArray
    deducted: bool
    leave_stems: GeometryArray
    leave_crowns: GeometryArray

    def finished(self, outlines: Outlines, stand: IntArray) -> Outlines:
        """
        Outlines with leave trees counted or taken out, as the project has it.

        Ground round a leave tree that is part of an opening on one edge only is so on the others
        as the plan's edge has it.
        """
        edges = outlines.edges
        by_edge = {one: self.finish(outlines.by(one), one, stand) for one in edges}
        filled = np.zeros(len(stand), dtype=bool)
        for one in edges[:-1]:  # what is filled to the boles is so by no other edge
            filled |= shapely.area(by_edge[one]) > shapely.area(outlines.by(one)) + FITS_M2
        some, own = np.flatnonzero(filled), by_edge[self.edge]
        for one in edges[: edges.index(self.edge)]:
            by_edge[one][some] = shapely.intersection(by_edge[one][some], own[some])
        for one in edges[edges.index(self.edge) + 1 :]:
            by_edge[one][some] = shapely.union(by_edge[one][some], own[some])
        return Outlines(
            marked_crowns=by_edge["marked_crowns"],
            standing_crowns=by_edge.get("standing_crowns"),
            boles=by_edge["boles"],
        )

    def finish(self, outline: GeometryArray, edge: Edge, stand: IntArray) -> GeometryArray:
        """Outlines on one edge with leave trees counted or taken out."""
        if self.deducted:
            return without(outline, self.leave_crowns[stand])
        return leave_trees_within(
            outline,
            edge,
            radius_m=self.radius_m[stand],
            stems=self.leave_stems[stand],
            crowns=self.leave_crowns[stand],
        )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Holes:
    """
    Openings and incidental openings, before they are numbered.

    Attributes
    ----------
    openings
        Rows `stand`, `group`, `basis`, `crosses_at`, `no_area` (why there is none on this edge,
        else empty), `net_of_leave_m2`, `area_marked_crowns_m2`, `area_boles_m2`; geometry the hole;
        sorted by stand.
    incidental
        Rows `stand`, `net_of_leave_m2` and the same areas; geometry the hole; sorted by stand.
    opening_of, incidental_of
        Row of `openings` and of `incidental` for each mark, <NA> for none.
    components
        Crown-linked components of all candidates of each stand.
    components_area_m2
        Area of their union in each stand, closed by half the link distance [m2].
    edge
        That the holes are measured to.
    radius_m
        Crown radius of the standing trees of each stand [m].
    notices
        On groups that could not be used as they are.
    """

    openings: gpd.GeoDataFrame
    incidental: gpd.GeoDataFrame
    opening_of: pd.Series
    incidental_of: pd.Series
    components: IntArray
    components_area_m2: FloatArray
    edge: Edge
    radius_m: FloatArray
    notices: tuple[Notice, ...]


def find_holes(
    marks: gpd.GeoDataFrame,
    discs: GeometryArray,
    *,
    candidates: pd.Series,
    groups: Groups,
    rule: EdgeRule,
    thresholds: Thresholds,
) -> Holes:
    """
    Openings and incidental openings of the marks that leave a hole.

    `candidates` are cut and not in the corridor zone. Where a stand has stated groups, these are
    its openings and its other components that reach the thresholds incidental ones; else the
    components are its openings.
    """
    stand, leaving = marks[STAND].to_numpy(), candidates.to_numpy(dtype=bool)
    whole = _components(marks, discs, leaving, thresholds.link_distance_m)
    stated, stated_of, notices = _stated_holes(marks, discs, groups, rule, thresholds)
    left = leaving & stated_of.isna().to_numpy()
    linked = whole
    if (leaving & ~left).any():
        linked = _components(marks, discs, left, thresholds.link_distance_m)
    touching, touching_of = _touching_holes(marks, discs, linked, rule, thresholds)
    touching.index += len(groups.stated)  # unlike the stated ones
    touching_of += len(groups.stated)
    has_groups = touching[STAND].isin(groups.stated[STAND])
    openings = stated if has_groups.all() else pd.concat([stated, touching[~has_groups]])
    openings, opening_of = _in_order(openings, stated_of.fillna(touching_of))
    incidental, incidental_of = _in_order(touching[has_groups], touching_of)
    return Holes(
        openings=openings,
        incidental=incidental[[STAND, *_SIZES, "geometry"]],
        opening_of=opening_of,
        incidental_of=incidental_of,
        components=np.bincount(_stands_of(stand, whole), minlength=len(rule.radius_m)),
        components_area_m2=_crown_areas(
            marks, discs, whole, thresholds.link_distance_m, len(rule.radius_m)
        ),
        edge=rule.edge,
        radius_m=rule.radius_m,
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
        numbers, union = united_by(crowns, component.to_numpy())
        union = closed(union, link_distance_m)
        return united_areas(union, _stands_of(stand, component)[numbers], stands)
    centre = shapely.get_coordinates(marks.geometry.to_numpy()[rows])
    return crown_cover(centre, _radius(crowns), stand=stand[rows], stands=stands)


def united_areas(polygons: GeometryArray, stand: IntArray, stands: int) -> FloatArray:
    """Area of the union of the polygons of each stand; those that meet no other are added up."""
    one, two = shapely.STRtree(polygons).query(polygons, predicate="intersects")
    meets = np.zeros(len(polygons), dtype=bool)
    meets[one[(one != two) & (stand[one] == stand[two])]] = True
    clear = sums(shapely.area(polygons[~meets]), stand[~meets], stands)
    return clear + shapely.area(union_by(polygons[meets], stand[meets], stands))


_SIZES = ("net_of_leave_m2", "area_marked_crowns_m2", "area_boles_m2")

NO_MEMBERS = "the plan measures to marked crowns, and no tree that names the group has a position"
TOO_NARROW = "walked along the boles it is narrower than two standing crowns"


def _stated_holes(
    marks: gpd.GeoDataFrame,
    discs: GeometryArray,
    groups: Groups,
    rule: EdgeRule,
    thresholds: Thresholds,
) -> tuple[gpd.GeoDataFrame, pd.Series, list[Notice]]:
    """Stated groups as holes and the hole of each mark; empty holes are left out with a notice."""
    stated, group_of = groups.stated, groups.group_of
    stand = stated[STAND].to_numpy()
    outlines = rule.finished(_stated_outlines(marks, discs, groups, rule, thresholds), stand)
    shape, walked = outlines.by(rule.edge).copy(), stated.geometry.to_numpy()
    is_walked = (stated["basis"] != "tagged").to_numpy()
    crosses = (stated["crosses_at"] != "").to_numpy()
    gone = shapely.is_empty(shape) & is_walked & ~crosses
    shape[gone | crosses] = walked[gone | crosses]
    why = NO_MEMBERS if rule.edge == "marked_crowns" else TOO_NARROW
    columns = {
        **{name: stated[name] for name in (STAND, "group", "basis", "crosses_at")},
        "no_area": np.where(gone, why, "").astype(object),
        **_sizes(shape, outlines, rule.leave_crowns[stand], unknown=is_walked),
    }
    holes = features(columns, shape, crs=marks.crs)
    is_empty = shapely.is_empty(shape)
    lost = stated[is_empty]
    left = "no opening is left of it once the crowns of leave trees are taken out"
    notices = [
        Notice(stand, f"group {name}: {left}")
        for stand, name in zip(lost[STAND], lost["group"], strict=True)
    ] + [
        Notice(stand, f"group {name}: its area is not known: {reason}")
        for stand, name, reason in zip(holes[STAND], holes["group"], holes["no_area"], strict=True)
        if reason
    ]
    return holes[~is_empty], group_of.mask(group_of.isin(lost.index)), notices


def _stated_outlines(
    marks: gpd.GeoDataFrame,
    discs: GeometryArray,
    groups: Groups,
    rule: EdgeRule,
    thresholds: Thresholds,
) -> Outlines:
    """Outlines of stated groups by the three definitions, empty where there is none."""
    stated, group_of = groups.stated, groups.group_of
    is_tagged = stated["basis"] == "tagged"
    named = group_of[(marks["group"] != "").to_numpy() | group_of.isin(stated.index[is_tagged])]
    named = named.dropna()
    rows = marks.index.get_indexer(named.index)
    number, crowns = crown_outlines(
        discs[rows],
        named.to_numpy(dtype=np.intp),
        radius_m=rule.radius_m[marks[STAND].to_numpy()[rows]],
        link_distance_m=thresholds.link_distance_m,
        with_standing=rule.edge == "standing_crowns",
    )
    standing, boles = walked_outlines(
        stated.geometry.to_numpy(),
        stated["along"].to_numpy(dtype=object),
        radius_m=rule.radius_m[stated[STAND].to_numpy()],
    )
    marked = np.full(len(stated), shapely.MultiPolygon(), dtype=object)
    inside = shapely.intersection(crowns.marked_crowns, standing[number])
    marked[number] = only_polygons(inside)  # of a walk, as its edge ends where it was walked
    of_crowns = is_tagged.to_numpy()[number]
    marked[number[of_crowns]] = crowns.marked_crowns[of_crowns]
    boles[number[of_crowns]] = crowns.boles[of_crowns]
    if crowns.standing_crowns is None:
        return Outlines(marked_crowns=marked, standing_crowns=None, boles=boles)
    standing[number[of_crowns]] = crowns.standing_crowns[of_crowns]
    return Outlines(marked_crowns=marked, standing_crowns=standing, boles=boles)


def _sizes(
    shape: GeometryArray,
    outlines: Outlines,
    leave: GeometryArray,
    *,
    unknown: npt.NDArray[np.bool_] | bool,
) -> dict[str, FloatArray]:
    """Areas beside that on the plan's edge; an empty outline of those `unknown` has none."""
    sizes = (without(shape, leave), outlines.marked_crowns, outlines.boles)
    return {
        name: np.where(shapely.is_empty(one) & unknown, np.nan, shapely.area(one))
        for name, one in zip(_SIZES, sizes, strict=True)
    }


def _touching_holes(
    marks: gpd.GeoDataFrame,
    discs: GeometryArray,
    component: pd.Series,
    rule: EdgeRule,
    thresholds: Thresholds,
) -> tuple[gpd.GeoDataFrame, pd.Series]:
    """Components with enough trees and area as holes, and the hole of each mark."""
    rows = component.index.to_numpy()
    size = pd.Series(marks["count"].to_numpy()[rows]).groupby(component.to_numpy()).sum()
    many = component[component.isin(size.index[size >= thresholds.min_trees])]
    members = many.index.to_numpy()
    number, outlines = crown_outlines(
        discs[members],
        many.to_numpy(),
        radius_m=rule.radius_m[marks[STAND].to_numpy()[members]],
        link_distance_m=thresholds.link_distance_m,
        with_standing=rule.edge == "standing_crowns",
    )
    stand = _stands_of(marks[STAND].to_numpy(), many)
    outlines = rule.finished(outlines, stand)
    hole = outlines.by(rule.edge)
    area = shapely.area(hole)
    columns = {
        STAND: pd.Series(stand, index=number),
        "group": np.full(len(number), "", dtype=object),
        "basis": np.full(len(number), "crowns", dtype=object),
        "crosses_at": np.full(len(number), "", dtype=object),
        "no_area": np.full(len(number), "", dtype=object),
        **_sizes(hole, outlines, rule.leave_crowns[stand], unknown=False),
    }
    holes = features(columns, hole, crs=marks.crs)
    holes = holes[(area >= thresholds.min_area_m2) & (area > 0)]
    kept = many[many.isin(holes.index)]
    is_member = np.zeros(len(marks), dtype=bool)
    is_member[kept.index.to_numpy()] = True
    hole_of = np.zeros(len(marks), dtype=np.int64)
    hole_of[is_member] = kept.to_numpy()
    return holes, pd.Series(pd.arrays.IntegerArray(hole_of, ~is_member), index=marks.index)


def parts_notices(
    openings: gpd.GeoDataFrame, marks: gpd.GeoDataFrame, *, settings: OpeningSettings, units: str
) -> tuple[Notice, ...]:
    """One notice an opening in more than one part, with the groups that its parts would make."""
    several = openings[(openings["parts"] > 1).to_numpy()]
    places = marks.groupby([STAND, "opening"]).indices if len(several) else {}
    none = np.zeros(0, dtype=np.intp)
    points, count = marks.geometry.to_numpy(), marks["count"].to_numpy()
    return tuple(
        Notice(
            int(row[STAND]),
            f"opening {row['opening']} lies in {row['parts']} parts, up to "
            f"{_length(row['widest_gap_m'], units)} apart, and is judged as one: "
            + _split(shape, points[trees], count[trees], settings=settings, units=units),
        )
        for row, shape, trees in (
            (row, shape, places.get((row[STAND], row["opening"]), none))
            for row, shape in zip(several.to_dict("records"), several.geometry, strict=True)
        )
    )


def _split(
    shape: object,
    points: GeometryArray,
    trees: npt.NDArray[np.int64],
    *,
    settings: OpeningSettings,
    units: str,
) -> str:
    """How its parts would be named as groups."""
    parts = shapely.get_parts(np.asarray(shape, dtype=object))
    tree, part = shapely.STRtree(parts).query(points, predicate="intersects")
    count = np.bincount(part, weights=trees[tree], minlength=len(parts))
    area = shapely.area(parts)
    own = (count >= settings.min_trees) & (area >= settings.min_area_m2)
    order = [int(place) for place in np.argsort(-area, kind="stable") if own[place]]
    groups = "; ".join(
        f"{counted(int(count[i]), 'tree')} on {_area(float(area[i]), units)}" for i in order
    )
    rest = int(count[~own].sum())
    if not order:
        none = f"({counted(rest, 'tree')})"
        return f"as groups of their own none reaches min_trees and min_area {none}"
    single = "is a single one" if rest == 1 else "are single ones"
    left = f", and {counted(rest, 'tree')} {single}" if rest else ""
    return f"named apart they make {counted(len(order), 'group')} ({groups}){left}"


def _length(metres: float, units: str) -> str:
    """A length in the units of the project."""
    return f"{metres / LENGTH_M['ft']:.0f} ft" if units == "us" else f"{metres:.0f} m"


def _area(square_metres: float, units: str) -> str:
    """An area in the units of the project."""
    unit = "acre" if units == "us" else "ha"
    return f"{square_metres / AREA_M2[unit]:.2f} {unit}"
