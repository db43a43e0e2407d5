"""
Which marks belong together: groups that the marker stated, and crowns that touch.

A group is an intention. Where the marker stated it, by a walked perimeter, a group name on the
marks or a centre with a radius, it is taken as stated, in that order. Crowns decide only where
nothing was stated.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from glademark.features import features
from glademark.measure.crowns import GeometryArray, crown_discs
from glademark.measure.polygons import only_polygons
from glademark.measure.sums import least

TOUCH_M = 1e-6
"""Rounding allowed in a distance that is to count as touching [m]; a northing has steps of 1e-9."""

LEAST_CORNERS = 3
"""Boundary points that make a perimeter."""

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, slots=True)
class Groups:
    """
    Stated groups and who belongs to them.

    Attributes
    ----------
    stated
        One row a group, index 0..g-1 sorted by name: `group` (as first written), `basis` (walked,
        tagged or centre), geometry the stated outline, None for tagged groups.
    member
        Row of `stated` for each mark that may leave a hole, else -1; on the index of the marks.
    notices
        One sentence each.
    """

    stated: gpd.GeoDataFrame
    member: pd.Series
    notices: tuple[str, ...]


def crown_components(
    points: GeometryArray, *, radius_m: FloatArray, link_distance_m: float
) -> IntArray:
    """
    Number of the crown-linked component that each tree belongs to.

    Two trees are linked where their crown discs come within the link distance; at 0 they touch.

    Parameters
    ----------
    points
        Tree positions, projected CRS [m]; shape (n,).
    radius_m
        Crown radii [m]; shape (n,).
    link_distance_m
        Gap between crowns that still links them [m].

    Returns
    -------
    component
        Numbers from 0, shape (n,).

    Examples
    --------
    >>> row = shapely.points([(0, 0), (6, 0), (20, 0)])
    >>> crown_components(row, radius_m=np.full(3, 3.0), link_distance_m=0.0).tolist()
    [0, 0, 1]
    """
    if not len(points):
        return np.array([], dtype=np.intp)
    position = shapely.get_coordinates(points)
    spot, at = np.unique(position, axis=0, return_inverse=True)
    at = at.reshape(-1)
    reach = np.zeros(len(spot))
    np.maximum.at(reach, at, radius_m)
    longest = 2 * reach.max() + link_distance_m + TOUCH_M
    pairs = cKDTree(spot).query_pairs(longest, output_type="ndarray")
    gap = np.hypot(*(spot[pairs[:, 0]] - spot[pairs[:, 1]]).T) - reach[pairs].sum(axis=1)
    pairs = pairs[gap <= link_distance_m + TOUCH_M]
    links = coo_array(
        (np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), shape=(len(spot),) * 2
    )
    component = connected_components(links, directed=False)[1]
    return np.asarray(component[at], dtype=np.intp)


def stated_groups(
    marks: gpd.GeoDataFrame,
    *,
    walked: gpd.GeoDataFrame,
    candidates: pd.Series,
    bearing: float,
) -> Groups:
    """
    Groups that the marker stated, with their members.

    Parameters
    ----------
    marks
        As in `glademark.survey.Survey.marks`.
    walked
        Polygon rows `group`, same CRS.
    candidates
        Marks that may leave a hole: cut, and not in the corridor zone; on the index of `marks`.
    bearing
        Direction of the first vertex of the disc round a centre [rad].

    Returns
    -------
    groups
        A mark belongs to the group that it names; one that names none, to the walked or centred
        outline that it stands in (the first by name where outlines overlap).
    """
    perimeters, notices = _perimeters(marks, walked)
    found = _first_of(perimeters, _tags(marks, candidates), _centres(marks, bearing))
    stated = dict(sorted(found.items(), key=lambda one: _natural(one[0])))
    columns = {
        "group": np.array([one.name for one in stated.values()], dtype=object),
        "basis": np.array([one.basis for one in stated.values()], dtype=object),
    }
    outlines = np.array([one.outline for one in stated.values()], dtype=object)
    return Groups(
        stated=features(columns, outlines, crs=marks.crs),
        member=_members(marks, candidates, list(stated), outlines),
        notices=notices,
    )


def group_key(names: pd.Series) -> pd.Series:
    """
    Group names as they are compared: trimmed, without regard to case.

    Parameters
    ----------
    names
        As recorded.

    Returns
    -------
    key
        Same index.
    """
    return names.map(_key)


def _natural(key: str) -> str:
    """Sort key in which g2 comes before g10."""
    return re.sub(r"\d+", lambda digits: digits[0].zfill(12), key)


def _key(name: str) -> str:
    """One group name as it is compared."""
    return name.strip().casefold()


@dataclass(frozen=True, slots=True)
class _Stated:
    """A stated group: its name as first written, what says so, its outline if that was given."""

    name: str
    basis: str
    outline: BaseGeometry | None = None


def _perimeters(
    marks: gpd.GeoDataFrame, walked: gpd.GeoDataFrame
) -> tuple[dict[str, _Stated], tuple[str, ...]]:
    """Walked outlines by key: polygons first, then boundary points of a group in order."""
    points, notices = _from_points(marks)
    polygons = _with_outlines(walked["group"].tolist(), "walked", walked.geometry.to_numpy())
    return _first_of(polygons, points), notices


def _first_of(*tables: dict[str, _Stated]) -> dict[str, _Stated]:
    """Groups of all tables by key; what stands first stays."""
    found: dict[str, _Stated] = {}
    for table in tables:
        for key, group in table.items():
            found.setdefault(key, group)
    return found


def _with_outlines(names: Sequence[str], basis: str, outlines: GeometryArray) -> dict[str, _Stated]:
    """Groups with an outline by key, the first of each name."""
    found: dict[str, _Stated] = {}
    for name, outline in zip(names, outlines, strict=True):
        if _key(name):
            found.setdefault(_key(name), _Stated(name.strip(), basis, outline))
    return found


def _from_points(marks: gpd.GeoDataFrame) -> tuple[dict[str, _Stated], tuple[str, ...]]:
    """Perimeters through boundary points, in their order."""
    chosen = (_words(marks, "kind") == "group_boundary") & (_words(marks, "group") != "")
    if not chosen.any():
        return {}, ()
    points = marks[chosen]
    points = points.assign(key=group_key(points["group"])).sort_values(
        ["key", "order", "record"], kind="stable"
    )
    size = points.groupby("key")["key"].transform("size")
    short = points.loc[size < LEAST_CORNERS, "group"].drop_duplicates().tolist()
    points = points[size >= LEAST_CORNERS]
    rings = shapely.linearrings(
        shapely.get_coordinates(points.geometry.to_numpy()), indices=points["key"].factorize()[0]
    )
    outlines = shapely.polygons(rings)
    crossed = ~shapely.is_valid(outlines)
    outlines = only_polygons(shapely.make_valid(outlines, method="structure", keep_collapsed=False))
    first = points.drop_duplicates("key")["group"].to_numpy(dtype=object)
    notices = [
        f"group {name}: fewer than {LEAST_CORNERS} boundary points, so they make no perimeter"
        for name in short
    ] + [
        f"group {name}: its walked perimeter crosses itself and was mended; check its order"
        for name in first[np.asarray(crossed)]
    ]
    return _with_outlines(first.tolist(), "walked", outlines), tuple(notices)


def _tags(marks: gpd.GeoDataFrame, candidates: pd.Series) -> dict[str, _Stated]:
    """Groups named on marks that leave a hole, by key."""
    names = pd.unique(_words(marks, "group")[candidates.to_numpy()])
    return _with_outlines(names.tolist(), "tagged", np.full(len(names), None))


def _centres(marks: gpd.GeoDataFrame, bearing: float) -> dict[str, _Stated]:
    """Groups given by a centre with a radius, by key."""
    radius = marks["radius_m"].to_numpy(dtype=float)
    chosen = (_words(marks, "kind") == "group_centre") & (radius > 0)
    discs = crown_discs(marks.geometry.to_numpy()[chosen], radius_m=radius[chosen], bearing=bearing)
    return _with_outlines(_words(marks, "group")[chosen].tolist(), "centre", discs)


def _members(
    marks: gpd.GeoDataFrame, candidates: pd.Series, keys: list[str], outlines: GeometryArray
) -> pd.Series:
    """Number of the group of each mark: the one it names, else the outline it stands in."""
    number = {key: place for place, key in enumerate(keys)}
    code, names = pd.factorize(_words(marks, "group"))
    named = np.array([*(number.get(_key(name), -1) for name in names), -1], dtype=np.intp)
    outlined = np.flatnonzero(~shapely.is_missing(outlines))
    unnamed = np.flatnonzero(candidates.to_numpy() & (_words(marks, "group") == ""))
    tree = shapely.STRtree(outlines[outlined])
    mark, place = tree.query(marks.geometry.to_numpy()[unnamed], predicate="intersects")
    lowest = least(outlined[place], unnamed[mark], len(marks), none=len(keys))
    member = np.where(lowest < len(keys), lowest, named[code])
    return pd.Series(np.where(candidates, member, -1), index=marks.index)


def _words(marks: pd.DataFrame, name: str) -> npt.NDArray[np.object_]:
    """A column of text."""
    return marks[name].to_numpy(dtype=object)
