"""
How well a stump fits a tree that was known before: by place, species, diameter and low mark.

Each part is the log of a likelihood ratio: the chance of what is seen on the stump if it is that
tree's, over the chance if it is the stump of some other tree.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from glademark.after_cut.association import FloatArray, Pairs

__all__ = ["Beliefs", "candidate_pairs", "seen_log_ratio", "spread_m"]

REACH = 4.5
"""Pairs are looked for within so many standard errors of the distance: 4 in 100,000 are lost."""

SPREAD_MIN_M = 0.1
"""Least standard error of a difference of positions, an axis [m]: nobody stands nearer."""

_ODD_DIAMETER = 0.02  # share of diameters that were read or written wrong
_SMOOTHED_MIN = 0.05  # of the logarithm, when the spread of diameters is drawn from the stumps
_CELLS_MAX = 2000
_ADDED_COUNT = 0.5  # to each species, so that none is impossible


@dataclass(frozen=True, kw_only=True, slots=True)
class Beliefs:
    """
    What is held of the records before they are compared; all shares from 0 to 1.

    Attributes
    ----------
    diameter_error
        Relative error of a diameter against another of the same tree, conversion included.
    species_error
        Share of stumps whose species is named wrongly.
    low_mark_kept
        Share of marked trees whose stump shows the low mark when it is looked for.
    low_mark_false
        Share of other stumps on which one is believed to be seen.
    """

    diameter_error: float = 0.08
    species_error: float = 0.03
    low_mark_kept: float = 0.95
    low_mark_false: float = 0.02


def spread_m(
    trees: pd.DataFrame, stumps: pd.DataFrame, pairs: Pairs, *, scale: float = 1.0
) -> FloatArray:
    """
    Standard error of the difference of two positions, an axis [m].

    Parameters
    ----------
    trees, stumps
        With `error_m`, the horizontal root mean square error of each position.
    pairs
        Rows are trees, columns stumps.
    scale
        By which the stated errors are stretched.

    Returns
    -------
    spread
        One a pair: sqrt((a^2 + b^2) / 2), at least `SPREAD_MIN_M`.
    """
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
    scale
        By which the stated errors are stretched.

    Returns
    -------
    pairs
        Rows are trees, columns stumps; within `REACH` standard errors of the distance.
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


def seen_log_ratio(
    trees: pd.DataFrame, stumps: pd.DataFrame, pairs: Pairs, *, beliefs: Beliefs
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
    pairs
        Rows are trees, columns stumps.
    beliefs
        Errors of these records.

    Returns
    -------
    log_ratio
        One a pair; what is not recorded on either side adds nothing.
    """
    return (
        _species(trees, stumps, pairs, beliefs.species_error)
        + _diameter(trees, stumps, pairs, beliefs.diameter_error)
        + _low_mark(trees, stumps, pairs, beliefs)
    )


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


def _diameter(trees: pd.DataFrame, stumps: pd.DataFrame, pairs: Pairs, error: float) -> FloatArray:
    """Difference of the logarithms, against how diameters of all stumps are spread."""
    tree = np.log(trees["dbh_cm"].to_numpy(dtype=float))[pairs.row]
    stump = np.log(stumps["dbh_cm"].to_numpy(dtype=float))
    known = np.isfinite(stump)
    if not known.any():
        return np.zeros(len(pairs.row))
    usual = np.zeros(len(stump))
    usual[known] = _log_density(stump[known], smoothed=max(error, _SMOOTHED_MIN))
    same = _log_normal(stump[pairs.column] - tree, error) - usual[pairs.column]
    with_odd = np.logaddexp(np.log(1 - _ODD_DIAMETER) + same, np.log(_ODD_DIAMETER))
    return np.where(np.isfinite(tree) & known[pairs.column], with_odd, 0.0)


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
