"""What the contract asks after the cut: whether it is settled, and what walking more would take."""

import math
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.comparison.findings import HARDLY_ANY, Seen, left_standing_chance
from glademark.comparison.matching import Match
from glademark.comparison.records import Places
from glademark.comparison.sample_check import Damage, more_places, ratio_estimate
from glademark.contracts.frames import FloatArray, IntArray
from glademark.contracts.job_layers import AFTER_CUT_LAYERS
from glademark.forestry import Estimate
from glademark.project.job_settings import CompareSettings

__all__ = ["Question", "damage_questions", "questions_of", "sample_rows"]

UNMARKED_SHARE = "unmarked_share"
UNMARKED_OFF_CORRIDORS = "unmarked_share_off_corridors"
_UNMARKED = ("unmarked", "unmarked_in_corridor")


@dataclass(frozen=True, kw_only=True, slots=True)
class Question:
    """One thing that the contract limits."""

    key: str
    title: str  # key and title: short name and words
    limit: float  # of the contract, a share from 0 to 1
    estimate: float
    low: float
    high: float  # estimate, low and high: what was seen, with its interval
    answer: str  # ``within`` or ``beyond`` where the whole interval is on one side, else ``open``
    places: int
    more_places: int | None
    """places and more_places: places walked, and how many more of them would settle it (None:
    cannot be said); 0 where the whole stand was walked."""


def sample_rows(
    match: Match,
    found: Seen,
    sampled: gpd.GeoDataFrame,
    places: Places,
    *,
    confidence: float,
) -> pd.DataFrame:
    """
    Table ``sample_check``: estimates for the whole stand from the places walked.

    What the paper tally uses up is known for all of them together: it is taken from each by its
    size, so that the spread between places is that of all unmatched stumps.
    """
    names = list(AFTER_CUT_LAYERS["sample_check"].names)
    if not len(sampled) or not len(found.stumps):
        return pd.DataFrame(columns=names)
    areas = sampled.geometry.to_numpy()
    stump_in, tree_in = (_place_of(rows, areas) for rows in (found.stumps, found.trees))
    alone = np.clip(1 - match.stump_chance, 0.0, 1.0)
    standing = left_standing_chance(match, found.trees)
    marked = found.trees["to_cut"].to_numpy(dtype=bool)[match.pairs.row]
    cut = match.pairs.by_column(np.where(marked, match.chance, 0.0))
    size, whole = shapely.area(areas), float(places.stand.area)
    stumps = _by_place(stump_in, np.ones(len(alone)), len(areas))
    parts, before = found.expected.parts, found.expected.places
    sums = {
        "matched": (stump_in, cut, cut, found.stump_wood),
        "left_standing": (tree_in, standing, standing, found.tree_wood),
        **{
            key: (stump_in, alone * before[key], alone * parts[key], found.stump_wood)
            for key in before
        },
    }
    rows = []
    for key, (place, chance, left, wood) in sums.items():
        for quantity in ("trees", "basal_area"):
            value = wood.of[quantity]
            counted = _left(place, chance * value, left * value, size)
            within = _by_place(place, chance * (1 - chance) * value**2, len(areas))
            total = ratio_estimate(counted, size, whole=whole, within=within, confidence=confidence)
            without = float(chance[place >= 0] @ wood.without[quantity][place >= 0])
            rows.append(_row(key, quantity, wood.unit[quantity], total, without=without))
    every = (UNMARKED_OFF_CORRIDORS, ("unmarked",)), (UNMARKED_SHARE, _UNMARKED)
    to_mark = np.maximum(_by_place(stump_in, 1 - alone * parts["cleared"], len(areas)), 1e-9)
    for key, kinds in every:
        chance = alone * np.sum([before[kind] for kind in kinds], axis=0)
        left = alone * np.sum([parts[kind] for kind in kinds], axis=0)
        counted = _left(stump_in, chance, left, stumps)
        within = _by_place(stump_in, chance * (1 - chance), len(areas))
        share = ratio_estimate(counted, to_mark, within=within, confidence=confidence)
        rows.append(_row(key, "share", "share", share))
    return pd.DataFrame(rows, columns=names)


def _left(place: IntArray, before: FloatArray, left: FloatArray, size: FloatArray) -> FloatArray:
    """What is on each place, less what is used up of all, by the size of the place."""
    used = float((before - left)[place >= 0].sum())
    return _by_place(place, before, len(size)) - used * size / max(float(size.sum()), 1e-9)


