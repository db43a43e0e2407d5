"""The stand as the ground to which every other layer must belong."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from glademark.contracts.by_stand import stretches
from glademark.errors import FileError
from glademark.intake.crs import crs_name, note_missing_grids, same_crs, stated_crs, transformed
from glademark.intake.placement import placed
from glademark.intake.record_log import Ledger
from glademark.intake.records import Reading
from glademark.project.model import Source

_MOST = 0.5
_NEAR_M = 50.0
_AREA = 2


@dataclass(frozen=True, kw_only=True, slots=True)
class Ground:
    """
    The stand and the working CRS.

    Attributes
    ----------
    crs
        Working CRS.
    stand
        Polygon or MultiPolygon in it; None where the stand was refused and only the other
        inputs' own faults are looked for.
    lon, lat
        Its middle [deg].
    """

    crs: CRS
    stand: shapely.Polygon | shapely.MultiPolygon | None
    lon: float
    lat: float

    def bring(self, reading: Reading, source: Source, ledger: Ledger) -> Reading:
        """
        Records carried to the working CRS.

        Parameters
        ----------
        reading
            With geometry in its own CRS.
        source
            As the project file states it.
        ledger
            Takes records whose position is impossible.

        Returns
        -------
        reading
            Geometry in the working CRS.
        """
        crs = stated_crs(reading, source.crs, ledger)
        reading = placed(reading, crs, ledger)
        geometry = transformed(reading.shapes, crs, self.crs)
        for stand, ground in enumerate(() if same_crs(crs, self.crs) else self.each):
            warning = note_missing_grids(crs, ground.crs, lon=ground.lon, lat=ground.lat)
            if warning:
                ledger.notice(f"{reading.file.name}: {warning}", stand=stand)
        reading = replace(reading, geometry=geometry, unmoved=reading.shapes, crs=crs)
        finite = np.isfinite(geometry.bounds.to_numpy()).all(axis=1)
        self.refuse_if_most_outside(reading, pd.Series(~finite, index=geometry.index))
        return ledger.reject(
            reading,
            pd.Series(~finite, index=geometry.index),
            reason="it lies where the working coordinate system does not reach; check its position",
            what="out of reach of the working coordinate system",
        )

    def areas(
        self, owner: npt.NDArray[np.intp] | None
    ) -> Iterator[tuple[shapely.Polygon | shapely.MultiPolygon, slice]]:
        """
        The stand with the records that belong to it.

        Parameters
        ----------
        owner
            Number of the stand of each record, rising; None where there is one stand.

        Yields
        ------
        area, places
            Nothing where there is no stand to compare with.
        """
        del owner
        if self.stand is not None:
            yield self.stand, slice(None)

    @property
    def each(self) -> tuple["Ground", ...]:
        """
        Ground of every stand, by its number.

        Returns
        -------
        each
            This one, where there is one stand.
        """
        return (self,)

    def inside(
        self, geometry: gpd.GeoSeries, owner: npt.NDArray[np.intp] | None = None
    ) -> pd.Series:
        """
        Points within the stand or on its edge.

        Parameters
        ----------
        geometry
            Points in the working CRS.
        owner
            As in `areas`.

        Returns
        -------
        inside
            Boolean; all true where there is no stand to compare with.
        """
        return self._by_stand(shapely.covers, geometry, owner)

    def touches(
        self, geometry: gpd.GeoSeries, owner: npt.NDArray[np.intp] | None = None
    ) -> pd.Series:
        """
        Features that have any part in the stand.

        Parameters
        ----------
        geometry
            In the working CRS.
        owner
            As in `areas`.

        Returns
        -------
        touches
            Boolean; all true where there is no stand to compare with.
        """
        return self._by_stand(shapely.intersects, geometry, owner)

    def _by_stand(
        self,
        holds: Callable[..., npt.NDArray[np.bool_]],
        geometry: gpd.GeoSeries,
        owner: npt.NDArray[np.intp] | None,
    ) -> pd.Series:
        """What holds between the stand and each feature; true where there is no stand."""
        shapes = geometry.to_numpy()
        result = np.ones(len(shapes), dtype=bool)
        for area, places in self.areas(owner):
            shapely.prepare(area)
            result[places] = holds(area, shapes[places])
        return pd.Series(result, index=geometry.index)

    def distance_outside(
        self, geometry: gpd.GeoSeries, owner: npt.NDArray[np.intp] | None = None
    ) -> pd.Series:
        """
        Distance of points from the stand.

        Parameters
        ----------
        geometry
            Points in the working CRS.
        owner
            As in `areas`.

        Returns
        -------
        distance
            On the index of `geometry` [m]; 0 in the stand, on its edge, or where there is none.
        """
        outside = ~self.inside(geometry, owner).to_numpy()
        distance, shapes = np.zeros(len(geometry)), geometry.to_numpy()
        for area, places in self.areas(owner):
            away = np.arange(len(shapes))[places][outside[places]]
            if len(away):
                distance[away] = _from_boundary(area, shapes[away])
        return pd.Series(distance, index=geometry.index)

    def clipped(self, geometry: gpd.GeoSeries) -> gpd.GeoSeries:
        """
        Polygons cut at the boundary.

        Parameters
        ----------
        geometry
            Polygons in the working CRS.

        Returns
        -------
        clipped
            Polygon or MultiPolygon on the same index; empty where nothing is left.
        """
        if self.stand is None:
            return geometry
        shapely.prepare(self.stand)
        cut = shapely.intersection(geometry.to_numpy(), self.stand)
        return gpd.GeoSeries(polygonal(cut), index=geometry.index, crs=self.crs)

    def refuse_if_most_outside(self, reading: Reading, outside: pd.Series) -> None:
        """
        Refuse a layer that lies outside the stand for the most part, and say which reading fits.

        Parameters
        ----------
        reading
            Brought to the working CRS.
        outside
            Boolean, on its index.

        Raises
        ------
        FileError
            If more than half is outside.
        """
        if self.stand is None or not len(outside) or outside.mean() <= _MOST:
            return
        msg = (
            f"{reading.file.name}: {outside.sum():,} of {len(outside):,} records lie outside the "
            f"stand. {self._advice(reading)}"
        )
        raise FileError(msg)

    def _advice(self, reading: Reading) -> str:
        """The reading of the coordinates under which most records would lie near the stand."""
        if reading.crs is None or reading.unmoved is None or self.stand is None:
            return ""
        xy = shapely.get_coordinates(shapely.centroid(reading.unmoved.to_numpy()))
        margin = max(_NEAR_M, np.sqrt(self.stand.area) / 10)
        near = shapely.buffer(shapely.envelope(self.stand), margin)
        for what, x, y, crs in self._other_readings(xy, reading.crs):
            there = transformed(gpd.GeoSeries(shapely.points(x, y)), crs, self.crs).to_numpy()
            if shapely.intersects(near, there).mean() > _MOST:
                return f"They would lie in it if {what}. If so, correct the file or [inputs]."
        return "Check that the file belongs to this stand, and its coordinate system."

    def _other_readings(
        self, xy: npt.NDArray[np.float64], crs: CRS
    ) -> list[tuple[str, npt.NDArray[np.float64], npt.NDArray[np.float64], CRS]]:
        """Ways in which coordinates are commonly mistaken, each with what they then are."""
        x, y = xy[:, 0], xy[:, 1]
        readings = [
            ("x and y (longitude and latitude) were swapped", y, x, crs),
            ("the sign of x (west or east) were the other one", -x, y, crs),
            ("the sign of y (north or south) were the other one", x, -y, crs),
            ("both signs were the other ones", -x, -y, crs),
            ("x and y were swapped and the sign of x were the other one", -y, x, crs),
        ]
        if crs.is_projected and not same_crs(crs, self.crs):
            readings.append((f"their coordinate system were {crs_name(self.crs)}", x, y, self.crs))
        return readings


@dataclass(frozen=True, kw_only=True, slots=True)
class Grounds(Ground):
    """
    Stands of one working CRS whose records are read together.

    Attributes
    ----------
    stands
        Ground of every stand, by its number.
    """

    stands: tuple[Ground, ...]

    @property
    def each(self) -> tuple[Ground, ...]:
        """
        Ground of every stand, by its number.

        Returns
        -------
        each
            All of them.
        """
        return self.stands

    def areas(
        self, owner: npt.NDArray[np.intp] | None
    ) -> Iterator[tuple[shapely.Polygon | shapely.MultiPolygon, slice]]:
        """
        Each stand with the records that belong to it.

        Parameters
        ----------
        owner
            Number of the stand of each record, rising.

        Yields
        ------
        area, places
            Stands without records are left out.
        """
        if owner is None:
            return
        for ground, rows in zip(self.stands, stretches(owner, len(self.stands)), strict=True):
            if rows.start < rows.stop and ground.stand is not None:
                yield ground.stand, rows

    def refuse_if_most_outside(self, reading: Reading, outside: pd.Series) -> None:
        """
        Refuse layers of which the most part of a stand's records lie outside of it.

        Parameters
        ----------
        reading
            Brought to the working CRS.
        outside
            Boolean, on its index.

        Raises
        ------
        FileError
            If more than half of any stand's records are outside.
        """
        stands = reading.mostly(outside, more_than=_MOST)
        if stands:
            msg = f"{reading.file.name}: most records of a stand lie outside of it."
            raise FileError(msg, stands=stands)


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
    pairs, owner = shapely.get_coordinates(rings, return_index=True)
    follows = owner[1:] == owner[:-1]
    ends = np.stack([pairs[:-1][follows], pairs[1:][follows]], axis=1)
    return np.asarray(shapely.linestrings(ends), dtype=object)


def polygonal(geometry: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """
    Polygon parts of geometries, without the points and lines that a cut can leave.

    Parameters
    ----------
    geometry
        Any.

    Returns
    -------
    polygons
        Polygon or MultiPolygon; an empty Polygon where there is none.
    """
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


NOWHERE = Ground(crs=CRS.from_epsg(32616), stand=None, lon=-87.0, lat=45.0)
"""Stands in for a stand that was refused, so that faults of the other inputs are found as well."""
