"""
How well a stump fits a tree that was known before: by place, species, diameter and low mark.

Each part is the log of a likelihood ratio: the chance of what is seen on the stump if it is that
tree's, over the chance if it is the stump of some other tree.

Errors of a receiver change slowly, so that what was marked or walked in one day is often off by the
same way; the difference between the days of marking and walk is found first and taken out.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree
from scipy.special import ndtr

from glademark.comparison.association import Pairs
from glademark.contracts.frames import FloatArray

__all__ = [
    "Beliefs",
    "Shifts",
    "candidate_pairs",
    "diameter_log_ratio",
    "edge_log_ratio",
    "first_shifts",
    "marks_log_ratio",
    "no_shifts",
    "refined_shifts",
    "seen_log_ratio",
    "spread_m",
    "with_odd",
]

REACH = 4.5
"""Pairs are looked for within so many standard errors of the distance: 4 in 100,000 are lost."""

SPREAD_MIN_M = 0.1
"""Least standard error of a difference of positions, an axis [m]: nobody stands nearer."""

ODD_SHARE = 0.02
"""Share of diameters that were read or written wrong, before any pair is weighed."""

OUTSIDE = 0.1
"""Trees marked or cut beyond the edge of the ground for one within it, on the same area."""

_TINY = 1e-12
_SMOOTHED_MIN = 0.05  # of the logarithm, when the spread of diameters is drawn from the stumps
_CELLS_MAX = 2000
_ADDED_COUNT = 0.5  # to each species, so that none is impossible


@dataclass(frozen=True, kw_only=True, slots=True)
class Beliefs:
    """What is held of the records before they are compared; all shares from 0 to 1."""

    diameter_error: float = 0.08
    """Relative error of a diameter against another of the same tree, conversion included."""
    species_error: float = 0.03  # share of stumps whose species is named wrongly
    low_mark_kept: float = 0.95
    """Share of marked trees whose stump shows the low mark when it is looked for."""
    low_mark_false: float = 0.02  # share of other stumps on which one is believed to be seen


def spread_m(
    trees: pd.DataFrame, stumps: pd.DataFrame, pairs: Pairs, *, scale: float = 1.0
) -> FloatArray:
    """Standard error of the difference of two positions, an axis [m]."""
    squares = trees["error_m"].to_numpy()[pairs.row] ** 2
    squares = squares + stumps["error_m"].to_numpy()[pairs.column] ** 2
    return np.asarray(np.maximum(scale * np.sqrt(squares / 2), SPREAD_MIN_M))


def candidate_pairs(trees: pd.DataFrame, stumps: pd.DataFrame, *, scale: float = 1.0) -> Pairs:
    """
    Trees and stumps near enough to each other to be the same.

    Parameters
    ----------
    trees, stumps
        With `x`, `y` and `error_m` [m]; common shifts taken out.
    """
    if not len(trees) or not len(stumps):
        nothing = np.zeros(0, dtype=np.intp)
        return Pairs(row=nothing, column=nothing, rows=len(trees), columns=len(stumps))
    here = stumps[["x", "y"]].to_numpy()
    there = trees[["x", "y"]].to_numpy()
    largest = np.hypot(trees["error_m"].max(), stumps["error_m"].max()) / np.sqrt(2)
    reach = REACH * max(scale * float(largest), SPREAD_MIN_M)
    found = cKDTree(there).sparse_distance_matrix(
        cKDTree(here), reach * (1 + 1e-9), output_type="ndarray"
    )
    every = Pairs(
        row=found["i"].astype(np.intp),
        column=found["j"].astype(np.intp),
        rows=len(trees),
        columns=len(stumps),
    )
    near = found["v"] <= REACH * spread_m(trees, stumps, every, scale=scale)
    return every.only(near)


def edge_log_ratio(
    trees: pd.DataFrame, stumps: pd.DataFrame, pairs: Pairs, *, scale: float = 1.0
) -> FloatArray:
    """
    Log likelihood ratio of the place near the edge of the ground, for that of endless ground.

    A position beyond the edge is of a tree within it that was shaken outwards. Few trees do that,
    but a mark and its stump do it together.

    Parameters
    ----------
    trees, stumps
        With `error_m` and, where trees stood on one side of an edge alone, `edge_m`: distance to it
        [m], negative beyond it; NaN or no such column where nothing is known of an edge.
    """
    if "edge_m" not in trees or "edge_m" not in stumps:
        return np.zeros(len(pairs.row))
    tree, stump = trees["edge_m"].to_numpy(float), stumps["edge_m"].to_numpy(float)
    axes = [
        np.maximum(scale * points["error_m"].to_numpy(float) / np.sqrt(2), SPREAD_MIN_M / 2)
        for points in (trees, stumps)
    ]
    alone_tree, alone_stump = _log_within(tree, axes[0]), _log_within(stump, axes[1])
    one, other = axes[0][pairs.row] ** 2, axes[1][pairs.column] ** 2
    between = (tree[pairs.row] * other + stump[pairs.column] * one) / (one + other)
    both = _log_within(between, np.sqrt(one * other / (one + other)))
    ratio = both - alone_tree[pairs.row] - alone_stump[pairs.column]
    return np.where(np.isnan(ratio), 0.0, ratio)


def _log_within(edge_m: FloatArray, axis_m: FloatArray) -> FloatArray:
    """Log density of trees where a position says that one stands."""
    return np.asarray(np.log(OUTSIDE + (1 - OUTSIDE) * ndtr(edge_m / axis_m)))


def seen_log_ratio(
    trees: pd.DataFrame,
    stumps: pd.DataFrame,
    pairs: Pairs,
    *,
    beliefs: Beliefs,
    odd_share: float = ODD_SHARE,
) -> FloatArray:
    """
    Log likelihood ratio of species, diameter and low mark.

    Parameters
    ----------
    trees
        `species` (text, ``""`` if not known), `dbh_cm` (NaN if not known), `to_cut` (bool: carries
        a low mark).
    stumps
        `species`, `dbh_cm`, and `low_mark`: 1 seen, 0 looked for and not seen, NaN not looked for.
    """
    diameter = diameter_log_ratio(trees, stumps, pairs, beliefs=beliefs)
    return marks_log_ratio(trees, stumps, pairs, beliefs=beliefs) + with_odd(diameter, odd_share)


def marks_log_ratio(
    trees: pd.DataFrame, stumps: pd.DataFrame, pairs: Pairs, *, beliefs: Beliefs
) -> FloatArray:
    """Log likelihood ratio of species and low mark."""
    species = _species(trees, stumps, pairs, beliefs.species_error)
    return species + _low_mark(trees, stumps, pairs, beliefs)


def _species(trees: pd.DataFrame, stumps: pd.DataFrame, pairs: Pairs, error: float) -> FloatArray:
    """The same species counts the more, the rarer it is among the stumps."""
    names = pd.Index(pd.unique(pd.concat([trees["species"], stumps["species"]])))
    tree = names.get_indexer(trees["species"])[pairs.row]
    stump = names.get_indexer(stumps["species"])
    counts = np.bincount(stump, minlength=len(names)) + _ADDED_COUNT
    known = names.to_numpy() != ""
    share = counts / counts[known].sum() if known.any() else counts
    stump = stump[pairs.column]
    ratio = error + (1 - error) * (tree == stump) / share[stump]
    return np.where(known[tree] & known[stump], np.log(np.maximum(ratio, 1e-12)), 0.0)


def diameter_log_ratio(
    trees: pd.DataFrame, stumps: pd.DataFrame, pairs: Pairs, *, beliefs: Beliefs
) -> FloatArray:
    """
    Log likelihood ratio of the diameter, if it was read and written rightly.

    Returns
    -------
    log_ratio
        One a pair: difference of the logarithms, against how diameters of all stumps are spread.
        NaN where either is not known.
    """
    error = beliefs.diameter_error
    tree = np.log(trees["dbh_cm"].to_numpy(dtype=float))[pairs.row]
    stump = np.log(stumps["dbh_cm"].to_numpy(dtype=float))
    known = np.isfinite(stump)
    if not known.any():
        return np.full(len(pairs.row), np.nan)
    usual = np.full(len(stump), np.nan)
    usual[known] = _log_density(stump[known], smoothed=max(error, _SMOOTHED_MIN))
    same = _log_normal(stump[pairs.column] - tree, error)
    return np.asarray(same - usual[pairs.column])


def with_odd(diameter: FloatArray, odd_share: float) -> FloatArray:
    """Log likelihood ratio of the diameter, some of them being of any size."""
    odd = float(np.clip(odd_share, _TINY, 1 - _TINY))
    known = np.where(np.isnan(diameter), 0.0, diameter)  # of ratio 1 either way
    return np.asarray(np.logaddexp(np.log1p(-odd) + known, np.log(odd)))


def _log_density(values: FloatArray, *, smoothed: float) -> FloatArray:
    """Log density of a sample at its own values, each spread by a normal curve."""
    low, high = float(values.min()) - 5 * smoothed, float(values.max()) + 5 * smoothed
    cells = min(max(int((high - low) / smoothed * 4), 10), _CELLS_MAX)
    counts, edges = np.histogram(values, bins=cells, range=(low, high))
    width = edges[1] - edges[0]
    density = gaussian_filter1d(counts.astype(float), smoothed / width, mode="constant")
    middle = (edges[:-1] + edges[1:]) / 2
    return np.asarray(np.log(np.interp(values, middle, density) / (len(values) * width)))


def _log_normal(values: FloatArray, deviation: float) -> FloatArray:
    """Log density of the normal distribution around zero."""
    return np.asarray(-0.5 * (values / deviation) ** 2 - np.log(deviation * np.sqrt(2 * np.pi)))


def _low_mark(
    trees: pd.DataFrame, stumps: pd.DataFrame, pairs: Pairs, beliefs: Beliefs
) -> FloatArray:
    """A low mark speaks for a marked tree, its absence against one, where it was looked for."""
    tiny = 1e-6
    kept, false = np.clip([beliefs.low_mark_kept, beliefs.low_mark_false], tiny, 1 - tiny)
    seen = stumps["low_mark"].to_numpy(dtype=float)
    ratio = np.where(seen > 0, np.log(kept / false), np.log((1 - kept) / (1 - false)))
    ratio = np.where(np.isnan(seen), 0.0, ratio)
    return np.where(trees["to_cut"].to_numpy(dtype=bool)[pairs.row], ratio[pairs.column], 0.0)


SHIFT_USUAL_M = 3.0
"""Usual size of a day's shift, an axis [m]: few matches pull less than many."""

SEARCH_M = 12.0
"""A shift is looked for so far beyond the position errors [m]."""

PEAK_MIN = 4.0
"""A shift to begin with must stand out from chance by so many standard deviations."""

_STEPS = 40
_SETTLED_M = 1e-4
_SHIFT_CELLS_MAX = 161
_GAIN_MAX = np.log(50.0)  # no single pair decides


@dataclass(frozen=True, kw_only=True, slots=True)
class Shifts:
    """Shifts by day."""

    tree: FloatArray
    stump: FloatArray
    """tree and stump: of each day of marks and of stumps, shape (days, 2): east and north [m]."""

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
    cells = int(np.clip(np.ceil(2 * reach / spread) * 2 + 1, 5, _SHIFT_CELLS_MAX))
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
