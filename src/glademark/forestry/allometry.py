"""
Diameters and crowns by species, from published equations: crown radius from DBH, DBH from a stump.

Stand-grown crown widths are the default, since a crown-edge test needs the crowns that a closed
stand has; open-grown widths are an upper bound. Where a fitted curve would turn down, the width is
held at its vertex. Diameters outside the equations' range, and species without an equation, give
NaN: the project then states a radius of its own.

A stump is wider than the tree was at breast height, the more so the lower it was cut [1]_.

References
----------
.. [1] Raile 1982, Estimating stump volume, USDA Forest Service Research Paper NC-224: the diameter
       at a height h [ft] below 4.5 ft is D + B D (4.5 - h) / (h + 1) outside bark and
       A D + B D (4.5 - h) / (h + 1) inside. Fitted to 23 species and genera of the Lake States.
"""

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.forestry.species import numbers, packaged_table
from glademark.units import FOOT_M, INCH_CM

__all__ = [
    "BREAST_HEIGHT_M",
    "Bark",
    "Crown",
    "WidthForm",
    "breast_height_diameter_cm",
    "crown_radius_m",
    "width_of_height_m",
]

Crown = Literal["stand_grown", "open_grown"]
WidthForm = Literal["combined", "deciduous", "pines", "power", "linear"]

_SAPLING_DBH_IN = (1.0, 2.0, 3.0, 4.0, 5.0)
_SAPLING_FACTOR = (
    0.509,
    0.644,
    0.767,
    0.885,
    1.0,
)  # share of the 5-inch width, averages of Bragg 2001
_SAPLING_SOURCE = "bragg_2001"
_CROWNS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    # in order: where two equations serve a tree, the later one speaks
    {
        "stand_grown": ("stand_grown", "stand_grown_large"),
        "open_grown": ("open_grown_genus", "open_grown"),
    }
)


def crown_radius_m(
    species_code: ArrayLike, dbh_cm: ArrayLike, *, crown: Crown = "stand_grown"
) -> tuple[NDArray[np.float64], NDArray[np.str_]]:
    """
    Crown radius of each tree [m], and the key of the equation that gave it.

    Half the largest crown width [m]; NaN for a species without an equation, a missing diameter, and
    a stand-grown tree under 1 inch (2.54 cm). Short key of the publication in the packaged sources;
    empty where the radius is NaN.

    Notes
    -----
    Stand-grown: width [ft] = b0 + b1 D + b2 D^2, D in inches from 5 up, held at the vertex -b1 / (2
    b2) where b2 is negative. From 1 to 5 inches the 5-inch width is multiplied by a factor,
    straight between whole inches. Conifers of the Pacific Northwest over 50 inches have an equation
    of their own. Open-grown: the power form a1 D^a2 [m, cm] of Russell and Weiskittel, else the
    quadratics of Paine and Hann, else the line of Krajicek and others for oaks and hickories (from
    memory).

    References
    ----------
    Bechtold 2003, 2004; Bragg 2001; Gill, Biging and Murphy 2000; Russell and Weiskittel 2011;
    Paine and Hann 1982; Krajicek, Brinkman and Gingrich 1961. In full: `crown_source`.

    Examples
    --------
    >>> radius, key = crown_radius_m([318, 0], [25.4, 25.4])
    >>> radius.round(3).tolist()  # sugar maple of 10 in: 9.96 + 1.05 * 10 = 20.46 ft wide
    [3.118, nan]
    >>> key.tolist()
    ['bechtold_2003', '']
    """
    code, diameter = np.broadcast_arrays(
        np.asarray(species_code, dtype=np.int64), np.asarray(dbh_cm, dtype=np.float64) / INCH_CM
    )
    radius = np.full(code.shape, np.nan)
    key = np.full(code.shape, "", dtype="<U64")
    smallest = _SAPLING_DBH_IN[0] if crown == "stand_grown" else 0.0
    for group in _CROWNS[crown]:
        codes, equation = _equations(group)
        at = np.minimum(np.searchsorted(codes, code), codes.size - 1)
        known = (codes[at] == code) & (diameter >= smallest) & (diameter > equation["over_in"][at])
        radius[known] = _width_m(equation, at[known], diameter[known]) / 2
        key[known] = equation["key"][at[known]]
    if crown == "stand_grown":
        sapling = np.isfinite(radius) & (diameter < _SAPLING_DBH_IN[-1])
        radius[sapling] *= np.interp(diameter[sapling], _SAPLING_DBH_IN, _SAPLING_FACTOR)
        key[sapling] = np.char.add(key[sapling], f"+{_SAPLING_SOURCE}")
    return radius, key


