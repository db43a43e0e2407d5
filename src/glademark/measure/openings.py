"""
Openings once they are found: size, distances, wood, and what corridors join them to.

For each strip that meets an opening, the part of the strip within one strip width of the opening
belongs to its hole. Where two such holes touch, they are one combined opening.
"""

import math
from collections.abc import Mapping
from typing import Any, NamedTuple, Self

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, minimum_spanning_tree
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import STAND, FloatArray, IntArray, features
from glademark.measure.corridors import Corridors
from glademark.measure.crowns import APART_M, GeometryArray
from glademark.measure.edges import outer_rings
from glademark.measure.holes import Holes
from glademark.measure.polygons import only_polygons, union_by
from glademark.measure.tables import known_of_all, known_sums, sums
from glademark.measure.volume import without_volume
from glademark.measure.zones import Covers


def axes(polygons: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """
    Longest axis of each polygon, its widest extent at right angles to that, and its bearing.

    Parameters
    ----------
    polygons
        Polygons or MultiPolygons, projected CRS [m]; shape (n,). Pieces of one count together.

    Returns
    -------
    axes
        Length and width of each [m], 0 for an empty polygon; bearing of the length clockwise from
        north, from 0 to below 180 [deg], NaN for an empty one; shape (n, 3). One loop over
        openings, because each hull has its own number of corners; cost grows with the square of
        those corners.

    Examples
    --------
    >>> axes([shapely.box(0, 0, 4, 3)]).round(3).tolist()
    [[5.0, 4.8, 53.13]]
    """
    hulls = shapely.convex_hull(np.asarray(polygons, dtype=object))
    return np.array([_axes(hull) for hull in hulls], dtype=np.float64).reshape(-1, 3)


def _axes(hull: BaseGeometry) -> tuple[float, float, float]:
    """Length, width and bearing of one hull."""
    corners = shapely.get_coordinates(hull)
    if not len(corners):
        return 0.0, 0.0, float("nan")
    east, north = (corners[:, axis, None] - corners[:, axis] for axis in (0, 1))
    apart = np.sqrt(east * east + north * north)
    i, j = divmod(int(apart.argmax()), len(corners))
    length = float(apart[i, j])
    along = (corners[j] - corners[i]) / length
    across = corners @ np.array([-along[1], along[0]])
    return length, float(across.max() - across.min()), math.degrees(math.atan2(*along)) % 180


ROUNDING = 1e-9
"""Share of a distance, and length [m], by which two ways of measuring it may differ."""


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
        "perimeter_m": shapely.length(outer_rings(holes)),
        "parts": shapely.get_num_geometries(holes),
        "ellipse_m2": np.pi / 4 * length * width,
        "equivalent_diameter_m": 2 * np.sqrt(area / np.pi),
    }


def widest_gaps(holes: GeometryArray) -> FloatArray:
    """Widest of the gaps that join all parts of each hole [m], NaN where it is in one part."""
    widest = np.full(len(holes), np.nan)
    several = np.flatnonzero(shapely.get_num_geometries(holes) > 1)
    if not len(several):
        return widest
    parts, owner = shapely.get_parts(holes[several], return_index=True)
    one, apart = _tree_edges(parts, np.bincount(owner))
    widest[several] = 0.0
    np.maximum.at(widest, several[owner[one]], apart)
    return widest


