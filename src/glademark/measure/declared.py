"""Measured frames as the layers that `glademark.layers` declares."""

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.features import features
from glademark.layers import LAYERS, Column, present
from glademark.measure.polygons import as_multi

_DTYPE = {"text": "object", "integer": "Int64", "real": "float64", "flag": "bool"}


def declared(frame: gpd.GeoDataFrame, name: str) -> gpd.GeoDataFrame:
    """
    A frame as the layer of that name: declared columns and geometry type.

    Parameters
    ----------
    frame
        Has what is known of the layer's columns; others are dropped, missing ones come out empty,
        missing optional ones not at all.
    name
        Of a layer with geometry.

    Returns
    -------
    layer
        Index 0..n-1, CRS of `frame`.
    """
    layer = present(LAYERS[name], frame.columns)
    plain = pd.DataFrame(frame)
    columns = {column.name: _column(plain, column) for column in layer.columns}
    geometry = frame.geometry.to_numpy()
    if layer.geometry != "Point":
        geometry = as_multi(shapely.normalize(geometry))
    return features(columns, geometry, crs=frame.crs)


def with_others(layer: gpd.GeoDataFrame, frame: pd.DataFrame) -> gpd.GeoDataFrame:
    """
    A layer followed by the columns of its source that no declaration names.

    Parameters
    ----------
    layer
        As from `declared`.
    frame
        Rows in the same order.

    Returns
    -------
    layer
        With the other columns as text before the geometry.
    """
    columns = dict(pd.DataFrame(layer).items())
    shapes = columns.pop("geometry").array
    others = (name for name in frame.columns if name not in layer.columns)
    columns |= {name: frame[name].reset_index(drop=True) for name in others}
    return features(columns, shapes, crs=layer.crs)


def _column(frame: pd.DataFrame, column: Column) -> Any:  # noqa: ANN401 - an array or a Series
    """Values of one declared column, empty where the frame has none."""
    dtype = _DTYPE[column.kind]
    if column.name not in frame:
        empty = "" if column.kind == "text" else pd.NA if column.kind == "integer" else np.nan
        return pd.Series([empty] * len(frame), dtype=dtype)
    values = frame[column.name]
    if column.kind == "text":
        words = values.to_numpy(dtype=object)
        return pd.Series(np.where(pd.isna(words), "", words), dtype=object)
    return values.array.astype(pd.api.types.pandas_dtype(dtype))
