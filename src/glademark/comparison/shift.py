"""
The shift that all positions of a day have in common: found from the differences, and taken out.

Errors of a receiver change slowly, so that what was marked or walked in one day is often off by the
same way. Only the difference between the days of the marking and those of the walk can be seen.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.comparison.association import FloatArray
from glademark.comparison.likeness import Beliefs, candidate_pairs, seen_log_ratio, spread_m

__all__ = ["Shifts", "first_shifts", "no_shifts", "refined_shifts"]

SHIFT_USUAL_M = 3.0
"""Usual size of a day's shift, an axis [m]: few matches pull less than many."""

SEARCH_M = 12.0
"""A shift is looked for so far beyond the position errors [m]."""

PEAK_MIN = 4.0
"""A shift to begin with must stand out from chance by so many standard deviations."""

_STEPS = 40
_SETTLED_M = 1e-4
_CELLS_MAX = 161
_GAIN_MAX = np.log(50.0)  # no single pair decides


@dataclass(frozen=True, kw_only=True, slots=True)
class Shifts:
    """
    Shifts by day.

    Attributes
    ----------
    tree, stump
        Of each day of marks and of stumps, shape (days, 2): east and north [m].
    """

    tree: FloatArray
    stump: FloatArray

    def between(
        self, tree_day: npt.NDArray[np.intp], stump_day: npt.NDArray[np.intp]
    ) -> FloatArray:
        """
        Shift from tree to stump of each pair.

        Returns
        -------
        shift
            Shape (pairs, 2) [m].
        """
        if len(self.tree) == len(self.stump) == 1:  # no need to look each pair up
            return np.broadcast_to(self.stump - self.tree, (len(tree_day), 2))
        return self.stump[stump_day] - self.tree[tree_day]

    def against_trees(self, stump_day: pd.Series, tree_day: pd.Series) -> FloatArray:
        """
        Shift of each stump against the marks taken together.

        Returns
        -------
        shift
            Shape (stumps, 2) [m].
        """
        mean = self.tree[tree_day.to_numpy(np.intp)].mean(axis=0) if len(tree_day) else 0.0
        return np.asarray(self.stump[stump_day.to_numpy(np.intp)] - mean)


def no_shifts(tree_day: pd.Series, stump_day: pd.Series) -> Shifts:
    """Shifts of zero."""
    return Shifts(tree=np.zeros((_days(tree_day), 2)), stump=np.zeros((_days(stump_day), 2)))


def first_shifts(trees: pd.DataFrame, stumps: pd.DataFrame, *, beliefs: Beliefs) -> Shifts:
    """Shift of each day's stumps, from where the differences to trees alike heap up."""
    shifts = no_shifts(trees["day"], stumps["day"])
    if not len(trees) or not len(stumps):
        return shifts
    wide = trees.assign(error_m=trees["error_m"] + SEARCH_M / 4)
    for day in range(len(shifts.stump)):  # days are few
        there = stumps[stumps["day"] == day].reset_index(drop=True)
        shifts.stump[day] = _heap(wide, trees, there, beliefs)
    return shifts


def _heap(
    wide: pd.DataFrame, trees: pd.DataFrame, stumps: pd.DataFrame, beliefs: Beliefs
) -> FloatArray:
    """Where the differences from trees to stumps heap up the most; zero where nowhere."""
    pairs = candidate_pairs(wide, stumps)
    if not len(pairs.row):
        return np.zeros(2)
    way = stumps[["x", "y"]].to_numpy()[pairs.column] - trees[["x", "y"]].to_numpy()[pairs.row]
    gain = np.exp(np.minimum(seen_log_ratio(trees, stumps, pairs, beliefs=beliefs), _GAIN_MAX))
    weight = gain / np.maximum(pairs.by_column(gain)[pairs.column], 1e-300)  # one vote a stump
    spread = float(np.median(spread_m(trees, stumps, pairs)))
    reach = float(np.abs(way).max()) + spread
    cells = int(np.clip(np.ceil(2 * reach / spread) * 2 + 1, 5, _CELLS_MAX))
    edges = np.linspace(-reach, reach, cells + 1)
    table, _, _ = np.histogram2d(way[:, 0], way[:, 1], bins=[edges, edges], weights=weight)
    smooth = _smoothed(table, spread / (edges[1] - edges[0]))
    at = np.unravel_index(int(smooth.argmax()), smooth.shape)
    filled = smooth[smooth > 0]
    if smooth[at] < np.median(filled) + PEAK_MIN * (np.median(np.abs(filled - np.median(filled)))):
        return np.zeros(2)
    middle = (edges[:-1] + edges[1:]) / 2
    return _climbed(way, weight, spread, np.array([middle[at[0]], middle[at[1]]]))


def _smoothed(table: FloatArray, cells: float) -> FloatArray:
    """Table of sums with each spread over its neighbours."""
    from scipy.ndimage import gaussian_filter  # noqa: PLC0415 - used for this alone

    return np.asarray(gaussian_filter(table, max(cells, 0.5), mode="constant"))


def _climbed(way: FloatArray, weight: FloatArray, spread: float, at: FloatArray) -> FloatArray:
    """Middle of the heap that a place lies on, by weighted means again and again."""
    for _ in range(_STEPS):
        near = weight * np.exp(-0.5 * ((way - at) ** 2).sum(axis=1) / spread**2)
        last, at = at, near @ way / max(near.sum(), 1e-300)
        if np.hypot(*(at - last)) < _SETTLED_M:
            break
    return at


def refined_shifts(
    shifts: Shifts,
    way: FloatArray,
    *,
    weight: FloatArray,
    tree_day: npt.NDArray[np.intp],
    stump_day: npt.NDArray[np.intp],
) -> Shifts:
    """
    Shifts of both kinds of day from weighted pairs: least squares, drawn to zero.

    Parameters
    ----------
    way
        From tree to stump, shape (pairs, 2) [m].
    weight
        Chance of the pair over the variance of its way [1/m2].
    """
    trees, stumps = len(shifts.tree), len(shifts.stump)
    block = np.bincount(tree_day * stumps + stump_day, weight, trees * stumps)
    block = block.reshape(trees, stumps)
    system = np.block(
        [[np.diag(block.sum(axis=1)), -block], [-block.T, np.diag(block.sum(axis=0))]]
    )
    system = system + np.eye(trees + stumps) / SHIFT_USUAL_M**2
    pull = weight[:, None] * way
    right = np.column_stack(
        [
            np.concatenate(
                [
                    -np.bincount(tree_day, pull[:, axis], trees),
                    np.bincount(stump_day, pull[:, axis], stumps),
                ]
            )
            for axis in (0, 1)
        ]
    )
    found = np.linalg.solve(system, right)
    return Shifts(tree=found[:trees], stump=found[trees:])


def _days(day: pd.Series) -> int:
    """How many days there are."""
    return int(day.max()) + 1 if len(day) else 1
