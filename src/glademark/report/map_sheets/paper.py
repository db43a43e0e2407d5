"""
Paper of the sheets, boxes on it, the ground under a box; outlines and letters.

All lengths in points, from the lower left corner.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt
import shapely

from glademark.contracts.frames import FloatArray, sound
from glademark.report.papers.printed_text import (
    BOLD,
    PER_SIZE,
    SANS,
    SLANTED,
    cut_to_fit,
    font_file,
    letter_widths,
    line_width,
    lines_that_fit,
    printed_runs,
)
from glademark.units import FOOT_M

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from matplotlib.ft2font import FT2Font

    from glademark.contracts.layers import Units

POINTS_PER_INCH = 72.0
POINT_M = 0.0254 / POINTS_PER_INCH
"""Size of a point on paper [m]."""

MARGIN_PT = 28.0
"""White edge of a sheet: 10 mm, which any printer can leave."""

PAPERS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "letter": (612.0, 792.0),
        "tabloid": (792.0, 1224.0),
        "A4": (595.276, 841.89),
        "A3": (841.89, 1190.551),
    }
)
"""Width and height of each paper, upright [points]."""

_BY_UNITS: Mapping[str, str] = MappingProxyType({"us": "letter", "metric": "A4"})

_INCH_M = FOOT_M / 12

_METRIC = (100, 200, 250, 500, 750, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 7500,
           10_000, 12_500, 15_000, 20_000, 25_000, 30_000, 40_000, 50_000, 75_000,
           100_000)  # fmt: skip

_FEET_TO_AN_INCH = (10, 20, 30, 40, 50, 60, 80, 100, 150, 200, 250, 300, 400, 500, 600, 800, 1000,
                    1200, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 8000)  # fmt: skip

OVERVIEW_FINEST = {"us": 1200, "metric": 1000}
"""Scale beyond which a map of a whole stand is not enlarged: 1 in = 100 ft, 1:1,000."""


_UNSEEN_PT = 0.03  # vertices that change a line by less are left out: 0.01 mm

_ROUND = 0.5522847498  # 4/3 (sqrt 2 - 1): four cubic curves with such handles are a circle

_HANDLE_POINTS = 3

Face = Literal["plain", "bold", "slanted"]

LEADING = 1.3
"""Distance of two lines, in parts of the size."""

FONTS: Mapping[Face, str] = MappingProxyType({"plain": SANS, "bold": BOLD, "slanted": SLANTED})
"""Names of the fonts."""

_OUTLINED = 100.0  # size at which outlines of letters are taken [points]

_POINTS_PER_INCH = 72


@dataclass(frozen=True, kw_only=True, slots=True)
class Box:
    """A rectangle on the sheet."""

    left: float
    bottom: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge [points]."""
        return self.left + self.width

    @property
    def top(self) -> float:
        """Upper edge [points]."""
        return self.bottom + self.height

    @property
    def polygon(self) -> shapely.Polygon:
        """The rectangle as a shape."""
        return shapely.box(self.left, self.bottom, self.right, self.top)

    def inset(self, *, left: float = 0, right: float = 0, bottom: float = 0, top: float = 0) -> Box:
        """The rectangle less strips along its edges."""
        return Box(
            left=self.left + left,
            bottom=self.bottom + bottom,
            width=self.width - left - right,
            height=self.height - bottom - top,
        )

    def columns(self, shares: Sequence[float], *, gap: float) -> list[Box]:
        """Boxes side by side."""
        room = (self.width - gap * (len(shares) - 1)) / sum(shares)
        boxes, left = [], self.left
        for share in shares:
            boxes.append(Box(left=left, bottom=self.bottom, width=room * share, height=self.height))
            left += room * share + gap
        return boxes


def paper_size(paper: str | None, units: Units, *, landscape: bool) -> tuple[float, float]:
    """
    Width and height of a sheet [points].

    Examples
    --------
    >>> paper_size(None, "us", landscape=True)
    (792.0, 612.0)
    """
    width, height = PAPERS[paper or _BY_UNITS[units]]
    return (height, width) if landscape else (width, height)


def sheet_box(size: tuple[float, float]) -> Box:
    """What of a sheet may be printed on."""
    width, height = size
    return Box(left=0, bottom=0, width=width, height=height).inset(
        left=MARGIN_PT, right=MARGIN_PT, bottom=MARGIN_PT, top=MARGIN_PT
    )


def round_scales(units: Units) -> tuple[int, ...]:
    """
    Denominators of round scales.

    Examples
    --------
    >>> round_scales("us")[7], round_scales("metric")[5]
    (1200, 1000)
    """
    return tuple(12 * feet for feet in _FEET_TO_AN_INCH) if units == "us" else _METRIC


def metres_per_point(denominator: float) -> float:
    """Ground that one point of paper covers [m]."""
    return denominator * POINT_M


