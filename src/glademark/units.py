"""
Units of the trade: text with a unit in, SI out, and back for showing.

Inside the package everything is metres, square metres, cubic metres, centimetres of diameter and
shares from 0 to 1. The user's units live at the two edges only: here is where they are taken off
and put on.

References
----------
.. [1] International Yard and Pound Agreement of 1959: 1 ft = 0.3048 m exactly; 1 in = 2.54 cm
       exactly.
.. [2] NIST Special Publication 811 (2008), appendix B: acre, chain, short ton. Read in a
       restatement; the acre here is the international one, 43,560 ft2 = 4,046.8564224 m2.
"""

import math
import re
from collections.abc import Iterable, Mapping
from types import MappingProxyType

from glademark.errors import UnitError

FOOT_M = 0.3048
INCH_CM = 2.54
ACRE_M2 = 43560 * FOOT_M**2
HECTARE_M2 = 10_000.0
CUBIC_FOOT_M3 = FOOT_M**3

LENGTH_M: Mapping[str, float] = MappingProxyType(
    {
        "m": 1.0,
        "cm": 0.01,
        "mm": 0.001,
        "km": 1000.0,
        "ft": FOOT_M,
        "in": FOOT_M / 12,
        "yd": 3 * FOOT_M,
        "chain": 66 * FOOT_M,
        "mi": 5280 * FOOT_M,
    }
)
AREA_M2: Mapping[str, float] = MappingProxyType(
    {"m2": 1.0, "ha": HECTARE_M2, "acre": ACRE_M2, "ft2": FOOT_M**2}
)
WOUND_AREA_M2: Mapping[str, float] = MappingProxyType(
    {"cm2": 1e-4, "in2": (INCH_CM / 100) ** 2, "ft2": FOOT_M**2, "m2": 1.0}
)
SHOWN_LENGTH_M: Mapping[str, float] = MappingProxyType({"us": FOOT_M, "metric": 1.0})
"""The unit in which heights and distances are shown, by the project's units [m]."""

SOLID_M3: Mapping[str, float] = MappingProxyType({"m3": 1.0, "ft3": CUBIC_FOOT_M3})
BASAL_AREA_M2_HA: Mapping[str, float] = MappingProxyType(
    {"m2/ha": 1.0, "ft2/acre": FOOT_M**2 / (ACRE_M2 / HECTARE_M2)}
)
TREES_PER_HA: Mapping[str, float] = MappingProxyType(
    {"per ha": 1.0, "per acre": HECTARE_M2 / ACRE_M2}
)
LENGTH_PER_AREA_M_HA: Mapping[str, float] = MappingProxyType(
    {"m/ha": 1.0, "ft/acre": FOOT_M / (ACRE_M2 / HECTARE_M2)}
)

COMPASS = (
    "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE",
    "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW",
)  # fmt: skip
"""Sixteen directions, 22.5 degrees apart, from north over east."""

_SPELLINGS: Mapping[str, str] = MappingProxyType(
    {
        "metre": "m", "metres": "m", "meter": "m", "meters": "m",
        "centimetre": "cm", "centimetres": "cm", "centimeter": "cm", "centimeters": "cm",
        "millimetre": "mm", "millimetres": "mm", "millimeter": "mm", "millimeters": "mm",
        "kilometre": "km", "kilometres": "km", "kilometer": "km", "kilometers": "km",
        "foot": "ft", "feet": "ft", "'": "ft",
        "inch": "in", "inches": "in", '"': "in",
        "yard": "yd", "yards": "yd", "chains": "chain", "ch": "chain", "mile": "mi", "miles": "mi",
        "acres": "acre", "ac": "acre", "hectare": "ha", "hectares": "ha",
        "m²": "m2", "m^2": "m2", "sq m": "m2", "ft²": "ft2", "ft^2": "ft2", "sq ft": "ft2",
        "m³": "m3", "m^3": "m3", "ft³": "ft3", "ft^3": "ft3", "cu ft": "ft3",
        "m²/ha": "m2/ha", "m^2/ha": "m2/ha",
        "ft2/ac": "ft2/acre", "ft²/ac": "ft2/acre", "ft²/acre": "ft2/acre",
        "ft/ac": "ft/acre", "per ac": "per acre", "per hectare": "per ha",
        "board foot": "board foot", "board feet": "board foot", "bf": "board foot",
        "bd ft": "board foot",
        "mbf": "MBF", "thousand board feet": "MBF", "cords": "cord",
        "green tons": "green ton", "percent": "%",
    }
)  # fmt: skip
QUANTITY_MAX = 200
"""Longest text of a quantity [characters]."""
VOLUME_HEADINGS: Mapping[str, str] = MappingProxyType(
    {
        "bf": "board foot", "bdft": "board foot", "boardfeet": "board foot",
        "boardfoot": "board foot", "mbf": "MBF", "m3": "m3", "cum": "m3", "cbm": "m3",
        "ft3": "ft3", "cuft": "ft3", "cf": "ft3", "cord": "cord", "cords": "cord", "cd": "cord",
        "greenton": "green ton", "greentons": "green ton",
    }
)  # fmt: skip
"""Sale units as they stand in headings, in lower case without gaps."""

