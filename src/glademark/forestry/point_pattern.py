"""
Whether points stand at random, in clumps or evenly: the index of Clark and Evans.

References
----------
.. [1] Clark and Evans 1954, Distance to nearest neighbor as a measure of spatial relationships in
       populations, Ecology 35:445-453; formulas as restated.
.. [2] Donnelly's correction of the expected distance for the edge of the study area.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from glademark.errors import InputError

__all__ = ["FEWEST_POINTS", "ClarkEvans", "clark_evans"]

FEWEST_POINTS = 8  # under this many the index says nothing that a map does not
_STANDARD_ERROR = 0.26136  # as Clark and Evans print it
_EDGE, _EDGE_BY_NUMBER = 0.0514, 0.0412  # the second is often printed as 0.041


@dataclass(frozen=True, kw_only=True, slots=True)
class ClarkEvans:
    """
    Nearest-neighbour index of a point pattern.

    Parameters
    ----------
    index
        Observed over expected distance: 1 for random, below for clumped, above for regular.
    observed
        Mean distance from each point to its nearest neighbour.
    expected
        The same for points at random.
    z
        Standard normal deviate of the uncorrected difference; NaN with the edge correction, whose
        error is not stated here.
    points
        Number of points.
    """

    index: float
    observed: float
    expected: float
    z: float
    points: int


def clark_evans(distances: ArrayLike, *, area: float, perimeter: float | None = None) -> ClarkEvans:
    """
    Index of Clark and Evans from nearest-neighbour distances.

    Parameters
    ----------
    distances
        Distance from each point to its nearest neighbour.
    area
        Area of the ground that was searched, in the square of the same unit.
    perimeter
        Its perimeter; with it Donnelly's edge correction is made. Groups are few and stands have
        long edges, so that the uncorrected index reads too regular: give it.

    Returns
    -------
    pattern
        Index, distances and test. Report nothing for fewer than `FEWEST_POINTS`.

    Raises
    ------
    InputError
        If there is no distance, or area or perimeter is not above zero.

    Examples
    --------
    >>> lattice = clark_evans([10.0] * 16, area=1600)
    >>> lattice.index, round(lattice.z, 3)
    (2.0, 7.652)
    """
    nearest = np.asarray(distances, np.float64)
    if not nearest.size or not area > 0 or (perimeter is not None and not perimeter > 0):
        msg = (
            f"point pattern: {nearest.size} distances on an area of {area} and a perimeter of "
            f"{perimeter}; expected at least one distance and sizes above zero"
        )
        raise InputError(msg)
    number = nearest.size
    observed = float(nearest.mean())
    expected = 0.5 * math.sqrt(area / number)
    error = _STANDARD_ERROR * math.sqrt(area) / number
    z = (observed - expected) / error
    if perimeter is not None:
        expected += (_EDGE + _EDGE_BY_NUMBER / math.sqrt(number)) * perimeter / number
        z = math.nan
    return ClarkEvans(
        index=observed / expected, observed=observed, expected=expected, z=z, points=number
    )