def fitting_scale(
    ground_m: tuple[float, float], room_pt: tuple[float, float], units: Units, *, finest: int = 0
) -> int:
    """
    Denominator of the largest round scale at which some ground fits on some paper.

    Parameters
    ----------
    ground_m
        Width and height of the ground [m].
    room_pt
        Width and height of the paper [points].

    Examples
    --------
    >>> fitting_scale((600, 400), (500, 500), "us"), fitting_scale((600, 400), (500, 500), "metric")
    (3600, 4000)
    """
    needed = max(ground / POINT_M / room for ground, room in zip(ground_m, room_pt, strict=True))
    fitting = [scale for scale in round_scales(units) if scale >= max(needed, finest)]
    coarsest = round_scales(units)[-1]
    return fitting[0] if fitting else coarsest * math.ceil(needed / coarsest)


def scale_words(denominator: int, units: Units) -> str:
    """
    A scale as people say it.

    Examples
    --------
    >>> scale_words(3600, "us"), scale_words(2500, "metric")
    ('1 in = 300 ft (1:3,600)', '1:2,500')
    """
    ratio = f"1:{denominator:,}"
    feet = denominator * _INCH_M / FOOT_M
    return f"1 in = {feet:,.4g} ft ({ratio})" if units == "us" else ratio


