"""Sums and least values by group, whole columns at a time."""

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

FloatArray = npt.NDArray[np.float64]


def sums(amount: npt.ArrayLike, group: npt.NDArray[np.intp], count: int) -> FloatArray:
    """
    Sum of what is known in each group.

    Parameters
    ----------
    amount
        NaN where not known; shape (n,).
    group
        Number of the group of each, -1 for none; shape (n,).
    count
        Number of groups.

    Returns
    -------
    sums
        Shape (count,), 0 where nothing is known.

    Examples
    --------
    >>> sums([1.0, 2.0, float("nan"), 8.0], np.array([0, 0, 1, -1]), 2).tolist()
    [3.0, 0.0]
    """
    amounts = np.asarray(amount, dtype=float)
    mine = (group >= 0) & ~np.isnan(amounts)
    return np.bincount(group[mine], weights=amounts[mine], minlength=count).astype(float)


def known_sums(amount: npt.ArrayLike, group: npt.NDArray[np.intp], count: int) -> FloatArray:
    """
    Sum of what is known in each group, NaN where nothing is.

    Parameters
    ----------
    amount
        As for `sums`.
    group
        As for `sums`.
    count
        As for `sums`.

    Returns
    -------
    sums
        Shape (count,).

    Examples
    --------
    >>> known_sums([1.0, 2.0, float("nan"), 8.0], np.array([0, 0, 1, -1]), 2).tolist()
    [3.0, nan]
    """
    known = sums(~np.isnan(np.asarray(amount, dtype=float)), group, count)
    return np.where(known > 0, sums(amount, group, count), np.nan)


def exact_sums(amount: npt.ArrayLike, group: npt.NDArray[np.intp], count: int) -> FloatArray:
    """
    Sum of what is known in each group, what rounding loses carried along; NaN where nothing is.

    Parameters
    ----------
    amount
        As for `sums`.
    group
        As for `sums`.
    count
        As for `sums`.

    Returns
    -------
    sums
        Shape (count,).

    Examples
    --------
    >>> exact_sums([0.1] * 10, np.zeros(10, int), 2).tolist()
    [1.0, nan]
    """
    found = pd.Series(np.asarray(amount, dtype=float)).groupby(group).sum(min_count=1)
    return found.reindex(np.arange(count)).to_numpy()


def least(
    values: npt.NDArray[Any], group: npt.NDArray[np.integer[Any]], count: int, *, none: float
) -> npt.NDArray[Any]:
    """
    Least value of each group.

    Parameters
    ----------
    values
        Shape (n,).
    group
        Number of the group of each; shape (n,).
    count
        Number of groups.
    none
        What a group without values gets; larger than any of them.

    Returns
    -------
    least
        Shape (count,), of the type of `none`.

    Examples
    --------
    >>> least(np.array([4, 2, 3]), np.array([0, 0, 2]), 3, none=9).tolist()
    [2, 9, 3]
    """
    found = np.full(count, none)
    np.minimum.at(found, group, values)
    return found
