"""
Board-foot content of a log by the log rules of the trade.

D is the diameter inside bark at the small end in inches, L the length in feet. A rule is not
stretched over a log longer than about 20 ft in one piece: scale long logs as two or more, as local
rules say.

References
----------
.. [1] Doyle 1825, as restated by Larsen, Forest Functions, University of Missouri.
.. [2] Bruce and Schumacher 1950, Forest Mensuration: Scribner formula, as restated in the same
       place.
.. [3] USDA Forest Service, Scribner Decimal C factors and exceptions, as read in a public
       source file of log volume routines.
.. [4] Michigan Compiled Laws 290.401: International 1/4-inch rule by 4-ft sections.
.. [5] Grosenbaugh 1952, Shortcuts for cruisers and scalers, Southern Forest Experiment Station:
       closed form of the same rule for any length. The cubic term is 0.000259; a restatement
       misprints it.
.. [6] Clark 1906, International 1/8-inch rule, as restated by Larsen, Forest Functions.
"""

import re
from collections.abc import Callable, Mapping
from functools import cache
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.errors import InputError
from glademark.forestry.packaged_data import numbers, packaged_table

__all__ = [
    "LOG_RULES",
    "LOG_RULE_TITLES",
    "doyle",
    "international_eighth",
    "international_quarter",
    "log_rule_named",
    "scale_logs",
    "scribner",
    "scribner_decimal_c",
]

_DOYLE_SLAB_IN = 4.0
_QUARTER_KERF_SHARE = 0.904762  # 19/21: what a 1/4-inch kerf leaves of the 1/8-inch scale
_INTERNATIONAL_STEP_BF = 5.0
_RULE_LETTERS = re.compile(r"[^a-z0-9]+")
_DECIMAL_C_LARGEST_IN = 60
_DECIMAL_C_LONGEST_FT = 40
_DECIMAL_C_SPECIAL_BF = 5.0
_DECIMAL_C_SPECIAL = ((6, 0, 9), (7, 4, 6), (8, 3, 4))  # D, shortest and longest whole feet


def doyle(diameter_in: ArrayLike, length_ft: ArrayLike) -> NDArray[np.float64]:
    """
    Doyle scale [board feet].

    Parameters
    ----------
    diameter_in
        Small-end diameter inside bark [in].
    length_ft
        Log length [ft].

    References
    ----------
    Doyle 1825, as restated by Larsen, Forest Functions.

    Examples
    --------
    >>> float(doyle(12, 16))
    64.0
    """
    diameter, length = _log(diameter_in, length_ft)
    return np.square(_at_least_zero(diameter - _DOYLE_SLAB_IN) / _DOYLE_SLAB_IN) * length


def scribner(diameter_in: ArrayLike, length_ft: ArrayLike) -> NDArray[np.float64]:
    """
    Scribner scale by formula [board feet]; not the Decimal C table.

    Parameters
    ----------
    diameter_in
        Small-end diameter inside bark [in].
    length_ft
        Log length [ft].

    References
    ----------
    Bruce and Schumacher 1950, as restated by Larsen, Forest Functions.

    Examples
    --------
    >>> float(scribner(10, 16).round(1))
    55.0
    """
    diameter, length = _log(diameter_in, length_ft)
    return _at_least_zero((0.79 * diameter**2 - 2 * diameter - 4) * length / 16)


def scribner_decimal_c(diameter_in: ArrayLike, length_ft: ArrayLike) -> NDArray[np.float64]:
    """
    Scribner Decimal C scale [board feet], from its published factors and exceptions.

    Parameters
    ----------
    diameter_in
        Small-end diameter inside bark [in]; rounded to the nearest inch, halves down (rules differ:
        some alternate them).
    length_ft
        Log length [ft]; cut to whole feet.

    Returns
    -------
    scale
        Tens of board feet, or 5 for the smallest logs; NaN outside 1 to 60 inches and 1 to 40 feet.

    References
    ----------
    USDA Forest Service factors and exceptions, as read in a public source file.

    Examples
    --------
    >>> scribner_decimal_c([6, 20], [8, 16]).tolist()
    [5.0, 280.0]
    """
    diameter, length = _log(diameter_in, length_ft)
    inches, feet = np.ceil(diameter - 0.5), np.floor(length)
    inside = (inches >= 1) & (inches <= _DECIMAL_C_LARGEST_IN)
    inside &= (feet >= 1) & (feet <= _DECIMAL_C_LONGEST_FT)
    row = np.where(inside, inches, 0).astype(np.int64)
    column = np.where(inside, feet, 0).astype(np.int64)
    return np.where(inside, _decimal_c_table()[row, column], np.nan)


