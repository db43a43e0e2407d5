"""Outlines as valid areas: closed lines filled, small crossings mended, large ones refused."""

from collections.abc import Hashable
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.validation import explain_validity

from glademark.contracts.valid_shapes import MEND_SHARE_MAX, mended_outlines
from glademark.intake.record_log import RecordLog
from glademark.intake.records import Reading
from glademark.intake.site import polygonal
from glademark.wording import counted, shown

MEND_MAX_M2 = 100.0
"""Area by which mending may change a polygon [m2]."""

_CORNERS_MIN = 3


def with_areas(
    reading: Reading,
    log: RecordLog,
    *,
    gap_max_m: float,
    crosses_at: dict[Hashable, str] | None = None,
) -> Reading:
    """
    Records, in metres, as valid Polygon or MultiPolygon; lines with a gap up to `gap_max_m` closed.

    A stand is refused where there are points, a line is open, or a polygon has no area or crosses
    itself so that mending would move its area by 0.1 % or 100 m2: every such record is named. With
    `crosses_at`, an outline that crosses itself is kept, mended, and the place entered there by the
    index of the record.
    """
    shapes = reading.shapes.to_numpy().copy()
    dimensions = shapely.get_dimensions(shapes)
    faults: dict[int, str] = {}  # by position
    for at in map(int, np.flatnonzero(dimensions < 2)):  # noqa: PLR2004 - outlines drawn as lines are few
        shapes[at], fault = _area_of_line(shapes[at], gap_max_m)
        faults |= {at: fault} if fault else {}
    broken = ~shapely.is_valid(shapes) & ~shapely.is_missing(shapes)
    for at in map(int, np.flatnonzero(broken)):  # broken polygons are few as well
        if crosses_at is not None:
            whole, crossings = mended_outlines(shapes[[at]])
            shapes[at] = polygonal(whole)[0]
            crosses_at |= {reading.index[at]: crossings[0]} if crossings[0] else {}
            continue
        shapes[at], mend, fault = _mended(shapes[at])
        faults |= {at: fault} if fault else {}
        if mend:
            text = f"{reading.file.name}, {reading.at(at)}: {mend}"
            log.notice(text, stand=int(reading.stand[at]))
    flat = np.flatnonzero(~(shapely.area(shapes) > 0))
    lost = set(reading.stand[list(faults)].tolist())
    no_area = "the polygon has no area. Draw it again."
    faults |= {int(at): no_area for at in flat if reading.stand[at] not in lost}
    areas = gpd.GeoSeries(shapes, index=reading.index, crs=reading.shapes.crs)
    lines = pd.Series(dimensions == 1, index=reading.index)
    left = log.refuse(
        replace(reading, geometry=areas),
        (
            (int(reading.stand[at]), f"{reading.file.name}, {reading.at(at)}: {fault}")
            for at, fault in faults.items()
        ),
    )
    for stand, places in left.split(lines[left.index]):
        number = counted(len(places), "closed line")
        log.notice(f"{reading.file.name}: {number} read as the area inside.", stand=stand)
    return left


def _area_of_line(line: shapely.Geometry, gap_max_m: float) -> tuple[shapely.Polygon | None, str]:
    """Polygon inside a line whose ends meet; or what is wrong with it."""
    if shapely.get_dimensions(line) == 0:
        return None, "a polygon is expected, and this is a point. Name the layer of areas."
    merged = shapely.line_merge(line)
    pieces = shapely.get_num_geometries(merged)
    if pieces > 1:
        return None, f"the line is in {pieces} pieces that do not meet. Draw it as one polygon."
    points = shapely.get_coordinates(merged)
    gap = float(np.hypot(*(points[0] - points[-1])))
    if gap > gap_max_m:
        return None, (
            f"the line is open; its ends are {gap:.2f} m apart. Close it, or draw a polygon."
        )
    if len(np.unique(points, axis=0)) < _CORNERS_MIN:
        return None, "the line encloses no area. Draw the boundary as a polygon."
    return shapely.Polygon(points), ""


def _mended(before: shapely.Polygon | shapely.MultiPolygon) -> tuple[shapely.Geometry, str, str]:
    """Valid polygon and what was done; or why that would change too much."""
    corners = len(np.unique(shapely.get_coordinates(before), axis=0))
    if corners < _CORNERS_MIN:
        number = ("no", "one", "two")[corners]
        fault = f"the polygon has {number} corners, and an area needs three. Draw it again."
        return before, "", fault
    valid = shapely.make_valid(before, method="structure", keep_collapsed=False)
    after = polygonal(np.array([valid], dtype=object))[0]
    moved = abs(after.area - before.area)
    why = shown(explain_validity(before))
    if moved < MEND_SHARE_MAX * max(after.area, before.area) and moved < MEND_MAX_M2:
        areas = f"{before.area:,.1f} to {after.area:,.1f} m2"
        return after, f"the outline was mended ({why}); its area went from {areas}.", ""
    return (
        before,
        "",
        (
            f"the outline crosses itself ({why}), and mending it would change the area by "
            f"{moved:,.0f} m2. Correct it at that place."
        ),
    )
