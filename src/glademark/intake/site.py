"""The stands to which every other layer must belong."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from glademark.errors import listed
from glademark.intake.crs import (
    WGS84,
    crs_name,
    note_missing_grids,
    parse_crs,
    same_crs,
    stated_crs,
    transformed,
)
from glademark.intake.record_log import Reading, RecordLog, split_by_stand
from glademark.project.model import Source

_MOST = 0.5
_NEAR_M = 50.0
_NEAR_DEG = 0.0005
_FILES_MIN = 2
_AREA = 2


@dataclass(frozen=True, kw_only=True, slots=True)
class StandArea:
    """One stand: its number, its boundary (None where it was refused) and the working CRS."""

    number: int
    area: shapely.Polygon | shapely.MultiPolygon | None
    crs: CRS


@dataclass(frozen=True, kw_only=True, slots=True)
class Stands:
    """The stands, by number, and the CRS in which all of them are measured."""

    crs: CRS  # working CRS
    areas: npt.NDArray[np.object_]
    """Polygon or MultiPolygon of each in it; None where the boundary was refused and only the other
    inputs' own faults are looked for."""
    middles: list[tuple[float, float]]  # longitude and latitude of the middle of each [deg]

    def one(self, number: int) -> StandArea:
        """One of the stands."""
        return StandArea(number=number, area=self.areas[number], crs=self.crs)

    def bring(self, reading: Reading, source: Source, log: RecordLog) -> Reading:
        """Records carried to the working CRS, without those whose position is impossible."""
        crs = stated_crs(reading, source.crs, log)
        reading = placed(reading, crs, log)
        geometry = transformed(reading.shapes, crs, self.crs)
        if not same_crs(crs, self.crs):
            for stand in log.still_to_read(reading):
                lon, lat = self.middles[stand]
                warning = note_missing_grids(crs, self.crs, lon=lon, lat=lat)
                if warning:
                    log.notice(f"{reading.file.name}: {warning}", stand=stand)
        reading = replace(reading, geometry=geometry, unmoved=reading.shapes, crs=crs)
        lost = ~np.isfinite(shapely.bounds(geometry.to_numpy())).all(axis=1)
        far = pd.Series(lost, index=geometry.index)
        reading = self.refuse_if_most_outside(reading, far, log)
        return log.reject(
            reading,
            far[reading.index],
            reason="it lies where the working coordinate system does not reach; check its position",
            what="out of reach of the working coordinate system",
        )

    def inside(self, reading: Reading) -> pd.Series:
        """Points within their stand or on its edge; all where there is no stand."""
        return self._holds(shapely.covers, reading)

    def touches(self, reading: Reading) -> pd.Series:
        """Features that have any part in their stand; all where there is no stand."""
        return self._holds(shapely.intersects, reading)

    def _holds(self, holds: Callable[..., npt.NDArray[np.bool_]], reading: Reading) -> pd.Series:
        """What holds between each feature and its stand; true where there is no stand."""
        shapely.prepare(self.areas)
        areas = self.areas[reading.stand]
        result = holds(areas, reading.shapes.to_numpy()) | shapely.is_missing(areas)
        return pd.Series(result, index=reading.index)

    def distance_outside(self, reading: Reading, inside: pd.Series | None = None) -> pd.Series:
        """Distance of points from their stand [m]; 0 in it, on its edge, or where there is none."""
        inside = self.inside(reading) if inside is None else inside
        outside = np.flatnonzero(~inside.to_numpy())
        distance, shapes = np.zeros(len(reading)), reading.shapes.to_numpy()
        for stand, places in split_by_stand(reading.stand, outside):
            distance[places] = _from_boundary(self.areas[stand], shapes[places])
        return pd.Series(distance, index=reading.index)

    def clipped(self, shapes: gpd.GeoSeries, stand: npt.NDArray[np.intp]) -> gpd.GeoSeries:
        """Polygons cut at the boundary of their stand; empty where nothing is left."""
        areas = self.areas[stand]
        shapely.prepare(areas)
        whole = shapes.to_numpy()
        cut = np.where(shapely.is_missing(areas), whole, shapely.intersection(whole, areas))
        return gpd.GeoSeries(polygonal(cut), index=shapes.index, crs=self.crs)

    def refuse_if_most_outside(
        self, reading: Reading, outside: pd.Series, log: RecordLog
    ) -> Reading:
        """Refuse stands more than half of whose records are outside, and say which reading fits."""
        faults = [
            (
                stand,
                (
                    f"{reading.file.name}: {len(places):,} of {every:,} records lie outside the "
                    f"stand. {self._advice(reading, stand)}"
                ),
            )
            for stand, places, every in reading.mostly(outside, more_than=_MOST)
            if self.areas[stand] is not None
        ]
        return log.refuse_outside(reading, faults)

    def refuse_if_all_outside(
        self, reading: Reading, outside: pd.Series, log: RecordLog
    ) -> Reading:
        """Refuse stands all of whose records are outside."""
        every = np.bincount(reading.stand)
        some = [stand for stand, places in reading.split(outside) if len(places) < every[stand]]
        lost = outside & ~np.isin(reading.stand, some)
        return self.refuse_if_most_outside(reading, lost, log)

    def _advice(self, reading: Reading, stand: int) -> str:
        """The reading of the coordinates under which most records would lie near their stand."""
        if reading.crs is None or reading.unmoved is None:
            return ""
        shapes = reading.unmoved.to_numpy()[reading.stand == stand]
        xy = shapely.get_coordinates(shapely.centroid(shapes))
        area = self.areas[stand]
        margin = max(_NEAR_M, np.sqrt(area.area) / 10)
        near = shapely.buffer(shapely.envelope(area), margin)
        for what, x, y, crs in self._other_systems(xy, reading.crs):
            there = transformed(gpd.GeoSeries(shapely.points(x, y)), crs, self.crs).to_numpy()
            if shapely.intersects(near, there).mean() > _MOST:
                return f"They would lie in it if {what}. If so, correct the file or [inputs]."
        return "Check that the file belongs to this stand, and its coordinate system."

    def blame_boundary(self, boundary: Reading, source: Source, given: int, log: RecordLog) -> None:
        """
        Name a boundary that most other files miss instead of each of them.

        `boundary` is as it was read; `given` is how many files with positions there are besides.
        """
        crs = self.crs if source.crs is None else parse_crs(source.crs, where=boundary.file.name)
        crs = crs if boundary.crs is None else boundary.crs
        for stand, told in log.outside.items():
            files = {reading.file.name: reading for reading, _ in told}
            if len(files) < _FILES_MIN or len(files) <= _MOST * given:
                continue
            shapes = boundary.shapes.to_numpy()[boundary.stand == stand]
            why = _mistaken(shapes, crs, files.values())
            area = f"{self.areas[stand].area:,.0f} m2"
            start = (
                f"{boundary.file.name}: {len(files)} of {given} other files lie outside this "
                f"boundary ({listed(files)})"
            )
            log.blame_boundary(
                stand,
                f"{start}. They would lie in it if its {why}. Correct the boundary first."
                if why
                else f"{start}, which holds {area}. Check first that it is the right polygon, and "
                "its coordinate system.",
            )

    def _other_systems(
        self, xy: npt.NDArray[np.float64], crs: CRS
    ) -> list[tuple[str, npt.NDArray[np.float64], npt.NDArray[np.float64], CRS]]:
        """Ways in which coordinates are commonly mistaken, each with what they then are."""
        x, y = xy[:, 0], xy[:, 1]
        readings = [(what, turned[:, 0], turned[:, 1], crs) for what, turned in _other_readings(xy)]
        if crs.is_projected and not same_crs(crs, self.crs):
            readings.append((f"their coordinate system were {crs_name(self.crs)}", x, y, self.crs))
        return readings


