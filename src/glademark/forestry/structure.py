"""
Structure of a stand: target and quotient by size class, density, and shares in words.

References
----------
.. [1] Meyer 1952, Structure, growth, and drain in balanced uneven-aged forests, J. For. 50(2), as
       restated by extension pages: a constant quotient q between neighbouring classes.
.. [2] Reineke 1933, Perfecting a stand-density index for even-aged forests, J. Agr. Res. 46(7);
       summation form: Shaw 2000, West. J. Appl. For. 15(4).
.. [3] Crookston and Stage 1999, RMRS-GTR-24, equations 1 and 2: cover where crowns overlap at
       random.
"""

import math
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.forestry.size_classes import basal_area_m2, quadratic_mean_diameter_cm

REINEKE_EXPONENT = 1.605
REINEKE_DBH_CM = 25.4
DENOMINATOR_MAX = 10
"""Largest denominator of a share that is told to a marker: more cannot be counted in the head."""

CLASSES_MIN = 3
"""Fewest classes with trees through which a quotient is fitted: a line through two always fits."""


def target_trees(middles_cm: ArrayLike, *, basal_area: float, q: float) -> NDArray[np.float64]:
    """
    Trees per hectare of neighbouring classes whose numbers fall by q and that hold a basal area.

    N_k = basal_area / sum q^(k-i) pi/40000 d_i^2, N_i = N_k q^(k-i); `basal_area` in m2/ha, middles
    of the classes rising [cm].

    Examples
    --------
    >>> target_trees([10.0, 20.0], basal_area=np.pi / 40000 * 600, q=2).round(6).tolist()
    [2.0, 1.0]
    """
    middles = np.asarray(middles_cm, np.float64)
    steps = q ** np.arange(len(middles) - 1, -1, -1.0)
    return np.asarray(basal_area / float(steps @ basal_area_m2(middles)) * steps)


def fitted_q(middles_cm: ArrayLike, trees_per_ha: ArrayLike, *, width_cm: float) -> float:
    """
    Quotient of a stand by least squares of ln(trees) on the middle of the class.

    Classes without trees are left out; NaN where fewer than `CLASSES_MIN` are left.

    Examples
    --------
    >>> round(fitted_q([10, 20, 30], [90, 30, 10], width_cm=10), 9)
    3.0
    """
    middles, trees = np.asarray(middles_cm, np.float64), np.asarray(trees_per_ha, np.float64)
    some = trees > 0  # false where not known
    if not (np.isfinite(trees).all() and some.sum() >= CLASSES_MIN):
        return math.nan
    away = middles[some] - middles[some].mean()
    slope = float(away @ np.log(trees[some]) / (away @ away))
    return math.exp(-slope * width_cm)


def quotient_weights(middles_cm: ArrayLike, trees_per_ha: ArrayLike) -> NDArray[np.float64]:
    """
    What one more tree per hectare of each class adds to the slope of ln(trees) on the middle.

    By them the sampling error of plots becomes that of the fitted quotient (first order); 0 for a
    class without trees.
    """
    middles, trees = np.asarray(middles_cm, np.float64), np.asarray(trees_per_ha, np.float64)
    some = trees > 0
    away = np.where(some, middles - middles[some].mean(), 0.0)
    found = np.zeros(len(trees))
    np.divide(away / (away @ away), trees, out=found, where=some)
    return found


def stand_density_index(trees_per_ha: float, basal_area_m2_ha: float) -> float:
    """Reineke's index N (QMD / 25.4)^1.605 [trees/ha of 25.4 cm]; NaN without trees."""
    mean_cm = float(quadratic_mean_diameter_cm(basal_area_m2_ha, trees_per_ha))
    return float(trees_per_ha * (mean_cm / REINEKE_DBH_CM) ** REINEKE_EXPONENT)


def density_index_of_trees(dbh_cm: ArrayLike) -> NDArray[np.float64]:
    """What each tree adds to the index by summation, (d / 25.4)^1.605."""
    return (np.asarray(dbh_cm, np.float64) / REINEKE_DBH_CM) ** REINEKE_EXPONENT


def random_cover(crown_share: float) -> float:
    """Share of the ground under crowns that overlap at random, by their summed area per ground."""
    return -math.expm1(-crown_share)


def share_in_words(share: float) -> str:
    """
    A share as a marker counts it: the nearest fraction, with a denominator up to 10.

    Examples
    --------
    >>> share_in_words(40 / 240), share_in_words(0.02), share_in_words(0.99), share_in_words(1.0)
    ('1 of 6', 'fewer than 1 of 10', 'more than 9 of 10', 'all')
    """
    if not math.isfinite(share):
        return ""
    if share <= 0 or share >= 1:
        return "all" if share >= 1 else "none"
    if share < 1 / DENOMINATOR_MAX or share > 1 - 1 / DENOMINATOR_MAX:
        few = share < 1 / DENOMINATOR_MAX
        return (
            f"fewer than 1 of {DENOMINATOR_MAX}"
            if few
            else f"more than {DENOMINATOR_MAX - 1} of {DENOMINATOR_MAX}"
        )
    nearest = Fraction(share).limit_denominator(DENOMINATOR_MAX)
    return f"{nearest.numerator} of {nearest.denominator}"
