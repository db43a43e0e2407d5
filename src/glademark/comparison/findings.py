"""
What was found: trees and wood of each finding, with its interval; stumps and trees as layers.

An amount is the sum over all pairs, each with its chance, so that doubtful matches count for what
they are worth and the sums are right on the average. The interval adds what the match leaves open,
what is open about the rates that were estimated with it, and where stumps stand.
"""

from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS
from scipy.special import ndtri

from glademark.comparison.averaging import INFLATION_MAX
from glademark.comparison.expected import SOLID, Amounts, Expected, in_words
from glademark.comparison.matching import Match
from glademark.comparison.records import KINDS
from glademark.contracts.frames import FloatArray
from glademark.contracts.job_layers import TALLIED

__all__ = [
    "HARDLY_ANY",
    "TITLES",
    "Seen",
    "finding_rows",
    "left_standing_chance",
    "stump_layer",
    "tallied_rows",
    "tree_layer",
]

TITLES = {
    "matched": "marked and cut",
    "left_standing": "marked, no stump found",
    "unmarked": "cut, no mark matched, off corridors",
    "unmarked_in_corridor": "cut, no mark matched, in corridors",
    "tallied": "cut, counted on paper",
    "tallied_standing": "counted on paper, no stump for it",
    "cleared": "cut in openings, cleared as told",
    "leave_tree": "stump matched to a leave tree",
    "line_tree": "stump matched to a line tree not confirmed",
    "danger_tree": "stump matched to a danger tree",
    "unconfirmed_tree": "stump matched to a tree not confirmed",
    "in_exclusion": "stump in an exclusion",
    "in_setback": "stump in a setback where nothing is cut",
    "outside_boundary": "stump outside the boundary",
}
"""Every finding in words, in the order in which they are shown."""

Whole = dict[str, tuple[float, float]]
"""By quantity: an amount, and the trees that it leaves out."""

_SKEW_MAX = 2.0  # of an exponential distribution; beyond it the series does not hold
_ALWAYS = ("matched", "left_standing", "unmarked", "unmarked_in_corridor")
HARDLY_ANY = 0.05
"""Findings that are not even likely to occur once in twenty times [trees]."""

_OF_KIND = {
    "leave": "leave_tree", "line_tree": "line_tree", "danger": "danger_tree",
    "unconfirmed": "unconfirmed_tree",
}  # fmt: skip
_OF_PLACE = ("in_exclusion", "in_setback", "outside_boundary")

_FINDING = {"cut": "matched", "leave": "leave_tree", "line_tree": "line_tree",
            "danger": "danger_tree", "unconfirmed": "unconfirmed_tree"}  # fmt: skip

_LOW_MARK = {1.0: "seen", 0.0: "not seen"}

Columns = dict[str, npt.ArrayLike]


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """Trees and stumps with what is known of them."""

    trees: gpd.GeoDataFrame
    stumps: gpd.GeoDataFrame  # trees and stumps: as matched
    tree_wood: Amounts
    stump_wood: Amounts  # tree_wood and stump_wood: amounts of each
    expected: Expected  # unmatched stumps that the contract covers


@dataclass(frozen=True, kw_only=True, slots=True)
class _Sum:
    """
    A finding as a sum: chance of each tree or stump, and the cumulants of their number.

    `more` are trees that there may be beside, like those of the chances `alike`.
    """

    side: str
    chance: FloatArray
    variance: float
    covariance: float
    third: float
    more: float = 0.0
    alike: FloatArray | None = None


