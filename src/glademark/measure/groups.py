"""
Which marks belong together: groups that the marker stated, and crowns that touch; their numbers.

A group is an intention. Where the marker stated it, by a walked perimeter, a group name on the
marks or a centre with a radius, it is taken as stated, in that order. Crowns decide only where
nothing was stated.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from glademark.contracts.frames import STAND, features, mended_outlines
from glademark.contracts.survey import Notice
from glademark.errors import counted
from glademark.measure.crowns import APART_M, GeometryArray, crown_discs
from glademark.measure.edges import Along
from glademark.measure.polygons import only_polygons
from glademark.measure.tables import rows_by

TOUCH_M = 1e-6
"""Rounding allowed in a distance that is to count as touching [m]; a northing has steps of 1e-9."""

TO_DO = "its area is not known and its limits are not checked: put its points in order"
"""What follows from an outline that crosses itself."""

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
        One row a group, index 0..g-1 by stand, then sorted by name: `stand`, `group` (as first
        written), `basis` (walked, tagged or centre), `crosses_at` (where a walked outline crosses
        itself, else empty), `along` (what was walked along: standing_crowns or boles), geometry the
        stated outline, None for tagged groups.
    group_of
        Row of `stated` for each mark that may leave a hole, <NA> for none; on the index of the
        marks.
    notices
        On perimeters that could not be used as they are.
    """

    stated: gpd.GeoDataFrame
    group_of: pd.Series
    notices: tuple[Notice, ...]


