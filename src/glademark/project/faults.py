"""
Plain sentences about a project file that does not fit the model.

Each says the file, the key as it stands in it, what is wrong, what was expected, and the mend.
"""

from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from types import MappingProxyType
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from glademark.project.model import LimitSetting, Project, Source, VolumeSettings

__all__ = ["fault_sentences", "key_in_words"]

_SHOWN = 80  # characters of a value
_NEAR = 0.6  # likeness of a misspelt key

_UNITS = ("_m2_ha", "m2/ha"), ("_m2", "m2"), ("_m3", "m3"), ("_cm", "cm"), ("_m", "m")

_EXPECTED: Mapping[str, str] = MappingProxyType(
    {
        "string_type": "text in quotes",
        "path_type": "a path in quotes",
        "bool_type": "true or false",
        "bool_parsing": "true or false",
        "int_type": "a whole number",
        "int_parsing": "a whole number",
        "int_from_float": "a whole number",
        "float_type": "a number",
        "float_parsing": "a number",
        "finite_number": "a finite number",
        "mapping_type": "a table",
        "dict_type": "a table",
        "model_type": "a table",
        "too_short": "at least one file",
    }
)
_BOUNDS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "greater_than": ("gt", "more than"),
        "greater_than_equal": ("ge", "at least"),
        "less_than": ("lt", "less than"),
        "less_than_equal": ("le", "at most"),
        "too_long": ("max_length", "a number of entries of at most"),
    }
)
_OF_FIELD: Mapping[tuple[type[BaseModel], str], str] = MappingProxyType(
    {
        (VolumeSettings, "size_classes"): "a rising list of numbers, or a width such as '2 in'",
    }
)
_LIMIT_EXAMPLES = MappingProxyType(
    {"share": "10 %", "slope": "30 %", "grade": "30 %", "area": "0.5 acre", "": "40 ft"}
)
"""Text of a limit by a word in its name."""
_SOURCE = "a path in quotes, or {file = '…', layer = '…', crs = '…'}"


def fault_sentences(
    error: ValidationError, asked: Mapping[str, Any], *, path: Path
) -> tuple[str, ...]:
    """One plain sentence for each fault."""
    sentences = (
        f"{path}{_key(fault, asked)}: {_sentence(fault, asked)}"
        for fault in error.errors(include_url=False)
    )
    return tuple(dict.fromkeys(sentences))


def key_in_words(key: str, *, is_table: bool) -> str:
    """
    Table and key, the way they stand in the file.

    Returns
    -------
    words
        Such as ``[marks.paint] pink``.

    Examples
    --------
    >>> key_in_words("marks.paint.pink", is_table=False)
    '[marks.paint] pink'
    >>> key_in_words("marks.paint", is_table=True)
    '[marks.paint]'
    """
    table, _, name = (key, "", "") if is_table else key.rpartition(".")
    return f"[{table}] {name}".strip() if table else name


def _written(fault: ErrorDetails, asked: Mapping[str, Any]) -> tuple[list[int | str], Any]:
    """Steps of the place that stand in the file, and what stands there."""
    found: Any = asked
    steps: list[int | str] = []
    for step in fault["loc"]:
        if isinstance(step, int) and not isinstance(found, list):
            continue  # the only item of a list that was written without brackets
        inside = isinstance(found, Mapping) and step in found
        listed = isinstance(found, list) and isinstance(step, int) and step < len(found)
        if not (inside or listed):
            break
        found = found[step]
        steps.append(step)
    return steps, found


def _key(fault: ErrorDetails, asked: Mapping[str, Any]) -> str:
    """Key as a user writes it, counted from one in lists."""
    steps, found = _written(fault, asked)
    in_table = fault["type"] in {"missing", "extra_forbidden"}
    if in_table:
        steps = steps[: len(fault["loc"]) - 1]
    words = [f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in steps]
    key = "".join(words).removeprefix(".")
    return f", {key_in_words(key, is_table=in_table or isinstance(found, Mapping))}" if key else ""


