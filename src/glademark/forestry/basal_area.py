"""
Basal area, and the mean diameter that is made of it.

References
----------
.. [1] Larsen, D.R. Forest Functions, University of Missouri: basal area, quadratic mean diameter.
       Read there; the constants are exact arithmetic.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "basal_area_m2",
    "quadratic_mean_diameter_cm",
]

_M2_PER_CM2 = math.pi / 40_000  # area of a circle of 1 cm diameter, in m2


def basal_area_m2(dbh_cm: ArrayLike) -> NDArray[np.float64]:
    """
    Cross-section of each stem at breast height [m2].

    Parameters
    ----------
    dbh_cm
        Diameter at breast height [cm]; NaN stays NaN.

    Returns
    -------
    basal_area
        Area pi / 40 000 times the square of the diameter, shape of the input.

    Examples
    --------
    >>> basal_area_m2([20, 40]).round(4).tolist()
    [0.0314, 0.1257]
    """
    return _M2_PER_CM2 * np.square(np.asarray(dbh_cm, dtype=np.float64))


def quadratic_mean_diameter_cm(basal_area_m2: ArrayLike, trees: ArrayLike) -> NDArray[np.float64]:
    """
    Diameter of the tree of mean basal area [cm].

    Parameters
    ----------
    basal_area_m2
        Basal area of the trees together, or per hectare [m2].
    trees
        Number of those trees, or trees per hectare; may be fractional.

    Returns
    -------
    diameter
        NaN where there are no trees.

    Examples
    --------
    >>> float(quadratic_mean_diameter_cm(3.14159265, 100).round(3))
    20.0
    """
    area = np.asarray(basal_area_m2, dtype=np.float64)
    count = np.asarray(trees, dtype=np.float64)
    per_tree = np.full(np.broadcast(area, count).shape, np.nan)
    np.divide(area, count, out=per_tree, where=count > 0)
    return np.sqrt(per_tree / _M2_PER_CM2)
