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

from glademark.contracts.frames import features
from glademark.measure.crowns import APART_M, GeometryArray, crown_discs
from glademark.measure.polygons import only_polygons
from glademark.measure.sums import least

TOUCH_M = 1e-6
"""Rounding allowed in a distance that is to count as touching [m]; a northing has steps of 1e-9."""

LEAST_CORNERS = 3
"""Boundary points that make a perimeter."""

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Groups:
    """
    Stated groups and who belongs to them.

    Attributes
    ----------
    stated
        One row a group, index 0..g-1 by stand, then sorted by name: `group` (as first written),
        `basis` (walked, tagged or centre), geometry the stated outline, None for tagged groups.
    stand
        Place of the stand of each group, rising.
    member
        Row of `stated` for each mark that may leave a hole, else -1; on the index of the marks.
    notices
        Place of a stand and a sentence on it each.
    """

    stated: gpd.GeoDataFrame
    stand: IntArray
    member: pd.Series
    notices: tuple[tuple[int, str], ...]


def crown_components(
    points: GeometryArray,
    *,
    radius_m: FloatArray,
    link_distance_m: float,
    stand: IntArray | None = None,
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
    stand
        Place of the stand of each tree, where there are several: they are never linked across.

    Returns
    -------
    component
        Numbers from 0, by stand; shape (n,).

    Examples
    --------
    >>> row = shapely.points([(0, 0), (6, 0), (20, 0)])
    >>> crown_components(row, radius_m=np.full(3, 3.0), link_distance_m=0.0).tolist()
    [0, 0, 1]
    """
    if not len(points):
        return np.array([], dtype=np.intp)
    place = np.zeros(len(points)) if stand is None else stand * APART_M
    position = np.column_stack([place, shapely.get_coordinates(points)])
    spot, at = np.unique(position, axis=0, return_inverse=True)
    at = at.reshape(-1)
    reach = np.zeros(len(spot))
    np.maximum.at(reach, at, radius_m)
    longest = 2 * reach.max() + link_distance_m + TOUCH_M
    pairs = cKDTree(spot).query_pairs(longest, output_type="ndarray")
    away = spot[pairs[:, 0], 1:] - spot[pairs[:, 1], 1:]
    gap = np.hypot(*away.T) - reach[pairs].sum(axis=1)
    pairs = pairs[gap <= link_distance_m + TOUCH_M]
    links = coo_array(
        (np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), shape=(len(spot),) * 2
    )
    component = connected_components(links, directed=False)[1]
    return np.asarray(component[at], dtype=np.intp)


def stated_groups(
    marks: gpd.GeoDataFrame,
    *,
    stand: IntArray,
    walked: Sequence[gpd.GeoDataFrame],
    candidates: pd.Series,
    bearing: FloatArray,
) -> Groups:
    """
    Groups that the marker stated, with their members.

    Parameters
    ----------
    marks
        As in `contracts.survey.Survey.marks`, one stand after the other.
    stand
        Place of the stand of each mark, rising.
    walked
        Polygon rows `group` of each stand, same CRS.
    candidates
        Marks that may leave a hole: cut, and not in the corridor zone; on the index of `marks`.
    bearing
        Direction of the first vertex of the disc round a centre, one a mark [rad].

    Returns
    -------
    groups
        A mark belongs to the group that it names; one that names none, to the walked or centred
        outline that it stands in (the first by name where outlines overlap).
    """
    perimeters, notices = _perimeters(marks, stand, walked)
    tags = _tags(marks, stand, candidates)
    found = _first_of(perimeters, tags, _centres(marks, stand, bearing))
    stated = dict(sorted(found.items(), key=lambda one: (one[0][0], _natural(one[0][1]))))
    columns = {
        "group": np.array([one.name for one in stated.values()], dtype=object),
        "basis": np.array([one.basis for one in stated.values()], dtype=object),
    }
    outlines = np.array([one.outline for one in stated.values()], dtype=object)
    return Groups(
        stated=features(columns, outlines, crs=marks.crs),
        stand=np.array([place for place, _ in stated], dtype=np.intp),
        member=_members(marks, stand, candidates, list(stated), outlines),
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


_Key = tuple[int, str]  # place of the stand, name as it is compared


def _perimeters(
    marks: gpd.GeoDataFrame, stand: IntArray, walked: Sequence[gpd.GeoDataFrame]
) -> tuple[dict[_Key, _Stated], tuple[tuple[int, str], ...]]:
    """Walked outlines by key: polygons first, then boundary points of a group in order."""
    points, notices = _from_points(marks, stand)
    polygons = [
        _with_outlines(
            np.full(len(rows), place), rows["group"].tolist(), "walked", rows.geometry.to_numpy()
        )
        for place, rows in enumerate(walked)
        if len(rows)
    ]
    return _first_of(*polygons, points), notices


def _first_of(*tables: dict[_Key, _Stated]) -> dict[_Key, _Stated]:
    """Groups of all tables by key; what stands first stays."""
    found: dict[_Key, _Stated] = {}
    for table in tables:
        for key, group in table.items():
            found.setdefault(key, group)
    return found


def _with_outlines(
    stand: IntArray, names: Sequence[str], basis: str, outlines: GeometryArray
) -> dict[_Key, _Stated]:
    """Groups with an outline by key, the first of each name."""
    found: dict[_Key, _Stated] = {}
    for place, name, outline in zip(stand.tolist(), names, outlines, strict=True):
        if _key(name):
            found.setdefault((place, _key(name)), _Stated(name.strip(), basis, outline))
    return found


def _from_points(
    marks: gpd.GeoDataFrame, stand: IntArray
) -> tuple[dict[_Key, _Stated], tuple[tuple[int, str], ...]]:
    """Perimeters through boundary points, in their order."""
    chosen = (_words(marks, "kind") == "group_boundary") & (_words(marks, "group") != "")
    if not chosen.any():
        return {}, ()
    points = marks[chosen]
    points = points.assign(stand=stand[chosen], key=group_key(points["group"])).sort_values(
        ["stand", "key", "order", "record"], kind="stable"
    )
    every = points.groupby(["stand", "key"])
    size = every["key"].transform("size")
    short = points.loc[size < LEAST_CORNERS, ["stand", "group"]].drop_duplicates()
    ring = every.ngroup()[size >= LEAST_CORNERS]
    points = points[size >= LEAST_CORNERS]
    rings = shapely.linearrings(
        shapely.get_coordinates(points.geometry.to_numpy()), indices=ring.factorize()[0]
    )
    outlines = shapely.polygons(rings)
    crossed = ~shapely.is_valid(outlines)
    outlines = only_polygons(shapely.make_valid(outlines, method="structure", keep_collapsed=False))
    first = points.drop_duplicates(["stand", "key"])
    place, name = (first[column].to_numpy() for column in ("stand", "group"))
    notices = [
        (
            one,
            f"group {word}: fewer than {LEAST_CORNERS} boundary points, so they make no perimeter",
        )
        for one, word in zip(short["stand"], short["group"], strict=True)
    ] + [
        (one, f"group {word}: its walked perimeter crosses itself and was mended; check its order")
        for one, word in zip(place[crossed], name[crossed], strict=True)
    ]
    return _with_outlines(place, name.tolist(), "walked", outlines), tuple(notices)


def _tags(marks: gpd.GeoDataFrame, stand: IntArray, candidates: pd.Series) -> dict[_Key, _Stated]:
    """Groups named on marks that leave a hole, by key."""
    chosen = candidates.to_numpy()
    code, names = pd.factorize(_words(marks, "group")[chosen])
    first = np.unique(stand[chosen] * len(names) + code, return_index=True)[1]
    first.sort()  # as first written
    none = np.full(len(first), None)
    return _with_outlines(stand[chosen][first], names[code[first]].tolist(), "tagged", none)


def _centres(marks: gpd.GeoDataFrame, stand: IntArray, bearing: FloatArray) -> dict[_Key, _Stated]:
    """Groups given by a centre with a radius, by key."""
    radius = marks["radius_m"].to_numpy(dtype=float)
    chosen = (_words(marks, "kind") == "group_centre") & (radius > 0)
    discs = crown_discs(
        marks.geometry.to_numpy()[chosen], radius_m=radius[chosen], bearing=bearing[chosen]
    )
    return _with_outlines(stand[chosen], _words(marks, "group")[chosen].tolist(), "centre", discs)


def _members(
    marks: gpd.GeoDataFrame,
    stand: IntArray,
    candidates: pd.Series,
    keys: list[_Key],
    outlines: GeometryArray,
) -> pd.Series:
    """Number of the group of each mark: the one it names, else the outline it stands in."""
    number = {key: place for place, key in enumerate(keys)}
    word, names = pd.factorize(_words(marks, "group"))
    plain = [_key(name) for name in names]
    both, code = np.unique(stand * len(names) + word, return_inverse=True)
    pairs = zip(*(part.tolist() for part in np.divmod(both, max(len(names), 1))), strict=True)
    named = np.array([number.get((one, plain[at]), -1) for one, at in pairs], dtype=np.intp)
    outlined = np.flatnonzero(~shapely.is_missing(outlines))
    owner = np.array([place for place, _ in keys], dtype=np.intp)[outlined]
    unnamed = np.flatnonzero(candidates.to_numpy() & (_words(marks, "group") == ""))
    tree = shapely.STRtree(outlines[outlined])
    mark, place = tree.query(marks.geometry.to_numpy()[unnamed], predicate="intersects")
    mine = stand[unnamed[mark]] == owner[place]
    mark, place = mark[mine], place[mine]
    lowest = least(outlined[place], unnamed[mark], len(marks), none=len(keys))
    member = np.where(lowest < len(keys), lowest, named[code])
    return pd.Series(np.where(candidates, member, -1), index=marks.index)


def _words(marks: pd.DataFrame, name: str) -> npt.NDArray[np.object_]:
    """A column of text."""
    return marks[name].to_numpy(dtype=object)
