"""Detail sheets: parts of the stand at a larger scale, each with a key to its neighbours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.report.map_sheets.arrangement import Arrangement, arrangements
from glademark.report.map_sheets.drawing.coordinates import draw_grid
from glademark.report.map_sheets.drawing.labels import Label, Line
from glademark.report.map_sheets.drawing.map_frame import MapFrame, frame_over
from glademark.report.map_sheets.drawing.page import INK, Fill, Lettering, Stroke
from glademark.report.map_sheets.drawing.paper import Box, fitting_scale
from glademark.report.map_sheets.facts import draw_heading
from glademark.report.map_sheets.legend import legend_entries
from glademark.report.map_sheets.map_drawing import draw_map
from glademark.report.map_sheets.map_labels import draw_labels, map_labels
from glademark.report.map_sheets.overview_sheet import (
    Explained,
    draw_panel,
    left_out_note,
    longest_legend,
)
from glademark.report.map_sheets.tiles import ENLARGED, Ground, Tiling, detail_tiling

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from glademark.report.map_sheets.content import MapContent
    from glademark.report.map_sheets.drawing.page import Page

_KEY_PT = 92.0
_STEP_PT = 6.0  # beyond an edge, where a neighbour is looked for
_EDGES = (("▲", 0, 1), ("▼", 0, -1), ("◀", -1, 0), ("▶", 1, 0))


@dataclass(frozen=True, kw_only=True, slots=True)
class DetailPlan:
    """
    How the detail sheets are drawn.

    Attributes
    ----------
    arrangement
        Where map and panel stand on each.
    tiling
        Their scale and grounds.
    """

    arrangement: Arrangement
    tiling: Tiling


def plan_details(content: MapContent, overview: int) -> DetailPlan | None:
    """Paper, scale and grounds of the detail sheets."""
    found = []
    for arrangement in arrangements(content, longest_legend(content), first_pt=lambda _: _KEY_PT):
        box = arrangement.map_box
        tiling = detail_tiling(content, (box.width, box.height), overview)
        if tiling is not None and len(tiling.grounds):
            found.append(DetailPlan(arrangement=arrangement, tiling=tiling))
    if not found:
        return None
    return min(found, key=lambda plan: (plan.tiling.denominator, len(plan.tiling.grounds)))


def draw_detail(
    page: Page, plan: DetailPlan, content: MapContent, sheets: Sequence[tuple[int, Ground]], at: int
) -> tuple[MapFrame, ...]:
    """Draw one detail sheet."""
    number, ground = sheets[at]
    box = plan.arrangement.map_box
    frame = frame_over(f"Detail, sheet {number}", box, ground, plan.tiling.denominator)
    drawn = draw_map(page, frame, content, enlarged=ENLARGED)
    draw_grid(page, frame, content.layout.crs)
    neighbours = list(_neighbour_labels(frame, sheets, number))
    labels = [*neighbours, *map_labels(frame, content, drawn)]
    left_out = draw_labels(page, frame, content, labels)
    draw_panel(
        page,
        plan.arrangement,
        lambda first: _draw_key(
            page, draw_heading(page, first, "Where it is"), content, (sheets, number)
        ),
        Explained(
            content=content,
            frame=frame,
            entries=tuple(legend_entries(content, drawn)),
            facts_pt=_KEY_PT,
            notes=tuple(left_out_note(len(left_out))),
        ),
    )
    return (frame,)


def _neighbour_labels(
    frame: MapFrame, sheets: Sequence[tuple[int, Ground]], number: int
) -> Iterator[Label]:
    """At each edge, the number of the sheet that goes on from there."""
    west, south, east, north = frame.ground
    step = _STEP_PT * frame.metres_per_point
    half = ((east - west) / 2, (north - south) / 2)
    for arrow, across, along in _EDGES:
        x = (west + east) / 2 + across * (half[0] + step)
        y = (south + north) / 2 + along * (half[1] + step)
        near = [
            (shapely.distance(shapely.Point(x, y), shapely.box(*ground)), other)
            for other, ground in sheets
            if other != number
        ]
        if not near or min(near)[0] > step * 2:
            continue
        line = Line(words=f"{arrow} sheet {min(near)[1]}", size=6.8, face="bold")
        spots = _edge_spots(
            frame.box, (across, along), Label(lines=(line,), feature=shapely.Point())
        )
        yield Label(
            lines=(line,), feature=shapely.box(*_corners(frame.box)), spots=spots, around=False,
            boxed=True,
        )  # fmt: skip


def _corners(box: Box) -> tuple[float, float, float, float]:
    """Left, bottom, right and top of a box."""
    return box.left, box.bottom, box.right, box.top


def _edge_spots(box: Box, towards: tuple[int, int], label: Label) -> np.ndarray:
    """Places along an edge of the map, its middle first."""
    across, along = towards
    width, height = label.size
    x, y = box.left + box.width / 2, box.bottom + box.height / 2
    x += across * (box.width / 2 - width / 2 - 6)
    y += along * (box.height / 2 - height / 2 - 5)
    shifts = np.array([0, 30, -30, 60, -60, 90, -90, 130, -130], dtype=float)
    return np.column_stack([x + shifts * abs(along), y + shifts * abs(across)])


def _draw_key(
    page: Page, box: Box, content: MapContent, sheets: tuple[Sequence[tuple[int, Ground]], int]
) -> None:
    """The stand in small, with the grounds of the sheets and this one among them."""
    grounds, number = sheets
    edges = np.array([shapely.box(*ground) for _, ground in grounds], dtype=object)
    bounds = shapely.total_bounds([*edges, content.stand])
    room = Box(left=box.left, bottom=box.top - _KEY_PT, width=box.width, height=_KEY_PT - 2)
    ground = (bounds[2] - bounds[0], bounds[3] - bounds[1])
    scale = fitting_scale(ground, (room.width, room.height), "metric")
    small = frame_over("", room, tuple(float(b) for b in bounds), scale)  # type: ignore[arg-type]
    page.shapes(small.drawn([content.stand]), Fill(face="#dcd8cc", edge=Stroke(width=0.7)), level=5)
    for (other, _), edge in zip(grounds, small.drawn(edges), strict=True):
        this = other == number
        page.shapes(
            [edge], Fill(edge=Stroke(colour=INK, width=1.6 if this else 0.5)), level=5.5 + this
        )
        middle = shapely.centroid(edge)
        lettering = Lettering(
            size=7.5 if this else 6, face="bold" if this else "plain", align="center", halo=this
        )
        page.text(middle.x, middle.y - 2.4, str(other), lettering)
