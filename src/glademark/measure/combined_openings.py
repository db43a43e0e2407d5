"""
Combined openings: where a corridor between two openings makes them one hole in the sky.

For each strip that meets an opening, the part of the strip within one strip width of the opening
belongs to its hole. Where two such holes touch, they are one.
"""

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from glademark.contracts.frames import STAND, features
from glademark.measure.corridors import Corridors
from glademark.measure.crowns import GeometryArray
from glademark.measure.polygons import only_polygons, union_by

QUAD_SEGS = 16
"""Segments a quarter circle round the corners of an opening."""

IntArray = npt.NDArray[np.intp]

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
    union = union_by(hole[order], owner, len(first))
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
    return features(columns, only_polygons(union), crs=openings.crs), row_of


def _with_strips(openings: gpd.GeoDataFrame, strips: gpd.GeoDataFrame) -> GeometryArray:
    """Each opening with the parts of the strips of its stand that meet it, out to one strip width."""
    shapes, ground = openings.geometry.to_numpy(), strips.geometry.to_numpy()
    width = strips["width_m"].to_numpy(dtype=float)
    strip, opening = shapely.STRtree(shapes).query(ground, predicate="intersects")
    same = strips[STAND].to_numpy()[strip] == openings[STAND].to_numpy()[opening]
    strip, opening = strip[same], opening[same]
    each, pair = np.unique(np.stack([opening, width[strip]]), axis=1, return_inverse=True)
    around = shapely.buffer(shapes[each[0].astype(int)], each[1], quad_segs=QUAD_SEGS)
    at = shapely.intersection(ground[strip], around[pair])
    pieces = np.concatenate([shapes, at])
    return union_by(pieces, np.concatenate([np.arange(len(shapes)), opening]), len(shapes))
