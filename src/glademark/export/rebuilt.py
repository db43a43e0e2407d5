"""Values from their plain JSON form: models, dataclasses, mappings, tuples, paths and numbers."""

import dataclasses
import math
import types
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel


def rebuilt(kind: Any, value: Any) -> Any:  # noqa: ANN401 - any type, and what JSON has of it
    """
    A value of a type from what `report.json_values.json_value` made of it.

    Parameters
    ----------
    kind
        Type: a model, a dataclass, ``Mapping[str, ...]``, ``tuple[..., ...]``, a union of such,
        ``Path``, a number, text or flag.
    value
        Plain value. What a newer or older version wrote besides is passed over; what is missing
        takes the default of its field.

    Returns
    -------
    value
        Not checked again: it was when it was first made. None where a number was expected is NaN.

    Examples
    --------
    >>> rebuilt(tuple[float, ...], [1.5, None])
    (1.5, nan)
    """
    if get_origin(kind) is Annotated:
        return rebuilt(get_args(kind)[0], value)
    if get_origin(kind) in {Union, types.UnionType}:
        return _one_of(get_args(kind), value)
    if get_origin(kind) is tuple:
        return tuple(rebuilt(get_args(kind)[0], part) for part in value)
    if _is_mapping(kind):
        return {key: rebuilt(get_args(kind)[1], part) for key, part in value.items()}
    if isinstance(kind, type):
        return _scalar_or_parts(kind, value)
    return value


def _scalar_or_parts(kind: type, value: Any) -> Any:  # noqa: ANN401 - as `rebuilt`
    """A value of a plain type."""
    if issubclass(kind, BaseModel):
        hints = {name: field.annotation for name, field in kind.model_fields.items()}
        return kind.model_construct(**_parts(hints, value))
    if dataclasses.is_dataclass(kind):
        return kind(**_parts(get_type_hints(kind), value))
    if kind is float:
        return math.nan if value is None else float(value)
    return Path(value) if kind is Path else value


def _parts(hints: Mapping[str, Any], value: Mapping[str, Any]) -> dict[str, Any]:
    """Fields of a model or dataclass."""
    return {name: rebuilt(hints[name], part) for name, part in value.items() if name in hints}


def _one_of(kinds: tuple[Any, ...], value: Any) -> Any:  # noqa: ANN401 - as `rebuilt`
    """A value of the first type of a union that can hold it."""
    if value is None and type(None) in kinds:
        return None
    plain = [get_args(kind)[0] if get_origin(kind) is Annotated else kind for kind in kinds]
    fitting = [kind for kind in plain if kind is not type(None) and _holds(kind, value)]
    return rebuilt(fitting[0], value) if fitting else value


def _holds(kind: Any, value: Any) -> bool:  # noqa: ANN401 - as `rebuilt`
    """Whether a type is made from such a value of JSON: an object, a list, or a single one."""
    several = get_origin(kind) is tuple
    names = _holds_names(kind)
    if isinstance(value, dict):
        return names
    return several if isinstance(value, list) else not several and not names


def _is_mapping(kind: Any) -> bool:  # noqa: ANN401 - any type
    """Whether a type is a mapping."""
    origin = get_origin(kind)
    return isinstance(origin, type) and issubclass(origin, Mapping)


def _holds_names(kind: Any) -> bool:  # noqa: ANN401 - any type
    """Whether a type is made from an object of JSON."""
    is_model = isinstance(kind, type) and issubclass(kind, BaseModel)
    return is_model or dataclasses.is_dataclass(kind) or _is_mapping(kind)