def finding_rows(match: Match, seen: Seen, *, confidence: float) -> pd.DataFrame:
    """Table ``findings``: every finding, quantity by quantity, but those of next to no tree."""
    z = float(ndtri((1 + confidence) / 2))
    wanted = _wanted(seen)
    open_rates = _rates_left_open(match, seen)
    rows = []
    for key, found in _sums(match, seen).items():
        if key not in _ALWAYS and found.chance.sum() < HARDLY_ANY:
            continue
        wood = seen.tree_wood if found.side == "tree" else seen.stump_wood
        for name in _shown(seen, wood):
            values = wood.of[name]
            amount = float(found.chance @ values)
            below, above = _limits(found, values, open_rates, z)
            above += found.more * _mean(found.alike, values)
            interval = (max(amount - below, 0.0), min(amount + above, float(values.sum())))
            without = float(found.chance @ wood.without[name])
            rows.append(_row(key, name, wood, (amount, *interval, without), wanted))
    table = pd.DataFrame([*rows, *_standing_on_paper(seen, wanted)])
    order = {key: place for place, key in enumerate(TITLES)}
    return table.sort_values("finding", key=lambda key: key.map(order), kind="stable").reset_index(
        drop=True
    )


def _wanted(seen: Seen) -> Whole:
    """Amount that was marked to cut or counted on paper, and the trees that it leaves out."""
    looked = seen.trees["looked_at"].to_numpy(dtype=float)
    marked = np.where(seen.trees["to_cut"].to_numpy(dtype=bool), looked, 0.0)
    sides = [(marked, seen.tree_wood)]
    paper = seen.expected.paper
    if paper is not None and len(paper.rows):
        sides.append((paper.rows["count"].to_numpy(dtype=float), paper.wood))
    whole: Whole = {}
    for trees, wood in sides:
        for name, values in wood.of.items():
            before, lost = whole.get(name, (0.0, 0.0))
            whole[name] = before + float(trees @ values), lost + float(trees @ wood.without[name])
    return whole


def _shown(seen: Seen, wood: Amounts) -> list[str]:
    """Quantities of some trees: solid volume only where marks, stumps and paper all have it."""
    paper = seen.expected.paper
    every = [seen.tree_wood, seen.stump_wood]
    if paper is not None and len(paper.rows):
        every.append(paper.wood)
    is_solid = all(SOLID in one.of for one in every)
    return [name for name in wood.of if name != SOLID or is_solid]


def _row(
    key: str,
    quantity: str,
    wood: Amounts,
    found: tuple[float, float, float, float],
    wanted: Whole,
) -> dict[str, object]:
    """A row of the table; amount, low, high and the trees that these leave out."""
    amount, low, high, without = found
    is_whole = without < HARDLY_ANY
    whole, lost = wanted.get(quantity, (0.0, 0.0))
    return {
        "finding": key,
        "title": TITLES[key],
        "quantity": quantity,
        "unit": wood.unit[quantity],
        "amount": amount,
        "low": low,
        "high": high if is_whole else np.nan,
        "trees_without": without,
        "share_of_marked": amount / whole if is_whole and whole > 0 else np.nan,
        "marked_without": lost,
    }


def _mean(chance: FloatArray | None, values: FloatArray) -> float:
    """Mean of the values, each weighed by a chance."""
    whole = 0.0 if chance is None else float(chance.sum())
    return float(chance @ values) / whole if chance is not None and whole > 0 else 0.0


def _standing_on_paper(seen: Seen, wanted: Whole) -> list[dict[str, object]]:
    """Trees counted on paper without a stump: at least, and with those that may stand."""
    expected, paper = seen.expected, seen.expected.paper
    if paper is None or not len(paper.rows):
        return []
    left = np.maximum(paper.rows["count"].to_numpy(dtype=float) - expected.found, 0.0)
    if left.sum() + expected.may_stand < HARDLY_ANY:
        return []
    most = left + expected.may_stand / max(float(expected.found.sum()), 1e-9) * expected.found
    wood = paper.wood
    rows = []
    for name in _shown(seen, wood):
        low, high = float(left @ wood.of[name]), float(most @ wood.of[name])
        without = float(most @ wood.without[name])
        rows.append(_row("tallied_standing", name, wood, (low, low, high, without), wanted))
    return rows


