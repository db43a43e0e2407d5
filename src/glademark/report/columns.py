"""With which columns a layer is written: the declared ones, the user's units, and what came in."""

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.contracts.layers import Column, Kind, Layer, Units, present, shown_beside
from glademark.contracts.result_tables import CHECKS
from glademark.report.quantities import shown_unit

_TAKEN = ("fid", "geom", "geometry", "ogc_fid", "rowid", "oid", "_rowid_")
"""Names that a GeoPackage or SQLite keeps for itself."""

_SHOWN_NUMBERS = ("measured", "limit_value", "margin")


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
