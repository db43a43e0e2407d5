"""Crop trees, young growth, retained trees and exposed edges: what the cut does around them."""

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import STAND
from glademark.forestry import SpeciesNames
from glademark.measure.crowns import crown_radii
from glademark.measure.residual.standing_trees import match_distances, matched_trees
from glademark.measure.tables import declared
from glademark.project.model import Project
from glademark.units import HECTARE_M2

FloatArray = npt.NDArray[np.float64]


IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

SIDE_NAMES = {4: ("N", "E", "S", "W"), 8: ("N", "NE", "E", "SE", "S", "SW", "W", "NW")}
"""Sides of a crown, clockwise from the one centred on north."""

_ROUNDING_DEG = 1e-9  # a bearing on a border belongs to the side clockwise of it


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Trees:
    """
    Trees with crowns, one row each.

    Attributes
    ----------
    xy
        Position [m], shape (n, 2).
    stand
        Number of the stand.
    radius_m
        Of the crown.
    height_m, crown_base_m
        Total height and height of the live crown's base; NaN where not known.
    """

    xy: FloatArray
    stand: IntArray
    radius_m: FloatArray
    height_m: FloatArray
    crown_base_m: FloatArray


def side_of(bearing_deg: FloatArray, *, sides: int) -> IntArray:
    """
    Side of a crown in which a bearing lies.

    Examples
    --------
    >>> side_of(np.array([0.0, 44.9, 45.0, 315.0, 314.9]), sides=4).tolist()
    [0, 0, 1, 0, 3]
    """
    width = 360.0 / sides
    turned = np.asarray(bearing_deg, float) + width / 2 + _ROUNDING_DEG
    return (np.floor(turned / width).astype(np.intp)) % sides


