"""The ground that crowns cover together, exact: the outline of a union of circles is arcs."""

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from glademark.measure.crowns import APART_M
from glademark.measure.sums import sums

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


def crown_cover(
    centre: FloatArray, radius_m: FloatArray, *, stand: IntArray, stands: int
) -> FloatArray:
    """
    Area of the union of circles in each stand.

    The stretches of each circle that others cover are put in order and merged; what is left of all
    circles is the outline, and the line integral along it (Green's theorem) the area.

    Parameters
    ----------
    centre
        Coordinates [m], shape (n, 2).
    radius_m
        Radii, > 0 [m]; shape (n,).
    stand
        Place of the stand of each circle; those of different stands never cover each other.
    stands
        Number of stands.

    Returns
    -------
    areas
        In square metres, shape (stands,).

    Examples
    --------
    >>> once = crown_cover(np.zeros((1, 2)), np.ones(1), stand=np.zeros(1, int), stands=1)
    >>> float(once[0] / np.pi)
    1.0
    """
    if not len(centre):
        return np.zeros(stands)
    place = np.column_stack([centre, stand * APART_M])
    pairs = cKDTree(place).query_pairs(2 * radius_m.max(), output_type="ndarray")
    one, two = pairs[:, 0], pairs[:, 1]
    away = np.hypot(*(centre[two] - centre[one]).T)
    within = _within(one, two, away, radius_m)
    meet = (away < radius_m[one] + radius_m[two]) & ~within[one] & ~within[two]
    circle = np.concatenate([one[meet], two[meet]])
    other = np.concatenate([two[meet], one[meet]])
    start, end = _covered(circle, other, np.tile(away[meet], 2), centre, radius_m)
    outer = np.flatnonzero(~within)
    owner, low, high = _left(outer, circle, start, end)
    first = np.unique(stand, return_index=True)[1]
    origin = np.zeros((stands, 2))
    origin[stand[first]] = centre[first]  # near, so that little is lost to rounding
    x, y = (centre[owner] - origin[stand[owner]]).T
    radius = radius_m[owner]
    turned = radius * (high - low)
    across = x * (np.sin(high) - np.sin(low)) - y * (np.cos(high) - np.cos(low))
    return sums(radius * (turned + across) / 2, stand[owner], stands)


def _within(
    one: IntArray, two: IntArray, away: FloatArray, radius: FloatArray
) -> npt.NDArray[np.bool_]:
    """Circles that lie in another one; of equal ones, all but the first."""
    within = np.zeros(len(radius), dtype=bool)
    within[two[away <= radius[one] - radius[two]]] = True
    within[
        one[(away <= radius[two] - radius[one]) & ((away > 0) | (radius[one] < radius[two]))]
    ] = True
    return within


def _covered(
    circle: IntArray, other: IntArray, away: FloatArray, centre: FloatArray, radius: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Stretch of each circle that another one covers, as angles; its start is from 0 to 2 pi."""
    east, north = (centre[other] - centre[circle]).T
    mine = radius[circle]
    cosine = (away**2 + mine**2 - radius[other] ** 2) / (2 * away * mine)
    half = np.arccos(np.clip(cosine, -1.0, 1.0))
    start = (np.arctan2(north, east) - half) % (2 * np.pi)
    return start, start + 2 * half


def _left(
    outer: IntArray, circle: IntArray, start: FloatArray, end: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Stretches of the outer circles that no other one covers: their circle, start and end."""
    turn = 2 * np.pi
    beyond = end > turn  # goes on from 0
    at_0, at_turn = np.zeros(len(outer)), np.full(len(outer), turn)
    owner = np.concatenate([circle, circle[beyond], outer, outer])
    low = np.concatenate([start, np.zeros(np.count_nonzero(beyond)), at_0, at_turn])
    high = np.concatenate([np.minimum(end, turn), end[beyond] - turn, at_0, at_turn])
    order = np.lexsort((low, owner))
    owner, low, high = owner[order], low[order], high[order]
    by_end = np.lexsort((high, owner))
    rank = np.empty(len(order), dtype=np.intp)
    rank[by_end] = np.arange(len(order))
    reached = high[by_end[np.maximum.accumulate(rank)]]  # the furthest end so far on the circle
    follows = (owner[1:] == owner[:-1]) & (low[1:] > reached[:-1])
    return owner[1:][follows], reached[:-1][follows], low[1:][follows]
