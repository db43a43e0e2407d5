"""
How numbers are shown to people: in the user's units, with the digits that the field can use.

Files keep unrounded SI numbers; what is shown here is for reading only. Texts are plain ASCII.
"""

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

from glademark.contracts.layers import Units
from glademark.units import ACRE_M2, CUBIC_FOOT_M3, FOOT_M, HECTARE_M2, INCH_CM

MISSING = "-"
"""What stands where there is no number."""

AT_LEAST, AT_MOST = "at least", "at most"
"""What stands before a sum that leaves out something, and before what is left of it."""

_SHARE = ("%", 0.01)
_SHOWN: Mapping[Units, Mapping[str, tuple[str, float]]] = MappingProxyType(
    {
        "us": {
            "m2": ("acre", ACRE_M2),
            "m": ("ft", FOOT_M),
            "cm": ("in", INCH_CM),
            "m3": ("ft3", CUBIC_FOOT_M3),
            "m2/ha": ("ft2/acre", FOOT_M**2 * HECTARE_M2 / ACRE_M2),
            "m/ha": ("ft/acre", FOOT_M * HECTARE_M2 / ACRE_M2),
            "1/ha": ("1/acre", HECTARE_M2 / ACRE_M2),
            "trees/ha": ("trees/acre", HECTARE_M2 / ACRE_M2),
            "m3/ha": ("ft3/acre", CUBIC_FOOT_M3 * HECTARE_M2 / ACRE_M2),
            "share": _SHARE,
        },
        "metric": {"m2": ("ha", HECTARE_M2), "share": _SHARE},
    }
)
_SMALL_AREA: Mapping[Units, tuple[str, float]] = MappingProxyType(
    {"us": ("ft2", FOOT_M**2), "metric": ("m2", 1.0)}
)
_DECIMALS: Mapping[str, int] = MappingProxyType(
    {
        "acre": 2, "ha": 2, "ft2": 0, "m2": 0, "ft": 1, "m": 1, "in": 1, "cm": 1, "%": 1,
        "board foot": 0, "MBF": 2, "cord": 1, "m3": 1, "ft3": 0, "green ton": 1, "trees": 0,
        "crossings": 0, "sides": 0, "trees/acre": 1, "trees/ha": 0,
        "ft/acre": 0, "m/ha": 1, "ft2/acre": 0, "m2/ha": 1, "1/acre": 1, "1/ha": 0,
        "ft3/acre": 0, "m3/ha": 1,
    }
)  # fmt: skip
_PLURALS: Mapping[str, str] = MappingProxyType(
    {"board foot": "board feet", "cord": "cords", "green ton": "green tons", "acre": "acres"}
)
_UNKNOWN_DECIMALS = 2
_MOST_DECIMALS = 6  # beyond it two numbers are equal to anyone who reads them
_SMALL = 0.01  # acre or ha below which the small unit of area says more
_LARGE = 100  # from here on a length needs no decimal


def shown_unit(unit: str, units: Units) -> tuple[str, float]:
    """
    Unit in which a number is shown, and how many SI units it holds.

    Examples
    --------
    >>> shown_unit("m", "us"), shown_unit("cord", "us")
    (('ft', 0.3048), ('cord', 1.0))
    """
    return _SHOWN[units].get(unit, (unit, 1.0))


def show_number(number: float | None, decimals: int) -> str:
    """
    A number with thousands separated.

    Parameters
    ----------
    number
        Any; None and NaN stand for none.

    Examples
    --------
    >>> show_number(12345.678, 1), show_number(None, 1)
    ('12,345.7', '-')
    """
    value = _number(number)
    if math.isnan(value):
        return MISSING
    rounded = round(value, decimals)
    return f"{rounded + 0.0:,.{decimals}f}"


def heading_unit(unit: str) -> str:
    """
    A unit as a heading has it.

    Examples
    --------
    >>> heading_unit("board foot"), heading_unit("MBF")
    ('board feet', 'MBF')
    """
    return _PLURALS.get(unit, unit)


def show(number: float | None, unit: str, units: Units) -> str:
    """
    A quantity with its unit.

    Parameters
    ----------
    number
        In `unit`; None and NaN stand for none.

    Examples
    --------
    >>> show(1861.55, "m2", "us"), show(1861.55, "m2", "metric"), show(0.0678, "share", "us")
    ('0.46 acre', '0.19 ha', '6.8 %')
    """
    value = _number(number)
    if math.isnan(value):
        return MISSING
    name, size = _fitting_unit(value, unit, units)
    shown = value / size
    return _with_unit(shown, name, _decimals(shown, name))


def show_against(
    measured: float | None, limit: float | None, unit: str, units: Units
) -> tuple[str, str]:
    """
    A measured quantity and its limit, with enough digits to tell them apart.

    Examples
    --------
    >>> show_against(2024.2, 2023.43, "m2", "us")
    ('0.5002 acre', '0.5000 acre')
    """
    first, second = show_in_one_unit((measured, limit), unit, units)
    return first, second


