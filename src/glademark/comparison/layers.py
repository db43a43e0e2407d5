"""Stumps and trees as layers: what each was found to be, and how sure that is."""

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS

from glademark.comparison.expected import Expected
from glademark.comparison.findings import Seen
from glademark.comparison.matching import Match
from glademark.comparison.wood import SOLID, Amounts, in_words
from glademark.contracts.comparison_layers import TALLIED

__all__ = ["stump_layer", "tallied_rows", "tree_layer"]

_FINDING = {"cut": "matched", "leave": "leave_tree", "line_tree": "line_tree",
            "danger": "danger_tree", "unconfirmed": "unconfirmed_tree"}  # fmt: skip
_LOW_MARK = {1.0: "seen", 0.0: "not seen"}

Columns = dict[str, npt.ArrayLike]


def stump_layer(match: Match, found: Seen, *, crs: CRS, doubtful_below: float) -> gpd.GeoDataFrame:
    """Layer ``stumps``, one row a stump; below `doubtful_below` a finding is doubtful."""
    stumps, trees = found.stumps, found.trees
    mate = _mates(len(stumps), match.pairs.column, match.pairs.row, match)
    pair = _mates(len(stumps), match.pairs.column, np.arange(len(match.chance)), match)
    is_matched = mate >= 0
    at, link = mate[is_matched], pair[is_matched]
    alone = np.clip(1 - match.stump_chance, 0.0, 1.0)
    parts = found.expected.parts
    likeliest = np.argmax(np.column_stack(list(parts.values())), axis=1)
    finding = np.array(list(parts), dtype=object)[likeliest]
    finding[is_matched] = trees["kind"].map(_FINDING).to_numpy(dtype=object)[at]
    chance = alone.copy()
    chance[is_matched] = _of_record(match, trees)[link]
    marked = trees["to_cut"].to_numpy(dtype=bool)[match.pairs.row]
    distance = np.full(len(stumps), np.nan)
    distance[is_matched] = match.distance_m[link]
    columns: Columns = {
        "stump_id": stumps["stump_id"],
        "finding": finding,
        "tree_id": _taken(trees["tree_id"], at, is_matched),
        "marker": _taken(trees["marker"], at, is_matched),
        "chance": chance,
        "chance_unmarked": alone * (parts["unmarked"] + parts["unmarked_in_corridor"]),
        "chance_marked": match.pairs.by_column(np.where(marked, match.chance, 0.0)),
        "doubtful": chance < doubtful_below,
        "distance_m": distance,
        "place": stumps["place"],
        "place_chance": stumps["place_chance"],
        "low_mark": stumps["low_mark"].map(_LOW_MARK).fillna("").astype(object),
        "diameter_cm": stumps["diameter_cm"],
        "diameter_at": stumps["diameter_at"],
        **_wood(stumps, found.stump_wood),
        "position_error_m": stumps["position_error_m"],
        "source_file": stumps["source_file"],
        "record": stumps["record"],
    }
    return gpd.GeoDataFrame(columns, geometry=stumps.geometry.to_numpy(), crs=crs)


def tree_layer(match: Match, found: Seen, *, crs: CRS, doubtful_below: float) -> gpd.GeoDataFrame:
    """Layer ``trees``, one row a tree known before the cut."""
    trees = found.trees
    mate = _mates(len(trees), match.pairs.row, match.pairs.column, match)
    is_matched = mate >= 0
    cut = np.clip(match.tree_chance, 0.0, 1.0)
    sure = np.where(is_matched, cut, 1 - cut)
    columns: Columns = {
        "tree_id": trees["tree_id"],
        "marker": trees["marker"],
        "kind": trees["kind"],
        "finding": np.where(is_matched, "cut", "no_stump"),
        "stump_id": _taken(found.stumps["stump_id"], mate[is_matched], is_matched),
        "chance": sure,
        "chance_cut": cut,
        "doubtful": sure < doubtful_below,
        "zone": trees["zone"],
        **_wood(trees, found.tree_wood),
        "source_file": trees["source_file"],
        "record": trees["record"],
    }
    return gpd.GeoDataFrame(columns, geometry=trees.geometry.to_numpy(), crs=crs)


def tallied_rows(expected: Expected) -> pd.DataFrame:
    """Table ``tallied``: trees counted on paper by zone, group, species, product and size class."""
    names = list(TALLIED.names)
    paper = expected.paper
    if paper is None or not len(paper.rows):
        return pd.DataFrame(columns=names)
    keys = ["zone", "group", "species", "product", "size_class"]
    rows = paper.rows.rename(columns={"count": "trees"}).assign(found=expected.found)
    rows["species"] = rows["species_written"]
    sums = rows.groupby(keys, sort=False, dropna=False)[["trees", "found"]].sum().reset_index()
    return sums.assign(no_stump=(sums["trees"] - sums["found"]).clip(lower=0.0))[names]


def _of_record(match: Match, trees: gpd.GeoDataFrame) -> npt.NDArray[np.float64]:
    """Chance of each pair, all trees of one record taken together: they stand at one place."""
    record = trees.groupby(["source_file", "record", "tree_id"], sort=False).ngroup().to_numpy()
    pair = match.pairs.column * (int(record.max(initial=0)) + 1) + record[match.pairs.row]
    _, at = np.unique(pair, return_inverse=True)
    return np.asarray(np.minimum(np.bincount(at, match.chance)[at], 1.0))


def _mates(
    size: int, member: npt.NDArray[np.intp], other: npt.NDArray[np.intp], match: Match
) -> npt.NDArray[np.intp]:
    """What each member is paired with in the likeliest assignment; -1 where with nothing."""
    mate = np.full(size, -1, dtype=np.intp)
    mate[member[match.chosen]] = other[match.chosen]
    return mate


def _taken(
    values: pd.Series, at: npt.NDArray[np.intp], here: npt.NDArray[np.bool_]
) -> npt.NDArray[np.object_]:
    """Text of the member that each is paired with; nothing where with none."""
    text = np.full(len(here), "", dtype=object)
    text[here] = values.to_numpy(dtype=object)[at]
    return text


def _wood(rows: gpd.GeoDataFrame, wood: Amounts) -> Columns:
    """Species, diameter and amounts."""
    return {
        "species": rows["species_written"],
        "dbh_cm": rows["dbh_cm"],
        "product": rows["product"],
        "basal_area_m2": wood.known("basal_area", len(rows)),
        "volume": in_words(wood, len(rows)),
        "volume_m3": wood.known(SOLID, len(rows)),
    }