def _other_readings(
    xy: npt.NDArray[np.float64],
) -> list[tuple[str, npt.NDArray[np.float64]]]:
    """Ways in which two coordinates are commonly mistaken, each with what they then are."""
    return [
        ("x and y (longitude and latitude) were swapped", xy[:, ::-1]),
        ("the sign of x (west or east) were the other one", xy * [-1, 1]),
        ("the sign of y (north or south) were the other one", xy * [1, -1]),
        ("both signs were the other ones", -xy),
        ("x and y were swapped and the sign of x were the other one", xy[:, ::-1] * [-1, 1]),
    ]


def _mistaken(shapes: npt.NDArray[np.object_], crs: CRS, others: Iterable[Reading]) -> str:
    """How the coordinates of a boundary were mistaken, if most other records lie in it so."""
    each = [
        transformed(gpd.GeoSeries(shapely.centroid(one.unmoved.to_numpy())), one.crs, WGS84)
        for one in others
        if one.unmoved is not None and one.crs is not None
    ]
    points = shapely.points(np.concatenate([shapely.get_coordinates(one) for one in each]))
    corners = shapely.get_coordinates(shapes)
    for what, turned in _other_readings(corners):
        there = transformed(gpd.GeoSeries(shapely.points(turned)), crs, WGS84).to_numpy()
        if np.isfinite(shapely.get_coordinates(there)).all():
            around = shapely.buffer(shapely.box(*shapely.total_bounds(there)), _NEAR_DEG)
            if shapely.intersects(around, points).mean() > _MOST:
                return what
    return ""


def no_boundaries(stands: int) -> Stands:
    """Stands whose boundaries were refused, so that faults of other inputs are found as well."""
    areas = np.full(stands, None, dtype=object)
    return Stands(crs=CRS.from_epsg(32616), areas=areas, middles=[(-87.0, 45.0)] * stands)


def _from_boundary(
    area: shapely.Polygon | shapely.MultiPolygon, points: npt.NDArray[np.object_]
) -> npt.NDArray[np.float64]:
    """Distance of points from the boundary [m]."""
    distance = np.zeros(len(points))
    tree = shapely.STRtree(_segments(area))
    (rows, _), metres = tree.query_nearest(points, return_distance=True, all_matches=False)
    distance[rows] = metres
    return distance


def _segments(area: shapely.Geometry) -> npt.NDArray[np.object_]:
    """Straight pieces of a boundary."""
    rings = shapely.get_rings(area)
    pairs, ring = shapely.get_coordinates(rings, return_index=True)
    follows = ring[1:] == ring[:-1]
    ends = np.stack([pairs[:-1][follows], pairs[1:][follows]], axis=1)
    return np.asarray(shapely.linestrings(ends), dtype=object)


def polygonal(geometry: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Polygon parts of geometries, without points and lines that a cut can leave; maybe empty."""
    geometry = np.asarray(geometry, dtype=object)
    mixed = np.flatnonzero(shapely.get_type_id(geometry) == shapely.GeometryType.GEOMETRYCOLLECTION)
    flat = np.flatnonzero(shapely.get_dimensions(geometry) < _AREA)
    if not mixed.size and not flat.size:
        return geometry
    result = geometry.copy()
    result[flat] = shapely.Polygon()
    for place in mixed:  # rare: a cut that leaves areas and lines
        parts = shapely.get_parts(geometry[place])
        result[place] = shapely.union_all(parts[shapely.get_dimensions(parts) == _AREA])
    return result


_LON_MAX, _LAT_MAX = 180.0, 90.0


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
