"""The overview, the whole stand on one sheet, and detail sheets with keys to their neighbours."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.report.map_sheets.arrangement import (
    BESIDE_PT,
    ENLARGED,
    HEADING_PT,
    LEGEND_SHARES,
    Arrangement,
    Ground,
    Tiling,
    arrangements,
    best_arrangement,
    detail_tiling,
    touching_share,
)
from glademark.report.map_sheets.content import SHEET_EDGE
from glademark.report.map_sheets.coordinates import (
    BARS_PT,
    NORTH_PT,
    draw_grid,
    draw_north,
    draw_scale,
    true_north_deg,
)
from glademark.report.map_sheets.map_drawing import Drawn, draw_map
from glademark.report.map_sheets.map_labels import Label, Line, draw_labels, map_labels
from glademark.report.map_sheets.page import INK, Fill, Lettering, Stroke
from glademark.report.map_sheets.panel import (
    Entry,
    draw_facts,
    draw_heading,
    draw_legend,
    facts_height,
    legend_entries,
    legend_height,
)
from glademark.report.map_sheets.paper import (
    Box,
    MapFrame,
    broken,
    fitting_scale,
    frame_over,
    scale_words,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from glademark.report.map_sheets.content import MapContent
    from glademark.report.map_sheets.page import Page

NOTE = Lettering(size=6.3, face="slanted")
"""How remarks on a map are set."""

_GAP_PT = 10.0
_SIZES = (1.0, 0.75, 0.55, 0.4)  # of the symbols of trees, the first that keeps them apart
_TOUCHING_SHARE = 0.12

_KEY_PT = 92.0

_STEP_PT = 6.0  # beyond an edge, where a neighbour is looked for

_EDGES = (("▲", 0, 1), ("▼", 0, -1), ("◀", -1, 0), ("▶", 1, 0))


@dataclass(frozen=True, kw_only=True, slots=True)
class OverviewPlan:
    """How the overview is drawn."""

    arrangement: Arrangement  # where map and panel stand
    frame: MapFrame  # the map
    left_out: int  # labels that find no place on it
    enlarged: float  # size of the symbols of trees; less than 1 where they would cover each other


def everything(content: MapContent, *, enlarged: float = 1.0) -> Drawn:
    """What a map of everything would show."""
    layout = content.layout
    return Drawn(
        areas=tuple(key for key, shapes in content.areas.items() if len(shapes)),
        trees=tuple(key for key, trees in content.trees.items() if len(trees.places)),
        combined=bool((layout.combined_openings["openings_count"] > 1).any()),
        steep=bool(layout.corridor_grades["steep"].fillna(value=False).any()),
        contours=(),
        interval=0,
        enlarged=enlarged,
    )


def longest_legend(content: MapContent) -> list[Entry]:
    """Lines of the longest legend that a map of this content can have."""
    entries = legend_entries(content, everything(content), indexed=True)
    if len(content.layout.contours):
        entries.append(Entry(words="Contour every 100 ft", draw=lambda _page, _box: None))
    return entries


def plan_overview(content: MapContent) -> OverviewPlan:
    """Paper, scale and frame of the overview."""
    height = partial(facts_height, content.delivery)
    found = list(arrangements(content, longest_legend(content), first_pt=height))
    arrangement, denominator = best_arrangement(found, content)
    frame = frame_over("Overview", arrangement.map_box, content.extent, denominator)
    labels = map_labels(frame, content, everything(content))
    left_out = draw_labels(None, frame, content, labels)
    enlarged = next(
        (
            size
            for size in _SIZES
            if touching_share(content, denominator, enlarged=size) <= _TOUCHING_SHARE
        ),
        _SIZES[-1],
    )
    return OverviewPlan(
        arrangement=arrangement, frame=frame, left_out=len(left_out), enlarged=enlarged
    )


def draw_overview(
    page: Page, plan: OverviewPlan, content: MapContent, sheets: Sequence[tuple[int, Ground]]
) -> tuple[MapFrame, ...]:
    """Draw the overview."""
    frame, delivery = plan.frame, content.delivery
    drawn = draw_map(page, frame, content, enlarged=plan.enlarged)
    draw_grid(page, frame, content.layout.crs)
    edges = [(number, frame.drawn([shapely.box(*ground)])[0]) for number, ground in sheets]
    for _, edge in edges:
        page.shapes([shapely.boundary(edge)], SHEET_EDGE, level=3.4, clip=frame.box)
    labels = map_labels(frame, content, drawn, sheets=edges)
    left_out = draw_labels(page, frame, content, labels)
    notes = _notes(content, frame, len(left_out))
    draw_panel(
        page,
        plan.arrangement,
        lambda box: draw_facts(page, draw_heading(page, box, "At a glance"), delivery),
        Explained(
            content=content,
            frame=frame,
            entries=tuple(legend_entries(content, drawn, indexed=bool(sheets))),
            facts_pt=facts_height(delivery, BESIDE_PT),
            notes=tuple(notes),
        ),
    )
    return (frame,)


def _notes(content: MapContent, frame: MapFrame, left_out: int) -> list[str]:
    """Remarks on a map."""
    asked, notes = content.delivery.project.deliver.scale, []
    if asked is not None and asked != frame.denominator:
        shown = scale_words(frame.denominator, content.units)
        notes.append(f"1:{asked:,} as asked for does not fit this paper; drawn at {shown}.")
    return notes + left_out_note(left_out)


def left_out_note(left_out: int) -> list[str]:
    """A remark on labels that found no place."""
    if not left_out:
        return []
    names = "1 name" if left_out == 1 else f"{left_out} names"
    return [f"{names} left out for want of room."]


@dataclass(frozen=True, kw_only=True, slots=True)
class Explained:
    """What a panel explains."""

    content: MapContent  # what the maps show
    frame: MapFrame  # the map
    entries: tuple[Entry, ...]  # lines of its legend
    facts_pt: float  # height of what stands first in the panel, without its heading
    notes: tuple[str, ...]  # remarks under the legend


def draw_panel(
    page: Page,
    arrangement: Arrangement,
    draw_first: Callable[[Box], object],
    explained: Explained,
) -> None:
    """Draw the panel of a map sheet: what stands first, the legend, scale and north."""
    panel = arrangement.panel
    if arrangement.beside:
        draw_first(panel)
        legend = panel.inset(top=explained.facts_pt + HEADING_PT + _GAP_PT)
        scale = Box(
            left=panel.left, bottom=panel.bottom, width=panel.width, height=BARS_PT + NORTH_PT
        )
        columns = 1
    else:
        first, legend, scale = panel.columns(LEGEND_SHARES, gap=2 * _GAP_PT)
        draw_first(first)
        columns = 2
    _draw_legend(page, legend, explained, columns)
    _draw_scale(page, scale, explained)


def _draw_legend(page: Page, box: Box, explained: Explained, columns: int) -> None:
    """Legend with its heading and remarks."""
    below = draw_heading(page, box, "On this map")
    draw_legend(page, below, explained.entries, columns=columns)
    height = legend_height(explained.entries, below.width, columns=columns)
    lines = [line for note in explained.notes for line in broken(note, below.width, NOTE.size)]
    page.lines_of_text(below.left, below.top - height - 3, lines, NOTE)


def _draw_scale(page: Page, box: Box, explained: Explained) -> None:
    """Scale, and north below it."""
    content, frame = explained.content, explained.frame
    draw_scale(page, box, frame, content.units)
    west, south, east, north = frame.ground
    degrees = true_north_deg(content.layout.crs, (west + east) / 2, (south + north) / 2)
    below = Box(
        left=box.left, bottom=box.top - BARS_PT - NORTH_PT, width=box.width, height=NORTH_PT
    )
    draw_north(page, below, degrees)


@dataclass(frozen=True, kw_only=True, slots=True)
class DetailPlan:
    """How the detail sheets are drawn."""

    arrangement: Arrangement  # where map and panel stand on each
    tiling: Tiling  # their scale and grounds


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
