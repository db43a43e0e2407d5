"""Openings sheets: one small map per opening, all at one scale, with measures and distances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from glademark.report.map_sheets.drawing.coordinates import draw_grid
from glademark.report.map_sheets.drawing.labels import Label, Line
from glademark.report.map_sheets.drawing.lettering import broken
from glademark.report.map_sheets.drawing.map_frame import MapFrame, frame_over
from glademark.report.map_sheets.drawing.page import INK, Fill, Lettering
from glademark.report.map_sheets.drawing.paper import Box, fitting_scale, paper_size
from glademark.report.map_sheets.drawing.symbols import DISTANCE, shape_outline
from glademark.report.map_sheets.map_drawing import draw_map
from glademark.report.map_sheets.map_labels import draw_labels, map_labels
from glademark.report.map_sheets.opening_caption import (
    TITLE_PT,
    Caption,
    caption,
    draw_caption,
)
from glademark.report.map_sheets.running_lines import sheet_body
from glademark.report.map_sheets.scale_bar import BARS_PT, draw_scale
from glademark.report.quantities import show_length

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator, Mapping, Sequence

    from glademark.report.map_sheets.content import MapContent
    from glademark.report.map_sheets.drawing.page import Page

Shown = tuple["dict[Hashable, Any]", Caption]

ENLARGED = 1.5
"""Size of the symbols of trees on these maps, against the overview."""

_GAP_PT = 10.0
_EDGE_PT = 9.0
_CELL_PT = 176.0  # least width of a cell
_OFF_PT = 2.5  # between a distance and its label
_LEAST_MAP_PT = 94.0  # least height of a map
_WORDS = (
    "A limit with no word behind it is met. Grid north is up; all maps have one scale; symbols as "
    "on the overview."
)


@dataclass(frozen=True, kw_only=True, slots=True)
class OpeningsPlan:
    """
    How the openings sheets are drawn.

    Attributes
    ----------
    size
        Of a sheet [points].
    columns, rows
        Of cells on a sheet.
    caption_pt
        Height of the highest caption.
    denominator
        Of the common scale.
    sheets
        Openings on each sheet: rows of their layer, and what stands at their maps.
    """

    size: tuple[float, float]
    columns: int
    rows: int
    caption_pt: float
    denominator: int
    sheets: tuple[tuple[Shown, ...], ...]


def plan_openings(content: MapContent, *, landscape: bool) -> OpeningsPlan | None:
    """Cells and scale of the openings sheets."""
    rows = [*content.layout.openings.to_dict("records")]
    if not rows:
        return None
    size = paper_size(content.delivery.project.deliver.paper, content.units, landscape=landscape)
    body = _cells_box(size, content)
    most = max(1, int((body.width + _GAP_PT) / (_CELL_PT + _GAP_PT)))
    shown = [(row, caption(content, row)) for row in rows]
    plans = [_plan(content, shown, size, across) for across in range(1, most + 1)]
    return min(plans, key=lambda plan: (len(plan.sheets), plan.denominator, plan.columns))


def _plan(
    content: MapContent,
    shown: Sequence[Shown],
    size: tuple[float, float],
    across: int,
) -> OpeningsPlan:
    """Cells and scale with some number of columns."""
    body = _cells_box(size, content)
    width = (body.width - (across - 1) * _GAP_PT) / across
    below = max(found.height(width) for _, found in shown)
    down = max(1, int((body.height + _GAP_PT) / (TITLE_PT + _LEAST_MAP_PT + below + _GAP_PT)))
    down = min(down, -(-len(shown) // across))
    height = (body.height - (down - 1) * _GAP_PT) / down - TITLE_PT - below
    bounds = shapely.bounds([row["geometry"] for row, _ in shown])
    largest = (bounds[:, 2:] - bounds[:, :2]).max(axis=0)
    room = (width - 2 * _EDGE_PT, height - 2 * _EDGE_PT)
    each = across * down
    return OpeningsPlan(
        size=size,
        columns=across,
        rows=down,
        caption_pt=below,
        denominator=fitting_scale((float(largest[0]), float(largest[1])), room, content.units),
        sheets=tuple(tuple(shown[at : at + each]) for at in range(0, len(shown), each)),
    )


def _cells_box(size: tuple[float, float], content: MapContent) -> Box:
    """What scale and remarks leave of a sheet for cells."""
    return sheet_body(size, content.delivery).inset(bottom=BARS_PT - 6)


def draw_openings(
    page: Page, plan: OpeningsPlan, content: MapContent, at: int
) -> tuple[MapFrame, ...]:
    """Draw one openings sheet."""
    frames = []
    for cell, shown in zip(_cells(plan, content), plan.sheets[at], strict=False):
        frames.append(_draw_cell(page, cell, plan, content, shown))
    body = sheet_body(plan.size, content.delivery)
    below = Box(left=body.left, bottom=body.bottom, width=200, height=BARS_PT - 14)
    draw_scale(page, below, frames[0], content.units)
    room = body.width - below.width - 30
    lines = broken(_WORDS, room, 6.6)
    page.lines_of_text(below.right + 30, below.top - 2, lines, Lettering(size=6.6))
    return tuple(frames)


def _cells(plan: OpeningsPlan, content: MapContent) -> Iterator[Box]:
    """Cells of a sheet, row by row."""
    body = _cells_box(plan.size, content)
    height = (body.height - (plan.rows - 1) * _GAP_PT) / plan.rows
    for row in range(plan.rows):
        top = body.top - row * (height + _GAP_PT)
        strip = Box(left=body.left, bottom=top - height, width=body.width, height=height)
        yield from strip.columns([1.0] * plan.columns, gap=_GAP_PT)


def _draw_cell(
    page: Page, cell: Box, plan: OpeningsPlan, content: MapContent, shown: Shown
) -> MapFrame:
    """Title, map and caption of one opening."""
    row, found = shown
    draw_caption(page, cell, found, height=plan.caption_pt)
    box = cell.inset(top=TITLE_PT, bottom=plan.caption_pt)
    number = row["opening"]
    frame = frame_over(f"Opening {number}", box, tuple(row["geometry"].bounds), plan.denominator)
    drawn = draw_map(page, frame, content, enlarged=ENLARGED)
    draw_grid(page, frame, content.layout.crs, labelled=False)
    distances = list(_distances(page, frame, content, row))
    draw_labels(page, frame, content, [*distances, *map_labels(frame, content, drawn)])
    return frame


def _distances(
    page: Page, frame: MapFrame, content: MapContent, row: Mapping[Hashable, Any]
) -> Iterator[Label]:
    """Lines to the nearest opening, boundary and water, where they lie on the map."""
    layout = content.layout
    openings = layout.openings
    targets: Sequence[shapely.Geometry] = [
        *openings.geometry[openings["opening"] == row["nearest"]],
        *shapely.boundary(np.array([content.stand], dtype=object)),
        *([shapely.union_all(layout.water.geometry.to_numpy())] if len(layout.water) else []),
    ]
    west, south, east, north = frame.ground
    room = shapely.box(west, south, east, north)
    for target in targets:
        line = shapely.shortest_line(row["geometry"], target)
        if line is None or line.is_empty or line.length == 0 or not room.contains(line):
            continue
        on_sheet = frame.drawn([line])[0]
        page.shapes([on_sheet], DISTANCE, level=7)
        ends = shapely.get_coordinates(on_sheet)
        dots = np.full(len(ends), 2.2)
        page.symbols(shape_outline("circle"), ends, dots, Fill(face=INK), level=7.1)
        words = show_length(float(line.length), content.units)
        text = (Line(words=words, size=6.4, face="bold"),)
        label = Label(lines=text, feature=on_sheet)
        yield Label(lines=text, feature=on_sheet, spots=_beside(ends, label.size), around=False)


def _beside(ends: np.ndarray, size: tuple[float, float]) -> np.ndarray:
    """Places beside a straight line for a label of some size, its middle first."""
    along = ends[-1] - ends[0]
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)
    off = across * (np.abs(across) @ np.array(size) / 2 + _OFF_PT)
    middles = [ends[0] + along * share for share in (0.5, 0.35, 0.65, 0.2, 0.8, 0.0, 1.0)]
    return np.array([middle + side * off for middle in middles for side in (1, -1)])
