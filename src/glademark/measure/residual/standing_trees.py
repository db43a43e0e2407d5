"""The list or map of all standing trees: which are marked, and what stood before by it."""

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.frames import STAND
from glademark.contracts.survey import Survey
from glademark.forestry import SizeClasses, SpeciesNames, basal_area_m2
from glademark.measure.crowns import crown_radii
from glademark.measure.marks import size_class
from glademark.measure.residual.matching import match_distances, matched_trees
from glademark.measure.tables import rows_by
from glademark.project.model import Project
from glademark.wording import counted, listed

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
