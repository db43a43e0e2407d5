"""
Which labels a map has, their places, and how they are drawn there.

Places are tried one after another, labels in their order: a label takes the place that covers least
and lies nearest, never over another label, over a symbol that must be seen, or across a leader.
What finds no place is left out and counted. The cost is one query of a search tree per label.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.report.map_sheets.content import LEADER
from glademark.report.map_sheets.map_drawing import trees_in
from glademark.report.map_sheets.page import INK, WHITE, Fill, Lettering, Stroke
from glademark.report.map_sheets.paper import (
    ASCENT,
    DESCENT,
    LEADING,
    Box,
    Face,
    fitted,
    text_width,
)
from glademark.report.papers.printed_text import printable
from glademark.report.quantities import show_area

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from glademark.report.map_sheets.content import MapContent
    from glademark.report.map_sheets.map_drawing import Drawn
    from glademark.report.map_sheets.page import Page
    from glademark.report.map_sheets.paper import MapFrame

_PAD_PT = 1.4  # white that a label keeps around it
_GAPS_PT = (2.0, 7.0, 14.0, 24.0, 38.0, 56.0, 80.0, 112.0)
_TURNS = np.deg2rad([20, 160, -20, 200, 90, -90, 45, 135, -45, 225, 0, 180, 70, 110, -70, -110])
_LEADER_PT = 5.0  # a label farther off than that gets a leader
_ORDER_PT = 0.4  # by which a place on a feature stands behind the one before it
_AROUND_PT = 14.0  # by which a place around a feature stands behind one on it
_COST_PER_PT = 0.55  # of distance, in the cost of covering one tree

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


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """One line of a label."""

    words: str
    size: float
    face: Face = "plain"


@dataclass(frozen=True, kw_only=True, slots=True)
class Label:
    """What is to be written at a feature."""

    lines: tuple[Line, ...]  # from top to bottom
    feature: shapely.Geometry  # what it names, on the sheet [points]
    spots: np.ndarray = field(default_factory=lambda: np.empty((0, 2)))
    """Places for its middle, the best first; shape (n, 2)."""
    around: bool = True  # whether places around the feature are tried as well, behind those
    boxed: bool = False  # whether it stands in a white box of its own
    backed: bool = False  # whether the ground under it is white, without an edge
    colour: str = "#1b1f23"
    """Of its letters."""
    most_cost: float = 1e6
    """What it may cover at most, against trees; it is rather left out than covering more."""

    @property
    def size(self) -> tuple[float, float]:
        """Width and height [points]."""
        width = max(text_width(line.words, line.size, line.face) for line in self.lines)
        last = self.lines[-1].size
        height = sum(line.size for line in self.lines[:-1]) * LEADING + last * (ASCENT + DESCENT)
        more = 4.0 if self.boxed else 0.0
        return width + more, height + more / 2


@dataclass(frozen=True, kw_only=True, slots=True)
class PlacedLabel:
    """A label with its place."""

    label: Label  # what is written
    box: Box  # where
    leader: shapely.LineString | None  # line to the feature; None where it stands at it


@dataclass(frozen=True, kw_only=True, slots=True)
class Obstacles:
    """What labels should not cover, on the sheet."""

    shapes: np.ndarray  # points, lines and areas
    costs: np.ndarray  # of covering each; infinite where it must be seen


def place_labels(
    labels: Sequence[Label], room: Box, obstacles: Obstacles
) -> tuple[list[PlacedLabel], list[Label]]:
    """Labels in places where they do not collide."""
    tree = shapely.STRtree(obstacles.shapes)
    placed: list[PlacedLabel] = []
    left_out: list[Label] = []
    taken: list[shapely.Geometry] = []
    for label in labels:
        found = _best(label, room, (tree, obstacles.costs), taken)
        if found is None:
            left_out.append(label)
            continue
        placed.append(found)
        taken.append(_area(found.box, _PAD_PT))
        if found.leader is not None:
            taken.append(found.leader)
    return placed, left_out


def _best(
    label: Label,
    room: Box,
    ground: tuple[shapely.STRtree, np.ndarray],
    taken: Sequence[shapely.Geometry],
) -> PlacedLabel | None:
    """The cheapest free place of a label."""
    width, height = label.size
    middles, off = _spots(label, (width, height))
    left, bottom = middles[:, 0] - width / 2, middles[:, 1] - height / 2
    boxes = shapely.box(left, bottom, left + width, bottom + height)
    costs = off * _COST_PER_PT + _covering(boxes, *ground)
    costs[
        (left < room.left + 1)
        | (left + width > room.right - 1)
        | (bottom < room.bottom + 1)
        | (bottom + height > room.top - 1)
    ] = np.inf
    others = np.asarray(taken, dtype=object)
    if taken:
        costs[shapely.intersects(others[:, None], boxes).any(axis=0)] = np.inf
    for best in np.argsort(costs, kind="stable"):
        if costs[best] > label.most_cost:
            break
        leader = shapely.shortest_line(boxes[best], label.feature)
        if shapely.length(leader) <= _LEADER_PT:
            leader = None
        elif shapely.intersects(others, leader).any():
            continue
        box = Box(left=left[best], bottom=bottom[best], width=width, height=height)
        return PlacedLabel(label=label, box=box, leader=leader)
    return None


def _covering(boxes: np.ndarray, tree: shapely.STRtree, costs: np.ndarray) -> np.ndarray:
    """Cost of what each box covers."""
    of_box, covered = tree.query(boxes, predicate="intersects")
    return np.bincount(of_box, weights=costs[covered], minlength=len(boxes))


def _spots(label: Label, size: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Middles of the places to try, and how far off each is [points]."""
    given, order = label.spots, np.arange(len(label.spots)) * _ORDER_PT
    behind = _AROUND_PT if len(given) else 0.0
    if not label.around:
        return given, order
    west, south, east, north = shapely.bounds(label.feature)
    gaps = np.repeat(_GAPS_PT, len(_TURNS))
    turns = np.tile(_TURNS, len(_GAPS_PT))
    across = ((east - west) + size[0]) / 2 + gaps
    along = ((north - south) + size[1]) / 2 + gaps
    cosine, sine = np.cos(turns), np.sin(turns)
    stretch = 1 / np.maximum(np.abs(cosine), np.abs(sine))  # on a rectangle, not an ellipse
    x = (west + east) / 2 + across * cosine * stretch
    y = (south + north) / 2 + along * sine * stretch
    return np.vstack([given, np.column_stack([x, y])]), np.concatenate([order, gaps + behind])


def _area(box: Box, pad: float) -> shapely.Geometry:
    """A box with some white around it."""
    return shapely.box(box.left - pad, box.bottom - pad, box.right + pad, box.top + pad)


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
