"""The stand: polygons of a boundary file as one valid area."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import shapely

from glademark.errors import FileError
from glademark.intake.crs import (
    middle,
    note_missing_grids,
    stated_crs,
    transformed,
    working_crs,
)
from glademark.intake.ground import Ground, polygonal
from glademark.intake.outlines import with_areas
from glademark.intake.placement import placed
from glademark.intake.records import Ledger, Reading
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
    name = reading.file.name
    own = stated_crs(reading, source.crs, ledger)
    reading = placed(reading, own, ledger)
    if not len(reading.rows):
        msg = f"{name}: no feature in it has a position. Expected the polygon of the stand."
        raise FileError(msg)
    lon, lat = middle(reading.shapes, own, where=name)
    crs = working_crs(own, lon=lon, lat=lat, stated=stated, ledger=ledger)
    warning = note_missing_grids(own, crs, lon=lon, lat=lat)
    if warning:
        ledger.notice(f"{name}: {warning}")
    reading = replace(reading, geometry=transformed(reading.shapes, own, crs))
    reading = with_areas(reading, ledger, gap_max_m=CLOSED_M)
    area = _united(reading.shapes, name, ledger)
    ledger.use(reading)
    return Ground(crs=crs, stand=area, lon=lon, lat=lat)


def _united(
    geometry: gpd.GeoSeries, name: str, ledger: Ledger
) -> shapely.Polygon | shapely.MultiPolygon:
    """All polygons as one area, each spot once."""
    area = shapely.union_all(geometry.to_numpy())
    twice = float(geometry.area.sum() - area.area)
    if twice > PART_MIN_M2:
        ledger.notice(f"{name}: polygons overlap by {twice:,.0f} m2, which counts once.")
    parts = shapely.get_parts(area)
    large = shapely.area(parts) >= PART_MIN_M2
    if not large.any():
        msg = f"{name}: the stand has an area below 1 m2. Check the file and its coordinate system."
        raise FileError(msg)
    if not large.all():
        ledger.notice(f"{name}: {counted(int((~large).sum()), 'part')} below 1 m2 left out.")
    whole: shapely.Polygon | shapely.MultiPolygon = polygonal(
        np.array([shapely.union_all(parts[large])], dtype=object)
    )[0]
    return whole
