"""Values as JSON knows them: plain numbers, texts, lists and objects; what is missing is null."""

import dataclasses
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel

_SCALARS = frozenset({str, float, int, bool, type(None), np.float64, np.int64})


def json_value(value: object) -> Any:  # noqa: ANN401 - JSON is one of several types
    """
    The same value in the types that JSON has.

    Parameters
    ----------
    value
        Dataclass, model, mapping, sequence, path, number, text, flag or None, nested at will.

    Returns
    -------
    plain
        Mappings and dataclasses keep their order, keys between tables are left out; NaN and infinity become None; a path becomes its
        last part, so that nothing tells where on a machine a project lies.

    Raises
    ------
    TypeError
        If the value is of another type.

    Examples
    --------
    >>> json_value({"share": float("nan"), "openings": (1, 2)})
    {'share': None, 'openings': [1, 2]}
    """
    if type(value) in _SCALARS:  # most are: the other questions take ten times as long
        return _json_scalar(value)
    if isinstance(value, BaseModel):
        value = value.model_dump()
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts = [part.name for part in dataclasses.fields(value) if "key" not in part.metadata]
        value = {name: getattr(value, name) for name in parts}
    if isinstance(value, Mapping):
        return {str(key): json_value(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [json_value(part) for part in value]
    return _json_scalar(value)


def _json_scalar(value: object) -> str | float | int | bool | None:
    """One value that holds no others."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, Path):
        return value.name
    msg = f"a {type(value).__name__} cannot be written as JSON; expected number, text, flag or None"
    raise TypeError(msg)
