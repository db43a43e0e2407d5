"""Which standing tree a mark is: the one of its number, else the nearest of its species."""

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from glademark.contracts.frames import STAND

IntArray = npt.NDArray[np.intp]
FloatArray = npt.NDArray[np.float64]

LEAST_MATCH_M = 1.0
"""Two fixes of one tree are this far apart, however good the receiver [m]."""

ERRORS_APART = 2.0
"""Position errors within which a mark is looked for."""


def match_distances(marks: pd.DataFrame, *, stated_m: float | None) -> FloatArray:
    """How far from each mark its tree is looked for [m]."""
    if stated_m is not None:
        return np.full(len(marks), stated_m)
    errors = marks["position_error_m"].to_numpy(dtype=float)
    return np.asarray(np.maximum(LEAST_MATCH_M, ERRORS_APART * np.nan_to_num(errors)))


def matched_trees(
    marks: gpd.GeoDataFrame, trees: gpd.GeoDataFrame, *, within_m: FloatArray
) -> IntArray:
    """
    Row of the tree that each mark is, -1 for none; no tree is two marks.

    Equal numbers, unique in their stand on both sides, match first; then those nearest to each
    other, a blank species being any. Ties go to the lower row.
    """
    found = _by_number(marks, trees)
    pairs = _pairs_within(marks, trees, within_m, found)
    return _nearest_first(pairs, found, len(trees))


def _by_number(marks: pd.DataFrame, trees: pd.DataFrame) -> IntArray:
    """Trees with the numbers of the marks."""
    keys = [
        pd.MultiIndex.from_arrays(
            [frame[STAND].to_numpy(), frame["tree_id"].to_numpy(dtype=object)]
        )
        for frame in (marks, trees)
    ]
    once = [~key.duplicated(keep=False) & (key.get_level_values(1) != "") for key in keys]
    rows = np.flatnonzero(once[1])
    place = keys[1][rows].get_indexer(keys[0])
    return np.where((place >= 0) & once[0], rows[place] if len(rows) else -1, -1)


def _pairs_within(
    marks: gpd.GeoDataFrame, trees: gpd.GeoDataFrame, within_m: FloatArray, found: IntArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Mark, tree and distance of pairs of one stand and species that are near enough."""
    free = np.setdiff1d(np.arange(len(trees)), found)
    free = free[~shapely.is_empty(trees.geometry.to_numpy()[free])]
    lost = np.flatnonzero((found < 0) & (within_m >= 0))
    if not len(free) or not len(lost):
        nothing = np.zeros(0, dtype=np.intp)
        return nothing, nothing, np.zeros(0)
    reach = float(within_m[lost].max())
    where = [
        np.column_stack(
            [
                shapely.get_coordinates(frame.geometry.to_numpy()[rows]),
                frame[STAND].to_numpy(dtype=float)[rows] * (2 * reach + 1),  # stands never meet
            ]
        )
        for frame, rows in ((marks, lost), (trees, free))
    ]
    near = cKDTree(where[0]).sparse_distance_matrix(
        cKDTree(where[1]), reach, output_type="coo_matrix"
    )
    mark, tree, away = lost[near.row], free[near.col], np.asarray(near.data)
    names = [frame["species"].to_numpy(dtype=object) for frame in (marks, trees)]
    one, other = names[0][mark], names[1][tree]
    fits = (away <= within_m[mark]) & ((one == other) | (one == "") | (other == ""))
    return mark[fits], tree[fits], away[fits]


def _nearest_first(
    pairs: tuple[IntArray, IntArray, FloatArray], found: IntArray, trees: int
) -> IntArray:
    """Pairs that are nearest to each other, again and again until none is left."""
    order = np.lexsort((pairs[1], pairs[0], pairs[2]))
    mark, tree = pairs[0][order], pairs[1][order]
    found = found.copy()
    taken = np.zeros(trees, dtype=bool)
    while len(mark):  # each turn settles the nearest pair of all at least
        first = np.zeros(len(mark), dtype=int)
        for side in (mark, tree):
            first[np.unique(side, return_index=True)[1]] += 1
        both = first == 2  # noqa: PLR2004 - first of its mark and of its tree
        found[mark[both]] = tree[both]
        taken[tree[both]] = True
        left = (found[mark] < 0) & ~taken[tree]
        mark, tree = mark[left], tree[left]
    return found
