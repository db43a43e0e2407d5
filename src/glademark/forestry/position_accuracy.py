"""
Position error in the figures that makers, standards and papers state, turned into one another.

The conversions hold for a circular normal error. Real fixes under a canopy have heavier tails: in
one published set the 95 per cent radius was 2.34 times the mean where the normal gives 1.95.

References
----------
.. [1] Federal Geographic Data Committee 1998, Geospatial Positioning Accuracy Standards, part 3:
       National Standard for Spatial Data Accuracy, FGDC-STD-007.3-1998, appendix 3-A; text read as
       restated.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

__all__ = [
    "chance_beyond_line",
    "error_from_radius",
    "mean_error",
    "nssda_accuracy",
    "radius_holding",
]

_LEAST_RATIO = 0.6  # of the two components, under which no circle stands for them
_PER_CENT_95 = 0.95


def radius_holding(share: float, root_mean_square: ArrayLike) -> NDArray[np.float64]:
    """
    How far from the truth the circle reaches that holds a share of the fixes.

    Parameters
    ----------
    share
        Share of the fixes: 0.5 for CEP, 0.9 for CE90, 0.95 for CE95.
    root_mean_square
        Horizontal root mean square error, both components together.

    Returns
    -------
    radius
        In the unit of the error: the root of -ln(1 - share) times it.

    Examples
    --------
    >>> float(radius_holding(0.95, 1.0).round(4))
    1.7308
    """
    return np.asarray(root_mean_square, np.float64) * math.sqrt(-math.log1p(-share))


def error_from_radius(share: float, radius: ArrayLike) -> NDArray[np.float64]:
    """
    Horizontal root mean square error behind a stated radius.

    Parameters
    ----------
    share
        Share of the fixes that the radius is said to hold.
    radius
        Radius of the circle.

    Returns
    -------
    root_mean_square
        In the unit of the radius.

    Examples
    --------
    >>> float(error_from_radius(0.95, 1.7308).round(3))
    1.0
    """
    return np.asarray(radius, np.float64) / math.sqrt(-math.log1p(-share))


def mean_error(root_mean_square: ArrayLike) -> NDArray[np.float64]:
    """
    Mean distance of the fixes from the truth.

    Parameters
    ----------
    root_mean_square
        Horizontal root mean square error.

    Returns
    -------
    mean
        Half the root of pi times the error.

    Examples
    --------
    >>> float(mean_error(2.0).round(4))
    1.7725
    """
    return np.asarray(root_mean_square, np.float64) * math.sqrt(math.pi) / 2


def nssda_accuracy(error_x: ArrayLike, error_y: ArrayLike) -> NDArray[np.float64]:
    """
    Horizontal accuracy at 95 per cent by the national standard, from two components.

    Parameters
    ----------
    error_x
        Root mean square error along one axis.
    error_y
        The same along the other.

    Returns
    -------
    accuracy
        2.4477 times the mean of the two; NaN where the lesser is under 0.6 of the greater, where
        the standard's circle does not hold. The standard asks for 20 check points or more.

    References
    ----------
    FGDC-STD-007.3-1998, appendix 3-A.

    Examples
    --------
    >>> nssda_accuracy([2.1, 1.0], [2.8, 2.0]).round(3).tolist()
    [5.997, nan]
    """
    x, y = np.asarray(error_x, np.float64), np.asarray(error_y, np.float64)
    accuracy = math.sqrt(-2 * math.log1p(-_PER_CENT_95)) * (x + y) / 2
    return np.where(np.minimum(x, y) >= _LEAST_RATIO * np.maximum(x, y), accuracy, np.nan)


def chance_beyond_line(distance: ArrayLike, root_mean_square: ArrayLike) -> NDArray[np.float64]:
    """
    Chance that a fix lies on the other side of a straight line than its tree.

    Parameters
    ----------
    distance
        Distance of the tree from the line.
    root_mean_square
        Horizontal root mean square error; each axis has it over the root of 2.

    Returns
    -------
    chance
        From 0.5 on the line down to 0; with the heavy tails of real fixes, a lower bound far from
        it.

    Examples
    --------
    >>> float(chance_beyond_line(0.0, 4.0))
    0.5
    """
    per_axis = np.asarray(root_mean_square, np.float64) / math.sqrt(2)
    return np.asarray(ndtr(-np.asarray(distance, np.float64) / per_axis))