def neighbour_pairs(
    crop: Trees, others: Trees, *, reach_m: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Crop tree, neighbour and distance [m] of all pairs of one stand within a reach."""
    nothing = np.zeros(0, dtype=np.intp)
    if not len(crop.xy) or not len(others.xy):
        return nothing, nothing, np.zeros(0)
    places = [
        np.column_stack([trees.xy, trees.stand * (2 * reach_m + 1)]) for trees in (crop, others)
    ]
    near = cKDTree(places[0]).sparse_distance_matrix(
        cKDTree(places[1]), reach_m, output_type="coo_matrix"
    )
    return near.row.astype(np.intp), near.col.astype(np.intp), np.asarray(near.data)


def crowded_sides(
    crop: Trees,
    others: Trees,
    pairs: tuple[IntArray, IntArray, FloatArray],
    *,
    marked: BoolArray,
    touch_m: float,
    sides: int,
) -> tuple[BoolArray, BoolArray]:
    """
    Which sides of each crop tree are crowded before and after the cut, shape (crop trees, sides).

    A neighbour crowds the side in which its bole stands where the gap between the crowns is at most
    `touch_m`, unless its top is below the crop tree's live crown.
    """
    tree, other, away = pairs
    gap = away - crop.radius_m[tree] - others.radius_m[other]
    below = others.height_m[other] < crop.crown_base_m[tree]  # false where either is not known
    crowds = (gap <= touch_m) & ~below
    tree, other = tree[crowds], other[crowds]
    east, north = (others.xy[other] - crop.xy[tree]).T
    side = side_of(np.degrees(np.arctan2(east, north)) % 360, sides=sides)
    before = np.zeros((len(crop.xy), sides), dtype=bool)
    after = before.copy()
    before[tree, side] = True
    stays = ~marked[other]
    after[tree[stays], side[stays]] = True
    return before, after


def felled_within(
    others: Trees,
    pairs: tuple[IntArray, IntArray, FloatArray],
    *,
    count: IntArray,
    crop_trees: int,
    default_m: float,
) -> IntArray:
    """Trees cut near enough to fall on each crop tree; `count` is how many each record cuts."""
    tree, other, away = pairs
    reach = np.where(np.isnan(others.height_m), default_m, others.height_m)[other]
    hits = np.where(away <= reach, count[other], 0)
    return np.bincount(tree, weights=hits, minlength=crop_trees).astype(np.intp)


GeometryArray = npt.NDArray[np.object_]

EDGE_M = 10.0
"""Trees this near an opening or corridor are newly exposed to wind [m]."""

CODES_APART = "+"
NOT_STATED = "not_stated"


def least_sides(sides: int) -> int:
    """Open sides that make a crop tree released, where the project does not say: 3 of 4."""
    return sides * 3 // 4


def _as_trees(frame: gpd.GeoDataFrame) -> Trees:
    """Positions and crowns of a table of trees."""
    nothing = np.full(len(frame), np.nan)
    height = frame["height_m"].to_numpy(dtype=float) if "height_m" in frame else nothing
    ratio = frame["live_crown_ratio"].to_numpy(float) if "live_crown_ratio" in frame else nothing
    return Trees(
        xy=shapely.get_coordinates(frame.geometry.to_numpy()).reshape(-1, 2),
        stand=frame[STAND].to_numpy(dtype=np.intp),
        radius_m=frame["crown_radius_m"].to_numpy(dtype=float),
        height_m=height,
        crown_base_m=height * (1 - ratio),
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Neighbourhood:
    """
    What stands and falls around crop trees.

    Attributes
    ----------
    cut
        Cut marks with positions.
    standing
        Standing trees with positions, `mark` says which are cut marks; empty without a map.
    corridors
        Ground of the corridors of each stand.
    least
        Open sides that make a crop tree released.
    """

    cut: gpd.GeoDataFrame
    standing: gpd.GeoDataFrame
    corridors: GeometryArray
    least: int


def crop_tree_layer(
    own: gpd.GeoDataFrame, around: Neighbourhood, project: Project, species: SpeciesNames
) -> gpd.GeoDataFrame:
    """The layer of crop trees; without a map of standing trees only what the marks say."""
    if own.empty:
        return own
    settings, cut, standing = project.crop_trees, around.cut, around.standing
    crop = own.assign(species=species.fold(own["species"].to_numpy(dtype=object)))
    crop = crop.assign(
        **crown_radii(crop, default_m=project.openings.crown_radius_m, species=species)
    )
    itself = _places_taken(crop, cut, project)
    found = matched_trees(
        crop.assign(tree_id=""),
        standing,
        within_m=np.full(len(crop), _reach(project)),
    )
    crop["live_crown_ratio"] = np.nan
    if len(standing):
        ratio = standing["live_crown_ratio"].to_numpy(dtype=float)
        crop["live_crown_ratio"] = np.where(found >= 0, ratio[found], np.nan)
        height = standing["height_m"].to_numpy(dtype=float)
        known = crop["height_m"].to_numpy(dtype=float)
        crop["height_m"] = np.where(np.isnan(known) & (found >= 0), height[found], known)
    others = standing if len(standing) else cut
    marked = (standing["mark"].to_numpy() >= 0) if len(standing) else np.ones(len(cut), dtype=bool)
    own_row = found if len(standing) else itself
    before, after = _sides(crop, others, own_row, marked, project)
    freed = (before & ~after).sum(axis=1)
    opened = after.shape[1] - after.sum(axis=1)
    to_corridor = _to_ground(crop, around.corridors)
    columns = {
        "sides": np.full(len(crop), settings.sides),
        "freed": freed,
        "marked": itself >= 0,
        "corridor_m": to_corridor,
        "near_corridor": to_corridor <= settings.damage_distance_m,
        "felled_within": _felled(crop, cut, itself, project),
        "released": np.zeros(len(crop), dtype=bool),
    }
    if len(standing):
        columns |= {
            "open_before": after.shape[1] - before.sum(axis=1),
            "open_after": opened,
            "crowded": _names(after),
            "released": (opened >= around.least) & (freed > 0) & (itself < 0),
        }
    return declared(crop, "crop_trees", more=columns)


def _reach(project: Project) -> float:
    """How far apart one tree of two files may lie [m]."""
    stated = project.marks.match_distance_m
    return max(1.0, 2 * project.marks.position_error_m) if stated is None else stated


def _places_taken(
    own: gpd.GeoDataFrame, cut: gpd.GeoDataFrame, project: Project
) -> npt.NDArray[np.intp]:
    """Row of the cut mark that each tree is, -1 for none."""
    within = match_distances(cut, stated_m=project.marks.match_distance_m)
    tree_of = matched_trees(cut.assign(tree_id=""), own, within_m=within)
    mark = np.full(len(own), -1, dtype=np.intp)
    mark[tree_of[tree_of >= 0]] = np.flatnonzero(tree_of >= 0)
    return mark


def _sides(
    crop: gpd.GeoDataFrame,
    others: gpd.GeoDataFrame,
    own_row: npt.NDArray[np.intp],
    marked: npt.NDArray[np.bool_],
    project: Project,
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Sides of crop trees that are crowded before and after."""
    settings, trees, around = project.crop_trees, _as_trees(crop), _as_trees(others)
    radii = (trees.radius_m, around.radius_m)
    reach = settings.touch_distance_m + sum(float(r.max()) if len(r) else 0.0 for r in radii)
    pairs = neighbour_pairs(trees, around, reach_m=reach)
    other = own_row[pairs[0]] != pairs[1]
    pairs = (pairs[0][other], pairs[1][other], pairs[2][other])
    return crowded_sides(
        trees, around, pairs, marked=marked, touch_m=settings.touch_distance_m, sides=settings.sides
    )


def _felled(
    crop: gpd.GeoDataFrame,
    cut: gpd.GeoDataFrame,
    itself: npt.NDArray[np.intp],
    project: Project,
) -> npt.NDArray[np.intp]:
    """Marked trees that may fall on each crop tree."""
    trees, falling = _as_trees(crop), _as_trees(cut)
    default_m = project.crop_trees.felling_distance_m
    heights = falling.height_m[~np.isnan(falling.height_m)]
    reach = max(default_m, float(heights.max()) if len(heights) else 0.0)
    pairs = neighbour_pairs(trees, falling, reach_m=reach)
    other = itself[pairs[0]] != pairs[1]
    return felled_within(
        falling,
        (pairs[0][other], pairs[1][other], pairs[2][other]),
        count=cut["count"].to_numpy(dtype=np.intp),
        crop_trees=len(crop),
        default_m=default_m,
    )


def _to_ground(points: gpd.GeoDataFrame, ground: GeometryArray) -> FloatArray:
    """Distance to the ground of the stand of each point, 0 inside, NaN where there is none [m]."""
    away = shapely.distance(points.geometry.to_numpy(), ground[points[STAND].to_numpy()])
    return np.asarray(away, dtype=float)


def _names(crowded: npt.NDArray[np.bool_]) -> npt.NDArray[np.object_]:
    """Sides that are still crowded, in words."""
    sides = np.array(SIDE_NAMES[crowded.shape[1]], dtype=object)
    cells = np.where(crowded, sides, "")
    joined = [", ".join(filter(None, row)) for row in cells.tolist()]
    return np.array(joined, dtype=object)


def regeneration_layer(
    own: gpd.GeoDataFrame,
    openings: Mapping[int, BaseGeometry],
    machines: GeometryArray,
    corridors: gpd.GeoDataFrame,
) -> gpd.GeoDataFrame:
    """The layer of young growth; `machines` is the ground of corridors and landings."""
    if own.empty:
        return own
    patches, stand = own.geometry.to_numpy(), own[STAND].to_numpy()
    area = shapely.area(patches)
    nothing = shapely.MultiPolygon()
    opened = np.array([openings.get(int(one), nothing) for one in stand], dtype=object)
    released = shapely.area(shapely.intersection(patches, opened))
    driven = shapely.area(shapely.intersection(patches, machines[stand]))
    row, strip = shapely.STRtree(corridors.geometry.to_numpy()).query(
        patches, predicate="intersects"
    )
    same = stand[row] == corridors[STAND].to_numpy()[strip]
    names = pd.Series(corridors["corridor"].to_numpy(dtype=object)[strip[same]])
    crossing = names.groupby(row[same]).agg(lambda some: ", ".join(sorted(set(some))))
    return declared(
        own,
        "regeneration",
        more={
            "area_m2": area,
            "released_m2": released,
            "released_share": released / area,
            "machine_m2": driven,
            "machine_share": driven / area,
            "corridors": crossing.reindex(range(len(own)), fill_value="").to_numpy(dtype=object),
        },
    )


def marked_as_well(
    leave: gpd.GeoDataFrame, cut: gpd.GeoDataFrame, project: Project
) -> npt.NDArray[np.object_]:
    """Label of the cut mark that each retained tree is, empty for none."""
    kept = leave["retention"].to_numpy(dtype=object) != ""
    label = np.full(len(leave), "", dtype=object)
    if kept.any() and len(cut):
        mark = _places_taken(leave[kept], cut, project)
        labels = cut["label"].to_numpy(dtype=object)
        label[kept] = np.where(mark >= 0, labels[mark], "")
    return label


def retention_rows(leave: pd.DataFrame, operable: BaseGeometry) -> pd.DataFrame:
    """Retained trees of one stand by kind, and all; those with a `mark` are not retained."""
    kinds = leave["retention"].astype(object).str.split(CODES_APART)
    each = leave.assign(kind=kinds).explode("kind")
    each = pd.concat([leave.assign(kind="all"), each])
    hectares = operable.area / HECTARE_M2
    rows = []
    for kind, trees in each.groupby("kind", sort=True):  # a handful of kinds
        stays = trees[trees["mark"] == ""]
        points = np.asarray(stays["geometry"], dtype=object)
        rows.append(
            {
                "kind": kind,
                "trees": len(stays),
                "trees_per_ha": len(stays) / hectares if hectares > 0 else np.nan,
                "basal_area_m2": stays["basal_area_m2"].sum(skipna=False),
                "farthest_m": farthest(points, operable),
            }
        )
    table = pd.DataFrame(
        rows, columns=["kind", "trees", "trees_per_ha", "basal_area_m2", "farthest_m"]
    )
    return table.sort_values("kind", key=lambda kind: kind.where(kind != "all", ""))


def farthest(points: GeometryArray, ground: BaseGeometry) -> float:
    """
    Largest distance from a point of the ground to the nearest of some points [m].

    It is at a corner of the ground, a corner of the points' Voronoi cells inside it, or where an
    edge of these meets the outline.
    """
    if not len(points) or ground.is_empty:
        return np.nan
    spots = [shapely.get_coordinates(ground)]
    if len(points) > 1:
        edges = shapely.voronoi_polygons(
            shapely.multipoints(points), extend_to=ground, only_edges=True
        )
        inside = shapely.get_coordinates(shapely.intersection(edges, ground))
        spots.append(inside)
    every = shapely.points(np.concatenate(spots))
    tree = shapely.STRtree(points)
    _, away = tree.query_nearest(every, return_distance=True, all_matches=False)
    return float(np.max(away))


def exposed_layer(
    standing: gpd.GeoDataFrame,
    edges: gpd.GeoDataFrame,
    project: Project,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """
    Trees that stay at an edge beyond a threshold, and by stand how many were measured and are so.

    `edges` are openings and corridors with their names in `edge`.
    """
    settings = project.stability
    stays = standing[(standing["mark"] < 0).to_numpy() & standing["counts"].to_numpy()]
    stays = stays[~shapely.is_empty(stays.geometry.to_numpy())]
    slender = 100 * stays["height_m"].to_numpy(float) / stays["dbh_cm"].to_numpy(float)
    ratio = stays["live_crown_ratio"].to_numpy(dtype=float)
    beyond = np.zeros(len(stays), dtype=bool)
    measured = np.zeros(len(stays), dtype=bool)
    for values, most in (
        (slender, settings.height_diameter_max),
        (-ratio, _below(settings.live_crown_ratio_min)),
    ):
        if most is not None:
            measured |= ~np.isnan(values)
            beyond |= values > most
    name = _edge_of(stays, edges)
    at_edge = name != ""
    found = stays.assign(height_diameter=slender, live_crown_ratio=ratio, edge=name)
    counts = pd.DataFrame({STAND: stays[STAND].to_numpy(), "measured": measured, "beyond": beyond})
    return found[beyond & at_edge], counts[at_edge].groupby(STAND).sum()


def _below(least: float | None) -> float | None:
    """A least value as the most of the negative."""
    return None if least is None else -least


def _edge_of(trees: gpd.GeoDataFrame, edges: gpd.GeoDataFrame) -> npt.NDArray[np.object_]:
    """Nearest opening or corridor of each tree's stand within `EDGE_M`, outside of it."""
    name = np.full(len(trees), "", dtype=object)
    if edges.empty or trees.empty:
        return name
    points, shapes = trees.geometry.to_numpy(), edges.geometry.to_numpy()
    row, edge = shapely.STRtree(shapes).query(points, predicate="dwithin", distance=EDGE_M)
    same = trees[STAND].to_numpy()[row] == edges[STAND].to_numpy()[edge]
    row, edge = row[same], edge[same]
    away = shapely.distance(points[row], shapes[edge])
    order = np.lexsort((edge, away, row))
    row, edge, away = row[order], edge[order], away[order]
    first = np.unique(row, return_index=True)[1]
    outside = away[first] > 0  # the nearest: inside one, it is no edge tree
    name[row[first][outside]] = edges["edge"].to_numpy(dtype=object)[edge[first][outside]]
    return name