def _row(
    finding: str, quantity: str, unit: str, found: Estimate, *, without: float = 0.0
) -> dict[str, object]:
    """One estimate; without an upper end where it leaves out trees."""
    return {
        "finding": finding,
        "quantity": quantity,
        "unit": unit,
        "places": found.plots,
        "estimate": found.mean,
        "standard_error": found.standard_error,
        "low": max(found.low, 0.0),
        "high": found.high if without < HARDLY_ANY else math.nan,
        "trees_without": without,
    }


def _place_of(rows: gpd.GeoDataFrame, areas: npt.NDArray[np.object_]) -> IntArray:
    """Place that each point stands on, the first where it is on two edges; -1 for none."""
    place = np.full(len(rows), -1, dtype=np.intp)
    point, area = shapely.STRtree(areas).query(
        rows.geometry.to_numpy(), predicate="dwithin", distance=1e-6
    )
    place[point[::-1]] = area[::-1]
    return place


def _by_place(place: IntArray, values: FloatArray, size: int) -> FloatArray:
    """Sum of the values on each place."""
    here = place >= 0
    return np.asarray(np.bincount(place[here], values[here], size), dtype=float)


def questions_of(
    findings: pd.DataFrame, sample: pd.DataFrame, *, stumps: int, settings: CompareSettings
) -> tuple[Question, ...]:
    """What the contract asks and the walk answers; nothing without a limit or without stumps."""
    limit = settings.unmarked_share_max
    if limit is None or not stumps:
        return ()
    allowed = settings.unmarked_in_corridors_allowed
    title = "share of stumps neither marked nor counted on paper" + (
        ", off corridors" if allowed else ""
    )
    if len(sample):
        key = UNMARKED_OFF_CORRIDORS if allowed else UNMARKED_SHARE
        row = sample[sample["finding"] == key].iloc[0]
        estimate, low, high = float(row["estimate"]), float(row["low"]), float(row["high"])
        walked = Estimate(
            plots=int(row["places"]),
            mean=estimate,
            standard_deviation=math.nan,
            standard_error=float(row["standard_error"]),
            degrees_of_freedom=int(row["places"]) - 1,
            confidence=settings.confidence,
        )
        places, more = walked.plots, more_places(walked, limit=limit)
    else:
        estimate, low, high = _walked_share(findings, stumps, off_corridors=allowed)
        places, more = 0, 0
    answer = "within" if high <= limit else "beyond" if low > limit else "open"
    return (
        Question(
            key="unmarked_share_max",
            title=title,
            limit=limit,
            estimate=estimate,
            low=low,
            high=high,
            answer=answer,
            places=places,
            more_places=more,
        ),
    )


def damage_questions(damage: Damage | None, *, limit: float | None) -> tuple[Question, ...]:
    """Whether the share of damaged residual trees is within the contract's limit."""
    if damage is None or limit is None:
        return ()
    low, high = damage.low, damage.high
    answer = "within" if high <= limit else "beyond" if low > limit else "open"
    one = Question(
        key="residual_damage_share_max",
        title="share of residual trees damaged",
        limit=limit,
        estimate=damage.share.mean,
        low=low,
        high=high,
        answer=answer,
        places=damage.share.plots,
        more_places=more_places(damage.share, limit=limit) if answer == "open" else 0,
    )
    return (one,)


def _walked_share(
    findings: pd.DataFrame, stumps: int, *, off_corridors: bool
) -> tuple[float, float, float]:
    """Share of unmarked stumps with its interval, where the whole stand was walked."""
    trees = findings[findings["quantity"] == "trees"].set_index("finding")
    rows = trees.loc[["unmarked"] if off_corridors else list(_UNMARKED)]
    cleared = float(trees["amount"].get("cleared", 0.0))
    of = max(stumps - cleared, 1.0)
    amount = float(rows["amount"].sum())
    below = math.sqrt(float(((rows["amount"] - rows["low"]) ** 2).sum()))
    above = math.sqrt(float(((rows["high"] - rows["amount"]) ** 2).sum()))
    low = math.floor(max(amount - below, 0.0))  # no part of a tree is held against anyone
    return amount / of, low / of, min(amount + above, of) / of