def _tree_edges(parts: GeometryArray, sizes: IntArray) -> tuple[IntArray, FloatArray]:
    """
    Edges of the shortest trees over the parts of each hole: one end, and the length [m].

    `sizes` is how many parts each hole has. Only pairs that may be an edge are measured.
    """
    number = np.arange(len(parts))
    following = np.repeat(np.cumsum(sizes), sizes) - number - 1
    one = np.repeat(number, following)
    two = one + 1 + np.arange(len(one)) - np.repeat(np.cumsum(following) - following, following)
    west, south, east, north = shapely.bounds(parts).T
    gaps = [
        np.maximum(np.maximum(low[two] - high[one], low[one] - high[two]), 0.0)
        for low, high in ((west, east), (south, north))
    ]
    apart = np.hypot(*gaps) + TOUCH_M  # of their boxes: no more than that of the parts
    measured = np.zeros(len(one), dtype=bool)
    pair = one * len(parts) + two
    while True:
        graph = coo_array((apart, (one, two)), shape=(len(parts),) * 2)
        begin, end = minimum_spanning_tree(graph).nonzero()
        edges = np.searchsorted(pair, begin.astype(np.intp) * len(parts) + end)
        new = edges[~measured[edges]]
        if not len(new):
            return one[edges], apart[edges] - TOUCH_M
        apart[new] = shapely.distance(parts[one[new]], parts[two[new]]) + TOUCH_M
        measured[new] = True


def nearest_other(
    openings: GeometryArray, *, number: IntArray, stand: IntArray
) -> tuple[pd.api.extensions.ExtensionArray, FloatArray]:
    """
    Nearest other opening of the same stand, crown edge to crown edge: its number and distance.

    <NA> and NaN where there is no other; ties go to the lower number.
    """
    nearest = np.zeros(len(openings), dtype=np.int64)
    spacing = np.full(len(openings), np.nan)
    some = np.flatnonzero(pd.Series(stand).duplicated(keep=False))
    if len(some):
        shapes, number, stand = openings[some], number[some], stand[some]
        # an opening beside it bounds the distance, so that few are left to be measured
        shapely.prepare(shapes)
        reach = _apart(shapes, shapes[_beside(shapes, stand)]) * (1 + ROUNDING) + ROUNDING
        mine, other = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=reach)
        apart = (mine != other) & (stand[mine] == stand[other])
        mine, other = mine[apart], other[apart]
        away = _apart(shapes[mine], shapes[other])
        order = np.lexsort((number[other], away, mine))
        one, first = np.unique(mine[order], return_index=True)
        nearest[some[one]] = number[other[order[first]]]
        spacing[some[one]] = away[order[first]]
        shapely.destroy_prepared(shapes)  # else it stays in memory as long as the openings
    return pd.arrays.IntegerArray(nearest, np.isnan(spacing)), spacing


def _apart(one: GeometryArray, other: GeometryArray) -> FloatArray:
    """Distance between openings, which is not searched for where they meet."""
    away = np.zeros(len(one))
    clear = ~shapely.intersects(one, other)
    away[clear] = shapely.distance(one[clear], other[clear])
    return away


def _beside(openings: GeometryArray, stand: IntArray) -> IntArray:
    """Another opening of the same stand for each, by their middles: near, not always nearest."""
    middle = np.column_stack([shapely.get_coordinates(shapely.centroid(openings)), stand * APART_M])
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


QUAD_SEGS = 16
"""Segments a quarter circle round the corners of an opening."""


TOUCH_M = 1e-6
"""Rounding allowed in a distance that is to count as touching [m]."""


def combine_openings(
    openings: gpd.GeoDataFrame, corridors: Corridors
) -> tuple[gpd.GeoDataFrame, IntArray]:
    """
    Openings joined by the strips of corridor at them, and the row that each opening belongs to.

    One row a combined opening, single ones included: `stand`, `combined` (the lowest number in it),
    `openings` (numbers, comma-separated), `openings_count`, `area_m2`, `net_of_corridor_m2`; sorted
    by stand and `combined`.
    """
    stand = openings[STAND].to_numpy()
    hole = _with_strips(openings, corridors.strips)
    one, two = shapely.STRtree(hole).query(hole, predicate="dwithin", distance=TOUCH_M)
    same = stand[one] == stand[two]
    pairs = one[same], two[same]
    links = coo_array((np.ones(len(pairs[0]), bool), pairs), shape=(len(hole),) * 2)
    label = connected_components(links, directed=False)[1] if len(hole) else np.array([], int)
    number = openings["opening"].to_numpy()
    order = np.lexsort((number, stand))
    owner = pd.factorize(label[order])[0]  # combined openings by their lowest number
    row_of = np.empty(len(order), dtype=np.intp)
    row_of[order] = owner
    first = order[np.unique(owner, return_index=True)[1]]
    union = shapely.normalize(only_polygons(union_by(hole[order], owner, len(first))))
    by_owner, ends = np.argsort(owner, kind="stable"), np.cumsum(np.bincount(owner))
    members = np.split(number[order][by_owner], ends[:-1]) if len(order) else []
    columns = {
        STAND: stand[first],
        "combined": number[first].astype(int),
        "openings": np.array([", ".join(map(str, part)) for part in members], dtype=object),
        "openings_count": np.bincount(owner, minlength=len(first)),
        "area_m2": shapely.area(union),
        "net_of_corridor_m2": shapely.area(shapely.difference(union, corridors.area[stand[first]])),
    }
    return features(columns, union, crs=openings.crs), row_of