def crown_components(
    points: GeometryArray,
    *,
    radius_m: FloatArray,
    link_distance_m: float,
    stand: IntArray,
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
        Numbers from 0, by stand; shape (n,).

    Examples
    --------
    >>> row = shapely.points([(0, 0), (6, 0), (20, 0)])
    >>> one_stand = np.zeros(3, dtype=int)
    >>> crown_components(
    ...     row, radius_m=np.full(3, 3.0), link_distance_m=0.0, stand=one_stand
    ... ).tolist()
    [0, 0, 1]
    """
    if not len(points):
        return np.array([], dtype=np.intp)
    position = np.column_stack([stand * APART_M, shapely.get_coordinates(points)])
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
    walked: gpd.GeoDataFrame,
    candidates: pd.Series,
    bearing: FloatArray,
    walked_along: Along | None = None,
) -> Groups:
    """
    Groups that the marker stated, with their members.

    `candidates` may leave a hole: cut, and not in the corridor zone. `bearing` is the direction of
    the first vertex of the disc round a centre, one a mark [rad]. `walked_along` is what the
    project says was followed; boundary trees have their paint on the boles, others are taken to
    have gone along the crowns. A mark belongs to the group that
    it names; one that names none, to the walked or centred outline that it stands in (the first by
    name where outlines overlap).
    """
    names = marks["group"].to_numpy(dtype=object)
    key = group_key(names)
    from_points, notices = _from_points(marks, key)
    tables = [
        _table(walked[STAND], walked["group"], "walked", walked.geometry.to_numpy()).assign(
            crosses_at=walked["crosses_at"].to_numpy(dtype=object)
        ),
        from_points,
        _tagged(marks, candidates.to_numpy(dtype=bool)),
        _centres(marks, bearing),
    ]
    every = pd.concat([table for table in tables if len(table)] or tables[:1], ignore_index=True)
    stated = every[every["key"] != ""].drop_duplicates([STAND, "key"])  # what stands first stays
    stated = stated.assign(order=stated["key"].map(_natural))
    stated = stated.sort_values([STAND, "order"], kind="stable", ignore_index=True)
    columns = {name: stated[name] for name in (STAND, "group", "basis", "crosses_at", "along")}
    if walked_along is not None:
        columns["along"] = stated["along"].mask(stated["basis"] != "tagged", walked_along)
    return Groups(
        stated=features(columns, stated["outline"].to_numpy(dtype=object), crs=marks.crs),
        group_of=_group_of(marks, key, candidates.to_numpy(dtype=bool), stated),
        notices=notices,
    )


def group_key(names: pd.Series | npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Group names as they are compared: trimmed, without regard to case."""
    code, written = pd.factorize(np.asarray(names, dtype=object))
    return np.array([name.strip().casefold() for name in written], dtype=object)[code]


def _natural(key: str) -> str:
    """Sort key in which g2 comes before g10."""
    return re.sub(r"\d+", lambda digits: digits[0].zfill(12), key)


def _table(
    stand: pd.Series | IntArray,
    names: pd.Series | npt.NDArray[np.object_],
    basis: str,
    outlines: GeometryArray,
) -> pd.DataFrame:
    """Groups of one basis, their names as written and as they are compared."""
    written = np.asarray(names, dtype=object)
    return pd.DataFrame(
        {
            STAND: np.asarray(stand),
            "key": group_key(written),
            "group": np.array([name.strip() for name in written], dtype=object),
            "basis": np.full(len(written), basis, dtype=object),
            "outline": pd.Series(outlines, dtype=object),
            "crosses_at": np.full(len(written), "", dtype=object),
            "along": np.full(len(written), "standing_crowns", dtype=object),
        }
    )


def _from_points(
    marks: gpd.GeoDataFrame, key: npt.NDArray[np.object_]
) -> tuple[pd.DataFrame, tuple[Notice, ...]]:
    """Perimeters through boundary points, in their order."""
    chosen = np.flatnonzero((marks["kind"] == "group_boundary").to_numpy() & (key != ""))
    columns = {name: marks[name].iloc[chosen] for name in (STAND, "group", "order", "record")}
    points = pd.DataFrame(
        {**columns, "key": key[chosen], "point": marks.geometry.to_numpy()[chosen]}
    )
    points = points.sort_values([STAND, "key", "order", "record"], kind="stable")
    size = points.groupby([STAND, "key"])["key"].transform("size")
    short = points.loc[size < LEAST_CORNERS, [STAND, "group"]].drop_duplicates()
    points = points[size >= LEAST_CORNERS]
    ring = points.groupby([STAND, "key"], sort=False).ngroup().to_numpy()
    corners = shapely.get_coordinates(points["point"].to_numpy())
    outlines = shapely.polygons(shapely.linearrings(corners, indices=ring)) if len(ring) else ring
    mended, crossing = mended_outlines(np.asarray(outlines, dtype=object))
    first = points.drop_duplicates([STAND, "key"])
    notices = [
        Notice(
            stand,
            f"group {name}: fewer than {LEAST_CORNERS} boundary points, so they make no perimeter",
        )
        for stand, name in zip(short[STAND], short["group"], strict=True)
    ] + [
        Notice(stand, f"group {name}: {crosses_itself(place)}; {TO_DO}")
        for stand, name, place in zip(first[STAND], first["group"], crossing, strict=True)
        if place
    ]
    table = _table(first[STAND], first["group"], "walked", only_polygons(mended))
    return table.assign(crosses_at=crossing, along="boles"), tuple(notices)


def crosses_itself(place: str) -> str:
    """What is wrong with an outline that crosses itself."""
    return f"its walked outline crosses itself at {place}"


def _tagged(marks: gpd.GeoDataFrame, candidates: npt.NDArray[np.bool_]) -> pd.DataFrame:
    """Groups named on marks that leave a hole."""
    named = pd.MultiIndex.from_arrays(
        [marks[STAND].to_numpy()[candidates], marks["group"].to_numpy(dtype=object)[candidates]]
    )
    once = named[~named.duplicated()]  # as first written
    names = once.get_level_values(1).to_numpy(dtype=object)
    nothing = np.full(len(once), None, dtype=object)
    return _table(once.get_level_values(0).to_numpy(), names, "tagged", nothing)


def _centres(marks: gpd.GeoDataFrame, bearing: FloatArray) -> pd.DataFrame:
    """Groups given by a centre with a radius."""
    radius = marks["radius_m"].to_numpy(dtype=float)
    chosen = (marks["kind"] == "group_centre").to_numpy() & (radius > 0)
    discs = crown_discs(
        marks.geometry.to_numpy()[chosen], radius_m=radius[chosen], bearing=bearing[chosen]
    )
    return _table(marks[STAND].to_numpy()[chosen], marks["group"][chosen], "centre", discs)


def _group_of(
    marks: gpd.GeoDataFrame,
    key: npt.NDArray[np.object_],
    candidates: npt.NDArray[np.bool_],
    stated: pd.DataFrame,
) -> pd.Series:
    """Row of the group of each mark: the one it names, else the first outline it stands in."""
    stand = marks[STAND].to_numpy()
    row = pd.MultiIndex.from_frame(stated[[STAND, "key"]]).get_indexer(
        pd.MultiIndex.from_arrays([stand, key])
    )
    known = candidates & (row >= 0)
    outlined = np.flatnonzero(~shapely.is_missing(stated["outline"].to_numpy(dtype=object)))
    unnamed = np.flatnonzero(candidates & (marks["group"] == "").to_numpy())
    tree = shapely.STRtree(stated["outline"].to_numpy(dtype=object)[outlined])
    mark, outline = tree.query(marks.geometry.to_numpy()[unnamed], predicate="intersects")
    mark, group = unnamed[mark], outlined[outline]
    same = stand[mark] == stated[STAND].to_numpy()[group]
    mark, group = mark[same], group[same]
    order = np.lexsort((group, mark))
    inside, first = np.unique(mark[order], return_index=True)
    row[inside] = group[order][first]
    known[inside] = True
    return pd.Series(pd.arrays.IntegerArray(row, ~known), index=marks.index)


NAMED = 10
"""Openings named in a notice; the rest are counted."""


def opening_of_trees(
    trees: pd.DataFrame, openings: gpd.GeoDataFrame, opening_of: pd.Series
) -> pd.Series:
    """Row of the opening of each cut tree, by its mark or the group named on paper; else <NA>."""
    row = opening_of.reindex(trees.index)
    paper = _on_paper(trees)
    return row.mask(paper, pd.Series(_row_of_group(trees, openings), index=trees.index))


def _on_paper(trees: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Trees whose group is named on paper."""
    return np.asarray((trees["paper_group"] != "") & (trees["zone"] == "opening"), dtype=bool)


def _row_of_group(
    trees: pd.DataFrame, openings: gpd.GeoDataFrame
) -> pd.api.extensions.ExtensionArray:
    """Row of the opening with the group named on paper, <NA> for none."""
    names = openings["group"].to_numpy(dtype=object)
    named = np.flatnonzero(names != "")
    keys = [openings[STAND].to_numpy()[named], group_key(names[named])]
    wanted = [trees[STAND].to_numpy(), group_key(trees["paper_group"].to_numpy(dtype=object))]
    at = pd.MultiIndex.from_arrays(keys).get_indexer(pd.MultiIndex.from_arrays(wanted))
    row = np.append(named, 0)[at]
    return pd.arrays.IntegerArray(row.astype(np.int64), at < 0)


def paper_group_notices(
    trees: pd.DataFrame, openings: gpd.GeoDataFrame, marks: pd.DataFrame
) -> list[Notice]:
    """Groups on paper that are no opening, and centres with both a count and marks of the group."""
    if not (trees["paper_group"] != "").any():
        return []
    return [*_without_opening(trees, openings), *_counted_and_marked(openings, marks)]


def _without_opening(trees: pd.DataFrame, openings: gpd.GeoDataFrame) -> list[Notice]:
    """Groups that were counted on paper and that no opening has."""
    lost = trees[_on_paper(trees) & pd.isna(_row_of_group(trees, openings))]
    groups = lost.groupby([STAND, "paper_group"], as_index=False)["count"].sum()
    told = []
    for stand, name, count in zip(
        groups[STAND], groups["paper_group"], groups["count"], strict=True
    ):
        known = openings.loc[(openings[STAND] == stand) & (openings["group"] != ""), "group"]
        names = ", ".join(known.iloc[:NAMED]) + (", ..." if len(known) > NAMED else "")
        told.append(
            Notice(
                stand,
                f"{counted(int(count), 'tree')} counted for group {name} stand in the tally of "
                "openings, but in the row of none, since no opening has that name"
                f"{f'; the openings are {names}' if names else ''}. Correct the name.",
            )
        )
    return told


def _counted_and_marked(openings: gpd.GeoDataFrame, marks: pd.DataFrame) -> list[Notice]:
    """Centres that say how many trees are cut, while trees of the group are marked as well."""
    centres = marks[(marks["kind"] == "group_centre") & (marks["count"] > 1)]
    marked = marks[marks["is_cut"] & marks["opening"].notna()]
    trees_of = marked.groupby([STAND, "opening"])["count"].sum()
    counts = centres.assign(key=group_key(centres["group"].to_numpy(dtype=object)))
    stated = openings.assign(key=group_key(openings["group"].to_numpy(dtype=object)))
    both = counts.merge(stated[[STAND, "key", "opening"]], on=[STAND, "key"], suffixes=("", "_of"))
    return [
        Notice(
            stand,
            f"group {group}: {counted(int(count), 'tree')} counted at its centre, and "
            f"{counted(int(trees_of[stand, number]), 'tree')} marked in it; both are tallied. "
            "Check that no tree counts twice.",
        )
        for stand, group, count, number in zip(
            both[STAND], both["group"], both["count"], both["opening_of"], strict=True
        )
        if (stand, number) in trees_of.index
    ]


_NUMBER = re.compile(r"\D*(\d{1,6})")


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
    own = np.full(len(openings), np.nan)
    of_stand = rows_by(openings[STAND])  # each has numbers of its own
    for rows in of_stand.values():
        own[rows] = _own_numbers(names[rows].tolist())
    own = _keep_earlier(own, openings[STAND].to_numpy(), _shared_marks(opening_of, before))
    for stand, rows in of_stand.items():
        number[rows] = _by_place(own[rows], shapes[rows], int(highest.get(stand, 0)) + 1)
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


def _keep_earlier(own: FloatArray, stand: IntArray, shared: pd.DataFrame) -> FloatArray:
    """Own numbers, then earlier ones by most marks in common; each number once in a stand."""
    number = own.copy()
    for row, old in zip(shared["row"], shared["number"], strict=True):
        if np.isnan(number[row]) and not (number[stand == stand[row]] == old).any():
            number[row] = old
    return number
