"""Sums and least values by key, whole columns at a time."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


def sums(amount: npt.ArrayLike, group: npt.ArrayLike, count: int) -> FloatArray:
    """Sum of what is known in each of the groups 0..count-1, 0 where nothing is."""
    amounts, groups = np.asarray(amount, dtype=float), np.asarray(group, dtype=np.intp)
    known = ~np.isnan(amounts)
    return np.bincount(groups[known], weights=amounts[known], minlength=count).astype(float)


def known_sums(amount: npt.ArrayLike, group: npt.ArrayLike, count: int) -> FloatArray:
    """
    Sum of what is known in each of the groups 0..count-1, NaN where nothing is.

    Examples
    --------
    >>> known_sums([1.0, 2.0, float("nan")], [0, 0, 1], 2).tolist()
    [3.0, nan]
    """
    known = sums(~np.isnan(np.asarray(amount, dtype=float)), group, count)
    return np.where(known > 0, sums(amount, group, count), np.nan)


def exact_sums(amount: npt.ArrayLike, group: npt.ArrayLike, count: int) -> FloatArray:
    """
    As `known_sums`, what rounding loses carried along.

    Examples
    --------
    >>> exact_sums([0.1] * 10, np.zeros(10, int), 2).tolist()
    [1.0, nan]
    """
    total = pd.Series(np.asarray(amount, dtype=float)).groupby(group).sum(min_count=1)
    return total.reindex(np.arange(count)).to_numpy()


def table_of_sums(
    amount: npt.ArrayLike, row: npt.ArrayLike, column: npt.ArrayLike, shape: tuple[int, int]
) -> FloatArray:
    """
    Exact sums by row and column of a table, NaN where nothing is known.

    Examples
    --------
    >>> table_of_sums([1.0, 2.0], [0, 0], [1, 1], (1, 2)).tolist()
    [[nan, 3.0]]
    """
    amounts = pd.Series(np.asarray(amount, dtype=float))
    total = amounts.groupby([np.asarray(row), np.asarray(column)]).sum(min_count=1)
    table = np.full(shape, np.nan)
    table[total.index.get_level_values(0), total.index.get_level_values(1)] = total.to_numpy()
    return table


def least(values: npt.NDArray[Any], group: npt.ArrayLike, count: int) -> FloatArray:
    """
    Least value of each of the groups 0..count-1, NaN without any.

    Examples
    --------
    >>> least(np.array([4, 2, 3]), [0, 0, 2], 3).tolist()
    [2.0, nan, 3.0]
    """
    found = np.full(count, np.inf)
    np.minimum.at(found, np.asarray(group, dtype=np.intp), values)
    return np.where(np.isinf(found), np.nan, found)


def rows_by(key: npt.ArrayLike) -> Mapping[Any, IntArray]:
    """Rows of each value of a key."""
    values = np.asarray(key)
    return pd.Series(np.zeros(len(values), dtype=bool)).groupby(values).indices
