"""Positions that are possible: finite, on the globe, in the unit of their system."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from glademark.errors import CrsError
from glademark.intake.crs import crs_name
from glademark.intake.record_log import Ledger
from glademark.intake.records import Reading

_LON_MAX, _LAT_MAX = 180.0, 90.0
_MOST = 0.5


def placed(reading: Reading, crs: CRS, ledger: Ledger) -> Reading:
    """
    Records with a position that is possible in its coordinate system.

    Parameters
    ----------
    reading
        With geometry.
    crs
        In which it is.
    ledger
        Takes records without a position, with one that is not finite, at 0, 0, or off the globe.

    Returns
    -------
    reading
        In `crs`, two-dimensional.

    Raises
    ------
    FileError
        If the file is a table without positions.
    CrsError
        If most positions are impossible: degrees under a metric system, or the reverse.
    """
    shapes = reading.shapes.to_numpy()
    if shapely.has_z(shapes).any() or shapely.has_m(shapes).any():
        shapes = shapely.force_2d(shapes)
    reading = replace(reading, geometry=gpd.GeoSeries(shapes, index=reading.rows.index))
    for bad, reason, what in (
        (_empty, "it has no position; measure it again or leave it out", "without a position"),
        (_not_finite, "a coordinate is no finite number; correct it", "with broken coordinates"),
        (
            _at_origin,
            "its position is 0, 0, where a receiver had no fix; measure it again or leave it out",
            "at 0, 0",
        ),
    ):
        reading = ledger.reject(reading, bad(reading.shapes), reason=reason, what=what)
    in_degrees = _in_degrees(reading.shapes)
    if not crs.is_geographic:
        _refuse_degrees(reading, crs, in_degrees)
        return reading
    _refuse_metres(reading, crs, in_degrees)
    return ledger.reject(
        reading,
        ~in_degrees,
        reason="longitude must be within 180 and latitude within 90 degrees; correct it",
        what="off the globe",
    )


def _empty(shapes: gpd.GeoSeries) -> pd.Series:
    """Records without a position."""
    return shapes.isna() | shapes.is_empty


def _not_finite(shapes: gpd.GeoSeries) -> pd.Series:
    """Records with a coordinate that is no finite number."""
    coordinates, owner = shapely.get_coordinates(shapes.to_numpy(), return_index=True)
    bad = np.zeros(len(shapes), dtype=bool)
    bad[owner[~np.isfinite(coordinates).all(axis=1)]] = True
    return pd.Series(bad, index=shapes.index)


def _at_origin(shapes: gpd.GeoSeries) -> pd.Series:
    """Records of which every coordinate is 0."""
    return pd.Series((shapes.bounds == 0).all(axis=1), index=shapes.index)


def _in_degrees(shapes: gpd.GeoSeries) -> pd.Series:
    """Records whose coordinates could be longitude and latitude."""
    bounds = shapes.bounds
    inside = (bounds["minx"] >= -_LON_MAX) & (bounds["maxx"] <= _LON_MAX)
    return inside & (bounds["miny"] >= -_LAT_MAX) & (bounds["maxy"] <= _LAT_MAX)


def _refuse_degrees(reading: Reading, crs: CRS, in_degrees: pd.Series) -> None:
    """Degrees where the coordinate system says metres."""
    stands = reading.mostly(in_degrees, more_than=_MOST)
    if stands:
        msg = (
            f"{reading.file.name}: the coordinates look like degrees, but the coordinate system "
            f"is {crs_name(crs)}. If they are longitude and latitude, state "
            'crs = "EPSG:4326" in [inputs].'
        )
        raise CrsError(msg, stands=stands)


def _refuse_metres(reading: Reading, crs: CRS, in_degrees: pd.Series) -> None:
    """Metres or feet where the coordinate system says degrees."""
    stands = reading.mostly(~in_degrees, more_than=1 - _MOST)
    if stands:
        x, y = shapely.get_coordinates(reading.shapes.to_numpy())[0]
        msg = (
            f"{reading.file.name}: the coordinates ({x:.6g}, {y:.6g} at the first record) cannot "
            f"be degrees, but the coordinate system is {crs_name(crs)}. State the one that they "
            "are in under [inputs], or exchange the columns if they are swapped."
        )
        raise CrsError(msg, stands=stands)
