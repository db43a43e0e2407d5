"""
Combined openings: where a corridor between two openings makes them one hole in the sky.

For each strip that meets an opening, the part of the strip within one strip width of the opening
belongs to its hole. Where two such holes touch, they are one.
"""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import features
from glademark.measure.crowns import GeometryArray
from glademark.measure.polygons import only_polygons, union_by

QUAD_SEGS = 16
"""Segments a quarter circle round the corners of an opening."""

IntArray = npt.NDArray[np.intp]

TOUCH_M = 1e-6
"""Rounding allowed in a distance that is to count as touching [m]."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Combined:
    """
    Combined openings of many stands.

    Attributes
    ----------
    rows
        As from `join_openings`, one stand after the other.
    stand
        Place of the stand of each row, rising.
    row_of
        Row that each opening belongs to.
    """

    rows: gpd.GeoDataFrame
    stand: IntArray
    row_of: IntArray


def join_openings(
    openings: gpd.GeoDataFrame, *, strips: gpd.GeoDataFrame, corridor_area: BaseGeometry
) -> gpd.GeoDataFrame:
    """
    Openings joined by the strips of corridor at them.

    Parameters
    ----------
    openings
        `opening` (number) and Polygon geometry, projected CRS in metres.
    strips
        Ground of each corridor with `width_m`; same CRS.
    corridor_area
        Union of the strips.

    Returns
    -------
    combined
        One row a combined opening, single ones included: `combined` (the lowest number in it),
        `openings` (numbers, comma-separated), `openings_count`, `area_m2`, `net_of_corridor_m2`;
        sorted by `combined`.
    """
    alone = np.zeros(len(openings), dtype=np.intp)
    return combined_by_stand(
        openings,
        alone,
        strips=strips,
        strip_stand=np.zeros(len(strips), dtype=np.intp),
        corridor=np.array([corridor_area], dtype=object),
    ).rows


def combined_by_stand(
    openings: gpd.GeoDataFrame,
    stand: IntArray,
    *,
    strips: gpd.GeoDataFrame,
    strip_stand: IntArray,
    corridor: GeometryArray,
) -> Combined:
    """
    Openings of many stands joined by the strips of corridor at them, never across stands.

    Parameters
    ----------
    openings
        As for `join_openings`, one stand after the other.
    stand
        Place of the stand of each opening, rising.
    strips
        As for `join_openings`, one stand after the other.
    strip_stand
        Place of the stand of each strip, rising.
    corridor
        Union of the strips of each stand; shape (stands,).

    Returns
    -------
    combined
        By stand, then by lowest number.
    """
    hole = _with_strips(openings.geometry.to_numpy(), stand, strips, strip_stand)
    one, two = shapely.STRtree(hole).query(hole, predicate="dwithin", distance=TOUCH_M)
    mine = stand[one] == stand[two]
    pairs = one[mine], two[mine]
    links = coo_array((np.ones(len(pairs[0]), bool), pairs), shape=(len(hole),) * 2)
    label = connected_components(links, directed=False)[1] if len(hole) else np.array([], int)
    number = openings["opening"].to_numpy()
    order = np.lexsort((number, stand))
    owner = pd.factorize(label[order])[0]  # combined openings by their lowest number
    row_of = np.empty(len(order), dtype=np.intp)
    row_of[order] = owner
    first = order[np.unique(owner, return_index=True)[1]]
    union = union_by(hole[order], owner, len(first))
    by_owner, ends = np.argsort(owner, kind="stable"), np.cumsum(np.bincount(owner))
    members = np.split(number[order][by_owner], ends[:-1]) if len(order) else []
    columns = {
        "combined": number[first].astype(int),
        "openings": np.array([", ".join(map(str, part)) for part in members], dtype=object),
        "openings_count": np.bincount(owner, minlength=len(first)),
        "area_m2": shapely.area(union),
        "net_of_corridor_m2": shapely.area(shapely.difference(union, corridor[stand[first]])),
    }
    rows = features(columns, only_polygons(union), crs=openings.crs)
    return Combined(rows=rows, stand=stand[first], row_of=row_of)


def _with_strips(
    openings: GeometryArray, stand: IntArray, strips: gpd.GeoDataFrame, strip_stand: IntArray
) -> GeometryArray:
    """Each opening with the parts of the strips that meet it, out to one strip width."""
    ground = strips.geometry.to_numpy()
    width = strips["width_m"].to_numpy(dtype=float)
    strip, mine = shapely.STRtree(openings).query(ground, predicate="intersects")
    same = strip_stand[strip] == stand[mine]
    strip, mine = strip[same], mine[same]
    each, pair = np.unique(np.stack([mine, width[strip]]), axis=1, return_inverse=True)
    around = shapely.buffer(openings[each[0].astype(int)], each[1], quad_segs=QUAD_SEGS)
    at = shapely.intersection(ground[strip], around[pair])
    pieces = np.concatenate([openings, at])
    return union_by(pieces, np.concatenate([np.arange(len(openings)), mine]), len(openings))


def combined_of(combined: gpd.GeoDataFrame, opening: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """
    Combined opening of each opening of one stand.

    Parameters
    ----------
    combined
        As from `join_openings`.
    opening
        Numbers of openings, shape (n,).

    Returns
    -------
    row
        Row of `combined` that each belongs to, shape (n,).
    """
    row = {
        int(number): row
        for row, numbers in enumerate(combined["openings"])
        for number in numbers.split(", ")
    }
    return np.array([row[number] for number in opening.tolist()], dtype=np.intp)
