"""A sheet to draw on: texts, lines and shapes at points from its lower left corner."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely

from glademark.report.map_sheets.paper import (
    LEADING,
    Face,
    Outline,
    outline_of,
    text_outline,
    text_width,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glademark.report.map_sheets.paper import Box

Hatch = Literal["level", "upright", "rising", "falling", "crossed", "gridded", "dotted"]

_APART_PT = 4.0  # of level lines and of dots; slanting ones lie wider, since they look closer
_TURNS: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {
        "level": (0.0,),
        "upright": (90.0,),
        "rising": (45.0,),
        "falling": (-45.0,),
        "crossed": (45.0, -45.0),
        "gridded": (0.0, 90.0),
    }
)

Align = Literal["left", "center", "right"]

_HALO = 0.34  # width of the rim of a text, against its size

_DOT_PT = 0.8


def hatch_lines(area: shapely.Geometry, hatch: Hatch) -> shapely.Geometry:
    """Lines of a pattern in an area."""
    return shapely.union_all(
        [shapely.intersection(_ruled(shapely.bounds(area), turn), area) for turn in _TURNS[hatch]]
        if not shapely.is_empty(area)
        else []
    )


def hatch_dots(area: shapely.Geometry) -> np.ndarray:
    """
    Dots of the pattern ``dotted`` in an area.

    Returns
    -------
    places
        Of dots in the area, every second row set off by half; shape (n, 2).
    """
    west, south, east, north = shapely.bounds(area)
    if not math.isfinite(west):
        return np.empty((0, 2))
    rows = np.arange(math.floor(south / _APART_PT), math.ceil(north / _APART_PT) + 1)
    columns = np.arange(math.floor(west / _APART_PT) - 1, math.ceil(east / _APART_PT) + 1)
    row, column = (part.ravel() for part in np.meshgrid(rows, columns, indexing="ij"))
    places = np.column_stack([(column + row % 2 / 2) * _APART_PT, row * _APART_PT])
    return np.asarray(places[shapely.contains_xy(area, *places.T)])


def _ruled(bounds: np.ndarray, turn: float) -> shapely.Geometry:
    """Lines over some bounds, at round distances from the corner of the sheet."""
    west, south, east, north = bounds
    along = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
    across = np.array([-along[1], along[0]])
    apart = _APART_PT / max(abs(along))
    corners = np.array([(west, south), (west, north), (east, south), (east, north)])
    offs, ends = corners @ across, corners @ along
    off = apart * np.arange(math.floor(offs.min() / apart), math.ceil(offs.max() / apart) + 1)
    starts, stops = (
        off[:, None] * across + end * along for end in (ends.min() - 1, ends.max() + 1)
    )
    lines = np.asarray(shapely.linestrings(np.stack([starts, stops], axis=1)))
    return shapely.MultiLineString(list(lines))


INK, GREY, PALE, WHITE = "#1b1f23", "#5f666d", "#eceae4", "#ffffff"


@dataclass(frozen=True, kw_only=True, slots=True)
class Lettering:
    """How a text is set."""

    size: float = 7.0  # of its letters [points]
    face: Face = "plain"  # plain, bold or slanted
    colour: str = INK  # of its letters
    align: Align = "left"  # which end of it stands at its place
    turned: float = 0.0  # anticlockwise [degrees]
    halo: bool = False  # whether a white rim keeps it apart from what lies under it


@dataclass(frozen=True, kw_only=True, slots=True)
class Stroke:
    """How a line is drawn."""

    colour: str = INK  # of the line
    width: float = 0.5  # in points
    dashes: tuple[float, ...] = ()  # lengths of dashes and gaps in points; unbroken where empty
    rounded: bool = False  # whether its ends are round


@dataclass(frozen=True, kw_only=True, slots=True)
class Fill:
    """How an area is drawn."""

    face: str = ""  # colour inside; none where empty
    hatch: Hatch | None = None  # pattern, in the colour of the edge; none where not given
    edge: Stroke | None = None  # line around it; none where not given
    hatch_width: float = 0.5  # of the lines of the pattern [points]


@dataclass(frozen=True, kw_only=True, slots=True)
class Shape:
    """An outline drawn on a sheet."""

    outline: Outline  # in points of the sheet
    face: str  # colour inside; none where empty
    edge: Stroke | None  # line along it; none where not given
    clip: Box | None  # box outside which nothing is drawn


@dataclass(frozen=True, kw_only=True, slots=True)
class Symbols:
    """One symbol drawn at many places."""

    outline: Outline  # of the symbol, 1 wide
    places: np.ndarray
    sizes: np.ndarray  # places and sizes: middles and widths [points]; shapes (n, 2) and (n,)
    style: Fill  # how they are drawn, without a pattern
    clip: Box | None  # box outside which nothing is drawn


@dataclass(frozen=True, kw_only=True, slots=True)
class Words:
    """A line of text on a sheet."""

    place: tuple[float, float]  # left end of its base line
    words: str  # printable
    lettering: Lettering  # how it is set


Drawing = Shape | Symbols | Words
"""What is drawn, in plain values: the same for a page of a file and for a picture."""


class Page:
    """
    One sheet.

    Parameters
    ----------
    size
        Width and height [points].
    """

    def __init__(self, size: tuple[float, float]) -> None:
        self.size = size
        self._found: list[tuple[float, Drawing]] = []

    def drawings(self) -> list[Drawing]:
        """What has been drawn on the sheet."""
        return [drawing for _, drawing in sorted(self._found, key=lambda found: found[0])]

    def text(
        self, x: float, y: float, words: str, lettering: Lettering, *, level: float = 9
    ) -> None:
        """Set one line of text."""
        if not words:
            return
        turn, back = math.radians(lettering.turned), 0.0
        if lettering.align != "left":
            width = text_width(words, lettering.size, lettering.face)
            back = width / 2 if lettering.align == "center" else width
        place = (float(x - back * math.cos(turn)), float(y - back * math.sin(turn)))
        if lettering.halo:
            letters = text_outline(words, lettering.size, lettering.face)
            rim = Stroke(colour=WHITE, width=lettering.size * _HALO)
            self._add(letters.moved(place, turned=turn), "", rim, level=level - 0.5)
        self._found.append((level, Words(place=place, words=words, lettering=lettering)))

    def lines_of_text(
        self, x: float, top: float, lines: Iterable[str], lettering: Lettering
    ) -> float:
        """Set lines below each other."""
        step = lettering.size * LEADING
        y = top
        for line in lines:
            self.text(x, y - lettering.size, line, lettering)
            y -= step
        return y

    def line(
        self,
        x: Sequence[float],
        y: Sequence[float],
        stroke: Stroke,
        *,
        level: float = 5,
        clip: Box | None = None,
    ) -> None:
        """Draw a line through points."""
        self.shapes([shapely.LineString(np.column_stack([x, y]))], stroke, level=level, clip=clip)

    def shapes(
        self,
        shapes: Iterable[shapely.Geometry],
        style: Stroke | Fill,
        *,
        level: float = 5,
        clip: Box | None = None,
    ) -> None:
        """Draw lines or areas."""
        found = list(shapes)
        outline = outline_of(found)
        if outline is None:
            return
        if isinstance(style, Stroke):
            self._add(outline, "", style, level=level, clip=clip)
            return
        if style.hatch is None or style.edge is None:
            self._add(outline, style.face, style.edge, level=level, clip=clip)
            return
        if style.face:
            self._add(outline, style.face, None, level=level, clip=clip)
        stroke = Stroke(colour=style.edge.colour, width=style.hatch_width)
        self._hatch(found, style.hatch, stroke, level=level, clip=clip)
        self._add(outline, "", style.edge, level=level, clip=clip)

    def box(self, box: Box, style: Stroke | Fill, *, level: float = 5) -> None:
        """Draw a rectangle."""
        self.shapes([box.polygon], style, level=level)

    def symbols(
        self,
        outline: Outline,
        places: np.ndarray,
        sizes: np.ndarray,
        style: Fill,
        *,
        level: float = 6,
        clip: Box | None = None,
    ) -> None:
        """
        Draw one symbol at many places.

        Parameters
        ----------
        places
            Its middles; shape (n, 2).
        sizes
            Width of each [points]; shape (n,).
        """
        if len(places):
            found = Symbols(outline=outline, places=places, sizes=sizes, style=style, clip=clip)
            self._found.append((level, found))

    def _hatch(
        self,
        shapes: Sequence[shapely.Geometry],
        hatch: Hatch,
        stroke: Stroke,
        *,
        level: float,
        clip: Box | None,
    ) -> None:
        """Draw the pattern of areas, no more of it than is seen."""
        area = shapely.union_all(shapes)
        if clip is not None:
            area = shapely.intersection(area, clip.polygon)
        if hatch == "dotted":
            dots = hatch_dots(area)[:, None] + np.array([[-0.02, 0.0], [0.02, 0.0]])
            stroke = Stroke(colour=stroke.colour, width=_DOT_PT + stroke.width, rounded=True)
            outline = outline_of([shapely.multilinestrings(shapely.linestrings(dots))])
        else:
            outline = outline_of([hatch_lines(area, hatch)])
        if outline is not None:
            self._add(outline, "", stroke, level=level, clip=clip)

    def _add(
        self,
        outline: Outline,
        face: str,
        edge: Stroke | None,
        *,
        level: float,
        clip: Box | None = None,
    ) -> None:
        """Put an outline on the sheet."""
        self._found.append((level, Shape(outline=outline, face=face, edge=edge, clip=clip)))
