"""
Which marks belong together: groups that the marker stated, and crowns that touch.

A group is an intention. Where the marker stated it, by a walked perimeter, a group name on the
marks or a centre with a radius, it is taken as stated, in that order. Crowns decide only where
nothing was stated.
"""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from glademark.measure.crowns import GeometryArray, crown_discs
from glademark.measure.polygons import only_polygons

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
    tags = _tags(marks, candidates)
    centres = _centres(marks, bearing)
    stated = pd.concat([perimeters, tags, centres]).drop_duplicates("key")
    stated = stated.sort_values("key", key=_natural).reset_index(drop=True)
    frame = gpd.GeoDataFrame(
        stated[["group", "basis"]], geometry=stated["geometry"].to_numpy(), crs=marks.crs
    )
    member = _members(marks, candidates, stated)
    return Groups(stated=frame, member=member, notices=notices)


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
    return names.str.strip().str.casefold()


def _natural(keys: pd.Series) -> pd.Series:
    """Sort key in which g2 comes before g10."""
    return keys.str.replace(r"\d+", lambda digits: digits[0].zfill(12), regex=True)


def _rows(names: pd.Series, basis: str, geometry: npt.ArrayLike | None) -> pd.DataFrame:
    """Stated groups of one basis, first spelling of each name kept."""
    rows = pd.DataFrame({"group": names.str.strip(), "key": group_key(names), "basis": basis})
    rows["geometry"] = None if geometry is None else np.asarray(geometry, dtype=object)
    return rows[rows["key"] != ""].drop_duplicates("key")


def _perimeters(
    marks: gpd.GeoDataFrame, walked: gpd.GeoDataFrame
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Walked outlines: polygons first, then boundary points of a group in order."""
    polygons = _rows(walked["group"], "walked", walked.geometry.to_numpy())
    points = marks[(marks["kind"] == "group_boundary") & (marks["group"] != "")]
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
    first = points.drop_duplicates("key")
    notices = [
        f"group {name}: fewer than {LEAST_CORNERS} boundary points, so they make no perimeter"
        for name in short
    ] + [
        f"group {name}: its walked perimeter crosses itself and was mended; check its order"
        for name in first.loc[np.asarray(crossed), "group"]
    ]
    return pd.concat([polygons, _rows(first["group"], "walked", outlines)]), tuple(notices)


def _tags(marks: gpd.GeoDataFrame, candidates: pd.Series) -> pd.DataFrame:
    """Groups named on marks that leave a hole."""
    return _rows(marks.loc[candidates, "group"], "tagged", None)


def _centres(marks: gpd.GeoDataFrame, bearing: float) -> pd.DataFrame:
    """Groups given by a centre with a radius."""
    rows = marks[(marks["kind"] == "group_centre") & (marks["radius_m"] > 0)]
    discs = crown_discs(
        rows.geometry.to_numpy(), radius_m=rows["radius_m"].to_numpy(dtype=float), bearing=bearing
    )
    return _rows(rows["group"], "centre", discs)


def _members(marks: gpd.GeoDataFrame, candidates: pd.Series, stated: pd.DataFrame) -> pd.Series:
    """Row of the group of each mark: the one it names, else the outline it stands in."""
    row_of = pd.Series(stated.index, index=stated["key"])
    member = group_key(marks["group"]).map(row_of).fillna(-1).astype(int)
    unnamed = np.flatnonzero(candidates & (marks["group"] == ""))
    outline = np.flatnonzero(stated["geometry"].notna())
    tree = shapely.STRtree(stated["geometry"].to_numpy()[outline])
    mark, place = tree.query(marks.geometry.to_numpy()[unnamed], predicate="intersects")
    inside = pd.Series(outline[place]).groupby(unnamed[mark]).min()
    found = member.to_numpy().copy()
    found[inside.index.to_numpy()] = inside.to_numpy()
    return pd.Series(found, index=member.index).where(candidates, -1)
