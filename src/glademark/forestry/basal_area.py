"""
Basal area and what is made of it: mean diameter, density index, stocking.

References
----------
.. [1] Larsen, D.R. Forest Functions, University of Missouri: basal area, quadratic mean diameter,
       stand density index, percent stocking. Read there; the constants are exact arithmetic.
.. [2] Reineke 1933, stand density index with exponent 1.605; as restated in [1]_.
.. [3] Gingrich 1967, stocking of upland oaks; as restated in [1]_.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.units import ACRE_M2, HECTARE_M2, INCH_CM

__all__ = [
    "basal_area_m2",
    "gingrich_stocking_pct",
    "quadratic_mean_diameter_cm",
    "stand_density_index",
]

_M2_PER_CM2 = math.pi / 40_000  # area of a circle of 1 cm diameter, in m2
_SDI_EXPONENT = 1.605
_SDI_DIAMETER_CM = 10 * INCH_CM
_ACRES_PER_HECTARE = HECTARE_M2 / ACRE_M2


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


def stand_density_index(
    trees_per_ha: ArrayLike, mean_diameter_cm: ArrayLike
) -> NDArray[np.float64]:
    """
    Number of 10-inch (25.4 cm) trees per hectare that would crowd the site as much.

    Parameters
    ----------
    trees_per_ha
        Trees per hectare.
    mean_diameter_cm
        Quadratic mean diameter [cm].

    Returns
    -------
    index
        Trees per hectare; divide by 2.471 for trees per acre.

    References
    ----------
    Reineke 1933; exponent 1.605 as restated by Larsen, Forest Functions.

    Examples
    --------
    >>> float(stand_density_index(500, 25.4))
    500.0
    """
    diameter = np.asarray(mean_diameter_cm, dtype=np.float64)
    return np.asarray(trees_per_ha, np.float64) * (diameter / _SDI_DIAMETER_CM) ** _SDI_EXPONENT


def gingrich_stocking_pct(
    basal_area_m2_ha: ArrayLike, trees_per_ha: ArrayLike
) -> NDArray[np.float64]:
    """
    Stocking of an upland oak stand, in per cent of full stocking.

    Parameters
    ----------
    basal_area_m2_ha
        Basal area [m2/ha].
    trees_per_ha
        Trees per hectare, above zero.

    Returns
    -------
    stocking
        Per cent; 100 is the A-line of the stocking guide. NaN where there are no trees.

    Notes
    -----
    trees/ac * (-0.00507 + 0.01698 AMD + 0.00307 QMD^2), where QMD is the quadratic and
    AMD = -0.259 + 0.973 QMD the arithmetic mean diameter, both in inches. Trees of the main canopy.

    References
    ----------
    Gingrich 1967, as restated by Larsen, Forest Functions, percent stocking.

    Examples
    --------
    >>> float(gingrich_stocking_pct(22.95684, 494.2108).round(1))
    86.0
    """
    trees = np.asarray(trees_per_ha, dtype=np.float64)
    quadratic = quadratic_mean_diameter_cm(basal_area_m2_ha, trees) / INCH_CM
    arithmetic = -0.259 + 0.973 * quadratic
    per_tree = -0.00507 + 0.01698 * arithmetic + 0.00307 * quadratic**2
    return trees / _ACRES_PER_HECTARE * per_tree