def _with_strips(openings: gpd.GeoDataFrame, strips: gpd.GeoDataFrame) -> GeometryArray:
    """Each opening with the parts of its stand's strips that meet it, out to one strip width."""
    return with_strips(
        openings.geometry.to_numpy(),
        strips.geometry.to_numpy(),
        width_m=strips["width_m"].to_numpy(dtype=float),
        stand=(openings[STAND].to_numpy(), strips[STAND].to_numpy()),
    )


def with_strips(
    shapes: GeometryArray,
    ground: GeometryArray,
    *,
    width_m: FloatArray,
    stand: tuple[IntArray, IntArray] | None = None,
) -> GeometryArray:
    """Each shape with the parts of the strips that meet it; `stand` of shapes and of strips."""
    strip, opening = shapely.STRtree(shapes).query(ground, predicate="intersects")
    if stand is not None:
        same = stand[1][strip] == stand[0][opening]
        strip, opening = strip[same], opening[same]
    each, pair = np.unique(np.stack([opening, width_m[strip]]), axis=1, return_inverse=True)
    around = shapely.buffer(shapes[each[0].astype(int)], each[1], quad_segs=QUAD_SEGS)
    at = shapely.intersection(ground[strip], around[pair])
    pieces = np.concatenate([shapes, at])
    return union_by(pieces, np.concatenate([np.arange(len(shapes)), opening]), len(shapes))


WHOLE = {"board foot": 0}
"""Decimals of a volume in words, where not two."""

AT_LEAST = "at least "
"""What stands before a volume that leaves out trees without one."""


def wood_in(
    owner: pd.Series, count: int, *, marks: pd.DataFrame, parts: pd.DataFrame
) -> dict[str, npt.NDArray[Any]]:
    """
    Trees, basal area and volume of the cut marks of each of the owners 0..count-1.

    `owner` is that of each mark, <NA> for none; `tree` of `parts` is the index of `marks`. Columns
    `trees`, `basal_area_m2`, `volume_m3` (NaN where it is not known of every tree), `volume` (text
    by product), `trees_without` a volume and `mean_height_m`.
    """
    chosen = marks["is_cut"].to_numpy(dtype=bool) & owner.notna().to_numpy()
    rows = owner[chosen].astype(int)
    trees, basal_area, height = (
        marks[name].to_numpy()[chosen] for name in ("count", "basal_area_m2", "height_m")
    )
    measured = sums(~np.isnan(height), rows, count)
    owned = Owned.of(rows, marks=marks, parts=parts)
    return {
        "trees": sums(trees, rows, count).astype(int),
        "basal_area_m2": sums(basal_area, rows, count),
        "mean_height_m": sums(height, rows, count) / np.where(measured > 0, measured, np.nan),
        "volume_m3": known_of_all(owned.parts["m3"], owned.owner, count),
        "volume": _in_words(owned.by_product(), count),
        "trees_without": sums(owned.without["own_without"], owned.owner, count).astype(int),
    }


