"""Measured frames as the layers that `glademark.layers` declares."""

from collections.abc import Iterable, Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from glademark.features import features
from glademark.layers import LAYERS, Column, Kind, present
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
    others: Iterable[str] = (),
    crs: CRS | None = None,
    as_drawn: bool = False,
) -> gpd.GeoDataFrame:
    """
    A frame as the layer of that name: declared columns and geometry type.

    Parameters
    ----------
    frame
        Has what is known of the layer's columns; others are dropped, missing ones come out empty,
        missing optional ones not at all.
    name
        Of a layer with geometry.
    others
        Columns of the frame that follow as they are, where no declaration names them.
    crs
        Of the layer, where not that of `frame`.
    as_drawn
        Whether lines keep their direction and their order; else they are put into normal form.

    Returns
    -------
    layer
        Index 0..n-1.
    """
    layer = present(LAYERS[name], frame.columns)
    index = pd.RangeIndex(len(frame))
    columns = {column.name: _column(frame, column, index) for column in layer.columns}
    for other in others:
        if other not in columns:
            columns[other] = frame[other].set_axis(index)
    geometry = np.asarray(frame.geometry.array)
    if layer.geometry != "Point":
        geometry = as_multi(geometry if as_drawn else shapely.normalize(geometry))
    return features(columns, geometry, crs=frame.crs if crs is None else crs)


def _column(frame: pd.DataFrame, column: Column, index: pd.Index) -> Any:  # noqa: ANN401 - an array or a Series
    """Values of one declared column, empty where the frame has none."""
    dtype = _DTYPE[column.kind]
    if column.name not in frame:
        return pd.Series([_EMPTY[column.kind]] * len(frame), dtype=dtype, index=index)
    values = frame[column.name]
    if column.kind == "text":
        words = values.to_numpy(dtype=object)
        return pd.Series(np.where(pd.isna(words), "", words), dtype=object, index=index)
    return values.array if values.dtype == dtype else values.array.astype(dtype)
