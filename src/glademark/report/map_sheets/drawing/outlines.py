"""Outlines drawn as points and steps, and letters: how wide a text is, how it is made to fit."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt
import shapely

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

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from matplotlib.ft2font import FT2Font

MOVE, LINE, CURVE, CLOSE = 1, 2, 4, 79
"""Steps: begin at a point, a straight line to it, one of the three points of a cubic curve, and
back to where the part began (its point is not used). The numbers are those of the plotting library.
"""

_UNSEEN_PT = 0.03  # vertices that change a line by less are left out: 0.01 mm
_ROUND = 0.5522847498  # 4/3 (sqrt 2 - 1): four cubic curves with such handles are a circle
_HANDLE_POINTS = 3

FloatArray = npt.NDArray[np.float64]

Face = Literal["plain", "bold", "slanted"]

LEADING = 1.3
"""Distance of two lines, in parts of the size."""

FONTS: Mapping[Face, str] = MappingProxyType({"plain": SANS, "bold": BOLD, "slanted": SLANTED})
"""Names of the fonts."""

_OUTLINED = 100.0  # size at which outlines of letters are taken [points]

_POINTS_PER_INCH = 72


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Outline:
    """
    Parts made of straight lines and curves.

    Attributes
    ----------
    points
        Shape (n, 2).
    steps
        How each point is reached; shape (n,).
    """

    points: FloatArray
    steps: npt.NDArray[np.uint8]

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