def international_quarter(
    diameter_in: ArrayLike, length_ft: ArrayLike, *, rounded: bool = False
) -> NDArray[np.float64]:
    """
    International 1/4-inch scale [board feet].

    Parameters
    ----------
    diameter_in
        Small-end diameter inside bark [in].
    length_ft
        Log length [ft].

    References
    ----------
    Michigan Compiled Laws 290.401; Grosenbaugh 1952.

    Examples
    --------
    >>> float(international_quarter(12, 16, rounded=True))
    95.0
    """
    diameter, length = _log(diameter_in, length_ft)
    scale = _at_least_zero(
        0.049762 * length * diameter**2
        + 0.006220 * length**2 * diameter
        - 0.185476 * length * diameter
        + 0.000259 * length**3
        - 0.011592 * length**2
        + 0.042222 * length
    )
    if not rounded:
        return scale
    return np.floor(scale / _INTERNATIONAL_STEP_BF + 0.5) * _INTERNATIONAL_STEP_BF


def international_eighth(diameter_in: ArrayLike, length_ft: ArrayLike) -> NDArray[np.float64]:
    """
    International 1/8-inch scale [board feet].

    Parameters
    ----------
    diameter_in
        Small-end diameter inside bark [in].
    length_ft
        Log length [ft].

    References
    ----------
    Clark 1906, as restated by Larsen, Forest Functions.

    Examples
    --------
    >>> float(international_eighth(10, 16).round(1))  # 0.88 D^2 - 1.52 D - 1.36
    71.4
    """
    return international_quarter(diameter_in, length_ft) / _QUARTER_KERF_SHARE


LogRule = Callable[[ArrayLike, ArrayLike], NDArray[np.float64]]

LOG_RULES: Mapping[str, LogRule] = MappingProxyType(
    {
        "doyle": doyle,
        "scribner": scribner,
        "scribner-decimal-c": scribner_decimal_c,
        "international-1/4": international_quarter,
        "international-1/8": international_eighth,
    }
)
LOG_RULE_TITLES: Mapping[str, str] = MappingProxyType(
    {
        "doyle": "Doyle",
        "scribner": "Scribner formula",
        "scribner-decimal-c": "Scribner Decimal C",
        "international-1/4": "International 1/4-inch",
        "international-1/8": "International 1/8-inch",
    }
)


def log_rule_named(name: str) -> str:
    """Key of a log rule by its key or title in any case and with any spaces; else as given."""
    plain = _RULE_LETTERS.sub("", name.casefold())
    titles = {
        _RULE_LETTERS.sub("", title.casefold()): key for key, title in LOG_RULE_TITLES.items()
    }
    keys = {_RULE_LETTERS.sub("", key): key for key in LOG_RULE_TITLES}
    return {**titles, **keys}.get(plain, name)


def scale_logs(diameter_in: ArrayLike, length_ft: ArrayLike, *, rule: str) -> NDArray[np.float64]:
    """
    Scale of logs by a named rule [board feet].

    Parameters
    ----------
    diameter_in
        Small-end diameter inside bark [in].
    length_ft
        Log length [ft].

    Examples
    --------
    >>> float(scale_logs(12, 16, rule="doyle"))
    64.0
    """
    rule = log_rule_named(rule)
    if rule not in LOG_RULES:
        msg = f"log rule: {rule!r} is not known; expected one of {', '.join(LOG_RULES)}"
        raise InputError(msg)
    return LOG_RULES[rule](diameter_in, length_ft)


def _log(
    diameter_in: ArrayLike, length_ft: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Diameter and length as arrays of numbers."""
    return np.asarray(diameter_in, np.float64), np.asarray(length_ft, np.float64)


def _at_least_zero(scale: NDArray[np.float64]) -> NDArray[np.float64]:
    """A log too small for the rule scales nothing; NaN stays."""
    return np.maximum(scale, 0.0)


@cache
def _decimal_c_table() -> NDArray[np.float64]:
    """Board feet by whole inches (rows) and whole feet (columns)."""
    table = packaged_table("scribner_decimal_c")
    cells = [
        numbers(table[name]) for name in ("diameter_in", "length_from_ft", "length_to_ft", "value")
    ]
    is_factor = table["kind"] == "factor"
    feet = np.arange(_DECIMAL_C_LONGEST_FT + 1)
    factor = np.zeros((_DECIMAL_C_LARGEST_IN + 1, feet.size))
    exception = np.zeros_like(factor)
    for diameter, first, last, value, goes_by_length in zip(*cells, is_factor, strict=True):
        target = factor if goes_by_length else exception
        target[int(diameter), int(first) : int(last) + 1] = value
    scale = 10 * np.trunc((feet * factor + 5) / 10) + exception
    for inches, first, last in _DECIMAL_C_SPECIAL:
        scale[inches, first : last + 1] = _DECIMAL_C_SPECIAL_BF
    return scale