def show_in_one_unit(numbers: Sequence[float | None], unit: str, units: Units) -> tuple[str, ...]:
    """
    Quantities that stand side by side, with enough digits to tell them apart.

    Examples
    --------
    >>> show_in_one_unit((230.0, 100.0, 79.2), "m2", "metric")
    ('0.023 ha', '0.010 ha', '0.008 ha')
    """
    values = [_number(number) for number in numbers]
    known = [value for value in values if not math.isnan(value)]
    if not known:
        return (MISSING,) * len(values)
    name, size = _fitting_unit(max(known, key=abs), unit, units)
    decimals = _telling_decimals([value / size for value in known], name)
    return tuple(
        MISSING if math.isnan(value) else _with_unit(value / size, name, decimals)
        for value in values
    )


def show_area(area_m2: float | None, units: Units) -> str:
    """
    An area [m2] in acres or hectares; a very small one in square feet or square metres.

    Examples
    --------
    >>> show_area(10_000, "metric"), show_area(30, "us")
    ('1.00 ha', '323 ft2')
    """
    return show(area_m2, "m2", units)


def show_length(length_m: float | None, units: Units) -> str:
    """
    A length [m] in feet or metres.

    Examples
    --------
    >>> show_length(30.48, "us"), show_length(4, "metric")
    ('100 ft', '4.0 m')
    """
    return show(length_m, "m", units)


def show_diameter(diameter_cm: float | None, units: Units) -> str:
    """
    A stem diameter [cm] in inches or centimetres.

    Examples
    --------
    >>> show_diameter(25.4, "us")
    '10.0 in'
    """
    return show(diameter_cm, "cm", units)


def show_share(share: float | None) -> str:
    """
    A share from 0 to 1 in per cent.

    Examples
    --------
    >>> show_share(0.06752)
    '6.8 %'
    """
    return show(share, "share", "us")


def show_volume(volume: float | None, unit: str) -> str:
    """
    A volume in its sale unit.

    Examples
    --------
    >>> show_volume(18250.4, "board foot"), show_volume(12.44, "cord"), show_volume(1, "cord")
    ('18,250 board feet', '12.4 cords', '1.0 cord')
    """
    value = _number(volume)
    return MISSING if math.isnan(value) else _with_unit(value, unit, sale_decimals(unit))


def show_sum(
    amount: float | None, unit: str, *, trees: int, trees_without: int, parts_without: int = 0
) -> str:
    """
    A volume in its sale unit that may leave out trees, or parts of trees of other products.

    Examples
    --------
    >>> show_sum(37.04, "green ton", trees=187, trees_without=36)
    'at least 37.0 green tons; 36 of 187 trees without a volume'
    >>> show_sum(None, "", trees=36, trees_without=36)
    'not computed; 36 of 36 trees without a volume'
    """
    value = _number(amount)
    text = "not computed" if math.isnan(value) else show_volume(value, unit)
    without = trees_without + parts_without
    if not without:
        return text
    least = "" if math.isnan(value) else f"{AT_LEAST} "
    return f"{least}{text}; {without:,} of {trees + parts_without:,} trees without a volume"


def end_words(row: Mapping[Any, Any], column: str, text: str) -> str:
    """A figure of the allowance, said to be a least or a most where marked trees have no amount."""
    if text == MISSING or not int(str(row.get("trees_without", 0))):
        return text
    ends = {"marked": AT_LEAST, "share": AT_LEAST, "remaining": AT_MOST}
    end = ends.get(column.split("_", maxsplit=1)[0], "")
    return f"{end} {text}" if end else text


def sale_decimals(unit: str) -> int:
    """
    Decimals that an amount is shown with.

    Examples
    --------
    >>> sale_decimals("board foot"), sale_decimals("MBF")
    (0, 2)
    """
    return _DECIMALS.get(unit, _UNKNOWN_DECIMALS)


def basal_area_unit(units: Units) -> tuple[str, float]:
    """
    Unit of a stem cross-section and how many square metres it holds.

    Examples
    --------
    >>> basal_area_unit("metric")
    ('m2', 1.0)
    """
    return _SMALL_AREA[units]


def _fitting_unit(number: float, unit: str, units: Units) -> tuple[str, float]:
    """Unit shown: the small unit of area where the large one would be nearly nothing."""
    name, size = shown_unit(unit, units)
    if unit == "m2" and 0 < abs(number) < _SMALL * size:
        return _SMALL_AREA[units]
    return name, size


def _decimals(shown: float, name: str) -> int:
    """Decimals of a number in its shown unit; fewer where it is large."""
    decimals = _DECIMALS.get(name, _UNKNOWN_DECIMALS)
    if name in {"ft", "m", "acre", "ha"} and abs(shown) >= _LARGE:
        return decimals - 1
    return decimals


def _telling_decimals(shown: list[float], name: str) -> int:
    """Decimals that keep different numbers different."""
    decimals = max(_decimals(number, name) for number in shown)
    while len({round(number, decimals) for number in shown}) < len(set(shown)):
        if decimals == _MOST_DECIMALS:
            break
        decimals += 1
    return decimals


def _with_unit(shown: float, name: str, decimals: int) -> str:
    """A number with its unit: singular up to one, plural for none and more."""
    single = 0 < abs(round(shown, decimals)) <= 1
    return f"{show_number(shown, decimals)} {name if single else heading_unit(name)}"


def _number(value: float | None) -> float:
    """A number as it is, NaN for none."""
    return math.nan if value is None else float(value)
