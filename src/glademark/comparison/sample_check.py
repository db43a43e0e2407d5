"""
What plots and walked places say of the whole stand, and how many more would settle a question.

The basal area left, against what the layout meant to leave; the share of trees that are damaged.

References
----------
.. [1] Cochran 1977, Sampling techniques, 3rd edition, sections 3.12, 6.3 and 6.5: ratio estimate,
       its standard error, and the share of units in clusters (6.3 from memory).
.. [2] Korn and Graubard 1998, Confidence intervals for proportions with small expected number of
       positive counts estimated from survey data, Survey Methodology 24, 193-201: the exact
       (Clopper and Pearson) interval at the effective sample size.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike
from scipy.special import stdtrit
from scipy.stats import beta

from glademark.contracts.frames import FloatArray
from glademark.contracts.job_layers import AFTER_CUT_LAYERS
from glademark.contracts.layout import Layout
from glademark.contracts.survey import AfterCutSurvey, Survey
from glademark.errors import InputError
from glademark.forestry import Estimate
from glademark.forestry.size_classes import DiameterUnit  # noqa: TC001 - of a variable
from glademark.measure.marks import size_classes_of
from glademark.measure.standing import BASAL, cruised
from glademark.measure.table_use import sold_of
from glademark.project.model import Project
from glademark.units import FOOT_M, HECTARE_M2

__all__ = [
    "BANDS_M",
    "PLACES_MAX",
    "Damage",
    "Residual",
    "damage_of",
    "more_places",
    "ratio_estimate",
    "residual_of",
    "share_of_clusters",
    "with_residual",
]

PLACES_MAX = 10_000
"""A question that would take more places than this is not settled by walking more of them."""

TITLE = "basal area left by plots, less what was meant to be left"

BANDS_M: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {"metric": (0.0, 3.0, 9.0, math.inf), "us": (0.0, 10 * FOOT_M, 30 * FOOT_M, math.inf)}
)
"""Bands of distance from the nearest corridor edge, by the units that a project shows [m]."""

_FEWEST = 2  # plots that have a spread


def ratio_estimate(
    counted: ArrayLike,
    size: ArrayLike,
    *,
    whole: float | None = None,
    within: ArrayLike | None = None,
    confidence: float = 0.95,
) -> Estimate:
    """
    Ratio of what was counted to the size of the places, with its standard error.

    Returns
    -------
    estimate
        Mean, standard error and interval of the ratio, or of the total if `whole` is given; NaN for
        the error of a single place.

    Examples
    --------
    >>> found = ratio_estimate([2, 4], [100, 100], whole=1000)
    >>> found.mean, round(found.standard_error, 2)  # sqrt(0.8 x 2 / 2) / 100 x 1000
    (30.0, 8.94)
    """
    y, x = np.asarray(counted, dtype=float), np.asarray(size, dtype=float)
    places = len(y)
    if places == 0 or not x.sum() > 0:
        msg = "sample check: no place of any size was walked; expected at least one. Give places"
        raise InputError(msg)
    ratio = float(y.sum() / x.sum())
    unseen = 1.0 if whole is None else max(0.0, 1 - float(x.sum()) / whole)
    spread = float(((y - ratio * x) ** 2).sum() / (places - 1)) if places > 1 else math.nan
    own = 0.0 if within is None else float(np.asarray(within, dtype=float).sum())
    variance = (unseen * spread / places + own / places**2) / float(x.mean()) ** 2
    factor = 1.0 if whole is None else whole
    return Estimate(
        plots=places,
        mean=ratio * factor,
        standard_deviation=math.sqrt(spread) / float(x.mean()) * factor,
        standard_error=math.sqrt(variance) * factor,
        degrees_of_freedom=places - 1,
        confidence=confidence,
    )


def more_places(estimate: Estimate, *, limit: float) -> int | None:
    """
    How many more places would show on which side of a limit the true value is.

    Notes
    -----
    The estimate is taken to stay where it is, and its error to fall with the root of the number of
    places, with the t of the new number.

    Examples
    --------
    >>> walked = ratio_estimate([2, 4, 3, 3], [100, 100, 100, 100])
    >>> more_places(walked, limit=0.02), more_places(walked, limit=0.03)
    (2, None)
    """
    away = abs(estimate.mean - limit)
    spread = estimate.standard_error * math.sqrt(estimate.plots)
    if not math.isfinite(spread) or estimate.plots < 2:  # noqa: PLR2004 - no error of one place
        return None
    numbers = np.arange(estimate.plots, PLACES_MAX + 1)
    half = stdtrit(numbers - 1, (1 + estimate.confidence) / 2) * spread / np.sqrt(numbers)
    settled = np.flatnonzero(half < away)
    return int(settled[0]) if settled.size else None


@dataclass(frozen=True, kw_only=True, slots=True)
class Residual:
    """
    Basal area left [m2/ha], meant to be left, and the one less the other with its interval.

    What was meant, and the difference, are NaN where the standing stock is not known. Marked trees
    without a diameter, `trees_without`, are not taken off what was meant: it is at most that, and
    the interval of the difference goes on to where each has the largest basal area of a cut tree.
    """

    left: Estimate
    planned: float
    difference: float
    low: float
    high: float
    trees_without: int

    @property
    def disagrees(self) -> bool:
        """Whether the interval of the difference leaves 0 out."""
        return self.low > 0 or self.high < 0


def residual_of(
    survey: Survey, layout: Layout, project: Project, seen: AfterCutSurvey
) -> Residual | None:
    """
    Plots after the cut against standing less marked; None without plots.

    The interval of the difference is made of those of both, each as far as it reaches: Zou and
    Donner 2008, Statistics in Medicine 27, 1693-1702 (MOVER). A stock that was given is exact.
    """
    left = _left(survey, project, seen)
    if left is None:
        return None
    planned, below, above, trees_without = _planned(layout)
    difference = left.mean - planned
    return Residual(
        left=left,
        planned=planned,
        difference=difference,
        low=difference - math.hypot(left.mean - left.low, above),
        high=difference + math.hypot(left.high - left.mean, below),
        trees_without=trees_without,
    )


def with_residual(findings: pd.DataFrame, residual: Residual | None) -> pd.DataFrame:
    """Findings, with one of the basal area left where it is not what was meant."""
    if residual is None or not residual.disagrees:
        return findings
    row = {
        "finding": "residual",
        "title": TITLE,
        "quantity": "basal_area",
        "unit": "m2/ha",
        "amount": residual.difference,
        "low": residual.low,
        "high": residual.high,
        "trees_without": 0.0,
        "share_of_marked": math.nan,
        "marked_without": 0.0,
    }
    added = pd.DataFrame([row])
    return pd.concat([findings, added], ignore_index=True) if len(findings) else added


def _left(survey: Survey, project: Project, seen: AfterCutSurvey) -> Estimate | None:
    """Basal area per hectare by the plots after the cut."""
    if seen.plots.empty:
        return None
    unit: DiameterUnit = "in" if project.heading.units == "us" else "cm"
    standing = cruised(
        seen.plots,
        seen.plot_trees,
        settings=project.allowance,
        sold=sold_of(survey, project),
        classes=size_classes_of(project.volume.size_classes, unit=unit),
        operable_ha=1.0,
    )
    found = [stock.total for stock in standing.stocks if stock.quantity == BASAL]
    return found[0] if found else None


def _planned(layout: Layout) -> tuple[float, float, float, int]:
    """Standing less marked per hectare, how far its interval reaches, and trees it leaves out."""
    rows = layout.allowance
    if not len(rows) or BASAL not in set(rows["quantity"]):
        return math.nan, math.nan, math.nan, 0
    row = rows[rows["quantity"] == BASAL].iloc[0]
    hectares = float(layout.figures.stand.operable_m2) / HECTARE_M2
    standing = float(row["standing"])
    low, high = (
        standing if pd.isna(row[name]) else float(row[name])
        for name in ("standing_low", "standing_high")
    )
    return (
        (standing - float(row["marked"])) / hectares,
        (standing - low + float(row["marked_at_most"]) - float(row["marked"])) / hectares,
        (high - standing) / hectares,
        int(row["trees_without"]),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Damage:
    """
    What was seen of damage.

    `share` is that of all residual trees, with its interval from `low` to `high` (NaN for a single
    plot); `table` is that of ``damage``, by distance from corridors; `causes` are damaged trees by
    cause; ruts and regeneration are sums of what was recorded, depths the mean by length and the
    largest.
    """

    share: Estimate
    low: float
    high: float
    trees: int
    damaged: int
    table: pd.DataFrame
    causes: dict[str, int]
    ruts: int
    rut_length_m: float
    rut_depth_m: float
    rut_depth_max_m: float
    regeneration: float
    bent: float


def share_of_clusters(
    damaged: FloatArray, trees: FloatArray, *, confidence: float
) -> tuple[Estimate, float, float]:
    """
    Share of trees over plots, with the interval of Korn and Graubard.

    Effective sample size: p (1 - p) / variance, times the square of t (trees - 1) over t (plots -
    1), and no more than the trees; that of the trees themselves where none or all are damaged. The
    interval of a single plot is NaN.

    Examples
    --------
    >>> found, low, high = share_of_clusters([1, 0], [10, 10], confidence=0.95)
    >>> found.mean, found.standard_error  # sqrt(2 x 0.5 ** 2 / 1 / 2) / 10
    (0.05, 0.05)
    """
    y, x = np.asarray(damaged, dtype=float), np.asarray(trees, dtype=float)
    found = ratio_estimate(y, x, confidence=confidence)
    plots, number = int((x > 0).sum()), float(x.sum())
    if plots < _FEWEST:
        return found, math.nan, math.nan
    size = number
    if found.standard_error > 0:
        tail = (1 + confidence) / 2
        size = found.mean * (1 - found.mean) / found.standard_error**2
        size *= float(stdtrit(number - 1, tail) / stdtrit(plots - 1, tail)) ** 2
    size = min(size, number)
    hits, half = found.mean * size, (1 - confidence) / 2
    low = float(beta.ppf(half, hits, size - hits + 1)) if hits > 0 else 0.0
    high = float(beta.ppf(1 - half, hits + 1, size - hits)) if hits < size else 1.0
    return found, low, high


def damage_of(
    records: gpd.GeoDataFrame,
    corridors: gpd.GeoDataFrame,
    *,
    confidence: float,
    units: str = "metric",
) -> Damage | None:
    """Shares and sums of the records; None without any record of a residual tree."""
    if not records["trees"].sum():
        return None
    away = _away(records, corridors)
    rows = []
    every = [("all", np.nan, np.nan, np.ones(len(records), dtype=bool))]
    every += [
        ("band", low, high, ((away >= low) & (away < high)).to_numpy(dtype=bool))
        for low, high in pairwise(BANDS_M[units])
    ]
    every.append(("unknown", np.nan, np.nan, away.isna().to_numpy(dtype=bool)))
    for part, least, most, here in every:
        trees, damaged = _by_plot(records[here])
        if not trees.sum():
            continue
        found, low, high = share_of_clusters(damaged, trees, confidence=confidence)
        rows.append(
            {
                "part": part,
                "distance_from_m": least,
                "distance_to_m": most,
                "plots": int((trees > 0).sum()),
                "trees": int(trees.sum()),
                "damaged": int(damaged.sum()),
                "share": found.mean,
                "standard_error": found.standard_error,
                "low": low,
                "high": high,
            }
        )
    table = pd.DataFrame(rows, columns=list(AFTER_CUT_LAYERS["damage"].names))
    table["distance_to_m"] = table["distance_to_m"].replace(math.inf, np.nan)
    return _damage(records, table, confidence=confidence)


def _damage(records: gpd.GeoDataFrame, table: pd.DataFrame, *, confidence: float) -> Damage:
    """The whole, with its sums."""
    trees, damaged = _by_plot(records)
    share, low, high = share_of_clusters(damaged, trees, confidence=confidence)
    hurt = records[records["damaged"] > 0]
    causes = hurt.groupby(hurt["cause"].replace("", "not stated"))["damaged"].sum()
    depth, length = records["rut_depth_m"], records["rut_length_m"]
    both = depth.notna() & length.notna()
    metres = float(length[both].sum())
    return Damage(
        share=share,
        low=low,
        high=high,
        trees=int(trees.sum()),
        damaged=int(damaged.sum()),
        table=table,
        causes={str(name): int(number) for name, number in causes.items()},
        ruts=int((depth.notna() | length.notna()).sum()),
        rut_length_m=float(length.sum(min_count=1)),
        rut_depth_m=float((depth * length)[both].sum()) / metres if metres > 0 else math.nan,
        rut_depth_max_m=float(depth.max()),
        regeneration=float(records["regeneration"].sum(min_count=1)),
        bent=float(records["bent"].sum(min_count=1)),
    )


def _away(records: gpd.GeoDataFrame, corridors: gpd.GeoDataFrame) -> pd.Series:
    """Distance from the nearest corridor edge [m]: as recorded, else by the position; else NaN."""
    measured = records["corridor_distance_m"].astype(float)
    lanes = shapely.union_all(corridors.geometry.to_numpy())
    if shapely.is_empty(lanes):
        return measured
    return measured.fillna(pd.Series(shapely.distance(records.geometry.to_numpy(), lanes)))


def _by_plot(records: gpd.GeoDataFrame) -> tuple[FloatArray, FloatArray]:
    """Trees and damaged trees of each plot that has trees."""
    sums = records.groupby("plot", sort=False)[["trees", "damaged"]].sum()
    sums = sums[sums["trees"] > 0]
    return sums["trees"].to_numpy(dtype=float), sums["damaged"].to_numpy(dtype=float)