def _sums(match: Match, seen: Seen) -> dict[str, _Sum]:
    """Every finding as a sum over trees or stumps."""
    pairs, chance = match.pairs, match.chance
    kind = seen.trees["class"].to_numpy(np.intp)[pairs.row]
    standing = left_standing_chance(match, seen.trees)
    alone = np.clip(1 - match.stump_chance, 0.0, 1.0)
    cut = pairs.by_row(np.where(kind == 0, chance, 0.0))
    var, cov, third = _cumulants(match, (kind == 0).astype(float))
    sums = {
        "matched": _Sum(side="tree", chance=cut, variance=var, covariance=cov, third=third),
        "left_standing": _Sum(
            side="tree", chance=standing, variance=var, covariance=cov, third=-third
        ),
    }
    parts = seen.expected.parts
    for key, place in seen.expected.places.items():
        var, cov, third = _cumulants(match, place[pairs.column])
        var += float((alone * place * (1 - place)).sum())
        sums[key] = _Sum(
            side="stump", chance=alone * parts[key], variance=var, covariance=cov, third=-third
        )
    tallied = parts["tallied"]
    var, cov, third = _cumulants(match, tallied[pairs.column])
    sums["tallied"] = _Sum(
        side="stump", chance=alone * tallied, variance=var, covariance=cov, third=-third
    )
    sums["unmarked"] = replace(
        sums["unmarked"], more=seen.expected.may_stand, alike=alone * tallied
    )
    for code, name in enumerate(KINDS):
        if name in _OF_KIND and (kind == code).any():
            var, cov, third = _cumulants(match, (kind == code).astype(float))
            mine = pairs.by_column(np.where(kind == code, chance, 0.0))
            sums[_OF_KIND[name]] = _Sum(
                side="stump", chance=mine, variance=var, covariance=cov, third=third
            )
    for key in _OF_PLACE:
        there = seen.stumps[key].to_numpy(dtype=float)
        var = float((there * (1 - there)).sum())
        third = float((there * (1 - there) * (1 - 2 * there)).sum())
        sums[key] = _Sum(side="stump", chance=there, variance=var, covariance=0.0, third=third)
    return sums


def _cumulants(match: Match, values: FloatArray) -> tuple[float, float, float]:
    """Variance, covariance with the number of pairs, and third cumulant of a sum over pairs."""
    return (*match.variance(values), match.third_cumulant(values))


def left_standing_chance(match: Match, trees: pd.DataFrame) -> FloatArray:
    """Chance of each tree marked to cut to stand yet, where its stump would have been seen."""
    share = match.rates.cut_share[trees["class"].to_numpy(np.intp)]
    looked = trees["looked_at"].to_numpy(dtype=float)
    alone = np.clip(1 - match.tree_chance, 0.0, 1.0)
    standing = alone * (1 - share) / (1 - share * looked)
    return np.where(trees["to_cut"].to_numpy(dtype=bool), standing * looked, 0.0)


def _rates_left_open(match: Match, seen: Seen) -> float:
    """Variance of the logarithm of the odds that the estimated rates leave open."""
    marked = float(seen.trees["to_cut"].sum())
    matched = float(match.chance.sum())
    alone = len(seen.stumps) - matched
    counts = np.maximum([matched, marked - matched, alone], 0.5)
    missing = float((1 / counts).sum())
    known, _ = match.variance(np.ones(len(match.pairs.row)))
    return missing * min(1 / max(1 - missing * known, 1e-9), INFLATION_MAX)


def _limits(found: _Sum, values: FloatArray, open_rates: float, z: float) -> tuple[float, float]:
    """How far an interval reaches below and above an amount, skew as the amount is."""
    each = np.maximum(found.chance * (1 - found.chance), 0.0)  # a chance may end a hair above 1
    whole = float(each.sum())
    if whole <= 0:
        return 0.0, 0.0
    mean, cubes = float(each @ values) / whole, float(each @ values**3) / whole
    variance = found.variance * mean**2 + float(each @ (values - mean) ** 2)  # number, and which
    variance += (found.covariance * mean) ** 2 * open_rates
    deviation = float(np.sqrt(variance))
    if deviation <= 0:
        return 0.0, 0.0
    skew = float(np.clip(found.third * cubes / deviation**3, -_SKEW_MAX, _SKEW_MAX))
    aside = skew * (z**2 - 1) / 6  # Cornish and Fisher's first term
    return deviation * max(z - aside, 0.0), deviation * max(z + aside, 0.0)


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