def _sentence(fault: ErrorDetails, asked: Mapping[str, Any]) -> str:
    """What is wrong, what was expected, what to do."""
    kind, name = fault["type"], str(fault["loc"][-1] if fault["loc"] else "")
    if kind == "missing":
        return f"{_named(fault)} is missing; it has no default. Add it."
    if kind == "extra_forbidden":
        known = list(_fields(_part_at(fault["loc"][:-1])))
        return f"{name!r} is unknown; {_nearest(name, known)}"
    if kind == "value_error":
        return f"{_own_words(fault)}. Correct the value."
    _, value = _written(fault, asked)
    return f"{_shown(value)} does not fit; expected {_expected(fault)}. Correct the value."


def _named(fault: ErrorDetails) -> str:
    """A missing table in brackets, a missing key in quotes."""
    loc = fault["loc"]
    return f"the table [{loc[0]}]" if len(loc) == 1 else f"{str(loc[-1])!r}"


def _nearest(name: str, known: Sequence[str]) -> str:
    """Nearest known name, or all of them."""
    near = get_close_matches(name.casefold(), known, n=1, cutoff=_NEAR)
    if near:
        return f"the nearest known key is {near[0]!r}. Correct it or take it out."
    return f"expected one of {', '.join(known)}. Correct it or take it out."


def _own_words(fault: ErrorDetails) -> str:
    """The model's own sentence, without its last full stop."""
    return str(fault.get("ctx", {}).get("error", fault["msg"])).removesuffix(".")


def _expected(fault: ErrorDetails) -> str:
    """What the field takes."""
    kind, context = fault["type"], fault.get("ctx", {})
    part, field = _owner(fault["loc"])
    if (part, field) == (LimitSetting, "value"):
        name = str(fault["loc"][1])
        example = next(text for word, text in _LIMIT_EXAMPLES.items() if word in name)
        return f"text with its unit, as in {example!r}, or one such text a product"
    if (part, field) in _OF_FIELD:
        return _OF_FIELD[part, field]
    if kind == "literal_error":
        return str(context["expected"])
    if kind in _BOUNDS:
        bound, words = _BOUNDS[kind]
        return f"{words} {context[bound]:g}{_unit(field)}"
    if kind == "model_type" and part is Source:
        return _SOURCE
    return _EXPECTED.get(kind, fault["msg"])


def _unit(field: str) -> str:
    """Unit that a field's name ends with."""
    return next((f" {unit}" for suffix, unit in _UNITS if field.endswith(suffix)), "")


def _shown(value: object) -> str:
    """The value as it was written, cut to a readable length."""
    text = repr(value)
    return text if len(text) <= _SHOWN else f"{text[: _SHOWN - 1]}…"


def _fields(part: type[BaseModel]) -> dict[str, tuple[str, FieldInfo]]:
    """Fields of a part under their keys in the file."""
    return {field.alias or name: (name, field) for name, field in part.model_fields.items()}


def _parts_in(annotation: object) -> Iterator[type[BaseModel]]:
    """Parts that a field holds, by itself, in a list or under names."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _parts_in(inner)


def _part_at(steps: Sequence[int | str]) -> type[BaseModel]:
    """Part of the model that a place leads to; list positions and free names lead nowhere."""
    part: type[BaseModel] = Project
    for step in steps:
        _, field = _fields(part).get(str(step), ("", None))
        part = next(_parts_in(field.annotation), part) if field else part
    return part


def _owner(loc: Sequence[int | str]) -> tuple[type[BaseModel], str]:
    """Last part and field that a place names."""
    for end in range(len(loc), 0, -1):
        part = _part_at(loc[: end - 1])
        if str(loc[end - 1]) in _fields(part):
            inner = next(_parts_in(_fields(part)[str(loc[end - 1])][1].annotation), None)
            return (inner or part, _fields(part)[str(loc[end - 1])][0])
    return Project, ""
