"""Nearest features of many points, on all processors: the library lets go of the interpreter."""

from concurrent.futures import ThreadPoolExecutor
from functools import partial

import numpy as np
import numpy.typing as npt
import shapely

AT_ONCE = 20_000
"""Points from which it pays to share them out."""

MOST_SHARES = 8
"""Shares at most."""

IntArray = npt.NDArray[np.intp]
FloatArray = npt.NDArray[np.float64]


def nearest_of(
    tree: shapely.STRtree, points: npt.NDArray[np.object_]
) -> tuple[IntArray, IntArray, FloatArray]:
    """
    The nearest feature of each point, and how far it is.

    Parameters
    ----------
    tree
        Of features that are not empty, at least one; projected CRS [m].
    points
        Points in the same CRS; shape (n,).

    Returns
    -------
    row
        Position of each point, rising; empty points are left out.
    feature
        Position of its nearest feature in the tree, one of them where several are as near.
    distance_m
        Between the two [m].
    """
    shares = min(MOST_SHARES, 1 + len(points) // AT_ONCE)
    parts = np.array_split(points, shares)
    ask = partial(tree.query_nearest, return_distance=True, all_matches=False)
    with ThreadPoolExecutor() as workers:
        found = list(workers.map(ask, parts))
    first = np.cumsum([0, *(len(part) for part in parts[:-1])])
    rows = [pair[0] + start for (pair, _), start in zip(found, first, strict=True)]
    return (
        np.concatenate(rows),
        np.concatenate([pair[1] for pair, _ in found]),
        np.concatenate([distance for _, distance in found]),
    )
