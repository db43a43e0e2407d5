"""
Share of the residual trees that are damaged, from plots, and what else was seen of damage.

References
----------
.. [1] Cochran 1977, Sampling techniques, 3rd edition, sections 3.12 and 6.5: the share of units in
       clusters as a ratio, and its standard error.
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
from scipy.special import stdtrit
from scipy.stats import beta

from glademark.comparison.association import FloatArray
from glademark.comparison.sample_check import ratio_estimate
from glademark.contracts.comparison_layers import AFTER_CUT_LAYERS
from glademark.forestry import Estimate
from glademark.units import FOOT_M

__all__ = ["BANDS_M", "Damage", "damage_of", "share_of_clusters"]

BANDS_M: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {"metric": (0.0, 3.0, 9.0, math.inf), "us": (0.0, 10 * FOOT_M, 30 * FOOT_M, math.inf)}
)
"""Bands of distance from the nearest corridor edge, by the units that a project shows [m]."""

_FEWEST = 2  # plots that have a spread


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
