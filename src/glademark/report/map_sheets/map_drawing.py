"""The map itself: ground, areas, corridors, boundary and trees inside one frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.report.map_sheets.content import (
    AREAS,
    BOUNDARY,
    BOUNDARY_BAND,
    COMBINED,
    CONTOUR,
    INDEX_CONTOUR,
    OUTSIDE,
    STEEP,
    TREES,
    Trees,
    draw_trees,
    shape_outline,
)
from glademark.report.map_sheets.page import WHITE, Fill, Stroke
from glademark.units import SHOWN_LENGTH_M

if TYPE_CHECKING:
    import geopandas as gpd

    from glademark.contracts.layers import Units
    from glademark.report.map_sheets.content import MapContent
    from glademark.report.map_sheets.page import Page
    from glademark.report.map_sheets.paper import MapFrame

_ABOVE_CORRIDORS = ("openings",)  # whose edge is drawn over the corridors as well
_POINT = Fill(face="#ff0000")
_POINT_PT = 3.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Drawn:
    """What a frame shows: all that its legend has to explain."""

    areas: tuple[str, ...]  # keys of `report.map_sheets.content.AREAS`
    trees: tuple[str, ...]  # keys of `report.map_sheets.content.TREES`
    combined: bool  # whether a hole of several openings is there
    steep: bool  # whether a steep piece of corridor is there
    contours: tuple[Contour, ...]  # contour lines
    interval: int  # of the contour lines, in feet or metres
    enlarged: float  # size of the symbols of trees against the overview


def draw_map(page: Page, frame: MapFrame, content: MapContent, *, enlarged: float = 1.0) -> Drawn:
    """Draw a map into its frame."""
    _draw_stand(page, frame, content)
    lines, interval = _draw_contours(page, frame, content)
    areas = tuple(key for key in content.areas if _draw_area(page, frame, content, key))
    combined = _draw_combined(page, frame, content)
    steep = _draw_steep(page, frame, content)
    trees = tuple(
        key
        for level, key in enumerate(TREES)
        if _draw_trees(page, frame, content, (key, 4 + level / 10, enlarged))
    )
    if len(content.points):
        places = np.column_stack(frame.on_paper(content.points[:, 0], content.points[:, 1]))
        sizes = np.full(len(places), _POINT_PT)
        page.symbols(shape_outline("circle"), places, sizes, _POINT, level=9.5, clip=frame.box)
    page.box(frame.box, Stroke(width=0.9), level=8)
    return Drawn(
        areas=areas,
        trees=trees,
        combined=combined,
        steep=steep,
        contours=tuple(lines),
        interval=interval,
        enlarged=enlarged,
    )


def _draw_stand(page: Page, frame: MapFrame, content: MapContent) -> None:
    """Ground around the stand, the stand in white, and its boundary."""
    stand = frame.drawn([content.stand])
    page.box(frame.box, Fill(face=OUTSIDE), level=1)
    page.shapes(stand, Fill(face=WHITE), level=1.1, clip=frame.box)
    page.shapes(stand, BOUNDARY_BAND, level=1.2, clip=frame.box)
    page.shapes(shapely.boundary(stand), BOUNDARY, level=3.2, clip=frame.box)


def _draw_contours(page: Page, frame: MapFrame, content: MapContent) -> tuple[list[Contour], int]:
    """Contour lines where the terrain is known."""
    layer = content.layout.contours
    if layer.empty:
        return [], 0
    interval = contour_interval(layer, frame, content.units)
    found = contours(layer, frame, content.units, interval=interval)
    for contour in found:
        stroke = INDEX_CONTOUR if contour.is_index else CONTOUR
        page.shapes(contour.lines, stroke, level=1.5, clip=frame.box)
    return found, interval


def _draw_area(page: Page, frame: MapFrame, content: MapContent, key: str) -> bool:
    """Areas of one kind, those that touch as one; whether there are any in the frame."""
    shapes = frame.drawn(content.areas[key])
    if not len(shapes):
        return False
    level = 2 + list(content.areas).index(key) / 20
    style = AREAS[key]
    if key in {"new", "existing", "water"} or style.hatch:
        shapes = np.array([shapely.union_all(shapes)], dtype=object)
    page.shapes(shapes, style, level=level, clip=frame.box)
    if key in _ABOVE_CORRIDORS and style.edge is not None:
        page.shapes(shapes, style.edge, level=3, clip=frame.box)
    return True


def _draw_combined(page: Page, frame: MapFrame, content: MapContent) -> bool:
    """Edges of holes that several openings make with the corridors at them."""
    combined = content.layout.combined_openings
    shapes = frame.drawn(combined[combined["openings_count"] > 1].geometry.to_numpy())
    page.shapes(shapely.boundary(shapes), COMBINED, level=3.1, clip=frame.box)
    return bool(len(shapes))


def _draw_steep(page: Page, frame: MapFrame, content: MapContent) -> bool:
    """Pieces of corridor steeper than stated."""
    grades = content.layout.corridor_grades
    steep = grades["steep"].fillna(value=False).astype(bool)
    shapes = frame.drawn(grades[steep].geometry.to_numpy())
    page.shapes(shapes, STEEP, level=3.15, clip=frame.box)
    return bool(len(shapes))


def _draw_trees(
    page: Page, frame: MapFrame, content: MapContent, symbol: tuple[str, float, float]
) -> bool:
    """Trees of one symbol (its key, level and size); whether there are any in the frame."""
    key, level, enlarged = symbol
    found = trees_in(frame, content, key, enlarged=enlarged)
    draw_trees(page, key, found.places, found.widths, level=level, clip=frame.box)
    return bool(len(found.places))


def trees_in(frame: MapFrame, content: MapContent, key: str, *, enlarged: float) -> Trees:
    """Trees of one symbol that stand in a frame, on the sheet [points]."""
    found = content.trees[key]
    x, y = frame.on_paper(found.places[:, 0], found.places[:, 1])
    box = frame.box
    inside = (x >= box.left) & (x <= box.right) & (y >= box.bottom) & (y <= box.top)
    size = max(enlarged, 1.0) if TREES[key].width else enlarged  # what must be seen stays large
    return Trees(
        places=np.column_stack([x, y])[inside],
        widths=found.widths[inside] * size,
        names=found.names[inside],
    )


_STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500)
_INDEX_EVERY = 5
_APART_PT = 9.0  # that contour lines should have between them on average


@dataclass(frozen=True, kw_only=True, slots=True)
class Contour:
    """The lines of one height."""

    height: int  # in feet or metres
    lines: np.ndarray  # on the sheet [points]
    is_index: bool  # whether it is drawn stronger and labelled


def contour_interval(layer: gpd.GeoDataFrame, frame: MapFrame, units: Units) -> int:
    """Round interval of contour lines for a map."""
    size = SHOWN_LENGTH_M[units]
    own_m = float(layer["interval_m"].iloc[0])
    ground = shapely.box(*frame.ground)
    area_m2 = shapely.intersection(ground, shapely.box(*layer.total_bounds)).area
    lines = shapely.clip_by_rect(layer.geometry.to_numpy(), *frame.ground)
    slope = own_m * float(shapely.length(lines).sum()) / area_m2 if area_m2 > 0 else 0.0
    least = slope * _APART_PT * frame.metres_per_point / size
    own = round(own_m / size)
    steps = [step for step in _STEPS if step % own == 0]
    return next((step for step in steps if step >= least), steps[-1])


def contours(
    layer: gpd.GeoDataFrame, frame: MapFrame, units: Units, *, interval: int
) -> list[Contour]:
    """Contour lines of a map."""
    heights = np.round(layer["elevation_m"].to_numpy(dtype=float) / SHOWN_LENGTH_M[units]).astype(
        int
    )
    shown = heights % interval == 0
    found = []
    for height, lines in zip(heights[shown], layer.geometry.to_numpy()[shown], strict=True):
        drawn = frame.drawn(list(shapely.get_parts(lines)))
        if len(drawn):
            found.append(
                Contour(
                    height=int(height),
                    lines=drawn,
                    is_index=int(height) // interval % _INDEX_EVERY == 0,
                )
            )
    return found
