"""Priority of standing trees, and points of groups: what their trees gain and lose."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.errors import InputError, UnitError
from glademark.project.propose_settings import PointsPer, ProposeSettings, ProposeWeights
from glademark.proposal.pool import Pool
from glademark.proposal.stock import BoolArray, FloatArray
from glademark.units import LENGTH_M, share, to_si

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


_LENGTHS: Mapping[str, tuple[str, float]] = {
    "dbh": ("dbh_cm", 100.0),
    "height": ("height_m", 1.0),
    "crown_radius": ("crown_radius_m", 1.0),
}
"""Columns in metres or centimetres, by the name that a rule has for them."""

_SHARES = ("defect", "live_crown_ratio")


def priorities(trees: pd.DataFrame, settings: ProposeSettings) -> FloatArray:
    """Priority of each tree: the highest rule that fits, and its number in the column; else 0."""
    found = np.zeros(len(trees))
    if settings.priority_column is not None:
        column = _column(trees, settings.priority_column, "priority_column")
        found = np.maximum(found, np.nan_to_num(_numbers(trees[column])))
    for rule in settings.priority:
        fits = np.ones(len(trees), dtype=bool)
        for name, value in rule.when.items():
            fits &= _fits(trees, name, value)
        found = np.where(fits, np.maximum(found, rule.priority), found)
    return found


def _column(trees: pd.DataFrame, name: str, where: str) -> str:
    """A column of the standing trees; refused where there is none."""
    known = {str(one).casefold(): str(one) for one in trees.columns}
    if name.casefold() not in known:
        names = ", ".join(sorted(one for one in known.values() if one != "geometry"))
        msg = (
            f"[propose] {where}: standing trees have no column {name!r}; expected one of {names}. "
            "Correct the name"
        )
        raise InputError(msg)
    return known[name.casefold()]


def _fits(trees: pd.DataFrame, name: str, value: object) -> BoolArray:
    """Which trees fit one part of a rule; a tree of which it is not known does not."""
    base, _, end = name.rpartition("_")
    if base and end in {"min", "max"}:
        amount, numbers = _limit(trees, base, value)
        fits = numbers >= amount if end == "min" else numbers <= amount
        return np.asarray(fits & np.isfinite(numbers))
    column = trees[_column(trees, name, "priority when")]
    wanted = str(value).strip().casefold()
    written = np.array([str(one).strip().casefold() for one in column], dtype=object)
    return np.asarray(written == wanted, dtype=bool)


def _limit(trees: pd.DataFrame, base: str, value: object) -> tuple[float, FloatArray]:
    """The limit of a rule, and the column that it is held against."""
    try:
        if base in _LENGTHS:
            column, size = _LENGTHS[base]
            return to_si(str(value), LENGTH_M) * size, _numbers(trees[column])
        amount = share(value) if isinstance(value, str) and "%" in value else float(str(value))
    except (UnitError, ValueError) as fault:
        msg = f"[propose] priority when {base}: {fault}"
        raise InputError(msg) from fault
    return amount, _numbers(trees[_column(trees, base, "priority when")])


def _numbers(column: pd.Series) -> FloatArray:
    """A column as numbers, NaN where it holds none."""
    return pd.to_numeric(column, errors="coerce").to_numpy(dtype=float)
