"""What functions of the Python interface are given: fit to measure with, or refused."""

import math
import os
from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.errors import CrsError, InputError, listed, quoted

LINES, POLYGONS = ("LineString", "MultiLineString"), ("Polygon", "MultiPolygon")


def shapes_of(given: object, name: str, kinds: Sequence[str]) -> gpd.GeoSeries:
    """Shapes of a frame, all valid and of one kind."""
    shapes = getattr(given, "geometry", None)
    if not isinstance(shapes, gpd.GeoSeries):
        msg = (
            f"{name}: a {type(given).__name__} has no geometry; expected a GeoDataFrame or "
            f"GeoSeries of {' or '.join(kinds)}"
        )
        raise InputError(msg)
    wrong = ~shapes.geom_type.isin(kinds) | shapes.is_empty | ~shapes.is_valid
    if wrong.any():
        msg = (
            f"{name}: {int(wrong.sum()):,} of {len(shapes):,} geometries are missing, empty, not "
            f"valid or of another kind (index {listed(shapes.index[wrong])}); expected "
            f"{' or '.join(kinds)} in every row"
        )
        raise InputError(msg)
    return shapes


def column_of(frame: pd.DataFrame | gpd.GeoSeries, column: str, name: str) -> pd.Series:
    """A column that an argument names."""
    if not isinstance(frame, pd.DataFrame) or column not in frame.columns:
        headers = [*frame.columns] if isinstance(frame, pd.DataFrame) else []
        msg = f"{name}: there is no column '{column}'; expected one of {quoted(headers)}"
        raise InputError(msg)
    return frame[column]


def metres_each(
    frame: gpd.GeoDataFrame | gpd.GeoSeries, stated: float | str | Sequence[float], name: str
) -> npt.NDArray[np.float64]:
    """Sizes above zero, a row each: those of a column, as many numbers, or one for all."""
    given = column_of(frame, stated, name) if isinstance(stated, str) else stated
    try:
        sizes = np.broadcast_to(np.asarray(given, dtype=float), len(frame))
    except (TypeError, ValueError):
        sizes = np.array([math.nan])
    if not ((sizes > 0) & np.isfinite(sizes)).all():
        msg = (
            f"{name}: a size is missing, no number or not above zero, or there are not as many as "
            f"rows; expected one in metres for all, one for each of {len(frame):,} rows, or the "
            "name of a column"
        )
        raise InputError(msg)
    return sizes


def metres(given: float, name: str) -> float:
    """A length of zero or more."""
    try:
        length = float(given)
    except (TypeError, ValueError):
        length = math.nan
    if not 0 <= length < math.inf:
        msg = f"{name}: {given} is no length; expected metres, zero or more"
        raise InputError(msg)
    return length


def path_of(given: object, name: str) -> Path:
    """Path of a file, where a frame or a layout may have been given."""
    if isinstance(given, str | os.PathLike):
        return Path(given)
    msg = (
        f"{name}: a {type(given).__name__} is no file; expected a path. Write frames with to_file "
        "and give the path, or name it in the project file (`glademark new` makes one)"
    )
    raise InputError(msg)


def in_metres(*given: gpd.GeoSeries) -> tuple[gpd.GeoSeries, ...]:
    """Shapes in the CRS of the first where that is projected in metres, else in its UTM zone."""
    crs = given[0].crs
    if crs is None or any(shapes.crs is None for shapes in given):
        msg = "the CRS is missing; expected frames that have one. Set it with set_crs"
        raise CrsError(msg)
    metric = crs.is_projected and all(axis.unit_conversion_factor == 1 for axis in crs.axis_info)
    crs = crs if metric else given[0].estimate_utm_crs()
    return tuple(shapes.to_crs(crs) for shapes in given)
