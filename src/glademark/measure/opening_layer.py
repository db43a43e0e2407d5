"""Openings and canopy gaps with all that is reported of each: size, wood, distances."""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.measure.joined import joined_of
from glademark.measure.openings import Holes, hole_measures, nearest_other
from glademark.measure.sums import known_sums, sums

WHOLE = {"board foot": 0}
"""Decimals of a volume in words, where not two."""


def wood_in(owner: pd.Series, marks: pd.DataFrame, parts: pd.DataFrame) -> pd.DataFrame:
    """
    Trees, basal area and volume of the cut marks of each owner.

    Parameters
    ----------
    owner
        What each mark belongs to, NaN or <NA> where to nothing; on the index of `marks`.
    marks
        `is_cut`, `count`, `basal_area_m2`, `height_m`.
    parts
        As from `glademark.measure.volume.volumes`; `tree` is the index of `marks`.

    Returns
    -------
    wood
        `trees`, `basal_area_m2`, `volume_m3` (NaN where nothing can be converted), `volume` (text
        by product) and `mean_height_m`, indexed by owner.
    """
    belongs = marks["is_cut"].to_numpy(dtype=bool) & owner.notna().to_numpy()
    code, names = pd.factorize(owner.where(belongs), sort=True)
    count = len(names)
    height = marks["height_m"].to_numpy(dtype=float)
    measured = sums(~np.isnan(height), code, count)
    at = marks.index.get_indexer(pd.Index(parts["tree"]))
    row = np.full(len(at), -1, dtype=np.intp)  # -1: counted without a position
    row[at >= 0] = code[at[at >= 0]]
    return pd.DataFrame(
        {
            "trees": sums(marks["count"], code, count).astype(int),
            "basal_area_m2": sums(marks["basal_area_m2"], code, count),
            "mean_height_m": sums(height, code, count) / np.where(measured > 0, measured, np.nan),
            "volume_m3": known_sums(parts["m3"], row, count),
            "volume": _by_product(parts, row, count),
        },
        index=names,
    )


def measured_openings(
    openings: gpd.GeoDataFrame,
    *,
    joined: gpd.GeoDataFrame,
    corridor: BaseGeometry,
    stand: BaseGeometry,
    water: BaseGeometry,
) -> gpd.GeoDataFrame:
    """
    Openings with their size, neighbours and distances.

    Parameters
    ----------
    openings
        `opening`, `group`, `basis`, `net_of_leave_m2`; Polygon geometry, projected CRS in metres.
    joined
        As from `glademark.measure.joined.join_openings`.
    corridor, stand, water
        Polygons; `corridor` and `water` may be empty.

    Returns
    -------
    openings
        With every column of `glademark.layers.OPENINGS` but the wood, sorted by number.
    """
    geometry = openings.geometry.to_numpy()
    members = joined_of(joined).reindex(openings["opening"])
    near = nearest_other(openings, number=openings["opening"])
    table = openings.assign(
        **hole_measures(openings),
        in_corridor_m2=shapely.area(shapely.intersection(geometry, corridor)),
        joined=members["joined"].to_numpy(),
        joined_area_m2=members["joined_area_m2"].to_numpy(),
        nearest=near["nearest"],
        spacing_m=near["spacing_m"],
        boundary_m=shapely.distance(geometry, shapely.boundary(stand)),
        water_m=_distance(geometry, water),
        corridor_m=_distance(geometry, corridor),
    )
    return table.sort_values("opening", ignore_index=True)


def with_wood(holes: gpd.GeoDataFrame, wood: pd.DataFrame, *, key: str) -> gpd.GeoDataFrame:
    """
    Holes with the wood that is cut in them.

    Parameters
    ----------
    holes
        With the column `key` and `equivalent_diameter_m`.
    wood
        As from `wood_in`, indexed by `key`.
    key
        Column that names a hole.

    Returns
    -------
    holes
        With `trees`, `basal_area_m2`, `volume_m3`, `volume` and `diameter_to_height`.
    """
    mine = wood.reindex(holes[key])
    height = mine["mean_height_m"].to_numpy(dtype=float)
    return holes.assign(
        trees=mine["trees"].fillna(0).to_numpy(),
        basal_area_m2=mine["basal_area_m2"].fillna(0.0).to_numpy(),
        volume_m3=mine["volume_m3"].to_numpy(),
        volume=mine["volume"].to_numpy(),
        diameter_to_height=holes["equivalent_diameter_m"] / np.where(height > 0, height, np.nan),
    )


def measured_gaps(holes: Holes) -> tuple[gpd.GeoDataFrame, pd.Series]:
    """
    Canopy gaps with their size, numbered north to south, west to east, and the gap of each mark.

    Parameters
    ----------
    holes
        As from `glademark.measure.openings.find_holes`.

    Returns
    -------
    gaps
        `gap` and the measures, sorted by number.
    gap_of
        Number of the gap of each mark, <NA> where it is in none.
    """
    centre = shapely.get_coordinates(shapely.centroid(holes.gaps.geometry.to_numpy()))
    order = np.lexsort((centre[:, 0], -centre[:, 1]))
    number = pd.Series(np.arange(1, len(order) + 1), index=holes.gaps.index[order], dtype="Int64")
    gaps = holes.gaps.assign(gap=number, **hole_measures(holes.gaps))
    gap_of = holes.gap_of.where(holes.gap_of >= 0).map(number).astype("Int64")
    return gaps.sort_values("gap", ignore_index=True), gap_of


def _by_product(parts: pd.DataFrame, code: np.ndarray, count: int) -> np.ndarray:
    """Net volume of each owner in words, by product and unit; missing where nothing is known."""
    product, products = pd.factorize(parts["product"].to_numpy(dtype=object), sort=True)
    unit, units = pd.factorize(parts["unit"].to_numpy(dtype=object), sort=True)
    shape = (count, len(products), len(units))
    cell = np.where(code >= 0, (code * shape[1] + product) * shape[2] + unit, -1)
    net = known_sums(parts["net"], cell, int(np.prod(shape)))
    words: list[list[str]] = [[] for _ in range(count)]
    for at in np.flatnonzero(~np.isnan(net)):
        owner, of_product, of_unit = np.unravel_index(at, shape)
        name = units[of_unit]
        words[owner].append(f"{products[of_product]} {net[at]:,.{WHOLE.get(name, 2)}f} {name}")
    return np.array(["; ".join(said) or np.nan for said in words], dtype=object)


def _distance(geometry: np.ndarray, other: BaseGeometry) -> np.ndarray:
    """Distance to another geometry, NaN where that is empty."""
    away: np.ndarray = shapely.distance(geometry, other)
    return away