@dataclass(frozen=True, kw_only=True, slots=True)
class MapFrame:
    """A box of the sheet with a map in it, north up along the grid."""

    name: str  # what it shows, in words
    box: Box  # on the sheet [points]
    west_m: float
    south_m: float  # west_m and south_m: lower left corner in the working CRS [m]
    denominator: int  # of the scale

    @property
    def metres_per_point(self) -> float:
        """Ground that one point of paper covers [m]."""
        return metres_per_point(self.denominator)

    @property
    def ground(self) -> tuple[float, float, float, float]:
        """
        West, south, east and north of the ground [m].

        Returns
        -------
        ground
            In the working CRS.
        """
        size = self.metres_per_point
        east, north = self.west_m + self.box.width * size, self.south_m + self.box.height * size
        return self.west_m, self.south_m, east, north

    def on_paper(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """
        Where positions lie on the sheet [points].

        Parameters
        ----------
        x, y
            In the working CRS [m].
        """
        size = self.metres_per_point
        return (
            self.box.left + (np.asarray(x) - self.west_m) / size,
            self.box.bottom + (np.asarray(y) - self.south_m) / size,
        )

    def drawn(self, shapes: Sequence[shapely.Geometry] | FloatArray) -> npt.NDArray[np.object_]:
        """
        Shapes as they lie on the sheet, those that meet the frame only.

        Parameters
        ----------
        shapes
            In the working CRS; missing and empty ones are passed over.
        """
        found = np.asarray(shapes, dtype=object)
        found = found[~shapely.is_empty(found) & ~shapely.is_missing(found)]
        found = found[shapely.intersects(found, shapely.box(*self.ground))]
        return self.placed(found)

    def placed(self, shapes: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
        """Shapes of the working CRS in points of the sheet."""
        moved = shapely.transform(
            shapes, lambda at: np.column_stack(self.on_paper(at[:, 0], at[:, 1]))
        )
        return sound(np.asarray(moved, dtype=object), what="map sheets")


def frame_over(
    name: str, box: Box, ground: tuple[float, float, float, float], denominator: int
) -> MapFrame:
    """
    A map frame with some ground in its middle.

    Parameters
    ----------
    ground
        West, south, east and north [m].
    """
    west, south, east, north = ground
    size = metres_per_point(denominator)
    return MapFrame(
        name=name,
        box=box,
        west_m=(west + east - box.width * size) / 2,
        south_m=(south + north - box.height * size) / 2,
        denominator=denominator,
    )


MOVE, LINE, CURVE, CLOSE = 1, 2, 4, 79
"""Steps: begin at a point, a straight line to it, one of the three points of a cubic curve, and
back to where the part began (its point is not used). The numbers are those of the plotting library.
"""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Outline:
    """Parts made of straight lines and curves."""

    points: FloatArray  # shape (n, 2)
    steps: npt.NDArray[np.uint8]  # how each point is reached; shape (n,)

    def moved(
        self, place: tuple[float, float], *, turned: float = 0.0, size: float = 1.0
    ) -> Outline:
        """
        The outline elsewhere.

        Parameters
        ----------
        turned
            Around its zero, anticlockwise [radians].
        """
        cosine, sine = np.cos(turned) * size, np.sin(turned) * size
        turn = np.array([[cosine, sine], [-sine, cosine]])
        return Outline(points=self.points @ turn + place, steps=self.steps)


def joined(outlines: Sequence[Outline]) -> Outline:
    """Outlines as one."""
    return Outline(
        points=np.concatenate([one.points for one in outlines]),
        steps=np.concatenate([one.steps for one in outlines]),
    )


def polygon(points: Iterable[tuple[float, float]] | FloatArray) -> Outline:
    """
    Outline of one ring.

    Parameters
    ----------
    points
        Its corners; shape (n, 2), the first not repeated.
    """
    corners = np.asarray(list(points), dtype=float)
    steps = np.full(len(corners) + 1, LINE, dtype=np.uint8)
    steps[0], steps[-1] = MOVE, CLOSE
    return Outline(points=np.vstack([corners, corners[:1]]), steps=steps)


def circle(radius: float, *, middle: tuple[float, float] = (0.0, 0.0)) -> Outline:
    """Outline of a circle."""
    handle = np.array([[1, 0], [1, _ROUND], [_ROUND, 1]])
    turns = (np.array([[1, 0], [0, 1]]), np.array([[0, 1], [-1, 0]]),
             np.array([[-1, 0], [0, -1]]), np.array([[0, -1], [1, 0]]))  # fmt: skip
    quarters = [handle @ turn for turn in turns]
    points = np.vstack([*quarters, [[1, 0], [1, 0]]]) * radius + middle
    steps = np.full(len(points), CURVE, dtype=np.uint8)
    steps[0], steps[-1] = MOVE, CLOSE
    return Outline(points=points, steps=steps)


def outline_of(shapes: Iterable[shapely.Geometry]) -> Outline | None:
    """Lines and areas as one outline."""
    found = np.asarray(list(shapes), dtype=object)
    if not len(found):
        return None
    parts = shapely.get_parts(found)
    parts = shapely.simplify(parts[~shapely.is_empty(parts)], _UNSEEN_PT)
    areas = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    lines = parts[~areas & (shapely.get_dimensions(parts) == 1)]
    rings = shapely.get_rings(shapely.orient_polygons(parts[areas]))
    pieces = np.concatenate([lines, rings])
    points, piece = shapely.get_coordinates(pieces, return_index=True)
    if not len(points):
        return None
    steps = np.full(len(points), LINE, dtype=np.uint8)
    first = np.flatnonzero(np.diff(piece, prepend=-1))
    last = np.append(first[1:], len(points)) - 1
    steps[first] = MOVE
    steps[last[piece[last] >= len(lines)]] = CLOSE
    return Outline(points=points, steps=steps)


def from_quadratic(points: FloatArray, steps: npt.NDArray[Any]) -> Outline:
    """Outline of a letter of a TrueType font."""
    curved = steps == _HANDLE_POINTS
    handles = np.flatnonzero(curved & (np.cumsum(curved) % 2 == 1))
    start, middle, end = points[handles - 1], points[handles], points[handles + 1]
    out = np.ones(len(points), dtype=int)
    out[handles] = 2
    at = np.cumsum(out) - out  # of the first point that each one gives
    found, kinds = np.empty((out.sum(), 2)), np.empty(out.sum(), dtype=np.uint8)
    found[at], kinds[at] = points, np.where(curved, CURVE, steps)
    found[at[handles]] = (start + 2 * middle) / 3
    found[at[handles] + 1], kinds[at[handles] + 1] = (end + 2 * middle) / 3, CURVE
    return Outline(points=found, steps=kinds)


ASCENT, DESCENT = 0.76, 0.24
"""Height of letters above and below their base line, in parts of the size."""


def text_width(text: str, size: float, face: Face = "plain") -> float:
    """Width of a text on the sheet [points]."""
    return line_width(text, size, FONTS[face])


@cache
def _outlined(font: str) -> FT2Font:
    """A font at the size at which outlines are taken."""
    from matplotlib.ft2font import FT2Font  # noqa: PLC0415 - heavy

    found = FT2Font(str(font_file(font)))
    found.set_size(_OUTLINED, _POINTS_PER_INCH)
    return found


@lru_cache(maxsize=1024)
def _letter_outline(letter: str, font: str) -> Outline:
    """Outline of a letter at the size at which outlines are taken."""
    from matplotlib.ft2font import LoadFlags  # noqa: PLC0415 - heavy

    found = _outlined(font)
    found.load_char(ord(letter), flags=LoadFlags.NO_HINTING)
    points, steps = found.get_path()
    return from_quadratic(np.asarray(points, dtype=float), np.asarray(steps))


def text_outline(text: str, size: float, face: Face = "plain") -> Outline:
    """Outline of the letters of a text, from the left end of its base line [points]."""
    seen = [(one, run.font) for run in printed_runs(text, FONTS[face]) for one in run.letters]
    letters = [_letter_outline(one, font) for one, font in seen]
    ends = np.cumsum([letter_widths(font).get(ord(one), 0.0) for one, font in seen])
    lengths = [len(letter.steps) for letter in letters]
    found = joined(letters)
    points = found.points * (size / _OUTLINED)
    starts = np.concatenate([[0.0], ends[:-1]]) * size / PER_SIZE
    points[:, 0] += np.repeat(starts, lengths)
    return Outline(points=points, steps=found.steps)


def fitted(text: str, width: float, size: float, face: Face = "plain") -> str:
    """A text that fits on one line."""
    return cut_to_fit(text, width, size, FONTS[face])


def broken(
    text: str, width: float, size: float, face: Face = "plain", *, most: int = 99
) -> list[str]:
    """A text in lines that fit."""
    return lines_that_fit(text, width, size, FONTS[face], most=most)
