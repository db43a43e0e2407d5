"""Measured frames as the layers that `contracts.layers` declares."""

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from glademark.contracts.frames import STAND, features
from glademark.contracts.layers import LAYERS, Column, Kind, present
from glademark.measure.polygons import as_multi

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
    them; what is missing comes out empty, optional columns not at all. Lines in normal form, unless
    `as_drawn`: then they keep their direction. Index 0..n-1.
    """
    layer = present(LAYERS[name], [*frame.columns, *more])
    index = pd.RangeIndex(len(frame))
    known = {str(given): frame[given] for given in frame.columns if given in layer.names} | dict(
        more
    )
    columns = {STAND: frame[STAND].to_numpy()} if STAND in frame else {}
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
        words = np.asarray(values, dtype=object)
        return pd.Series(np.where(pd.isna(words), "", words), dtype=object, index=index)
    given = pd.array(values) if isinstance(values, np.ndarray) else values.array
    return given if given.dtype == dtype else given.astype(dtype)