@cache
def _equations(group: str) -> tuple[NDArray[np.int64], Mapping[str, NDArray[Any]]]:
    """Species codes in ascending order, and the coefficients beside them."""
    table = packaged_table("crown_width")
    rows = np.flatnonzero(table["crown"] == group)
    rows = rows[np.argsort(table["species_code"][rows].astype(np.int64))]
    b0, b1, b2 = (numbers(table[name][rows]) for name in ("b0", "b1", "b2"))
    turning = b2 < 0
    vertex = np.divide(-b1, 2 * b2, out=np.full(b1.shape, np.inf), where=turning)
    return table["species_code"][rows].astype(np.int64), MappingProxyType(
        {
            "key": table["source"][rows],
            "is_power": table["form"][rows] == "power",
            "over_in": np.nan_to_num(numbers(table["over_in"][rows])),
            "floor_in": np.nan_to_num(numbers(table["floor_in"][rows])),
            "hold_in": np.fmin(numbers(table["hold_in"][rows]), vertex),
            "b0": b0,
            "b1": b1,
            "b2": b2,
        }
    )


def _width_m(
    equation: Mapping[str, NDArray[Any]], at: NDArray[np.intp], diameter_in: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Crown width of trees whose equation is row `at`."""
    b0, b1, b2 = (equation[name][at] for name in ("b0", "b1", "b2"))
    held = np.clip(diameter_in, equation["floor_in"][at], equation["hold_in"][at])
    quadratic = FOOT_M * (b0 + b1 * held + b2 * held**2)
    return np.where(equation["is_power"][at], b0 * (held * INCH_CM) ** b1, quadratic)


_PINES_VERTEX_M = 0.17919 / (2 * 0.01241)
"""Height below which the form of pines would widen again; its width is held there [m]."""


def width_of_height_m(height_m: ArrayLike, *, form: WidthForm) -> NDArray[np.float64]:
    """
    Width (not radius) of the crown that a height suggests, for windows over canopy heights [m].

    combined 2.51503 + 0.00901 h^2, deciduous 3.09632 + 0.00895 h^2, pines 3.75105 - 0.17919 h +
    0.01241 h^2 (Popescu and Wynne 2004; some restatements have the sign of pines wrong, which makes
    crowns of 20 m pines 12 m wide), power 1.7425 h^0.5566 (Chen and others 2006), linear
    1.2 + 0.16 h (Pitkanen and others 2004).
    """
    h = np.asarray(height_m, dtype=np.float64)
    if form == "power":
        return np.asarray(1.7425 * np.maximum(h, 0.0) ** 0.5566)
    if form == "pines":
        h = np.maximum(h, _PINES_VERTEX_M)
    constant, linear, square = _WIDTH_OF_HEIGHT[form]
    return np.asarray(constant + linear * h + square * h**2)


_WIDTH_OF_HEIGHT: Mapping[str, tuple[float, float, float]] = MappingProxyType(
    {
        "combined": (2.51503, 0.0, 0.00901),
        "deciduous": (3.09632, 0.0, 0.00895),
        "pines": (3.75105, -0.17919, 0.01241),
        "linear": (1.2, 0.16, 0.0),
    }
)


Bark = Literal["outside", "inside"]

BREAST_HEIGHT_M = 4.5 * FOOT_M
"""Breast height of the equations, 4.5 ft [m]."""

_MIXED_HARDWOOD = 544  # green ash: stands for every species that is not known


def breast_height_diameter_cm(
    stump_cm: ArrayLike, *, species_code: ArrayLike, height_m: ArrayLike, bark: Bark = "outside"
) -> NDArray[np.float64]:
    """
    Diameter at breast height of the tree that a stump is left of [cm].

    `species_code`: FIA species codes; 0 for an unknown species, which is taken for a mixed
    hardwood. `height_m`: above ground at which the stump was measured, taken as at most breast
    height [m]. In cm; NaN where a diameter or height is missing.

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
