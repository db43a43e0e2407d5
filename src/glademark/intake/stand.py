"""
The stand: polygons of a boundary file as one valid area.
"""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.validation import explain_validity

from glademark.errors import FileError
from glademark.intake.crs import (
    middle,
    note_missing_grids,
    placed,
    stated_crs,
    transformed,
    working_crs,
)
from glademark.intake.ground import Ground, polygonal
from glademark.intake.records import Ledger, Reading
from glademark.intake.wording import counted, shown
from glademark.project.model import Source

MEND_SHARE_MAX = 0.001
"""Share of its area by which mending may change a polygon."""

MEND_MAX_M2 = 100.0
"""Area by which mending may change a polygon [m2]."""

PART_MIN_M2 = 1.0
"""Parts smaller than this are left-overs of digitising [m2]."""

CLOSED_M = 0.01
"""Gap between the ends of a line that counts as closed [m]: survey coordinates are kept to the centimetre."""


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
    if reading.geometry is None or not len(reading.rows):
        msg = f"{name}: no feature in it has a position. Expected the polygon of the stand."
        raise FileError(msg)
    lon, lat = middle(reading.geometry, own, where=name)
    crs = working_crs(own, lon=lon, lat=lat, stated=stated, ledger=ledger)
    note_missing_grids(own, crs, lon=lon, lat=lat, where=name, ledger=ledger)
    geometry = transformed(reading.geometry, own, crs)
    geometry = areas_of_lines(geometry, reading, ledger, gap_max_m=CLOSED_M)
    geometry, fault = mended(geometry, reading, ledger)
    if (fault != "").any():
        raise FileError(
            *(
                f"{name}, {reading.place(fault == text)}: {text}"
                for text in fault[fault != ""].unique()
            )
        )
    area = _united(geometry, name, ledger)
    ledger.use(reading)
    return Ground(crs=crs, stand=area, lon=lon, lat=lat)


def areas_of_lines(
    geometry: gpd.GeoSeries, reading: Reading, ledger: Ledger, *, gap_max_m: float
) -> gpd.GeoSeries:
    """
    Closed lines as the polygons that they enclose.

    Parameters
    ----------
    geometry
        In metres, on the index of `reading.rows`.
    reading
        For messages.
    ledger
        For the notice.
    gap_max_m
        Gap between the ends of a line that is still closed [m].

    Returns
    -------
    geometry
        Polygons are kept.

    Raises
    ------
    FileError
        If a line is open, or there are points.
    """
    shapes = geometry.to_numpy().copy()
    dimensions = shapely.get_dimensions(shapes)
    if (dimensions == 0).any():
        place = reading.place(pd.Series(dimensions == 0, index=geometry.index))
        msg = f"{reading.file.name}, {place}: a polygon is expected, and this is a point. Name the layer of areas."
        raise FileError(msg)
    lines = np.flatnonzero(dimensions == 1)
    for at in lines:  # boundaries are few; tracks of one boundary may have several parts
        one = pd.Series(np.arange(len(shapes)) == at, index=geometry.index)
        shapes[at] = _area_of_line(
            shapes[at], f"{reading.file.name}, {reading.place(one)}", gap_max_m
        )
    if lines.size:
        ledger.notice(
            f"{reading.file.name}: {counted(lines.size, 'closed line')} read as the area inside."
        )
    return gpd.GeoSeries(shapes, index=geometry.index, crs=geometry.crs)


def _area_of_line(line: shapely.Geometry, where: str, gap_max_m: float) -> shapely.Polygon:
    """Polygon inside a line whose ends meet."""
    merged = shapely.line_merge(line)
    if not isinstance(merged, shapely.LineString | shapely.LinearRing):
        msg = f"{where}: the line is in {len(merged.geoms)} pieces that do not meet. Draw it as one polygon."
        raise FileError(msg)
    points = shapely.get_coordinates(merged)
    gap = float(np.hypot(*(points[0] - points[-1])))
    if gap > gap_max_m:
        msg = f"{where}: the line is open; its ends are {gap:.2f} m apart. Close it, or draw a polygon."
        raise FileError(msg)
    if len(np.unique(points, axis=0)) < 3:  # noqa: PLR2004 - corners of a triangle
        msg = f"{where}: the line encloses no area. Draw the boundary as a polygon."
        raise FileError(msg)
    return shapely.Polygon(points)


def mended(
    geometry: gpd.GeoSeries, reading: Reading, ledger: Ledger
) -> tuple[gpd.GeoSeries, pd.Series]:
    """
    Valid polygons, mended where that moves next to nothing, and why others cannot be used.

    Parameters
    ----------
    geometry
        Polygons in metres, on the index of `reading.rows`.
    reading
        For messages.
    ledger
        For the notice of a mend, with the areas before and after.

    Returns
    -------
    geometry
        Valid where `fault` is empty.
    fault
        Text: what is wrong and what to do; empty for a polygon that can be used.
    """
    shapes = geometry.to_numpy().copy()
    fault = pd.Series("", index=geometry.index, dtype="str")
    for at in np.flatnonzero(~shapely.is_valid(shapes)):  # broken polygons are few
        before = shapes[at]
        after = polygonal(
            np.array([shapely.make_valid(before, method="structure", keep_collapsed=False)])
        )[0]
        moved = abs(after.area - before.area)
        why = shown(explain_validity(before))
        if moved < MEND_SHARE_MAX * max(after.area, before.area) and moved < MEND_MAX_M2:
            one = pd.Series(np.arange(len(shapes)) == at, index=geometry.index)
            ledger.notice(
                f"{reading.file.name}, {reading.place(one)}: the outline was mended ({why}); its area went from "
                f"{before.area:,.1f} to {after.area:,.1f} m2."
            )
            shapes[at] = after
        else:
            fault.iloc[at] = (
                f"the outline crosses itself ({why}), and mending it would change the area by "
                f"{moved:,.0f} m2. Correct it at that place."
            )
    flat = pd.Series(~(shapely.area(shapes) > 0), index=geometry.index) & (fault == "")
    fault[flat] = "the polygon has no area. Draw it again."
    return gpd.GeoSeries(shapes, index=geometry.index, crs=geometry.crs), fault


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
        area = shapely.union_all(parts[large])
    return area
