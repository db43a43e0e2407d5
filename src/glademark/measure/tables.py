"""Sums and least values by key, and measured frames as the layers that are declared."""

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any, cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from glademark.contracts.frames import STAND, features
from glademark.contracts.layers import LAYERS, Column, Kind, present
from glademark.measure.polygons import as_multi

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
    total = pd.Series(np.asarray(amount, dtype=float)).groupby(np.asarray(group)).sum(min_count=1)
    return total.reindex(np.arange(count)).to_numpy()


def known_of_all(amount: npt.ArrayLike, group: npt.ArrayLike, count: int) -> FloatArray:
    """
    Sum in each of the groups 0..count-1, NaN where one is not known, or there is none.

    Examples
    --------
    >>> known_of_all([1.0, 2.0, float("nan")], [0, 0, 0], 1).tolist()
    [nan]
    """
    unknown = sums(np.isnan(np.asarray(amount, dtype=float)), group, count)
    return np.where(unknown > 0, np.nan, known_sums(amount, group, count))


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
    groups = pd.Series(np.zeros(len(values), dtype=bool)).groupby(values)
    return cast("Mapping[Any, IntArray]", groups.indices)


_DTYPE: Mapping[Kind, Any] = {
    "text": np.dtype(object),
    "integer": pd.Int64Dtype(),
    "real": np.dtype(np.float64),
    "flag": np.dtype(np.bool_),
}
_EMPTY: Mapping[Kind, Any] = {"text": "", "integer": pd.NA, "real": np.nan, "flag": np.nan}


def declared(
    frame: gpd.GeoDataFrame,
    name: str,
    *,
    more: Mapping[str, npt.NDArray[Any]] = MappingProxyType({}),
    others: Iterable[str] = (),
    crs: CRS | None = None,
    as_drawn: bool = False,
) -> gpd.GeoDataFrame:
    """
    A frame as the layer of that name: the stand's number, declared columns and geometry type.

    `more` stands for columns of the frame, `others` follow as they are where no declaration names
    them; what is missing is empty, optional columns are left out. Shapes in normal form, unless
    `as_drawn`: then they stay as they are, and lines keep their direction. Index 0..n-1.
    """
    layer = present(LAYERS[name], [*frame.columns, *more])
    index = pd.RangeIndex(len(frame))
    known = {str(given): frame[given] for given in frame.columns if given in layer.names} | dict(
        more
    )
    columns: dict[str, Any] = {}
    if STAND in frame:
        columns[STAND] = frame[STAND].to_numpy(dtype=np.int64)
    columns |= {column.name: _column(known, column, index) for column in layer.columns}
    for other in others:
        if other not in columns:
            columns[other] = frame[other].set_axis(index)
    geometry = np.asarray(frame.geometry.array)
    if layer.geometry != "Point":
        geometry = as_multi(geometry if as_drawn else shapely.normalize(geometry))
    return features(columns, geometry, crs=frame.crs if crs is None else crs)


def _column(known: Mapping[str, Any], column: Column, index: pd.Index) -> Any:  # noqa: ANN401 - an array or a Series
    """Values of one declared column, empty where nothing is known."""
    dtype = _DTYPE[column.kind]
    if column.name not in known:
        return pd.Series([_EMPTY[column.kind]] * len(index), dtype=dtype, index=index)
    values = known[column.name]
    if column.kind == "text":
        code, different = pd.factorize(values)  # each word once in memory, however many rows
        words = np.append(np.asarray(different, dtype=object), "")  # code -1: missing
        return pd.Series(words[code], dtype=object, index=index)
    given = pd.array(values) if isinstance(values, np.ndarray) else values.array
    return given if given.dtype == dtype else given.astype(dtype)
