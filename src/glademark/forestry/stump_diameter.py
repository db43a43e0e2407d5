"""
Diameter at breast height from the diameter of a stump, by species, from published equations.

A stump is wider than the tree was at breast height, the more so the lower it was cut.

References
----------
.. [1] Raile 1982, Estimating stump volume, USDA Forest Service Research Paper NC-224: the diameter
       at a height h [ft] below 4.5 ft is D + B D (4.5 - h) / (h + 1) outside bark and
       A D + B D (4.5 - h) / (h + 1) inside. Fitted to 23 species and genera of the Lake States.
"""

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.forestry.packaged_data import numbers, packaged_table
from glademark.units import FOOT_M

__all__ = ["BREAST_HEIGHT_M", "Bark", "breast_height_diameter_cm"]

Bark = Literal["outside", "inside"]

BREAST_HEIGHT_M = 4.5 * FOOT_M
"""Breast height of the equations, 4.5 ft [m]."""

_MIXED_HARDWOOD = 544  # green ash: stands for every species that is not known


def breast_height_diameter_cm(
    stump_cm: ArrayLike, *, species_code: ArrayLike, height_m: ArrayLike, bark: Bark = "outside"
) -> NDArray[np.float64]:
    """
    Diameter at breast height of the tree that a stump is left of [cm].

    Parameters
    ----------
    stump_cm
        Diameter of the stump [cm].
    species_code
        FIA species codes; 0 for an unknown species, which is taken for a mixed hardwood.
    height_m
        Above ground at which the stump was measured, taken as at most breast height [m].
    bark
        Whether the stump was measured ``outside`` or ``inside`` its bark; breast height is always
        outside.

    Returns
    -------
    dbh
        In cm; NaN where a diameter or height is missing.

    Examples
    --------
    >>> sugar_maple = breast_height_diameter_cm(36.36, species_code=318, height_m=0.3048)
    >>> round(float(sugar_maple), 2)  # a foot high: 36.36 / (1 + 0.12111 * 3.5 / 2)
    30.0
    """
    return np.asarray(stump_cm, np.float64) / _ratio(species_code, height_m, bark)


def _ratio(species_code: ArrayLike, height_m: ArrayLike, bark: Bark) -> NDArray[np.float64]:
    """Diameter of the stump over that at breast height."""
    table = _coefficients()
    codes = np.asarray(species_code, dtype=np.int64)
    at = np.minimum(np.searchsorted(table["code"], codes), len(table["code"]) - 1)
    unknown = int(np.searchsorted(table["code"], _MIXED_HARDWOOD))
    at = np.where(table["code"][at] == codes, at, unknown)
    height_ft = np.clip(np.asarray(height_m, np.float64), 0.0, BREAST_HEIGHT_M) / FOOT_M
    below = (BREAST_HEIGHT_M / FOOT_M - height_ft) / (height_ft + 1)
    if bark == "outside":
        return np.asarray(1 + table["dob_b"][at] * below)
    return np.asarray(table["dib_a"][at] + table["dib_b"][at] * below)


@cache
def _coefficients() -> Mapping[str, NDArray[np.float64]]:
    """Species codes in ascending order, and the coefficients beside them."""
    table = packaged_table("stump_diameter")
    columns = {name: numbers(table[name]) for name in ("dob_b", "dib_a", "dib_b")}
    return MappingProxyType({"code": table["species_code"].astype(np.int64), **columns})
