"""Text with a unit as numbers in SI, and tables of a project file as its schema tells of them."""

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType
from typing import Annotated, Any, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from glademark.units import (
    AREA_M2,
    BASAL_AREA_M2_HA,
    COMPASS,
    LENGTH_M,
    QUANTITY_MAX,
    SOLID_M3,
    WOUND_AREA_M2,
    bearing,
    quantity_pattern,
    share,
    to_si,
    words_pattern,
)

_BOUNDS = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Quantity:
    """Marks a number that is written as text with its unit."""

    read: Callable[[str], float]  # text to SI
    unit: str
    pattern: str  # regular expression of the whole text
    examples: tuple[str, ...]  # as people write it
    size: float = 1.0  # unit and size: unit in which a default is shown, and its size in SI

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Validator of the number behind the text."""
        return core_schema.no_info_before_validator_function(self._value, handler(source))

    def __get_pydantic_json_schema__(
        self, _: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """What a schema says of the text."""
        del handler
        words = " or ".join(repr(example) for example in self.examples)
        return {
            "type": "string",
            "pattern": self.pattern,
            "description": f"Text with its unit, as in {words}.",
            "examples": list(self.examples),
        }

    def _value(self, value: object) -> object:
        """Text to SI; NaN passes to be refused elsewhere, a bare number is refused."""
        if isinstance(value, str):
            return self.read(value)
        if isinstance(value, float) and math.isnan(value):
            return value
        example = self.examples[0]
        msg = f"{value!r} has no unit; expected text with a number and its unit, as in '{example}'"
        raise ValueError(msg)

    def written(self, value: float) -> str:
        """A value in SI as a project file would write it."""
        return f"{value / self.size:.12g} {self.unit}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Text:
    """Marks a text whose form another part of the package checks: for the schema only."""

    pattern: str
    examples: tuple[str, ...]

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """What a schema says of the text."""
        return {**handler(schema), "pattern": self.pattern, "examples": list(self.examples)}


class OneOrMore:
    """Marks a list that may be given as its only item."""

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Validator of a list."""
        return core_schema.no_info_before_validator_function(
            lambda value: value if isinstance(value, list | tuple) else [value], handler(source)
        )

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """The item, or a list with at least one."""
        several = {**handler(schema), "minItems": 1}
        return {"anyOf": [several["items"], several]}


class Part(BaseModel):
    """One table of the project file: frozen, and closed to keys that nobody reads."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=False)

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler, /
    ) -> JsonSchemaValue:
        """The table as it is written: no null, and text where text with a unit is meant."""
        found = handler(schema)
        table = handler.resolve_ref_schema(found)
        table["description"] = table.get("description", "").split("\n\n")[0]
        for name, field in cls.model_fields.items():
            key, marks = field.alias or name, list(_marks([*field.metadata, field.annotation]))
            plain = _without_null(table["properties"][key])
            quantity = next((one for one in marks if isinstance(one, Quantity)), None)
            table["properties"][key] = _in_words(plain, quantity, marks) if quantity else plain
        return found


def _marks(annotations: Iterable[Any]) -> Iterator[Any]:
    """All that annotations say of a type, however deep."""
    for one in annotations:
        yield one
        yield from _marks([*get_args(one), *getattr(one, "metadata", ())])


def _without_null(schema: Mapping[str, Any]) -> dict[str, Any]:
    """Schema of one key as TOML can hold it; the default of a table stands in the table."""
    plain = dict(schema)
    several = [*plain.pop("anyOf", ()), *plain.pop("allOf", ())]  # the latter around a reference
    choices = [one for one in several if one != {"type": "null"}]
    if len(choices) == 1:
        plain = {**choices[0], **plain}
    elif choices:
        plain["anyOf"] = choices
    if plain.get("default", "") is None or "$ref" in plain:
        plain.pop("default", None)
    return plain


def _in_words(schema: Mapping[str, Any], quantity: Quantity, marks: Sequence[Any]) -> Any:  # noqa: ANN401 - a schema
    """Schema of a text, or of a list or table of such, with bounds and defaults in words."""
    words = {key: value for key, value in schema.items() if key not in _BOUNDS}
    for inner in {"items", "additionalProperties"} & words.keys():
        words[inner] = _in_words(words[inner], quantity, marks)
    bounds = [
        f"{said} {quantity.written(getattr(mark, bound))}"
        for bound, said in _BOUNDS.items()
        for mark in marks
        if hasattr(mark, bound)
    ]
    if bounds and "description" in words:
        words["description"] = f"{words['description'].removesuffix('.')}; {', '.join(bounds)}."
    default = words.get("default")
    if isinstance(default, list | tuple):
        words["default"] = [quantity.written(value) for value in default]
    elif isinstance(default, int | float):
        words["default"] = quantity.written(default)
    return words


def bare_or_table(
    table: JsonSchemaValue,
    handler: GetJsonSchemaHandler,
    *bare: JsonSchemaValue,
    several: bool = False,
) -> JsonSchemaValue:
    """A table that may also be written as its one value, or as a list of such tables."""
    place = handler.resolve_ref_schema(table)
    whole = dict(place)
    place.clear()
    lists = [{"type": "array", "items": whole, "minItems": 1}] if several else []
    place.update(anyOf=[*bare, whole, *lists])
    return table


SHARE_HELD: Mapping[str, float] = MappingProxyType(
    {"rmse": 1 - math.exp(-1), "cep": 0.5, "ce90": 0.9, "ce95": 0.95}
)
"""Share of the fixes inside the circle whose radius is stated, by the name of the measure."""

_NAMES = {"95 %": "ce95", "95%": "ce95", "nssda": "ce95", "90 %": "ce90", "90%": "ce90"}
_STATED = re.compile(r"(.*?)\s*(rmse|cep|ce90|ce95|nssda|9[05] ?%)?\s*", re.IGNORECASE)


def stated_error_m(text: str) -> float:
    """
    Horizontal root mean square error behind a statement.

    Examples
    --------
    >>> stated_error_m("4 m"), round(stated_error_m("6.9233 m 95 %"), 3)
    (4.0, 4.0)
    """
    found = _STATED.fullmatch(text) if len(text) <= QUANTITY_MAX else None
    length, name = found.groups() if found else (text, None)
    measure = (name or "rmse").casefold()
    return to_si(length, LENGTH_M) * error_per_radius(_NAMES.get(measure, measure))


def error_per_radius(measure: str) -> float:
    """
    Root mean square error over the stated radius.

    Examples
    --------
    >>> round(error_per_radius("cep"), 4)
    1.2011
    """
    return 1 / math.sqrt(-math.log1p(-SHARE_HELD[measure]))


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
Diameter = Annotated[Length, AfterValidator(lambda metres: metres * 100)]
"""In centimetres."""
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
