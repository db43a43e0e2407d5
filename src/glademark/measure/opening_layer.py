"""Openings and incidental openings with all that is reported of each: size, wood, distances."""

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import features
from glademark.measure.combined_openings import Combined, combined_of
from glademark.measure.holes import Holes
from glademark.measure.openings import hole_measures, nearest_other
from glademark.measure.sums import known_sums, sums

WHOLE = {"board foot": 0}
"""Decimals of a volume in words, where not two."""

GeometryArray = npt.NDArray[np.object_]
IntArray = npt.NDArray[np.intp]


def wood_in(
    row: IntArray, count: int, *, marks: pd.DataFrame, parts: pd.DataFrame
) -> dict[str, npt.NDArray[Any]]:
    """
    Trees, basal area and volume of the cut marks of each owner.

    Parameters
    ----------
    row
        Owner that each mark belongs to, -1 where to none; shape (marks,).
    count
        Number of owners.
    marks
        `is_cut`, `count`, `basal_area_m2`, `height_m`.
    parts
        As from `glademark.measure.volume.volumes`; `tree` is the index of `marks`.

    Returns
    -------
    wood
        `trees`, `basal_area_m2`, `volume_m3` (NaN where nothing can be converted), `volume` (text
        by product) and `mean_height_m`, each of shape (count,).
    """
    owner = np.where(marks["is_cut"].to_numpy(dtype=bool), row, -1)
    height = marks["height_m"].to_numpy(dtype=float)
    measured = sums(~np.isnan(height), owner, count)
    at = marks.index.get_indexer(pd.Index(parts["tree"]))
    part = np.append(owner, -1)[at]  # -1: counted without a position
    return {
        "trees": sums(marks["count"], owner, count).astype(int),
        "basal_area_m2": sums(marks["basal_area_m2"], owner, count),
        "mean_height_m": sums(height, owner, count) / np.where(measured > 0, measured, np.nan),
        "volume_m3": known_sums(parts["m3"], part, count),
        "volume": _by_product(parts, part, count),
    }


def measured_openings(
    openings: gpd.GeoDataFrame,
    *,
    combined: gpd.GeoDataFrame,
    corridor: BaseGeometry,
    stand: BaseGeometry,
    water: BaseGeometry,
    wood: Mapping[str, npt.NDArray[Any]] | None = None,
) -> gpd.GeoDataFrame:
    """
    Openings with their size, neighbours, distances and wood.

    Parameters
    ----------
    openings
        `opening`, `group`, `basis`, `net_of_leave_m2`; Polygon geometry, projected CRS in metres.
    combined
        As from `glademark.measure.combined_openings.join_openings`.
    corridor, stand, water
        Polygons; `corridor` and `water` may be empty.
    wood
        As from `wood_in`, in the order of `openings`; None where it does not matter.

    Returns
    -------
    openings
        With every column of `contracts.layers.OPENINGS` but the wood where there is none, sorted by
        number.
    """
    number = openings["opening"].to_numpy()
    alone = np.zeros(len(openings), dtype=np.intp)
    row_of = combined_of(combined, number)
    ground = np.array([[corridor], [stand], [water]], dtype=object)
    found = Combined(rows=combined, stand=np.zeros(len(combined), dtype=np.intp), row_of=row_of)
    areas = ground[0], ground[1], ground[2]
    return openings_by_stand(openings, alone, combined=found, ground=areas, wood=wood)


def openings_by_stand(
    openings: gpd.GeoDataFrame,
    stand: IntArray,
    *,
    combined: Combined,
    ground: tuple[GeometryArray, GeometryArray, GeometryArray],
    wood: Mapping[str, npt.NDArray[Any]] | None = None,
) -> gpd.GeoDataFrame:
    """
    Openings of many stands with their size, neighbours, distances and wood.

    Parameters
    ----------
    openings
        As for `measured_openings`, one stand after the other.
    stand
        Place of the stand of each, rising.
    combined
        As from `glademark.measure.combined_openings.combined_by_stand`.
    ground
        Corridors, boundary and water of each stand; each of shape (stands,).
    wood
        As for `measured_openings`.

    Returns
    -------
    openings
        As from `measured_openings`, sorted by stand and number.
    """
    shapes, number = openings.geometry.to_numpy(), openings["opening"].to_numpy()
    corridor, boundary, water = (areas[stand] for areas in ground)
    nearest, spacing = nearest_other(shapes, number=number, stand=stand)
    measures = hole_measures(shapes)
    columns = {
        **{name: openings[name].array for name in openings.columns if name != "geometry"},
        **measures,
        "in_corridor_m2": shapely.area(shapely.intersection(shapes, corridor)),
        "combined": combined.rows["combined"].to_numpy()[combined.row_of],
        "combined_area_m2": combined.rows["area_m2"].to_numpy()[combined.row_of],
        "nearest": nearest,
        "spacing_m": spacing,
        "boundary_m": shapely.distance(shapes, shapely.boundary(boundary)),
        "water_m": shapely.distance(shapes, water),
        "corridor_m": shapely.distance(shapes, corridor),
        **(with_heights(wood, measures["equivalent_diameter_m"]) if wood is not None else {}),
    }
    order = np.lexsort((number, stand))
    return features({k: v[order] for k, v in columns.items()}, shapes[order], crs=openings.crs)


def with_heights(
    wood: Mapping[str, npt.NDArray[Any]], diameter_m: npt.NDArray[np.float64]
) -> dict[str, npt.NDArray[Any]]:
    """
    The wood of holes, and how wide these are for the height of the trees.

    Parameters
    ----------
    wood
        As from `wood_in`.
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
    """
    Incidental openings with size and wood, numbered north to south, west to east by stand.

    Parameters
    ----------
    holes
        As from `glademark.measure.holes.find_holes`.
    marks, parts
        As for `wood_in`.

    Returns
    -------
    incidental
        `incidental` and the measures, sorted by stand and number.
    """
    shapes = holes.incidental.geometry.to_numpy()
    centre = shapely.get_coordinates(shapely.centroid(shapes))
    order = np.lexsort((centre[:, 0], -centre[:, 1], holes.incidental_stand))
    start = np.searchsorted(
        holes.incidental_stand, holes.incidental_stand
    )  # the first of its stand
    measures = hole_measures(shapes)
    wood = wood_in(holes.incidental_of.to_numpy(), len(shapes), marks=marks, parts=parts)
    columns = {
        "net_of_leave_m2": holes.incidental["net_of_leave_m2"].to_numpy(),
        **measures,
        **with_heights(wood, measures["equivalent_diameter_m"]),
    }
    number = np.arange(1, len(order) + 1) - start
    table = {"incidental": number, **{k: v[order] for k, v in columns.items()}}
    return features(table, shapes[order], crs=holes.incidental.crs)


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