_QUANTITY = re.compile(
    r"\s*([-+]?(?:\d+(?:[ _,]\d{3})*|\d*)(?:\.\d+)?(?:[eE][-+]?\d+)?)\s*(.*?)\s*"
)

_ONE_COMMA = re.compile(r"\s*([-+]?\d+),(\d+)(?![\d.,])")

_NUMBER = r"[-+]?(?:\d+(?:[ _]\d{3})*(?:\.\d+)?|\.\d+)(?:[eE][-+]?\d+)?"


def quantity_pattern(units: Iterable[str]) -> str:
    """Regular expression of a number with one of some units, in every spelling that is read."""
    known = set(units)
    spelt = [word for word, unit in _SPELLINGS.items() if unit in known]
    words = [*sorted(known), *map(_in_any_case, spelt)]
    return rf"{_NUMBER}\s*(?:{'|'.join(words)})"


def words_pattern(words: Iterable[str]) -> str:
    """Regular expression of one of some words, in small and capital letters."""
    return "|".join(map(_in_any_case, words))


def _in_any_case(words: str) -> str:
    """Words in small and capital letters, with any blanks between them."""
    return r"\s+".join("".join(map(_letter, word)) for word in words.split())


def _letter(sign: str) -> str:
    """One sign in both cases; others as they are."""
    return f"[{sign.lower()}{sign.upper()}]" if sign.isalpha() else re.escape(sign)


def unit_name(text: str) -> str:
    """
    Standard spelling of a unit.

    Examples
    --------
    >>> unit_name("Acres"), unit_name("feet"), unit_name("board feet")
    ('acre', 'ft', 'board foot')
    """
    plain = " ".join(text.split())
    return _SPELLINGS.get(plain.casefold(), plain)


def split_quantity(text: str) -> tuple[float, str]:
    """
    Number and unit of a text such as ``14 ft``.

    In standard spelling; empty where none is written.

    Examples
    --------
    >>> split_quantity("1250 feet")
    (1250.0, 'ft')
    """
    _check_comma(text[:QUANTITY_MAX])
    found = _QUANTITY.fullmatch(text) if len(text) <= QUANTITY_MAX else None
    digits = re.sub(r"[ _,]", "", found[1]) if found else ""
    try:
        number = float(digits)
    except ValueError:
        number = math.nan
    if found is None or not math.isfinite(number):
        msg = (
            f"{text[:QUANTITY_MAX]!r} is no quantity; expected a number and its unit, as in '14 ft'"
        )
        raise UnitError(msg)
    return number, unit_name(found[2])


def _check_comma(text: str) -> None:
    """Refuse a comma that may be a decimal point: 0,125 ha would be read as 125 ha."""
    found = _ONE_COMMA.match(text)
    if found is None:
        return
    whole, after = found[1], found[2]
    point, rest = f"{whole}.{after}", text[found.end() :]
    if len(after) == 3 and whole.lstrip("+-0"):  # noqa: PLR2004 - digits of thousands
        msg = (
            f"{text!r} may be {whole}{after} or {point}; expected a number without a comma. "
            f"Write '{whole}{after}{rest}' or '{point}{rest}'"
        )
    else:
        msg = f"{text!r} has a decimal comma; expected a decimal point. Write '{point}{rest}'"
    raise UnitError(msg)


def to_si(text: str, factors: Mapping[str, float]) -> float:
    """
    Value of a quantity in the SI unit of its kind.

    Examples
    --------
    >>> to_si("10 ft", LENGTH_M)
    3.048
    """
    number, unit = split_quantity(text)
    if unit not in factors:
        given = f"the unit {unit!r}" if unit else "no unit"
        msg = f"{text!r} has {given}; expected one of {', '.join(factors)}"
        raise UnitError(msg)
    return number * factors[unit]


def share(text: str) -> float:
    """
    Share from 0 to 1 of a percentage.

    Examples
    --------
    >>> share("35 %")
    0.35
    """
    number, unit = split_quantity(text)
    if unit != "%":
        msg = f"{text!r} has no per cent sign; expected a share such as '35 %'"
        raise UnitError(msg)
    if not 0 <= number <= 100:  # noqa: PLR2004 - the whole, in per cent
        msg = f"{text!r} is outside 0 to 100 %"
        raise UnitError(msg)
    return number / 100


def bearing(text: str) -> float:
    """
    Bearing of a direction.

    Examples
    --------
    >>> bearing("WSW"), bearing("270 deg")
    (247.5, 270.0)
    """
    name = text.strip().upper()
    if name in COMPASS:
        return COMPASS.index(name) * 360 / len(COMPASS)
    if not any(letter.isdigit() for letter in text):
        msg = f"{text!r} is no direction; expected one such as 'W', 'WSW' or '270 deg'"
        raise UnitError(msg)
    number, unit = split_quantity(text)
    if unit not in {"deg", "degrees", "degree"}:
        msg = f"{text!r} has no unit deg; expected a direction such as 'W' or '270 deg'"
        raise UnitError(msg)
    if not 0 <= number <= 360:  # noqa: PLR2004 - the whole turn, in degrees
        msg = f"{text!r} is outside 0 to 360 deg"
        raise UnitError(msg)
    return number % 360
