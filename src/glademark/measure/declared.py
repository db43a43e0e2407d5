"""Measured frames as the layers that `glademark.layers` declares."""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

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
    columns = {column.name: _column(frame, column) for column in layer.columns}
    geometry = frame.geometry.to_numpy()
    if layer.geometry != "Point":
        geometry = as_multi(shapely.normalize(geometry))
    return gpd.GeoDataFrame(columns, geometry=geometry, crs=frame.crs)


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
    others = frame.drop(columns=[c for c in layer.columns if c in frame], errors="ignore")
    joined = pd.concat([layer.drop(columns="geometry"), others.reset_index(drop=True)], axis=1)
    return gpd.GeoDataFrame(joined, geometry=layer.geometry, crs=layer.crs)


def _column(frame: pd.DataFrame, column: Column) -> pd.Series:
    """One declared column, empty where the frame has none."""
    dtype = _DTYPE[column.kind]
    if column.name not in frame:
        empty = "" if column.kind == "text" else pd.NA if column.kind == "integer" else np.nan
        return pd.Series([empty] * len(frame), dtype=dtype)
    values = frame[column.name].reset_index(drop=True)
    if column.kind == "text":
        return values.astype(object).fillna("")
    typed: pd.Series = values.astype(pd.api.types.pandas_dtype(dtype))
    return typed
