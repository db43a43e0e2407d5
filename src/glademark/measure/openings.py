"""Openings once they are found: their numbers, their size, and how far apart they are."""

import re
from collections.abc import Mapping, Sequence

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from glademark.contracts.by_stand import stretches
from glademark.measure.crowns import APART_M, GeometryArray
from glademark.measure.holes import Holes
from glademark.measure.shape import axes

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
    openings: gpd.GeoDataFrame, *, opening_of: pd.Series, earlier: Mapping[int, int]
) -> pd.Series:
    """
    Number of each opening: the marker's own, an earlier output's, else by place.

    Parameters
    ----------
    openings
        Rows with `group`; Polygon geometry.
    opening_of
        Row of `openings` for each mark, else -1.
    earlier
        Number that an earlier output gave the opening of a mark, by the mark's index; may be empty.

    Returns
    -------
    numbers
        Positive and unique, on the index of `openings`; by place means north to south, then west
        to east. A group name that ends in digits ("7", "G 7") is the marker's own number, unless
        two names give the same one.
    """
    number = _own_numbers(openings["group"].tolist())
    if earlier:
        number = _keep_earlier(number, opening_of, earlier)
    first = int(max(earlier.values(), default=0)) + 1
    numbers = _by_place(number, openings.geometry.to_numpy(), first)
    return pd.Series(numbers, index=openings.index)


def numbers_by_stand(holes: Holes, *, earlier: Sequence[Mapping[int, int]]) -> IntArray:
    """
    Number of each opening in its stand, as from `opening_numbers`.

    Parameters
    ----------
    holes
        Openings of many stands.
    earlier
        Of each stand: number that an earlier output gave the opening of a mark, by its index.

    Returns
    -------
    numbers
        In the order of `holes.openings`; one loop over stands, since each has numbers of its own.
    """
    number = np.zeros(len(holes.openings), dtype=np.intp)
    names = holes.openings["group"].tolist()
    shapes = holes.openings.geometry.to_numpy()
    rows = stretches(holes.opening_stand, len(earlier))
    for mine, before in zip(rows, earlier, strict=True):
        if before:
            row = holes.opening_of - mine.start  # those of other stands have no earlier number
            found = opening_numbers(holes.openings.iloc[mine], opening_of=row, earlier=before)
            number[mine] = found.to_numpy()
        elif names[mine]:
            number[mine] = _by_place(_own_numbers(names[mine]), shapes[mine], 1)
    return number


def _by_place(number: FloatArray, shapes: GeometryArray, first: int) -> IntArray:
    """Numbers given, the others free ones from `first` up: north to south, west to east."""
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


def _keep_earlier(own: FloatArray, opening_of: pd.Series, earlier: Mapping[int, int]) -> FloatArray:
    """Own numbers, then earlier ones by most marks in common; each number once."""
    number = own.copy()
    before = pd.Series(earlier, dtype=int)
    now = opening_of.reindex(before.index).dropna().astype(int)
    shared = pd.DataFrame({"row": now, "number": before.reindex(now.index)})
    shared = shared[shared["row"] >= 0].value_counts().rename("marks").reset_index()
    shared = shared.sort_values(["marks", "number", "row"], ascending=[False, True, True])
    for row, old in zip(shared["row"], shared["number"], strict=True):
        if np.isnan(number[row]) and not (number == old).any():
            number[row] = old
    return number


def nearest_other(
    openings: GeometryArray, *, number: IntArray, stand: IntArray | None = None
) -> tuple[pd.api.extensions.ExtensionArray, FloatArray]:
    """
    Nearest other opening of each, crown edge to crown edge.

    Parameters
    ----------
    openings
        Polygons, projected CRS in metres; shape (n,).
    number
        Their numbers.
    stand
        Place of the stand of each, where there are several: only those of the same stand count.

    Returns
    -------
    nearest
        Number, <NA> where there is no other; ties go to the lower number.
    spacing_m
        Distance to it, NaN where there is no other.
    """
    nearest = np.full(len(openings), -1)
    spacing = np.full(len(openings), np.nan)
    place = np.zeros(len(openings), dtype=np.intp) if stand is None else stand
    some = np.flatnonzero(np.bincount(place)[place] > 1) if len(place) else place
    if len(some):
        shapes, number, place = openings[some], number[some], place[some]
        # an opening beside it bounds the distance, so that few are left to be measured
        shapely.prepare(shapes)
        reach = _apart(shapes, shapes[_beside(shapes, place)]) * (1 + ROUNDING) + ROUNDING
        mine, other = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=reach)
        apart = (mine != other) & (place[mine] == place[other])
        mine, other = mine[apart], other[apart]
        away = _apart(shapes[mine], shapes[other])
        order = np.lexsort((number[other], away, mine))
        one, first = np.unique(mine[order], return_index=True)
        nearest[some[one]] = number[other[order[first]]]
        spacing[some[one]] = away[order[first]]
    return pd.arrays.IntegerArray(nearest, nearest <= 0), spacing


def _apart(one: GeometryArray, other: GeometryArray) -> FloatArray:
    """Distance between openings, which is not searched for where they meet."""
    away = np.zeros(len(one))
    clear = ~shapely.intersects(one, other)
    away[clear] = shapely.distance(one[clear], other[clear])
    return away


def _beside(openings: GeometryArray, place: IntArray) -> IntArray:
    """Another opening of the same stand for each, by their middles: near, not always nearest."""
    middle = np.column_stack([shapely.get_coordinates(shapely.centroid(openings)), place * APART_M])
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
