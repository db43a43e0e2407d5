"""Trees counted for a group without positions: in the row of its opening, or told."""

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.contracts.survey import Notice
from glademark.measure.groups import group_key

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
                f"{_trees(int(count))} counted for group {name} stand in the tally of openings, "
                "but in the row of none, since no opening has that name"
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
            f"group {group}: {count} trees counted at its centre, and "
            f"{_trees(int(trees_of[stand, number]))} marked in it; both are tallied. "
            "Check that no tree counts twice.",
        )
        for stand, group, count, number in zip(
            both[STAND], both["group"], both["count"], both["opening_of"], strict=True
        )
        if (stand, number) in trees_of.index
    ]


def _trees(number: int) -> str:
    """A number of trees in words."""
    return f"{number:,} {'tree' if number == 1 else 'trees'}"
