"""Which labels a map has, and how they are drawn once they have their places."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.report.map_sheets.drawing.labels import (
    Label,
    Line,
    Obstacles,
    PlacedLabel,
    place_labels,
)
from glademark.report.map_sheets.drawing.lettering import (
    ASCENT,
    DESCENT,
    LEADING,
    fitted,
)
from glademark.report.map_sheets.drawing.page import INK, WHITE, Fill, Lettering, Stroke
from glademark.report.map_sheets.drawing.symbols import LEADER
from glademark.report.map_sheets.map_drawing import trees_in
from glademark.report.papers.printed_scripts import printable
from glademark.report.quantities import show_area

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from glademark.report.map_sheets.content import MapContent
    from glademark.report.map_sheets.drawing.map_frame import MapFrame
    from glademark.report.map_sheets.drawing.page import Page
    from glademark.report.map_sheets.map_drawing import Drawn

_ALONG = (0.5, 0.42, 0.58, 0.34, 0.66, 0.26, 0.74, 0.18, 0.82, 0.1, 0.9)
_LONGEST_NAME_PT = 160.0
_MOST_TREES = 12  # of a kind that are labelled one by one
_ALWAYS_NAMED = ("danger", "line")
_LARGEST = 1.5  # of symbols against the overview, on any sheet
_MUST_BE_SEEN = ("leave", "unconfirmed", "line", "line_confirmed", "danger", "crossing")
_TREE_WORDS = {"danger": "DANGER", "line": "line tree", "crossing": "crossing"}
_AREA_COLOURS = {
    "hazards": "#8f0016",
    "exclusions": "#55246e",
    "landings": "#463a2e",
    "water": "#1b578a",
}
_CONTOUR_COLOUR = "#6d5a38"
_NAME_COST = 40.0  # a name of an area is rather left out than put far away
_SLICES = 7
_LEAST_CONTOUR_PT = 90.0  # length of a contour that is labelled
_CONTOUR_COST = 2.5
_COVERED = {
    "openings": 4.0, "new": 2.0, "existing": 2.0, "landings": 2.0, "exclusions": 3.0, "water": 3.0,
    "no_cut": 1.5, "no_machine": 1.5, "residual_basal_area": 1.5,
}  # fmt: skip
"""Cost of covering areas, against one tree."""


def map_labels(
    frame: MapFrame,
    content: MapContent,
    drawn: Drawn,
    *,
    sheets: Sequence[tuple[int, shapely.Geometry]] = (),
) -> list[Label]:
    """
    Labels of a map, those that matter most first.

    Parameters
    ----------
    sheets
        Numbers of detail sheets and their ground on this one [points].
    """
    return [
        *_tree_labels(frame, content),
        *_opening_labels(frame, content),
        *_corridor_labels(frame, content),
        *_area_labels(frame, content),
        *_sheet_labels(sheets),
        *_contour_labels(frame, drawn),
    ]


def draw_labels(
    page: Page | None, frame: MapFrame, content: MapContent, labels: Sequence[Label]
) -> list[Label]:
    """Place and draw the labels of a map."""
    placed, left_out = place_labels(labels, frame.box, _obstacles(frame, content))
    if page is not None:
        for found in placed:
            _draw(page, found)
    return [label for label in left_out if label.most_cost > _CONTOUR_COST]


def name_line(name: object, *, size: float = 6.6, bold: bool = False) -> Line:
    """
    A name from a field file as a line of a label.

    Parameters
    ----------
    size
        Of its letters [points].
    """
    face = "bold" if bold else "plain"
    words = fitted(printable(name), _LONGEST_NAME_PT, size, "bold" if bold else "plain")
    return Line(words=words, size=size, face="bold" if face == "bold" else "plain")


def _inside(frame: MapFrame, shapes: Iterable[shapely.Geometry]) -> np.ndarray:
    """Shapes on the sheet, cut at the frame; those outside it are empty."""
    box = frame.box.inset(left=3, right=3, bottom=3, top=3)
    found = np.asarray(list(shapes), dtype=object)
    return np.asarray(shapely.intersection(frame.placed(found), box.polygon))


def _named(
    frame: MapFrame, shapes: Iterable[shapely.Geometry], names: Iterable[object]
) -> Iterator[tuple[object, shapely.Geometry]]:
    """Names and shapes of what is in the frame."""
    for name, shape in zip(names, _inside(frame, shapes), strict=True):
        if shape is not None and not shape.is_empty:
            yield name, shape


def _tree_labels(frame: MapFrame, content: MapContent) -> Iterator[Label]:
    """Danger and line trees with their labels; crossings where they are few."""
    for key, words in _TREE_WORDS.items():
        found = trees_in(frame, content, key, enlarged=1.0)
        if key not in _ALWAYS_NAMED and len(found.places) > _MOST_TREES:
            continue
        for (x, y), width, name in zip(found.places, found.widths, found.names, strict=True):
            half = width / 2
            named = f"{words} {name}" if key in _ALWAYS_NAMED else words
            yield Label(
                lines=(name_line(named, size=6.2, bold=True),),
                feature=shapely.box(x - half, y - half, x + half, y + half),
            )


def _opening_labels(frame: MapFrame, content: MapContent) -> Iterator[Label]:
    """Number and area of each opening."""
    openings = content.layout.openings
    areas = dict(zip(openings["opening"], openings["area_m2"], strict=True))
    for number, shape in _named(frame, openings.geometry, openings["opening"]):
        yield Label(
            lines=(
                Line(words=f"{number}", size=9.0, face="bold"),
                Line(words=show_area(areas[number], content.units), size=6.4),
            ),
            feature=shape,
        )


def _corridor_labels(frame: MapFrame, content: MapContent) -> Iterator[Label]:
    """Name of each corridor, on its centre line."""
    lines = content.layout.corridor_lines
    for name, shape in _named(frame, lines.geometry, lines["corridor"]):
        yield Label(
            lines=(name_line(name, bold=True),),
            feature=shape,
            spots=_along(shape),
            boxed=True,
        )


def _along(shape: shapely.Geometry) -> np.ndarray:
    """Places along the longest part of some lines."""
    merged = shapely.line_merge(shape) if shapely.get_num_geometries(shape) > 1 else shape
    parts = shapely.get_parts(merged)
    parts = parts[shapely.get_dimensions(parts) == 1]
    if not len(parts):
        return np.empty((0, 2))
    longest = parts[int(np.argmax(shapely.length(parts)))]
    return shapely.get_coordinates(
        shapely.line_interpolate_point(longest, np.array(_ALONG), normalized=True)
    )


def _area_labels(frame: MapFrame, content: MapContent) -> Iterator[Label]:
    """Names of exclusions, landings and water, in them where they are large enough."""
    for key, colour in _AREA_COLOURS.items():
        for name, shape in _named(frame, content.areas[key], content.names[key]):
            if not str(name).strip():
                continue
            line = name_line(name, size=6.4)
            label = Label(lines=(line,), feature=shape, colour=colour, backed=True)
            spots = _inner_spots(shape)
            fits = (
                _fits(label, shape, spots)
                if key != "water"
                else np.full(len(spots), fill_value=True)
            )
            yield replace(label, spots=spots[fits], most_cost=_NAME_COST)


def _inner_spots(shape: shapely.Geometry) -> np.ndarray:
    """Places inside an area, from its middle outwards."""
    west, south, east, north = shapely.bounds(shape)
    edges = np.linspace(south, north, _SLICES + 1)
    strips = shapely.intersection(shape, shapely.box(west, edges[:-1], east, edges[1:]))
    points = shapely.get_coordinates(shapely.point_on_surface(strips[~shapely.is_empty(strips)]))
    order = np.argsort(np.abs(points[:, 1] - (south + north) / 2), kind="stable")
    return np.asarray(points[order])


def _fits(label: Label, shape: shapely.Geometry, spots: np.ndarray) -> np.ndarray:
    """Whether a label lies within an area at each of some places."""
    width, height = label.size
    x, y = spots[:, 0], spots[:, 1]
    boxes = shapely.box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
    return np.asarray(shapely.contains(shape, boxes))


def _sheet_labels(sheets: Sequence[tuple[int, shapely.Geometry]]) -> Iterator[Label]:
    """Numbers of detail sheets, in a corner of their ground."""
    for number, shape in sheets:
        west, south, east, north = shapely.bounds(shape)
        line = Line(words=f"sheet {number}", size=6.4, face="slanted")
        label = Label(lines=(line,), feature=shape)
        across, along = label.size[0] / 2 + 3, label.size[1] / 2 + 3
        corners = [
            (x, y)
            for shift in (0, 14, 28)
            for y in (north - along, south + along)
            for x in (west + across + shift, east - across - shift)
        ]
        yield Label(lines=(line,), feature=shape, spots=np.array(corners), around=False)


def _contour_labels(frame: MapFrame, drawn: Drawn) -> Iterator[Label]:
    """Heights on index contours, where there is room to spare."""
    box = frame.box.inset(left=3, right=3, bottom=3, top=3)
    room = box.polygon
    for contour in drawn.contours:
        if not contour.is_index:
            continue
        for line in shapely.get_parts(shapely.intersection(contour.lines, room)):
            if shapely.length(line) >= _LEAST_CONTOUR_PT:
                yield Label(
                    lines=(Line(words=f"{contour.height:,}", size=5.2),),
                    feature=line,
                    spots=_along(line),
                    around=False,
                    colour=_CONTOUR_COLOUR,
                    most_cost=_CONTOUR_COST,
                )


def _obstacles(frame: MapFrame, content: MapContent) -> Obstacles:
    """What labels should not cover."""
    shapes: list[np.ndarray] = []
    costs: list[np.ndarray] = []

    def add(found: object, cost: float) -> None:
        shapes.append(np.asarray(found, dtype=object).ravel())
        costs.append(np.full(len(shapes[-1]), cost))

    for key in content.trees:
        trees = trees_in(frame, content, key, enlarged=_LARGEST)
        places, widths = trees.places, trees.widths
        if key in _MUST_BE_SEEN:
            reach = widths[:, None] / 2
            add(shapely.box(*(places - reach).T, *(places + reach).T), np.inf)
        else:
            add(shapely.points(places), 1.0)
    for key, cost in _COVERED.items():
        add(frame.drawn(content.areas[key]), cost)
    add(shapely.boundary(frame.drawn([content.stand])), 4.0)
    return Obstacles(shapes=np.concatenate(shapes), costs=np.concatenate(costs))


def _draw(page: Page, placed: PlacedLabel) -> None:
    """Draw a label, its box and its leader."""
    label, box = placed.label, placed.box
    if placed.leader is not None:
        page.shapes([placed.leader], Stroke(colour=WHITE, width=1.6), level=8.2)
        page.shapes([placed.leader], LEADER, level=8.3)
    if label.boxed:
        page.box(box, Fill(face=WHITE, edge=Stroke(colour=INK, width=0.6)), level=8.4)
    if label.backed:
        page.box(box.inset(top=0.4, bottom=0.4, left=-1, right=-1), Fill(face=WHITE), level=8.1)
    y = box.top - (1.0 if label.boxed else 0.0)
    x = box.left + box.width / 2
    for number, line in enumerate(label.lines):
        y -= line.size * ASCENT
        lettering = Lettering(
            size=line.size, face=line.face, colour=label.colour, align="center",
            halo=not (label.boxed or label.backed),
        )  # fmt: skip
        page.text(x, y, line.words, lettering)
        if number < len(label.lines) - 1:
            y -= line.size * (LEADING - ASCENT)
        else:
            y -= line.size * DESCENT
