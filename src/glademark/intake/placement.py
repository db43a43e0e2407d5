"""Positions that are possible: finite, on the globe, in the unit of their system."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS

from glademark.intake.crs import crs_name
from glademark.intake.record_log import RecordLog
from glademark.intake.records import Reading

_LON_MAX, _LAT_MAX = 180.0, 90.0
_MOST = 0.5


def placed(reading: Reading, crs: CRS, log: RecordLog) -> Reading:
    """
    Records with a position that is possible in their coordinate system, in two dimensions.

    Records without a position, with one that is not finite, at 0, 0, or off the globe are rejected;
    stands most of whose positions are impossible (degrees under a metric system, or the reverse)
    are refused.
    """
    shapes = reading.shapes.to_numpy()
    if shapely.has_z(shapes).any() or shapely.has_m(shapes).any():
        shapes = shapely.force_2d(shapes)
    reading = replace(reading, geometry=gpd.GeoSeries(shapes, index=reading.index))
    for bad, reason, what in (
        (_empty, "it has no position; measure it again or leave it out", "without a position"),
        (_not_finite, "a coordinate is no finite number; correct it", "with broken coordinates"),
        (
            _at_origin,
            "its position is 0, 0, where a receiver had no fix; measure it again or leave it out",
            "at 0, 0",
        ),
    ):
        reading = log.reject(reading, bad(reading.shapes.to_numpy()), reason=reason, what=what)
    in_degrees = _in_degrees(reading.shapes.to_numpy())
    if not crs.is_geographic:
        return _without_degrees(reading, crs, in_degrees, log)
    reading = _without_metres(reading, crs, in_degrees, log)
    return log.reject(
        reading,
        ~_in_degrees(reading.shapes.to_numpy()),
        reason="longitude must be within 180 and latitude within 90 degrees; correct it",
        what="off the globe",
    )


def _empty(shapes: npt.NDArray[np.object_]) -> npt.NDArray[np.bool_]:
    """Records without a position."""
    return np.asarray(shapely.is_missing(shapes) | shapely.is_empty(shapes), dtype=bool)


def _not_finite(shapes: npt.NDArray[np.object_]) -> npt.NDArray[np.bool_]:
    """Records with a coordinate that is no finite number."""
    coordinates, shape = shapely.get_coordinates(shapes, return_index=True)
    bad = np.zeros(len(shapes), dtype=bool)
    bad[shape[~np.isfinite(coordinates).all(axis=1)]] = True
    return bad


def _at_origin(shapes: npt.NDArray[np.object_]) -> npt.NDArray[np.bool_]:
    """Records of which every coordinate is 0."""
    return np.asarray((shapely.bounds(shapes) == 0).all(axis=1), dtype=bool)


def _in_degrees(shapes: npt.NDArray[np.object_]) -> npt.NDArray[np.bool_]:
    """Records whose coordinates could be longitude and latitude."""
    west, south, east, north = shapely.bounds(shapes).T
    lon = (west >= -_LON_MAX) & (east <= _LON_MAX)
    return np.asarray(lon & (south >= -_LAT_MAX) & (north <= _LAT_MAX), dtype=bool)


def _without_degrees(
    reading: Reading, crs: CRS, in_degrees: npt.NDArray[np.bool_], log: RecordLog
) -> Reading:
    """Refuse stands with degrees where the coordinate system says metres."""
    text = (
        f"{reading.file.name}: the coordinates look like degrees, but the coordinate system "
        f"is {crs_name(crs)}. If they are longitude and latitude, state "
        'crs = "EPSG:4326" in [inputs].'
    )
    stands = [stand for stand, _, _ in reading.mostly(in_degrees, more_than=_MOST)]
    return log.refuse(reading, ((stand, text) for stand in stands))


def _without_metres(
    reading: Reading, crs: CRS, in_degrees: npt.NDArray[np.bool_], log: RecordLog
) -> Reading:
    """Refuse stands with metres or feet where the coordinate system says degrees."""
    faults = []
    for stand, _, _ in reading.mostly(~in_degrees, more_than=1 - _MOST):
        first = int(np.searchsorted(reading.stand, stand))
        x, y = shapely.get_coordinates(reading.shapes.to_numpy()[first])[0]
        text = (
            f"{reading.file.name}: the coordinates ({x:.6g}, {y:.6g} at the first record) cannot "
            f"be degrees, but the coordinate system is {crs_name(crs)}. State the one that they "
            "are in under [inputs], or exchange the columns if they are swapped."
        )
        faults.append((stand, text))
    return log.refuse(reading, faults)
