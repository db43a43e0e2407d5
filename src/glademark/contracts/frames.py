"""Rows with a geometry each, tables without rows, and the rows of one stand out of many."""

import ctypes
import sys
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any, TypeVar, cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from geopandas.array import GeometryArray, from_shapely
from pandas.api.extensions import ExtensionArray
from shapely.geometry.base import BaseGeometry

STAND = "stand"
"""Key column: number of the stand that a row belongs to."""

_Frame = TypeVar("_Frame", bound=pd.DataFrame)


def rows_of(frame: _Frame, stand: int) -> _Frame:
    """Rows of one stand, renumbered 0, on an index 0..n-1; of a table sorted by `stand`."""
    if frame.empty:
        return frame
    start, end = frame[STAND].searchsorted([stand, stand + 1]).tolist()
    rows = frame.iloc[start:end]
    rows.index = pd.RangeIndex(len(rows))
    place = cast("int", rows.columns.get_loc(STAND))  # one column has the name
    rows.isetitem(place, np.zeros(len(rows), dtype=np.int64))
    return rows


def stacked(frames: Sequence[_Frame]) -> _Frame:
    """Frames of several stands under each other, numbered 0..n-1 in their order."""
    filled = [frame for frame in frames if len(frame)]
    table = (
        pd.concat(filled, ignore_index=True) if len(filled) > 1 else (filled or frames)[0].copy()
    )
    table[STAND] = np.repeat(np.arange(len(frames)), [len(frame) for frame in frames])
    return table


def features(
    columns: Mapping[Any, Any] | pd.DataFrame,
    geometry: npt.ArrayLike | Sequence[BaseGeometry] | ExtensionArray,
    *,
    crs: Any,  # noqa: ANN401 - as geopandas takes it
) -> gpd.GeoDataFrame:
    """
    Columns and a geometry as one frame.

    Parameters
    ----------
    columns
        By name, each of n values or one for all; the index is taken from a frame or a Series.
    geometry
        Shape (n,), in the order of the rows; its index is ignored.
    crs
        Of the geometry.

    Returns
    -------
    features
        With the column ``geometry`` last. The geometry goes in with the columns and brings its CRS,
        which takes half the time of putting it on a frame that is made.

    Examples
    --------
    >>> import shapely
    >>> features({"name": ["a"]}, [shapely.Point(1, 2)], crs="EPSG:26916").crs.to_epsg()
    26916
    """
    shapes = np.asarray(geometry) if isinstance(geometry, GeometryArray) else geometry
    rows = {**columns, "geometry": from_shapely(shapes, crs=crs)}
    index = next((one.index for one in rows.values() if isinstance(one, pd.Series)), None)
    return gpd.GeoDataFrame(rows, index=index, geometry="geometry")


def give_back_memory() -> None:
    """Return freed memory to the system: glibc keeps the small pieces of many shapes."""
    if sys.platform == "linux" and _trim() is not None:
        _trim()(0)


@lru_cache(maxsize=1)
def _trim() -> Any:  # noqa: ANN401 - a function of the C library, or None where it has no such
    """What does it in the GNU C library."""
    return getattr(ctypes.CDLL(None), "malloc_trim", None)


def no_features(
    names: Iterable[str],
    kinds: Mapping[str, str],
    *,
    crs: Any,  # noqa: ANN401 - as above
) -> gpd.GeoDataFrame:
    """
    A frame without rows.

    Parameters
    ----------
    names
        Of its columns.
    kinds
        Types of those that do not hold text.
    crs
        Of the geometry.

    Returns
    -------
    features
        With the column ``geometry`` last.

    Examples
    --------
    >>> no_features(["name", "record"], {"record": "int64"}, crs=26916).dtypes.astype(str).tolist()
    ['str', 'int64', 'geometry']
    """
    return features(no_rows(names, kinds), [], crs=crs)


def no_rows(names: Iterable[str], kinds: Mapping[str, str]) -> pd.DataFrame:
    """
    A table without rows.

    Parameters
    ----------
    names
        Of its columns.
    kinds
        Types of those that do not hold text.

    Returns
    -------
    table
        With these columns.

    Examples
    --------
    >>> no_rows(["name", "record"], {"record": "int64"}).dtypes.astype(str).tolist()
    ['str', 'int64']
    """
    names = tuple(names)
    return _made_once(names, tuple(kinds.get(name, "str") for name in names)).copy()


@lru_cache(maxsize=64)  # a layout without terrain, cruise and water has a dozen of them
def _made_once(names: tuple[str, ...], kinds: tuple[str, ...]) -> pd.DataFrame:
    """Columns of these types, without rows."""
    return pd.DataFrame(
        {name: pd.Series(dtype=kind) for name, kind in zip(names, kinds, strict=True)}
    )
