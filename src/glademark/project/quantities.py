"""Quantities of a project file: text with a unit to a number in SI."""

from collections.abc import Mapping
from functools import partial
from typing import Annotated

from pydantic import Field

from glademark.project.text_values import Quantity, Text, stated_error_m
from glademark.units import (
    AREA_M2,
    BASAL_AREA_M2_HA,
    COMPASS,
    LENGTH_M,
    SOLID_M3,
    WOUND_AREA_M2,
    bearing,
    quantity_pattern,
    share,
    to_si,
    words_pattern,
)

_ERROR = words_pattern(["rmse", "cep", "ce90", "ce95", "nssda"])


def _quantity(factors: Mapping[str, float], unit: str, *examples: str) -> Quantity:
    """A quantity of one kind, whose defaults are shown in a unit."""
    return Quantity(
        read=partial(to_si, factors=factors),
        unit=unit,
        size=factors[unit],
        pattern=rf"^\s*{quantity_pattern(factors)}\s*$",
        examples=examples,
    )


Length = Annotated[float, _quantity(LENGTH_M, "m", "14 ft", "4 m")]
PositionError = Annotated[
    float,
    Quantity(
        read=stated_error_m,
        unit="m",
        pattern=rf"^\s*{quantity_pattern(LENGTH_M)}(?:\s*(?:{_ERROR}|9[05] ?%))?\s*$",
        examples=("4 m", "6.9 m 95 %", "3.3 m CEP"),
    ),
    Field(ge=0, le=200),
]
Area = Annotated[float, _quantity(AREA_M2, "acre", "0.5 acre", "0.2 ha")]
WoundArea = Annotated[float, _quantity(WOUND_AREA_M2, "in2", "15 in2", "100 cm2")]
Solid = Annotated[float, _quantity(SOLID_M3, "m3", "79 ft3", "2.2 m3")]
Share = Annotated[
    float,
    Quantity(
        read=share,
        unit="%",
        size=0.01,
        pattern=rf"^\s*{quantity_pattern(['%'])}\s*$",
        examples=("35 %",),
    ),
]
BasalAreaPerHectare = Annotated[
    float, _quantity(BASAL_AREA_M2_HA, "m2/ha", "60 ft2/acre", "14 m2/ha")
]
Bearing = Annotated[
    float,
    Quantity(
        read=bearing,
        unit="deg",
        pattern=rf"^\s*(?:{words_pattern(COMPASS)}|{quantity_pattern(['deg', 'degrees'])})\s*$",
        examples=("270 deg", "WSW"),
    ),
]
ClassWidth = Annotated[
    str, Text(pattern=rf"^\s*{quantity_pattern(['in', 'cm'])}\s*$", examples=("2 in", "5 cm"))
]

WORDS_MAX = 200
"""Most paints that a project file gives a meaning."""

DEFAULT_POSITION_ERROR_M = 4.0
