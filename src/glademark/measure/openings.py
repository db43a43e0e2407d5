"""Openings once they are found: their numbers, their size, and how far apart they are."""

import re
from collections.abc import Mapping, Sequence

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from glademark.contracts.frames import STAND
from glademark.measure.crowns import APART_M, GeometryArray
from glademark.measure.shape import axes
from glademark.measure.sums import rows_by

_NUMBER = re.compile(r"\D*(\d{1,6})")

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

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
        "perimeter_m": shapely.length(holes),
        "parts": shapely.get_num_geometries(holes),
        "ellipse_m2": np.pi / 4 * length * width,
        "equivalent_diameter_m": 2 * np.sqrt(area / np.pi),
    }


def opening_numbers(
    openings: gpd.GeoDataFrame,
    *,
    opening_of: pd.Series,
    stand_of: pd.Series,
    earlier: Mapping[int, int],
) -> IntArray:
    """
    Number of each opening in its stand: the marker's own, an earlier output's, else by place.

    `opening_of` is the row of `openings` for each mark, <NA> for none, `stand_of` its stand;
    `earlier` the number that an earlier output gave the opening of a mark, by the mark's index. By
    place means north to south, then west to east. A group name that ends in digits ("7", "G 7") is
    the marker's own number, unless two names of the stand give the same one.
    """
    number = np.zeros(len(openings), dtype=np.intp)
    names, shapes = openings["group"].to_numpy(dtype=object), openings.geometry.to_numpy()
    before = pd.Series(earlier, dtype=int)
    highest = before.groupby(stand_of.reindex(before.index)).max()
    shared = _shared_marks(opening_of, before)
    for stand, rows in rows_by(openings[STAND]).items():  # each has numbers of its own
        own = pd.Series(_own_numbers(names[rows]), index=rows)
        own = _keep_earlier(own, shared[shared["row"].isin(rows)])
        number[rows] = _by_place(own.to_numpy(), shapes[rows], int(highest.get(stand, 0)) + 1)
    return number


def _shared_marks(opening_of: pd.Series, before: pd.Series) -> pd.DataFrame:
    """Openings with the earlier numbers of their marks, those with most marks in common first."""
    now = opening_of.reindex(before.index).dropna().astype(int)
    shared = pd.DataFrame({"row": now, "number": before.reindex(now.index)})
    shared = shared.value_counts().rename("marks").reset_index()
    return shared.sort_values(["marks", "number", "row"], ascending=[False, True, True])


def _by_place(number: FloatArray, shapes: GeometryArray, first: int) -> IntArray:
    """Numbers given, the others free ones from `first` up: north to south, west to east."""
    number = number.copy()
    centre = shapely.get_coordinates(shapely.centroid(shapes))
    order = np.lexsort((centre[:, 0], -centre[:, 1]))
    waiting = order[np.isnan(number[order])]
    free = np.setdiff1d(np.arange(first, first + 2 * len(number)), number)
    number[waiting] = free[: len(waiting)]
    return number.astype(np.intp)


def _own_numbers(groups: Sequence[str]) -> FloatArray:
    """Number in each group's name, NaN where it has none or shares it; a loop over openings."""
    found = [_NUMBER.fullmatch(name.strip()) for name in groups]
    own = np.array([float(digits[1]) if digits else np.nan for digits in found])
    _, one, count = np.unique(own, return_inverse=True, return_counts=True)
    return np.where((own > 0) & (count[one] == 1), own, np.nan)


def _keep_earlier(own: pd.Series, shared: pd.DataFrame) -> pd.Series:
    """Own numbers, then earlier ones by most marks in common; each number once."""
    number = own.copy()
    for row, old in zip(shared["row"], shared["number"], strict=True):
        if np.isnan(number[row]) and not (number == old).any():
            number[row] = old
    return number


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

    Returns
    -------
    pairs
        `first`, `second` (numbers, first < second) and `spacing_m`, sorted.
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
