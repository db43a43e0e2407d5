"""Coefficients of a packaged table by species, one row a tree."""

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from glademark.forestry.packaged_data import numbers, packaged_table

__all__ = ["coefficients_for"]

_NOT_NUMBERS = ("species_group", "part")


def coefficients_for(
    table: str, species_code: NDArray[np.int64], *, part: str = ""
) -> Mapping[str, NDArray[np.float64]]:
    """
    Each coefficient of the trees' species.

    Parameters
    ----------
    table
        Name of a packaged table with a `species_code` column.
    species_code
        FIA codes.
    part
        Value of the table's `part` column, where it has one.

    Returns
    -------
    coefficients
        One array a column, shape of the codes; NaN for a species without a row.
    """
    columns = _sorted_columns(table, part)
    listed = columns["species_code"]
    at = np.minimum(np.searchsorted(listed, species_code), listed.size - 1)
    known = listed[at] == species_code
    return {name: np.where(known, column[at], np.nan) for name, column in columns.items()}


@cache
def _sorted_columns(table: str, part: str) -> Mapping[str, NDArray[np.float64]]:
    """Numeric columns of the chosen rows, in ascending order of species code."""
    columns = packaged_table(table)
    rows = np.arange(len(columns["species_code"]))
    if part:
        rows = rows[columns["part"] == part]
    order = rows[np.argsort(numbers(columns["species_code"][rows]))]
    return MappingProxyType(
        {name: numbers(cells[order]) for name, cells in columns.items() if name not in _NOT_NUMBERS}
    )
