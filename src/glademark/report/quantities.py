"""
How numbers and columns are shown to people: in the user's units, with the digits the field can use.

Files keep unrounded SI numbers; what is shown here is for reading only. Texts are plain ASCII. A
layer is written with its declared columns in the user's units, and what stands beside them.
"""

import math
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.contracts.layers import Column, Kind, Layer, Units, present, shown_beside
from glademark.contracts.result_tables import CHECKS
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

_TAKEN = ("fid", "geom", "geometry", "ogc_fid", "rowid", "oid", "_rowid_")
"""Names that a GeoPackage or SQLite keeps for itself."""

_SHOWN_NUMBERS = ("measured", "limit_value", "margin")


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


def _shown(name: str, title: str) -> Column:
    return Column(name=name, kind="real", title=title, meaning="In the unit shown of the row.")


CHECKS_SHOWN = replace(
    CHECKS,
    columns=(
        *CHECKS.columns,
        _shown("measured_shown", "Measured, as shown"),
        _shown("limit_shown", "Limit, as shown"),
        _shown("margin_shown", "Margin, as shown"),
        Column(
            name="unit_shown",
            kind="text",
            title="Unit shown",
            meaning="Unit of the project's choice for the numbers as shown.",
        ),
    ),
)
"""`CHECKS` with its numbers in the user's units as well."""


def beside(column: Column, units: Units) -> Column | None:
    """
    The column in the user's units that stands beside an SI column.

    Examples
    --------
    >>> from glademark.contracts.layers import STAND
    >>> beside(STAND.columns[1], "metric").name
    'area_ha'
    """
    found = shown_beside(column, units)
    if found is None:
        return None
    name, _ = found
    return replace(column, name=name, unit=name.rsplit("_", 1)[1])


def written_columns(layer: Layer, units: Units) -> tuple[Column, ...]:
    """The columns that a layer is written with."""
    pairs = ((column, beside(column, units)) for column in layer.columns)
    return tuple(column for pair in pairs for column in pair if column is not None)


def written_frame(frame: pd.DataFrame, layer: Layer, units: Units) -> pd.DataFrame:
    """
    The declared columns of a layer, with the user's units beside them, each of its declared kind.

    Returns
    -------
    table
        `written_columns` on the index of `frame`: text as ``string``, integer as ``Int64``, flag as
        ``boolean`` with missing values, real as ``float64`` with NaN for missing and infinite.
    """
    return pd.DataFrame(written_values(frame, layer, units), index=frame.index)


def written_values(frame: pd.DataFrame, layer: Layer, units: Units) -> dict[str, Any]:
    """The columns of `written_frame` as arrays."""
    values: dict[str, Any] = {}
    for column in present(layer, frame.columns).columns:
        values[column.name] = of_kind(frame[column.name], column.kind)
        if (found := shown_beside(column, units)) is not None:
            name, divisor = found
            values[name] = values[column.name] / divisor
    return values


def with_shown_units(checks: pd.DataFrame, units: Units) -> pd.DataFrame:
    """Checked limits with their numbers in the user's units as well."""
    shown = {unit: shown_unit(str(unit), units) for unit in checks["unit"].unique()}
    size = checks["unit"].map({unit: size for unit, (_, size) in shown.items()}).astype(float)
    numbers = {
        f"{name.removesuffix('_value')}_shown": of_kind(checks[name], "real") / size
        for name in _SHOWN_NUMBERS
    }
    names = checks["unit"].map({unit: name for unit, (name, _) in shown.items()})
    return checks.assign(**numbers, unit_shown=names)


def names_brought_along(frame: pd.DataFrame, layer: Layer, units: Units) -> dict[str, Any]:
    """Names of the columns beside the declared ones: as written, and as they came."""
    names = [name for name in frame.columns if _is_extra(frame, name, layer)]
    taken = {*_TAKEN, *(column.name.casefold() for column in written_columns(layer, units))}
    renamed = _free_names([plain_name(str(name)) for name in names], taken)
    return dict(zip(renamed, names, strict=True))


def plain_name(name: str) -> str:
    """
    A column's name in lower case, digits and underscores.

    Examples
    --------
    >>> plain_name("Höhe (m)"), plain_name("2nd log"), plain_name("№")
    ('hohe_m', 'column_2nd_log', 'no')
    """
    letters = unicodedata.normalize("NFKD", name).casefold()
    letters = "".join(sign for sign in letters if not unicodedata.combining(sign))
    plain = re.sub("[^a-z0-9]+", "_", letters).strip("_")
    return plain if plain[:1].isalpha() else f"column_{plain}".rstrip("_")


def kind_of(values: pd.Series) -> Kind:
    """
    Kind of the values of an undeclared column.

    Examples
    --------
    >>> kind_of(pd.Series(["a"])), kind_of(pd.Series([1]))
    ('text', 'integer')
    """
    kinds = pd.api.types
    if kinds.is_bool_dtype(values.dtype):
        return "flag"
    if kinds.is_integer_dtype(values.dtype):
        return "integer"
    return "real" if kinds.is_float_dtype(values.dtype) else "text"


def _is_extra(frame: pd.DataFrame, name: object, layer: Layer) -> bool:
    """Whether a column is neither declared, nor the number of the stand, nor the geometry."""
    known = name in layer.names or name == STAND
    return not known and str(frame[name].dtype) != "geometry"


def _free_names(names: Iterable[str], taken: set[str]) -> list[str]:
    """Names in order, each made unlike those taken and those before it."""
    used = set(taken)
    free = []
    for name in names:
        new, number = name, 1
        while new in used:
            new = f"{name}_recorded{'' if number == 1 else number}"
            number += 1
        used.add(new)
        free.append(new)
    return free


def of_kind(values: pd.Series, kind: Kind) -> Any:  # noqa: ANN401 - arrays of four types
    """Values of a column in the type of its kind: an array, which costs a third of a Series."""
    if kind == "text":
        return values.array.astype("string")
    if kind == "flag":
        return values.array.astype("boolean")
    if values.dtype.kind not in "iuf":
        values = pd.to_numeric(values)
    if kind == "integer":
        return values.array.astype("Float64").astype("Int64")
    numbers = values.to_numpy(dtype="float64", na_value=np.nan)
    return np.where(np.isinf(numbers), np.nan, numbers)
