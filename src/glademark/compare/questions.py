"""What the contract asks after the cut: whether it is settled, and what walking more would take."""

import math
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.compare.association import FloatArray, IntArray
from glademark.compare.findings import Seen, left_standing_chance
from glademark.compare.matching import Match
from glademark.compare.records import Places
from glademark.compare.sample_check import more_places, ratio_estimate
from glademark.contracts.comparison_layers import AFTER_CUT_LAYERS
from glademark.forestry import Estimate
from glademark.project.model import CompareSettings

__all__ = ["Question", "questions_of", "sample_rows"]

UNMARKED_SHARE = "unmarked_share"
UNMARKED_OFF_CORRIDORS = "unmarked_share_off_corridors"


@dataclass(frozen=True, kw_only=True, slots=True)
class Question:
    """
    One thing that the contract limits.

    Attributes
    ----------
    key, title
        Short name and words.
    limit
        Of the contract, a share from 0 to 1.
    estimate, low, high
        What was seen, with its interval.
    answer
        ``within`` or ``beyond`` where the interval leaves no doubt, else ``open``.
    places, more_places
        Places walked, and how many more of them would settle it (None: cannot be said); 0 where the
        whole stand was walked.
    """

    key: str
    title: str
    limit: float
    estimate: float
    low: float
    high: float
    answer: str
    places: int
    more_places: int | None


def sample_rows(
    match: Match,
    found: Seen,
    sampled: gpd.GeoDataFrame,
    places: Places,
    *,
    confidence: float,
) -> pd.DataFrame:
    """
    Estimates for the whole stand from the places walked.

    Parameters
    ----------
    match
        Stumps matched to trees.
    found
        What is known of both.
    sampled
        Places walked; none where all of the stand was.
    places
        Ground of the layout.
    confidence
        Of the intervals.

    Returns
    -------
    rows
        Columns of the table ``sample_check``.
    """
    names = list(AFTER_CUT_LAYERS["sample_check"].names)
    if not len(sampled) or not len(found.stumps):
        return pd.DataFrame(columns=names)
    areas = sampled.geometry.to_numpy()
    stump_in, tree_in = (_place_of(rows, areas) for rows in (found.stumps, found.trees))
    alone = np.clip(1 - match.stump_chance, 0.0, 1.0)
    corridor = found.stumps["in_corridor"].to_numpy(dtype=float)
    standing = left_standing_chance(match, found.trees)
    marked = found.trees["to_cut"].to_numpy(dtype=bool)[match.pairs.row]
    cut = match.pairs.by_column(np.where(marked, match.chance, 0.0))
    sums = {
        "matched": (stump_in, cut, found.stump_wood),
        "left_standing": (tree_in, standing, found.tree_wood),
        "unmarked": (stump_in, alone * (1 - corridor), found.stump_wood),
        "unmarked_in_corridor": (stump_in, alone * corridor, found.stump_wood),
    }
    size, whole = shapely.area(areas), float(places.stand.area)
    rows = []
    for key, (place, chance, wood) in sums.items():
        for quantity in ("trees", "basal_area"):
            value = wood.of[quantity]
            counted = _by_place(place, chance * value, len(areas))
            within = _by_place(place, chance * (1 - chance) * value**2, len(areas))
            total = ratio_estimate(counted, size, whole=whole, within=within, confidence=confidence)
            rows.append(_row(key, quantity, wood.unit[quantity], total))
    stumps = _by_place(stump_in, np.ones(len(alone)), len(areas))
    for key, chance in ((UNMARKED_OFF_CORRIDORS, alone * (1 - corridor)), (UNMARKED_SHARE, alone)):
        counted = _by_place(stump_in, chance, len(areas))
        within = _by_place(stump_in, chance * (1 - chance), len(areas))
        share = ratio_estimate(counted, stumps, within=within, confidence=confidence)
        rows.append(_row(key, "share", "share", share))
    return pd.DataFrame(rows, columns=names)


def _row(finding: str, quantity: str, unit: str, found: Estimate) -> dict[str, object]:
    """One estimate."""
    return {
        "finding": finding,
        "quantity": quantity,
        "unit": unit,
        "places": found.plots,
        "estimate": found.mean,
        "standard_error": found.standard_error,
        "low": max(found.low, 0.0),
        "high": found.high,
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
    """
    What the contract asks and the walk answers.

    Parameters
    ----------
    findings
        Columns of the table ``findings``.
    sample
        Columns of the table ``sample_check``; without rows where the whole stand was walked.
    stumps
        How many there are.
    settings
        Limits of the contract.

    Returns
    -------
    questions
        None where the project file states no limit, or no stumps were given.
    """
    limit = settings.unmarked_share_max
    if limit is None or not stumps:
        return ()
    allowed = settings.unmarked_in_corridors_allowed
    title = "share of stumps without a mark" + (", off corridors" if allowed else "")
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


def _walked_share(
    findings: pd.DataFrame, stumps: int, *, off_corridors: bool
) -> tuple[float, float, float]:
    """Share of unmarked stumps with its interval, where the whole stand was walked."""
    keys = ["unmarked"] if off_corridors else ["unmarked", "unmarked_in_corridor"]
    rows = findings[(findings["quantity"] == "trees") & findings["finding"].isin(keys)]
    amount = float(rows["amount"].sum())
    half = math.sqrt(float(((rows["high"] - rows["low"]) ** 2).sum())) / 2
    low = max(amount - half, 0.0)
    return amount / stumps, low / stumps, min(amount + half, float(stumps)) / stumps
