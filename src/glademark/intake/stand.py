"""The stand: polygons of a boundary file as one valid area."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS

from glademark.errors import CrsError, FileError
from glademark.intake.crs import (
    fits,
    middles,
    note_missing_grids,
    stated_crs,
    transformed,
    working_crs,
)
from glademark.intake.outlines import with_areas
from glademark.intake.placement import placed
from glademark.intake.record_log import Ledger
from glademark.intake.records import Reading, by_stand
from glademark.intake.site import Ground, Grounds, polygonal
from glademark.intake.wording import counted
from glademark.project.model import Source

PART_MIN_M2 = 1.0
"""Parts smaller than this are left-overs of digitising [m2]."""

CLOSED_M = 0.01
"""Gap between the ends of a line that counts as closed [m]: surveys keep centimetres."""


def read_stand(reading: Reading, source: Source, ledger: Ledger, *, stated: str | None) -> Ground:
    """
    The stand in the working CRS.

    Parameters
    ----------
    reading
        Polygons, or closed lines.
    source
        As the project file states it.
    ledger
        For notices and records that are not used.
    stated
        From ``[project] working_crs``.

    Returns
    -------
    ground
        With one valid Polygon or MultiPolygon, holes kept.

    Raises
    ------
    FileError
        If there is no area, a line is open, or a crossing is too large to be mended.
    CrsError
        If the coordinate system is missing or impossible.
    """
    return read_stands(reading, source, ledger, stated=stated, stands=1).each[0]


def read_stands(
    reading: Reading, source: Source, ledger: Ledger, *, stated: str | None, stands: int
) -> Grounds:
    """
    Stands whose records are read together, all in one working CRS.

    Parameters
    ----------
    reading
        Polygons, or closed lines, each with the number of its stand.
    source
        As the project file states it.
    ledger
        For notices, records that are not used, and stands that must be read alone.
    stated
        From ``[project] working_crs``.
    stands
        How many there are.

    Returns
    -------
    grounds
        Each with one valid Polygon or MultiPolygon, holes kept.

    Raises
    ------
    FileError
        If a stand has no area, a line is open, or a crossing is too large to be mended.
    CrsError
        If the coordinate system is missing or impossible, or not the same for all stands.
    """
    name = reading.file.name
    own = stated_crs(reading, source.crs, ledger)
    reading = placed(reading, own, ledger)
    lost = set(range(stands)) - set(reading.owner.tolist())
    if lost:
        msg = f"{name}: no feature in it has a position. Expected the polygon of the stand."
        raise FileError(msg, stands=lost)
    every = [places for _, places in by_stand(reading.owner, np.arange(len(reading.rows)))]
    shapes = reading.shapes.to_numpy()
    bounds = np.array([shapely.total_bounds(shapes[places]) for places in every])
    places_on_earth = middles(bounds, own, where=name)
    crs = _common_crs(places_on_earth, own, name, stated, ledger)
    reading = replace(reading, geometry=transformed(reading.shapes, own, crs))
    reading = with_areas(reading, ledger, gap_max_m=CLOSED_M)
    shapes = reading.shapes.to_numpy()
    areas = [_united(shapes[places], name, ledger, stand) for stand, places in enumerate(every)]
    ledger.use(reading)
    each = tuple(
        Ground(crs=crs, stand=area, lon=lon, lat=lat)
        for area, (lon, lat) in zip(areas, places_on_earth, strict=True)
    )
    return Grounds(crs=crs, stand=None, lon=each[0].lon, lat=each[0].lat, stands=each)


def _common_crs(
    places: list[tuple[float, float]], own: CRS, name: str, stated: str | None, ledger: Ledger
) -> CRS:
    """Working CRS of all stands, whose middles are given."""
    if stated is None and fits(own, places):
        return own
    found = []
    for stand, (lon, lat) in enumerate(places):
        crs = working_crs(own, lon=lon, lat=lat, stated=stated, ledger=ledger, number=stand)
        warning = note_missing_grids(own, crs, lon=lon, lat=lat)
        if warning:
            ledger.notice(f"{name}: {warning}", stand=stand)
        found.append(crs)
    if any(crs != found[0] for crs in found):
        msg = f"{name}: the stands lie in several coordinate systems."
        raise CrsError(msg, stands=range(len(found)))
    return found[0]


def _united(
    shapes: npt.NDArray[np.object_], name: str, ledger: Ledger, stand: int
) -> shapely.Polygon | shapely.MultiPolygon:
    """All polygons of a stand as one area, each spot once."""
    area = shapely.union_all(shapes)
    twice = float(shapely.area(shapes).sum() - area.area)
    if twice > PART_MIN_M2:
        text = f"{name}: polygons overlap by {twice:,.0f} m2, which counts once."
        ledger.notice(text, stand=stand)
    parts = shapely.get_parts(area)
    large = shapely.area(parts) >= PART_MIN_M2
    if not large.any():
        msg = f"{name}: the stand has an area below 1 m2. Check the file and its coordinate system."
        raise FileError(msg, stands=[stand])
    if not large.all():
        text = f"{name}: {counted(int((~large).sum()), 'part')} below 1 m2 left out."
        ledger.notice(text, stand=stand)
    whole: shapely.Polygon | shapely.MultiPolygon = polygonal(
        np.array([shapely.union_all(parts[large])], dtype=object)
    )[0]
    return whole
