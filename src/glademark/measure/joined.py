"""
Joined openings: where a corridor between two openings makes them one hole in the sky.

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
from shapely.geometry.base import BaseGeometry

from glademark.features import features
from glademark.measure.crowns import GeometryArray
from glademark.measure.polygons import only_polygons

QUAD_SEGS = 16
"""Segments a quarter circle round the corners of an opening."""

TOUCH_M = 1e-6
"""Rounding allowed in a distance that is to count as touching [m]."""


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
    joined
        One row a joined opening, single ones included: `joined` (the lowest number in it),
        `openings` (numbers, comma-separated), `openings_count`, `area_m2`, `net_of_corridor_m2`;
        sorted by `joined`.
    """
    hole = _with_strips(openings.geometry.to_numpy(), strips)
    tree = shapely.STRtree(hole)
    pairs = tree.query(hole, predicate="dwithin", distance=TOUCH_M)
    size = (len(hole),) * 2
    links = coo_array((np.ones(pairs.shape[1], bool), (pairs[0], pairs[1])), shape=size)
    label = connected_components(links, directed=False)[1] if len(hole) else np.array([], int)
    number = openings["opening"].to_numpy()
    order = np.argsort(number, kind="stable")
    owner = pd.factorize(label[order])[0]  # joined openings by their lowest number
    members = np.split(order[np.argsort(owner, kind="stable")], np.cumsum(np.bincount(owner))[:-1])
    members = members if len(order) else []
    union = np.empty(len(members), dtype=object)
    union[:] = [shapely.union_all(hole[part]) for part in members]
    columns = {
        "joined": np.array([number[part[0]] for part in members], dtype=int),
        "openings": np.array([", ".join(map(str, number[part])) for part in members], dtype=object),
        "openings_count": np.array([len(part) for part in members], dtype=int),
        "area_m2": shapely.area(union),
        "net_of_corridor_m2": shapely.area(shapely.difference(union, corridor_area)),
    }
    return features(columns, only_polygons(union), crs=openings.crs)


def _with_strips(openings: GeometryArray, strips: gpd.GeoDataFrame) -> GeometryArray:
    """Each opening with the parts of the strips that meet it, out to one strip width."""
    ground = strips.geometry.to_numpy()
    width = strips["width_m"].to_numpy(dtype=float)
    strip, mine = shapely.STRtree(openings).query(ground, predicate="intersects")
    around = shapely.buffer(openings[mine], width[strip], quad_segs=QUAD_SEGS)
    at = shapely.intersection(ground[strip], around)
    pieces = np.concatenate([openings, at])
    owner = np.concatenate([np.arange(len(openings)), mine])
    order = np.argsort(owner, kind="stable")
    start = np.searchsorted(owner[order], np.arange(len(openings)))
    hole = np.empty(len(openings), dtype=object)
    hole[:] = [shapely.union_all(part) for part in np.split(pieces[order], start[1:])][: len(hole)]
    return hole


def joined_of(joined: gpd.GeoDataFrame, opening: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """
    Joined opening of each opening.

    Parameters
    ----------
    joined
        As from `join_openings`.
    opening
        Numbers of openings, shape (n,).

    Returns
    -------
    row
        Row of `joined` that each belongs to, shape (n,).
    """
    row = {
        int(number): row
        for row, numbers in enumerate(joined["openings"])
        for number in numbers.split(", ")
    }
    return np.array([row[number] for number in opening.tolist()], dtype=np.intp)