def volume_words(product: str, net: float, unit: str, *, trees_without: int) -> str:
    """Net volume of one product as the text columns of layers have it."""
    if np.isnan(net):
        return f"{product} not computed"
    least = AT_LEAST if trees_without else ""
    return f"{product} {least}{net:,.{WHOLE.get(unit, 2)}f} {unit}"


def measured_openings(
    openings: gpd.GeoDataFrame,
    *,
    corridors: Corridors,
    ground: Covers,
    wood: Mapping[str, npt.NDArray[Any]] | None = None,
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """
    Openings with size, neighbours, distances and wood, by stand and number; combined openings.

    `openings` has `stand`, `opening`, `group`, `basis`, `net_of_leave_m2`; `wood` is that of
    `wood_in`, None where it does not matter.
    """
    combined, row_of = combine_openings(openings, corridors)
    shapes, number = openings.geometry.to_numpy(), openings["opening"].to_numpy()
    stand = openings[STAND].to_numpy()
    corridor, boundary, water = (
        areas[stand] for areas in (corridors.area, ground.stand, ground.water)
    )
    nearest, spacing = nearest_other(shapes, number=number, stand=stand)
    measures = hole_measures(shapes)
    columns = {
        **{name: openings[name].array for name in openings.columns if name != "geometry"},
        **measures,
        "widest_gap_m": widest_gaps(shapes),
        "in_corridor_m2": shapely.area(shapely.intersection(shapes, corridor)),
        "combined": combined["combined"].to_numpy()[row_of],
        "combined_area_m2": combined["area_m2"].to_numpy()[row_of],
        "nearest": nearest,
        "spacing_m": spacing,
        "boundary_m": shapely.distance(shapes, shapely.boundary(boundary)),
        "water_m": shapely.distance(shapes, water),
        "corridor_m": shapely.distance(shapes, corridor),
        **(with_heights(wood, measures["equivalent_diameter_m"]) if wood is not None else {}),
    }
    columns, combined = _without_crossing(columns, combined, row_of)
    order = np.lexsort((number, stand))
    ordered = {name: values[order] for name, values in columns.items()}
    return features(ordered, shapes[order], crs=openings.crs), combined


_OF_AREA = (
    "area_m2", "net_of_leave_m2", "equivalent_diameter_m", "diameter_to_height", "in_corridor_m2",
    "ellipse_m2",
)  # fmt: skip
_WHY = ("crosses_at", "no_area")


def _without_crossing(
    columns: dict[str, Any], combined: gpd.GeoDataFrame, row_of: IntArray
) -> tuple[dict[str, Any], gpd.GeoDataFrame]:
    """Columns without the sizes that nobody knows, and the reasons only where there are any."""
    why = {name: np.asarray(columns[name], dtype=object) for name in _WHY if name in columns}
    why = {name: reason for name, reason in why.items() if (reason != "").any()}
    kept = {name: one for name, one in columns.items() if name not in _WHY or name in why}
    if not why:
        return kept, combined
    unknown = np.logical_or.reduce([reason != "" for reason in why.values()])
    told = {}
    for name, reason in why.items():
        told[name] = np.full(len(combined), "", dtype=object)
        told[name][row_of[reason != ""]] = reason[reason != ""]
    lost = np.zeros(len(combined), dtype=bool)
    lost[row_of[unknown]] = True
    sizes = ["area_m2", "net_of_corridor_m2"]
    combined = combined.assign(**{name: combined[name].mask(lost) for name in sizes}, **told)
    blank = {name: np.where(unknown, np.nan, kept[name]) for name in _OF_AREA if name in kept}
    if "crosses_at" in why:
        crosses = why["crosses_at"] != ""
        edges = ("area_marked_crowns_m2", "area_boles_m2")
        blank |= {name: np.where(crosses, np.nan, kept[name]) for name in edges if name in kept}
    whole = {"combined_area_m2": combined["area_m2"].to_numpy()[row_of]}
    return {**kept, **blank, **whole}, combined


def with_heights(
    wood: Mapping[str, npt.NDArray[Any]], diameter_m: npt.NDArray[np.float64]
) -> dict[str, npt.NDArray[Any]]:
    """
    The wood of holes, and how wide these are for the height of the trees.

    Parameters
    ----------
    diameter_m
        Diameter of the circle of equal area [m].

    Returns
    -------
    columns
        The same with `diameter_to_height`, NaN where no height is known.
    """
    height = wood["mean_height_m"]
    return {**wood, "diameter_to_height": diameter_m / np.where(height > 0, height, np.nan)}


def measured_incidental(
    holes: Holes, *, marks: pd.DataFrame, parts: pd.DataFrame
) -> gpd.GeoDataFrame:
    """Incidental openings with size and wood, numbered north to south, west to east by stand."""
    shapes, stand = holes.incidental.geometry.to_numpy(), holes.incidental[STAND].to_numpy()
    centre = shapely.get_coordinates(shapely.centroid(shapes))
    order = np.lexsort((centre[:, 0], -centre[:, 1], stand))
    measures = hole_measures(shapes)
    wood = wood_in(holes.incidental_of, len(shapes), marks=marks, parts=parts)
    columns = {
        STAND: stand,
        **{
            name: holes.incidental[name].to_numpy()
            for name in ("net_of_leave_m2", "area_marked_crowns_m2", "area_boles_m2")
        },
        **measures,
        **with_heights(wood, measures["equivalent_diameter_m"]),
    }
    table = {name: values[order] for name, values in columns.items()}
    number = pd.Series(table[STAND]).groupby(table[STAND]).cumcount().to_numpy() + 1
    return features({"incidental": number, **table}, shapes[order], crs=holes.incidental.crs)


def volume_by_product(
    owner: pd.Series, *, marks: pd.DataFrame, parts: pd.DataFrame
) -> pd.DataFrame:
    """As `Owned.by_product`; `owner`, `marks` and `parts` are as in `wood_in`."""
    cut = owner[marks["is_cut"].to_numpy(dtype=bool)].dropna().astype(int)
    return Owned.of(cut, marks=marks, parts=parts).by_product()


class Owned(NamedTuple):
    """Parts of trees that have an owner: the parts, their owners, trees without a volume."""

    parts: pd.DataFrame
    owner: pd.Series
    without: pd.DataFrame

    @classmethod
    def of(cls, owner: pd.Series, *, marks: pd.DataFrame, parts: pd.DataFrame) -> Self:
        """Those of the cut marks in `owner`, by the index of `marks`."""
        mine = parts["tree"].map(owner)
        known = mine.notna().to_numpy()
        owned = parts[known]
        return cls(owned, mine[known].astype(int), without_volume(owned, marks["count"]))

    def by_product(self) -> pd.DataFrame:
        """`volume_net` by `owner`, `product` and `volume_unit`, NaN of no tree; `trees_without`."""
        net, lost = self.parts["net"], self.without["trees_without"]
        groups = net.groupby(
            [self.owner.rename("owner"), self.parts["product"], self.parts["unit"]]
        )
        number = groups.ngroup()
        table = pd.DataFrame(
            {
                "volume_net": known_sums(net, number, groups.ngroups),
                "trees_without": sums(lost, number, groups.ngroups).astype(int),
            },
            index=groups.size().index,
        )
        table = table.reset_index().rename(columns={"unit": "volume_unit"})
        return table[table["volume_net"].notna() | (table["product"] != "")]


def _in_words(by_product: pd.DataFrame, count: int) -> npt.NDArray[np.object_]:
    """Net volume of each of so many owners in words; missing without any product."""
    columns = ("owner", "product", "volume_net", "volume_unit", "trees_without")
    told = np.full(count, np.nan, dtype=object)
    for owner, *wood, lost in zip(*(by_product[name].tolist() for name in columns), strict=True):
        words = volume_words(*wood, trees_without=lost)
        told[owner] = f"{told[owner]}; {words}" if isinstance(told[owner], str) else words
    return told
