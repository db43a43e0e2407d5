"""Points of groups: what their trees gain and lose, and what of them no single tree says."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.project.propose_settings import PointsPer, ProposeWeights
from glademark.proposal.pool import Pool
from glademark.proposal.stock import BoolArray, FloatArray

PARTS = ("failing", "growing_stock", "regeneration", "distance", "new_corridor", "group")
"""Parts of a score, by the names of their weights."""


def points_of_trees(trees: pd.DataFrame, weights: ProposeWeights) -> tuple[FloatArray, FloatArray]:
    """
    Points that each tree gains, failing, and loses, growing stock; 0 where its size is not known.

    `trees` has `failing`, `priority`, `basal_area_m2`, `volume_m3`; losses are negative.
    """
    failing = trees["failing"].to_numpy(dtype=bool)
    priority = trees["priority"].to_numpy(dtype=float)
    gained = priority * _amount(trees, weights.of_trees("failing"))
    lost = -_amount(trees, weights.of_trees("growing_stock"))
    return np.where(failing, gained, 0.0), np.where(failing, 0.0, lost)


def unsized(trees: pd.DataFrame, weights: ProposeWeights) -> BoolArray:
    """Trees that have no points because the size that their weight goes by is not known."""
    failing = trees["failing"].to_numpy(dtype=bool)
    by = [weights.of_trees(name).of for name in ("failing", "growing_stock")]
    unknown = [_size(trees, of).isna().to_numpy() for of in by]
    return np.where(failing, *unknown)


def _amount(trees: pd.DataFrame, per: PointsPer) -> FloatArray:
    """Points of each tree by its size."""
    return np.asarray(np.nan_to_num(_size(trees, per.of)) * per.points)


def _size(trees: pd.DataFrame, of: str) -> pd.Series:
    """What of each tree is counted."""
    return pd.Series(1.0, index=trees.index) if of == "tree" else trees[of].astype(float)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Worth:
    """
    What groups are worth.

    Attributes
    ----------
    failing, growing_stock
        Points of each tree.
    regeneration
        Ground with regeneration, perhaps empty.
    extraction_m, corridor_gap_m
        Way of each tree to the landing, NaN where not known, and how far it is out of reach.
    weights
        As the project states them.
    """

    failing: FloatArray
    growing_stock: FloatArray
    regeneration: BaseGeometry
    extraction_m: FloatArray
    corridor_gap_m: FloatArray
    weights: ProposeWeights

    def parts(self, pool: Pool) -> pd.DataFrame:
        """Points of each candidate by part; what is lost is negative, so that they add up."""
        sets, weights = pool.sets, self.weights
        known = np.isfinite(self.extraction_m)
        way = sets @ np.where(known, self.extraction_m, 0.0)
        counted = np.maximum(sets @ known.astype(float), 1.0)
        owner = np.repeat(np.arange(len(pool)), np.diff(sets.indptr))
        gap = np.zeros(len(pool))
        np.maximum.at(gap, owner, self.corridor_gap_m[sets.indices])
        released = shapely.area(shapely.intersection(pool.shapes, self.regeneration))
        return pd.DataFrame(
            {
                "failing": sets @ self.failing,
                "growing_stock": sets @ self.growing_stock,
                "regeneration": released * weights.regeneration_per_m2,
                "distance": -way / counted * weights.per_metre("distance"),
                "new_corridor": -gap * weights.per_metre("new_corridor"),
                "group": np.full(len(pool), -weights.per_group),
            }
        )

    def score(self, pool: Pool) -> FloatArray:
        """Points of each candidate."""
        return np.asarray(self.parts(pool).to_numpy().sum(axis=1))
