"""
Labels without collisions: each takes the cheapest free place near what it names.

Places are tried one after another, labels in their order: a label takes the place that covers
least and lies nearest, never over another label, over a symbol that must be seen, or across a
leader. What finds no place is left out and counted. The cost is one query of a search tree per
label.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.report.map_sheets.drawing.lettering import ASCENT, DESCENT, LEADING, Face, text_width
from glademark.report.map_sheets.drawing.paper import Box

if TYPE_CHECKING:
    from collections.abc import Sequence

_PAD_PT = 1.4  # white that a label keeps around it
_GAPS_PT = (2.0, 7.0, 14.0, 24.0, 38.0, 56.0, 80.0, 112.0)
_TURNS = np.deg2rad([20, 160, -20, 200, 90, -90, 45, 135, -45, 225, 0, 180, 70, 110, -70, -110])
_LEADER_PT = 5.0  # a label farther off than that gets a leader
_ORDER_PT = 0.4  # by which a place on a feature stands behind the one before it
_AROUND_PT = 14.0  # by which a place around a feature stands behind one on it
_COST_PER_PT = 0.55  # of distance, in the cost of covering one tree


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """One line of a label."""

    words: str
    size: float
    face: Face = "plain"


@dataclass(frozen=True, kw_only=True, slots=True)
class Label:
    """
    What is to be written at a feature.

    Attributes
    ----------
    lines
        From top to bottom.
    feature
        What it names, on the sheet [points].
    spots
        Places for its middle, the best first; shape (n, 2).
    around
        Whether places around the feature are tried as well, behind those.
    boxed
        Whether it stands in a white box of its own.
    backed
        Whether the ground under it is white, without an edge.
    colour
        Of its letters.
    most_cost
        What it may cover at most, against trees; it is rather left out than covering more.
    """

    lines: tuple[Line, ...]
    feature: shapely.Geometry
    spots: np.ndarray = field(default_factory=lambda: np.empty((0, 2)))
    around: bool = True
    boxed: bool = False
    backed: bool = False
    colour: str = "#1b1f23"
    most_cost: float = 1e6

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
    """
    A label with its place.

    Attributes
    ----------
    label
        What is written.
    box
        Where.
    leader
        Line to the feature; None where it stands at it.
    """

    label: Label
    box: Box
    leader: shapely.LineString | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Obstacles:
    """
    What labels should not cover, on the sheet.

    Attributes
    ----------
    shapes
        Points, lines and areas.
    costs
        Of covering each; infinite where it must be seen.
    """

    shapes: np.ndarray
    costs: np.ndarray


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
