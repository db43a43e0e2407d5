"""
Joined openings: where a corridor between two openings makes them one hole in the sky.

For each strip that meets an opening, the part of the strip within one strip width of the opening
belongs to its hole. Where two such holes touch, they are one.
"""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely.geometry.base import BaseGeometry

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
    members = pd.DataFrame({"label": label, "number": openings["opening"].to_numpy(), "hole": hole})
    members = members.sort_values("number", kind="stable")
    rows = members.groupby("label", sort=False)
    union = np.empty(rows.ngroups, dtype=object)
    union[:] = [shapely.union_all(part.to_numpy()) for _, part in rows["hole"]]
    numbers = [", ".join(map(str, part)) for _, part in rows["number"]]
    frame = gpd.GeoDataFrame(
        {
            "joined": rows["number"].min().to_numpy(dtype=int),
            "openings": pd.Series(numbers, dtype=object),
            "openings_count": rows.size().to_numpy(),
            "area_m2": shapely.area(union),
            "net_of_corridor_m2": shapely.area(shapely.difference(union, corridor_area)),
        },
        geometry=only_polygons(union),
        crs=openings.crs,
    )
    return frame.sort_values("joined", ignore_index=True)


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


def joined_of(joined: gpd.GeoDataFrame) -> pd.DataFrame:
    """
    Joined opening of each opening.

    Parameters
    ----------
    joined
        As from `join_openings`.

    Returns
    -------
    members
        `joined` and `joined_area_m2`, indexed by opening number.
    """
    rows = joined[["joined", "area_m2", "openings"]].assign(
        opening=joined["openings"].str.split(", ")
    )
    rows = rows.explode("opening")
    members = rows.set_index(rows["opening"].astype(int))[["joined", "area_m2"]]
    return members.rename(columns={"area_m2": "joined_area_m2"})
