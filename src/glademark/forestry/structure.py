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
.. [4] Curtis 1982, Forest Sci. 28:92-94: relative density, made for Douglas-fir.
.. [5] Larsen, Forest Functions: percent stocking by the tree-area ratio, TPA (b0 + b1 AMD +
       b2 QMD^2), inches and acres, AMD = -0.259 + 0.973 QMD. Its red oak, upland oak and black
       cherry are left out: the page gives each of them two sets of coefficients.
"""

import math
from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.forestry.size_classes import basal_area_m2, quadratic_mean_diameter_cm
from glademark.units import ACRE_M2, BASAL_AREA_M2_HA, HECTARE_M2, INCH_CM

REINEKE_EXPONENT = 1.605
REINEKE_DBH_CM = 25.4
DENOMINATOR_MAX = 10
"""Largest denominator of a share that is told to a marker: more cannot be counted in the head."""

CLASSES_MIN = 3
"""Fewest classes with trees through which a quotient is fitted: a line through two always fits."""

STOCKING: Mapping[str, tuple[frozenset[str], tuple[float, float, float]]] = MappingProxyType(
    {
        "sugar maple": (frozenset({"sugar maple"}), (-0.003082, 0.006272, 0.00469)),
        "black walnut": (frozenset({"black walnut"}), (0.01646, 0.01347, 0.002757)),
        "cottonwood and silver maple": (
            frozenset({"eastern cottonwood", "silver maple"}),
            (-0.0685724, 0.0010125, 0.0023656),
        ),
    }
)
"""Species and b0, b1, b2 of the stands whose percent stocking is published [5]_."""

PURE_SHARE = 0.8
"""Of the basal area, from which a stand is called one of its species (common practice)."""


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


def relative_density(trees_per_ha: float, basal_area_m2_ha: float) -> float:
    """Basal area [ft2/acre] over the root of the QMD [in], by Curtis; NaN without trees."""
    mean_in = float(quadratic_mean_diameter_cm(basal_area_m2_ha, trees_per_ha)) / INCH_CM
    return basal_area_m2_ha / BASAL_AREA_M2_HA["ft2/acre"] / math.sqrt(mean_in)


def stocking_type(shares: Mapping[str, float]) -> str:
    """Type of `STOCKING` whose species have 80 % of the basal area and more; else empty."""
    pure = (
        name
        for name, (species, _) in STOCKING.items()
        if sum(shares.get(one, 0.0) for one in species) >= PURE_SHARE
    )
    return next(pure, "")


def percent_stocking(trees_per_ha: float, basal_area_m2_ha: float, name: str) -> float:
    """Percent stocking of a stand of a type of `STOCKING`; NaN without a type or trees."""
    if not name:
        return math.nan
    mean_in = float(quadratic_mean_diameter_cm(basal_area_m2_ha, trees_per_ha)) / INCH_CM
    constant, linear, square = STOCKING[name][1]
    of_tree = constant + linear * (-0.259 + 0.973 * mean_in) + square * mean_in**2
    return trees_per_ha * ACRE_M2 / HECTARE_M2 * of_tree


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
