"""The list or map of all standing trees: which a mark is, and what stood before by it."""

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from glademark.contracts.frames import STAND
from glademark.contracts.survey import Survey
from glademark.errors import counted, listed
from glademark.forestry import SizeClasses, SpeciesNames, basal_area_m2
from glademark.measure.crowns import crown_radii
from glademark.measure.marks import size_class
from glademark.measure.tables import rows_by
from glademark.project.model import Project

FAR_SHARE = 0.5
"""Where more of the equal numbers than this lie apart, marks and trees are numbered differently."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class StandMap:
    """
    All standing trees of all stands.

    Attributes
    ----------
    trees
        Point rows with `crown_radius_m`, `crown_measured`, `size_class`, `mark` (row of the cut
        mark that it is, -1 for none) and `counts` (in the operable area, without a position, or
        marked).
    unmatched
        Cut trees by stand that are no tree of the map: of marks, and of the paper tally.
    notices
        Sentences by stand.
    """

    trees: gpd.GeoDataFrame
    unmatched: Mapping[int, int]
    notices: Mapping[int, tuple[str, ...]]

    def of(self, stand: int) -> gpd.GeoDataFrame:
        """Trees of one stand."""
        return self.trees[(self.trees[STAND] == stand).to_numpy()]


def stand_map(
    survey: Survey,
    project: Project,
    marks: gpd.GeoDataFrame,
    *,
    operable: npt.NDArray[np.object_],
    classes: SizeClasses,
    species: SpeciesNames,
) -> StandMap:
    """Standing trees with their crowns and the marks that they are."""
    own = survey.standing
    trees = own.assign(species=species.fold(own["species"].to_numpy(dtype=object)))
    radii = crown_radii(trees, default_m=project.openings.crown_radius_m, species=species)
    trees = trees.assign(
        **radii,
        size_class=size_class(trees, classes=classes).to_numpy(),
        crown_measured=trees["crown_radius_m"].notna(),
    )
    if trees.empty:
        return StandMap(trees=trees.assign(mark=-1, counts=True), unmatched={}, notices={})
    cut = np.flatnonzero(marks["is_cut"].to_numpy(dtype=bool))
    chosen = marks.iloc[cut]
    within = match_distances(chosen, stated_m=project.marks.match_distance_m)
    found = matched_trees(chosen, trees, within_m=within)
    notices: dict[int, list[str]] = {}
    far = _far(chosen, trees, found, within)
    if far.sum() > FAR_SHARE * max(int((found >= 0).sum()), 1):
        nameless = trees.assign(tree_id="")
        found = matched_trees(chosen, nameless, within_m=within)
        text = (
            "standing: most marks lie far from the tree of their number, so that numbers are taken "
            "to be different ones; marks are matched by place and species."
        )
        notices = {int(stand): [text] for stand in np.unique(trees[STAND])}
    else:
        for stand, rows in rows_by(chosen[STAND].to_numpy()[far]).items():
            names = listed(chosen["label"].to_numpy()[far][rows])
            text = (
                f"standing: {counted(len(rows), 'mark')} farther than the match distance from the "
                f"tree of that number, and taken to be it: {names}."
            )
            notices[int(stand)] = [text]
    matched = chosen.assign(own_row=cut, tree_row=found)
    return _with_marks(trees, survey.tally, matched, operable, notices)


def _far(
    marks: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    found: npt.NDArray[np.intp],
    within: npt.NDArray[np.float64],
) -> npt.NDArray[np.bool_]:
    """Marks that lie farther from their tree than they are looked for."""
    if not len(trees):
        return np.zeros(len(marks), dtype=bool)
    away = shapely.distance(marks.geometry.to_numpy(), trees.geometry.to_numpy()[found])
    return np.asarray((found >= 0) & (np.nan_to_num(away) > within), dtype=bool)


def _with_marks(
    trees: gpd.GeoDataFrame,
    tally: pd.DataFrame,
    marks: gpd.GeoDataFrame,
    operable: npt.NDArray[np.object_],
    notices: dict[int, list[str]],
) -> StandMap:
    """The map with its marks, and how many cut trees are no tree of it."""
    found = marks["tree_row"].to_numpy(dtype=np.intp)
    mark = np.full(len(trees), -1, dtype=np.intp)
    mark[found[found >= 0]] = marks["own_row"].to_numpy(dtype=np.intp)[found >= 0]
    points = trees.geometry.to_numpy()
    inside = shapely.covers(operable[trees[STAND].to_numpy()], points)
    counts = inside | shapely.is_empty(points) | (mark >= 0)
    lost = marks["count"].to_numpy() - (found >= 0)
    parts = ((marks[STAND], lost), (tally[STAND], tally["count"]))
    stands, number = (np.concatenate([np.asarray(part[i]) for part in parts]) for i in (0, 1))
    total = pd.Series(number.astype(float)).groupby(stands.astype(int)).sum()
    unmatched = {int(str(stand)): int(some) for stand, some in total.items() if some > 0}
    with_map = set(trees[STAND].tolist())
    for stand in with_map & set(unmatched):
        notices.setdefault(stand, []).append(
            f"standing: {counted(unmatched[stand], 'cut tree')} not found among the standing trees "
            "(the paper tally included); counted as marked, and taken off what stands all the same."
        )
    return StandMap(
        trees=trees.assign(mark=mark, counts=counts),
        unmatched=unmatched,
        notices={stand: tuple(texts) for stand, texts in notices.items()},
    )


def with_measures_of_trees(
    trees: pd.DataFrame, marks: pd.DataFrame, found: StandMap
) -> pd.DataFrame:
    """Cut trees with the diameter and species of the standing tree where they have none."""
    own = found.trees[(found.trees["mark"] >= 0).to_numpy()]
    if own.empty:
        return trees
    own = own.set_axis(marks.index[own["mark"].to_numpy()])
    filled = trees.copy()
    bare = filled.index[filled["dbh_cm"].isna()].intersection(own.index)
    bare = bare[own.loc[bare, "dbh_cm"].notna() & (filled.loc[bare, "count"] == 1)]
    for name in ("dbh_cm", "dbh", "dbh_unit", "size_class"):
        filled.loc[bare, name] = own.loc[bare, name]
    filled.loc[bare, "basal_area_m2"] = basal_area_m2(own.loc[bare, "dbh_cm"])
    nameless = filled.index[filled["species"] == ""].intersection(own.index)
    filled.loc[nameless, "species"] = own.loc[nameless, "species"]
    return filled


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
